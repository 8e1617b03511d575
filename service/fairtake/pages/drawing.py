"""Numbers into the paths of a picture.

A picture is `WIDTH` units wide and stretched to the page; lines keep their width all the same. Units are
so small that whole numbers do, which are short and quickly written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sketch import Curve

Places = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

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
        return int(self._xs(np.array([at_s]))[0])

    def y(self, value: float) -> int:
        return int(self._ys([value])[0])

    def line(self, values: Sequence[float], start_s: float, step_s: float) -> str:
        """A line through the middle of each step."""
        return _path(self._xs(_middles(start_s, step_s, len(values))), self._ys(values))

    def area(
        self, top: Sequence[float], bottom: Sequence[float], start_s: float, step_s: float
    ) -> str:
        """What lies between two lines."""
        xs = self._xs(_middles(start_s, step_s, len(top)))
        edge = _path(
            np.concatenate([xs, xs[::-1]]), np.concatenate([self._ys(top), self._ys(bottom)[::-1]])
        )
        return f"{edge}Z" if edge else ""

    def level(self, value: float) -> str:
        """A line across at one value."""
        return f"M0 {self.y(value)}H{WIDTH}"

    def box(self, left: int, right: int, top: int, bottom: int) -> str:
        return f"M{left} {top}H{right}V{bottom}H{left}Z"

    def spans(self, spans: Sequence[tuple[float, float]]) -> str:
        """Boxes as high as the picture; the shortest are still seen."""
        ends = self._xs(np.array(spans).reshape(-1, 2)).tolist()
        return "".join(self.box(a, max(b, a + _NARROWEST), 0, self.height) for a, b in ends)

    def _xs(self, at_s: Places) -> Whole:
        scale = WIDTH / max(self.end_s - self.begin_s, 1e-9)
        return _whole((at_s - self.begin_s) * scale, WIDTH)

    def _ys(self, values: Sequence[float]) -> Whole:
        scale = self.height / (self.high - self.low)
        return _whole((self.high - np.array(values)) * scale, self.height)


def _middles(start_s: float, step_s: float, count: int) -> Places:
    """The middle of each of *count* steps, in seconds."""
    return start_s + step_s * (np.arange(count, dtype=np.float64) + 0.5)


def _whole(places: Places, most: int) -> Whole:
    """*places* to the nearest unit, from 0 to *most*."""
    return np.clip(places + 0.5, 0, most).astype(np.int64)  # type: ignore[no-any-return]


def _path(xs: Whole, ys: Whole) -> str:
    """Through all points. One format for all of them is the quickest way to write so many numbers."""
    points = np.stack([xs, ys], axis=1).ravel().tolist()
    return "M" + ("%d %d " * len(xs) % tuple(points))[:-1] if points else ""


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
