"""Numbers into the paths of a picture.

A picture is `WIDTH` units wide and stretched to the page; lines keep their width all the same. Units are
so small that whole numbers do, which are short and quickly written.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fairtake.sketch import Curve

WIDTH = 4800
#: A label stands at every so many seconds: the first of these that gives few enough.
_TICKS_S = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)
MOST_TICKS = 8
#: The narrowest box that is still seen.
_NARROWEST = 8


@dataclass(frozen=True)
class Frame:
    """A picture's axes: seconds of the take across, values from *low* at the bottom to *high*."""

    begin_s: float
    end_s: float
    low: float
    high: float
    height: int

    def x(self, at_s: float) -> int:
        return self._xs(at_s, 0.0, 1)[0]

    def y(self, value: float) -> int:
        return self._ys([value])[0]

    def line(self, values: Sequence[float], start_s: float, step_s: float) -> str:
        """A line through the middle of each step."""
        return _path(self._xs(start_s + step_s / 2, step_s, len(values)), self._ys(values))

    def area(
        self, top: Sequence[float], bottom: Sequence[float], start_s: float, step_s: float
    ) -> str:
        """What lies between two lines."""
        xs = self._xs(start_s + step_s / 2, step_s, len(top))
        edge = _path([*xs, *xs[::-1]], [*self._ys(top), *self._ys(bottom)[::-1]])
        return f"{edge}Z" if edge else ""

    def level(self, value: float) -> str:
        """A line across at one value."""
        return f"M0 {self.y(value)}H{WIDTH}"

    def box(self, left: int, right: int, top: int, bottom: int) -> str:
        return f"M{left} {top}H{right}V{bottom}H{left}Z"

    def spans(self, spans: Iterable[tuple[float, float]]) -> str:
        """Boxes as high as the picture; the shortest are still seen."""
        ends = [(self.x(a), self.x(b)) for a, b in spans]
        return "".join(self.box(a, max(b, a + _NARROWEST), 0, self.height) for a, b in ends)

    def _xs(self, at_s: float, step_s: float, count: int) -> list[int]:
        scale = WIDTH / max(self.end_s - self.begin_s, 1e-9)
        first, step = (at_s - self.begin_s) * scale + 0.5, step_s * scale
        return [
            0 if x < 0 else WIDTH if x > WIDTH else int(x)
            for x in [first + n * step for n in range(count)]
        ]

    def _ys(self, values: Sequence[float]) -> list[int]:
        scale, most = self.height / (self.high - self.low), self.height
        return [
            0 if y < 0 else most if y > most else int(y)
            for y in [(self.high - value) * scale + 0.5 for value in values]
        ]


def _path(xs: Sequence[int], ys: Sequence[int]) -> str:
    points = " ".join([f"{x} {y}" for x, y in zip(xs, ys, strict=True)])
    return f"M{points}" if points else ""


def working_spans(curve: Curve, under_db: float) -> list[tuple[float, float]]:
    """Where *curve* falls under a value, in seconds."""
    spans: list[tuple[float, float]] = []
    for n, low in enumerate(curve.low):
        begin = curve.start_s + n * curve.step_s
        if low >= under_db:
            continue
        if spans and begin <= spans[-1][1] + curve.step_s / 2:
            spans[-1] = (spans[-1][0], begin + curve.step_s)
        else:
            spans.append((begin, begin + curve.step_s))
    return spans


def ticks_s(begin_s: float, end_s: float) -> list[float]:
    """Round times between two, few enough to be read."""
    span = end_s - begin_s
    every = next((t for t in _TICKS_S if span / t <= MOST_TICKS), _TICKS_S[-1])
    first = -(-begin_s // every) * every
    return [first + n * every for n in range(int((end_s - first) // every) + 1)]
