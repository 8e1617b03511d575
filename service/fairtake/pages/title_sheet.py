"""A title's own page: its takes in order, how alike they are, one picture of all, and their figures."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from fairtake.pages import link, page, sheet_name, shown
from fairtake.pages.drawing import WIDTH, Frame
from fairtake.pages.finished import FinishedTake, alike, in_order
from fairtake.pages.words import figure
from fairtake.units import clock

LOWEST_DB, HEIGHT = -90.0, 1700
CSV_NAME = "figures.csv"
#: What a spreadsheet would take for a formula, at the beginning of a text.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_COLUMNS = (
    "take", "finished", "length s", "level", "unit", "true peak dBTP", "noise floor dBFS",
    "loudness range LU", "head s", "tail s", "profile", "verdict",
)  # fmt: skip
#: What a file of ours begins with.
CSV_HEAD = ",".join(_COLUMNS)


def title_page(title: str, takes: Sequence[FinishedTake], up: str) -> str:
    """The page of a title; *up* is the way to the index."""
    ordered = in_order(takes)
    return page(
        "title.html",
        None,
        title=shown(title) or "All takes outside a title",
        up=link(up),
        csv=link(CSV_NAME),
        count=len(ordered),
        running=clock(sum(take.duration_s for take in ordered)),
        alike=alike(ordered),
        says=_says(ordered),
        levels=_levels(ordered),
        width=WIDTH,
        height=HEIGHT,
        numbers=_numbers(len(ordered)),
        rows=[
            {
                "number": n,
                "name": shown(take.name),
                "sheet": link(sheet_name(_stem(take))) if take.has_sheet else "",
                "wav": link(f"{_stem(take)}.wav"),
                "mp3": link(f"{_stem(take)}.mp3"),
                "length": clock(take.duration_s),
                "level": figure(take.level, take.unit),
                "peak": figure(take.peak_dbtp, "dBTP"),
                "floor": figure(take.floor_dbfs, "dBFS"),
                "head": figure(take.head_s, "s", 2),
                "tail": figure(take.tail_s, "s", 2),
                "ok": take.ok,
                "verdict": take.verdict,
            }
            for n, take in enumerate(ordered, 1)
        ],
    )


def title_csv(takes: Sequence[FinishedTake]) -> str:
    """The figures of a title's takes; no text in it is taken for a formula."""
    text = io.StringIO()
    lines = csv.writer(text, lineterminator="\r\n")
    lines.writerow(_COLUMNS)
    for take in in_order(takes):
        lines.writerow(
            [
                _harmless(take.name), f"{take.at:.0f}", f"{take.duration_s:.2f}",
                _number(take.level), take.unit, _number(take.peak_dbtp),
                _number(take.floor_dbfs), _number(take.range_lu), _number(take.head_s),
                _number(take.tail_s), _harmless(take.profile), _harmless(take.verdict),
            ]
        )  # fmt: skip
    return text.getvalue()


def _harmless(text: str) -> str:
    text = shown(text)
    return f"'{text}" if text.startswith(_FORMULA) else text


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _stem(take: FinishedTake) -> str:
    return take.place.rpartition("/")[2]


def _levels(takes: Sequence[FinishedTake]) -> list[tuple[str, str]]:
    """For each take a bar from its noise floor up to its peak, and a stroke at its level."""
    frame = Frame(0.0, max(len(takes), 1), LOWEST_DB, 0.0, HEIGHT)
    bars, strokes = [], []
    for n, take in enumerate(takes):
        left, right = frame.x(n + 0.3), frame.x(n + 0.7)
        floor = take.floor_dbfs if take.floor_dbfs is not None else LOWEST_DB
        if take.peak_dbtp is not None:
            bars.append(frame.box(left, right, frame.y(take.peak_dbtp), frame.y(floor)))
        if take.level is not None:
            strokes.append(f"M{frame.x(n + 0.15)} {frame.y(take.level)}H{frame.x(n + 0.85)}")
    marks = "".join(frame.level(db) for db in (-20.0, -40.0, -60.0, -80.0))
    return [("axis line", marks), ("after faint", "".join(bars)), ("after line strong", "".join(strokes))]  # fmt: skip


def _numbers(count: int) -> list[tuple[int, int]]:
    """Which takes are numbered under the picture, and how far across."""
    every = max(1, -(-count // 24))
    return [(round(100 * (n - 0.5) / count), n) for n in range(1, count + 1, every)]


def _says(takes: Sequence[FinishedTake]) -> str:
    levels = [take.level for take in takes if take.level is not None]
    if not levels:
        return "No take has a level."
    return (
        f"{len(takes)} takes, levels from {figure(min(levels), 'dB')} to "
        f"{figure(max(levels), 'dB')}; the table below has each."
    )
