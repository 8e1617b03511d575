"""What is asked for, and how the bench says whether it was met."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

#: Pauses are judged where the take's room is at most this loud.
QUIET_ROOM_DBFS = -60.0

Row = dict[str, Any]


@dataclass(frozen=True)
class Demand:
    """One line of the table of demands, over all takes.

    ``worst`` judges the worst take, else the median of them. ``at_most`` says which side is good.
    """

    title: str
    key: str
    must: float
    goal: float
    at_most: bool = True
    worst: bool = True
    unit: str = ""

    def values(self, rows: Sequence[Row]) -> list[float]:
        return [r[self.key] for r in rows if r[self.key] is not None and self._counts(r)]

    def over(self, rows: Sequence[Row]) -> float | None:
        """The value that is judged, or None where no take has any."""
        values = self.values(rows)
        if not values:
            return None
        if not self.worst:
            return float(np.median(values))
        return max(values) if self.at_most else min(values)

    def verdict(self, value: float) -> str:
        """goal, must or miss."""
        for name, limit in (("goal", self.goal), ("must", self.must)):
            if value <= limit if self.at_most else value >= limit:
                return name
        return "miss"

    def _counts(self, row: Row) -> bool:
        if self.key == "pause_db":
            return bool(row["floor_dbfs"] is not None and row["floor_dbfs"] <= QUIET_ROOM_DBFS)
        if self.key == "spread_after_db":
            return bool(row["spread_before_db"] is not None and row["spread_before_db"] > 14)
        return True


DEMANDS = (
    Demand("speech frames lost, worst take", "lost_percent", 0.2, 0.0, unit="%"),
    Demand("word edges dulled, worst take", "edges_dulled", 0, 0),
    Demand("whole phrases lowered, worst take", "phrases_lowered", 0, 0),
    Demand("speech cut off by trim, worst take", "cut_ms", 0, 0, unit="ms"),
    Demand("pauses lowered, rooms to -60 dBFS, median", "pause_db", 10, 15, False, False, "dB"),
    Demand("pauses lowered, the same, worst take", "pause_db", 10, 15, False, True, "dB"),
    Demand("breaths lowered, median", "breath_db", 10, 12, False, False, "dB"),
    Demand("clicks lowered in pauses, median", "click_pause_db", 12, 20, False, False, "dB"),
    Demand("clicks lowered in speech, median", "click_speech_db", 6, 12, False, False, "dB"),
    Demand("sections 18 dB apart end within, worst", "spread_after_db", 3, 1.5, unit="dB"),
    Demand("digital silence, worst take", "silence_ms", 0, 0, unit="ms"),
    Demand("heads and tails outside their window, worst", "ends_off", 0, 0),
    Demand("level outside its window, worst", "level_off", 0, 0),
    Demand("true peak over the ceiling, worst", "over_ceiling_db", 0.05, 0.0, unit="dB"),
)

#: Head of a column, key, format.
COLUMNS = (
    ("floor", "floor_dbfs", "{:.0f}"),
    ("lost%", "lost_percent", "{:.2f}"),
    ("all%", "lost_all_percent", "{:.2f}"),
    ("run", "longest_lost_ms", "{:.0f}"),
    ("dull", "edges_dulled", "{:.0f}"),
    ("of", "edges", "{:.0f}"),
    ("phr", "phrases_lowered", "{:.0f}"),
    ("cut", "cut_ms", "{:.0f}"),
    ("pause", "pause_db", "{:.1f}"),
    ("least", "pause_least_db", "{:.1f}"),
    ("brth", "breath_db", "{:.1f}"),
    ("clkP", "click_pause_db", "{:.1f}"),
    ("clkS", "click_speech_db", "{:.1f}"),
    ("sect", "spread_before_db", "{:.1f}"),
    (">", "spread_after_db", "{:.1f}"),
    ("head", "head_s", "{:.2f}"),
    ("tail", "tail_s", "{:.2f}"),
    ("pump", "gain_spread_db", "{:.2f}"),
    ("most", "gain_spread_most_db", "{:.2f}"),
    ("slope", "slope_most_db_s", "{:.0f}"),
    ("wob", "wobble_db_s", "{:.0f}"),
    ("spec", "band_change_db", "{:+.1f}"),
    ("125", "band_125_change_db", "{:+.1f}"),
    ("zero", "silence_ms", "{:.0f}"),
    ("lim", "limited_db", "{:.1f}"),
    ("level", "level_db", "{:.1f}"),
    ("hum", "hum_db", "{:.0f}"),
    ("thmp", "thump_db", "{:.0f}"),
    ("dc", "dc_dbfs", "{:.0f}"),
    ("clip", "declip_db", "{:.0f}"),
)

#: A demand that marks a cell of another column.
_MARKED_AT = {"ends_off": ("head_s", "tail_s"), "level_off": ("level_db",)}


def table(rows: Sequence[Row]) -> str:
    """One line a take. `!` misses the must, `~` the goal."""
    first = max(len(_name(r)) for r in rows)
    grid = [[head for head, _, _ in COLUMNS]] + [_cells(r) for r in rows]
    widths = [max(len(line[n]) for line in grid) for n in range(len(COLUMNS))]
    names = ["take", *(_name(r) for r in rows)]
    return "\n".join(
        f"{name:{first}} " + " ".join(f"{cell:>{w}}" for cell, w in zip(line, widths, strict=True))
        for name, line in zip(names, grid, strict=True)
    )


def _name(row: Row) -> str:
    return f"{row['take']}/{row['profile'][:3]}"


def _cells(row: Row) -> list[str]:
    signs = _signs(row)
    cells = []
    for _, key, shape in COLUMNS:
        value = row[key]
        cells.append("-" if value is None else shape.format(value) + signs.get(key, ""))
    return cells


def _signs(row: Row) -> dict[str, str]:
    signs: dict[str, str] = {}
    for demand in DEMANDS:
        value = demand.over([row])
        if value is None:
            continue
        sign = {"goal": "", "must": "~", "miss": "!"}[demand.verdict(value)]
        for key in _MARKED_AT.get(demand.key, (demand.key,)):
            signs[key] = sign or signs.get(key, "")
    return signs


def totals(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """One entry a demand, over all takes."""
    found = []
    for demand in DEMANDS:
        value = demand.over(rows)
        takes = len(demand.values(rows))
        verdict = "nothing to judge" if value is None else demand.verdict(value)
        shown = None if value is None else round(value, 3)
        entry = {"demand": demand.title, "must": demand.must, "goal": demand.goal}
        found.append(
            entry | {"value": shown, "unit": demand.unit, "takes": takes, "verdict": verdict}
        )
    return found


def totals_table(rows: Sequence[Row]) -> str:
    """The demands, their values and verdicts."""
    lines = [f"{'demand':46} {'must':>6} {'goal':>6} {'value':>9} takes  verdict"]
    for t in totals(rows):
        value = "-" if t["value"] is None else f"{t['value']:g} {t['unit']}".strip()
        lines.append(
            f"{t['demand']:46} {t['must']:>6g} {t['goal']:>6g} {value:>9} {t['takes']:>5}  {t['verdict']}"
        )
    return "\n".join(lines)
