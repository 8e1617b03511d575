"""What is asked for, and how the bench says whether it was met."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

#: Pauses are judged where a take's room is at most this loud.
QUIET_ROOM_DBFS = -60.0
#: The same of the hearing bench.
SOFT_ROOM_DBFS = -50.0

Row = dict[str, Any]


def _in_quiet_room(row: Row) -> bool:
    return bool(row["floor_dbfs"] is not None and row["floor_dbfs"] <= QUIET_ROOM_DBFS)


def _unlike_sections(row: Row) -> bool:
    return bool(row["spread_before_db"] is not None and row["spread_before_db"] > 14)


def _in_soft_room(row: Row) -> bool:
    return bool(row["floor_dbfs"] is not None and row["floor_dbfs"] < SOFT_ROOM_DBFS)


@dataclass(frozen=True)
class Demand:
    """One line of the table of demands.

    ``how`` says what is judged: the worst take, the median of them, or the share that the counts
    ``key`` are of the counts ``of``, all takes together, in percent. ``at_most`` says which side is
    good, ``where`` which takes count. A demand without limits is a figure to know.
    """

    title: str
    key: str
    must: float | None = None
    goal: float | None = None
    at_most: bool = True
    how: Literal["worst", "median", "share"] = "worst"
    unit: str = ""
    of: str = ""
    where: Callable[[Row], bool] = lambda row: True

    def counting(self, rows: Sequence[Row]) -> list[Row]:
        """The takes that have such a value and count."""
        return [r for r in rows if r.get(self.key) is not None and self.where(r)]

    def over(self, rows: Sequence[Row]) -> float | None:
        """The value that is judged, or None where no take has any."""
        counting = self.counting(rows)
        values = [r[self.key] for r in counting]
        if self.how == "share":
            whole = sum(r[self.of] for r in counting)
            return 100.0 * sum(values) / whole if whole else None
        if not values:
            return None
        if self.how == "median":
            return float(np.median(values))
        return max(values) if self.at_most else min(values)

    def verdict(self, value: float) -> str:
        """goal, must, miss, or nothing where nothing is asked."""
        for name, limit in (("goal", self.goal), ("must", self.must)):
            if limit is None:
                return "-"
            if value <= limit if self.at_most else value >= limit:
                return name
        return "miss"


DEMANDS = (
    Demand("speech frames lost, worst take", "lost_percent", 0.2, 0.0, unit="%"),
    Demand("word edges dulled, worst take", "edges_dulled", 0, 0),
    Demand("whole phrases lowered, worst take", "phrases_lowered", 0, 0),
    Demand("speech cut off by trim, worst take", "cut_ms", 0, 0, unit="ms"),
    Demand("pauses lowered, rooms to -60 dBFS, median", "pause_db", 10, 15, False, "median", "dB", where=_in_quiet_room),
    Demand("pauses lowered, the same, worst take", "pause_db", 10, 15, False, "worst", "dB", where=_in_quiet_room),
    Demand("breaths lowered, median", "breath_db", 10, 12, False, "median", "dB"),
    Demand("clicks lowered in pauses, median", "click_pause_db", 12, 20, False, "median", "dB"),
    Demand("clicks lowered in speech, median", "click_speech_db", 6, 12, False, "median", "dB"),
    Demand("sections 18 dB apart end within, worst", "spread_after_db", 3, 1.5, unit="dB", where=_unlike_sections),
    Demand("digital silence, worst take", "silence_ms", 0, 0, unit="ms"),
    Demand("heads and tails outside their window, worst", "ends_off", 0, 0),
    Demand("level outside its window, worst", "level_off", 0, 0),
    Demand("true peak over the ceiling, worst", "over_ceiling_db", 0.05, 0.0, unit="dB"),
)  # fmt: skip

#: What the hearing bench asks for.
HEARING_DEMANDS = (
    Demand("breaths clear of words, lowered by 8 dB", "clear_lowered", 95, 99, False, "share", "%", "clear_breaths"),
    Demand("breaths touching words, lowered by 8 dB", "touching_lowered", 75, 90, False, "share", "%", "touching_breaths"),
    Demand("smacks and gulps in pauses, lowered by 8 dB", "mouth_lowered", None, None, False, "share", "%", "mouth_sounds"),
    Demand("loud speech lost, all takes", "loud_lost", 0.01, 0.002, True, "share", "%", "loud_frames"),
    Demand("loud speech lost, worst take", "loud_lost_percent", 0.1, 0.02, unit="%"),
    Demand("all audible speech lost, worst take", "audible_lost_percent", 0.2, 0.1, unit="%"),
    Demand("all audible speech lost, all takes", "audible_lost", None, None, True, "share", "%", "audible_frames"),
    Demand("whisper lost, all takes", "whisper_lost", 0.5, 0.2, True, "share", "%", "whisper_frames"),
    Demand("whisper lost, worst take", "whisper_lost_percent", unit="%"),
    Demand("single bursts lost, own clicks among them", "burst_lost", None, None, True, "share", "%", "burst_frames"),
    Demand("longest run of speech lost", "longest_lost_ms", unit="ms"),
    Demand("word edges dulled, all takes", "edges_dulled", 0.1, 0.0, True, "share", "%", "edges"),
    Demand("pauses lowered, rooms under -50 dBFS, median", "pause_db", 12, 16, False, "median", "dB", where=_in_soft_room),
    Demand("pauses lowered, the same, worst take", "pause_db", 8, 12, False, "worst", "dB", where=_in_soft_room),
    Demand("pauses lowered, the same, worst pause", "pause_least_db", None, None, False, "worst", "dB", where=_in_soft_room),
    Demand("level of the room from pause to pause, median", "room_spread_db", None, None, True, "median", "dB"),
    Demand("level of the room from pause to pause, worst", "room_spread_db", unit="dB"),
    Demand("pages, chairs, bumps at the ends cut", "end_noises_gone", 90, 99, False, "share", "%", "end_noises"),
    Demand("clicks lowered in pauses, median", "click_pause_db", 20, 40, False, "median", "dB"),
    Demand("clicks lowered in speech, median", "click_speech_db", 6, 12, False, "median", "dB"),
    Demand("bed of music lowered, worst take", "bed_lowered_percent", unit="%"),
    Demand("whole phrases lowered, worst take", "phrases_lowered", 0, 0),
    Demand("speech cut off by trim, worst take", "cut_ms", 0, 0, unit="ms"),
    Demand("digital silence, worst take", "silence_ms", 0, 0, unit="ms"),
    Demand("heads and tails outside their window, worst", "ends_off", 0, 0),
    Demand("level outside its window, worst", "level_off", 0, 0),
    Demand("true peak over the ceiling, worst", "over_ceiling_db", 0.05, 0.0, unit="dB"),
)  # fmt: skip

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

#: The same, of the hearing bench.
HEARING_COLUMNS = (
    ("voice", "voice", "{}"),
    ("floor", "floor_dbfs", "{:.0f}"),
    ("loud%", "loud_lost_percent", "{:.3f}"),
    ("all%", "audible_lost_percent", "{:.2f}"),
    ("whsp%", "whisper_lost_percent", "{:.2f}"),
    ("run", "longest_lost_ms", "{:.0f}"),
    ("dull", "edges_dulled", "{:.0f}"),
    ("of", "edges", "{:.0f}"),
    ("phr", "phrases_lowered", "{:.0f}"),
    ("cut", "cut_ms", "{:.0f}"),
    ("clear", "clear_lowered", "{:.0f}"),
    ("of", "clear_breaths", "{:.0f}"),
    ("touch", "touching_lowered", "{:.0f}"),
    ("of", "touching_breaths", "{:.0f}"),
    ("mouth", "mouth_lowered", "{:.0f}"),
    ("of", "mouth_sounds", "{:.0f}"),
    ("pause", "pause_db", "{:.1f}"),
    ("least", "pause_least_db", "{:.1f}"),
    ("sprd", "room_spread_db", "{:.1f}"),
    ("ends", "end_noises_gone", "{:.0f}"),
    ("of", "end_noises", "{:.0f}"),
    ("clkP", "click_pause_db", "{:.0f}"),
    ("clkS", "click_speech_db", "{:.0f}"),
    ("bed%", "bed_lowered_percent", "{:.0f}"),
    ("head", "head_s", "{:.2f}"),
    ("tail", "tail_s", "{:.2f}"),
    ("zero", "silence_ms", "{:.0f}"),
    ("level", "level_db", "{:.1f}"),
)

#: A demand that marks a cell of another column.
_MARKED_AT = {"ends_off": ("head_s", "tail_s"), "level_off": ("level_db",)}


def table(
    rows: Sequence[Row],
    columns: Sequence[tuple[str, str, str]] = COLUMNS,
    demands: Sequence[Demand] = DEMANDS,
) -> str:
    """One line a take. `!` misses the must, `~` the goal."""
    grid = [["take", *(head for head, _, _ in columns)]]
    return aligned(grid + [[_name(r), *_cells(r, columns, demands)] for r in rows])


def aligned(grid: Sequence[Sequence[str]]) -> str:
    """Lines of cells: the first column to the left, the others to the right."""
    widths = [max(map(len, column)) for column in zip(*grid, strict=True)]
    lines = []
    for first, *others in grid:
        cells = (f"{cell:>{w}}" for cell, w in zip(others, widths[1:], strict=True))
        lines.append(" ".join((f"{first:{widths[0]}}", *cells)))
    return "\n".join(lines)


def _name(row: Row) -> str:
    return f"{row['take']}/{row['profile'][:3]}"


def _cells(
    row: Row, columns: Sequence[tuple[str, str, str]], demands: Sequence[Demand]
) -> list[str]:
    signs = _signs(row, demands)
    cells = []
    for _, key, shape in columns:
        value = row[key]
        cells.append("-" if value is None else shape.format(value) + signs.get(key, ""))
    return cells


def _signs(row: Row, demands: Sequence[Demand]) -> dict[str, str]:
    signs: dict[str, str] = {}
    for demand in demands:
        value = demand.over([row])
        if value is None:
            continue
        sign = {"miss": "!", "must": "~"}.get(demand.verdict(value), "")
        for key in _MARKED_AT.get(demand.key, (demand.key,)):
            signs[key] = max(sign, signs.get(key, ""), key=" ~!".find)
    return signs


def misses(rows: Sequence[Row], demands: Sequence[Demand]) -> int:
    """How many demands these takes miss."""
    values = [(d, d.over(rows)) for d in demands]
    return sum(v is not None and d.verdict(v) == "miss" for d, v in values)


def totals(rows: Sequence[Row], demands: Sequence[Demand] = DEMANDS) -> list[dict[str, Any]]:
    """One entry a demand, over all takes."""
    found = []
    for demand in demands:
        value = demand.over(rows)
        verdict = "nothing to judge" if value is None else demand.verdict(value)
        shown = None if value is None else round(value, 3)
        entry = {"demand": demand.title, "must": demand.must, "goal": demand.goal, "value": shown}
        takes = len(demand.counting(rows))
        found.append(entry | {"unit": demand.unit, "takes": takes, "verdict": verdict})
    return found


def totals_table(rows: Sequence[Row], demands: Sequence[Demand] = DEMANDS) -> str:
    """The demands, their values and verdicts."""
    grid = [["demand", "must", "goal", "value", "takes", "verdict"]]
    for t in totals(rows, demands):
        limits = ["-" if t[key] is None else f"{t[key]:g}" for key in ("must", "goal")]
        value = "-" if t["value"] is None else f"{t['value']:g} {t['unit']}".strip()
        grid.append([t["demand"], *limits, value, str(t["takes"]), t["verdict"]])
    return aligned(grid)
