"""A finished take as lists of takes show it, and how alike the takes of one title are."""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from fairtake.pages.words import figure

#: A take stands out when one of its figures lies this many times the usual spread off the middle.
STANDS_OUT = 3.5
#: However alike the others are, nobody hears less than this.
_LEAST = {"level": 0.5, "floor_dbfs": 3.0, "head_s": 0.3, "tail_s": 0.7}
_WORDS = {
    "level": ("level", "dB"),
    "floor_dbfs": ("noise floor", "dB"),
    "head_s": ("head", "s"),
    "tail_s": ("tail", "s"),
}


@dataclass(frozen=True)
class FinishedTake:
    """``place`` is its path below the outbox, without suffix; ``at`` when it was finished, seconds of
    the epoch; ``level`` is in ``unit``, that of its profile's target."""

    place: str
    title: str  # its folder below the outbox
    name: str
    at: float
    duration_s: float
    level: float | None
    unit: str
    peak_dbtp: float | None
    floor_dbfs: float | None
    range_lu: float | None
    head_s: float | None
    tail_s: float | None
    profile: str
    checks: int
    missed: tuple[str, ...]
    has_sheet: bool = False

    @property
    def ok(self) -> bool:
        return not self.missed

    @property
    def verdict(self) -> str:
        return "ready" if self.ok else f"look at it: {', '.join(self.missed)}"


def finished_take(
    receipt: dict[str, Any], place: str, title: str, at: float, has_sheet: bool
) -> FinishedTake:
    """What a receipt tells. Raises ``LookupError``, ``TypeError``, ``ValueError`` or ``OverflowError``
    where it is none."""
    take, wav = receipt["take"], receipt["after"]["wav"]
    by_loudness = receipt["profile"]["settings"]["normalise"]["by"] == "loudness"
    return FinishedTake(
        place=place,
        title=title,
        name=str(take["name"]),
        at=at,
        duration_s=_number(receipt["outputs"]["wav"]["duration_s"]),
        level=_figure(wav["loudness_lufs" if by_loudness else "rms_dbfs"]),
        unit="LUFS" if by_loudness else "dBFS RMS",
        peak_dbtp=_figure(wav["true_peak_dbtp"]),
        floor_dbfs=_figure(wav["noise_floor_dbfs"]),
        range_lu=_figure(wav["loudness_range_lu"]),
        head_s=_figure(wav["head_s"]),
        tail_s=_figure(wav["tail_s"]),
        profile=str(receipt["profile"]["name"]),
        checks=len(receipt["checks"]),
        missed=tuple(f"{c['check']} of the {str(c['file']).upper()}" for c in receipt["checks"] if not c["ok"]),
        has_sheet=has_sheet,
    )  # fmt: skip


def _figure(value: Any) -> float | None:
    return None if value is None else _number(value)


def _number(value: Any) -> float:
    if not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{value!r} is no figure")
    return float(value)


def in_order(takes: Sequence[FinishedTake]) -> list[FinishedTake]:
    """As people count: chapter 2 before chapter 10."""

    def key(take: FinishedTake) -> list[Any]:
        parts = re.split(r"(\d+)", take.place.casefold())
        return [(0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p]

    return sorted(takes, key=key)


@dataclass(frozen=True)
class Alike:
    """How alike some takes are, in words; None where too few tell."""

    level: str
    floor: str
    head: str
    tail: str
    stands_out: str


def alike(takes: Sequence[FinishedTake]) -> Alike:
    """The spread of the takes' figures, and the take that stands out of the others, if one does."""

    def spread(name: str, unit: str) -> str:
        values = [v for v in (getattr(t, name) for t in takes) if v is not None]
        return figure(max(values) - min(values), unit) if len(values) > 1 else "–"

    return Alike(
        spread("level", "dB"), spread("floor_dbfs", "dB"), spread("head_s", "s"),
        spread("tail_s", "s"), _stands_out(takes),
    )  # fmt: skip


def _stands_out(takes: Sequence[FinishedTake]) -> str:
    worst, sentence = STANDS_OUT, ""
    for name, least in _LEAST.items():
        known = [(t, getattr(t, name)) for t in takes if getattr(t, name) is not None]
        if len(known) < 3:
            continue
        middle = statistics.median(value for _, value in known)
        usual = max(1.4826 * statistics.median(abs(v - middle) for _, v in known), least / 3)
        take, value = max(known, key=_off(middle))
        if abs(value - middle) / usual > worst and abs(value - middle) >= least:
            worst = abs(value - middle) / usual
            words, unit = _WORDS[name]
            over = "over" if value > middle else "under"
            sentence = f"{take.name}: {words} {figure(abs(value - middle), unit)} {over} the middle"
    return sentence


def _off(middle: float) -> Callable[[tuple[FinishedTake, float]], float]:
    return lambda known: abs(known[1] - middle)
