"""Takes that are finished one after another, without a ROOT."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.console import Group, RenderableType
from rich.live import Live

from fairtake.pages.finished import FinishedTake, finished_take
from fairtake.pages.words import figure
from fairtake.progress import FINISHING, Course, Parts
from fairtake.serving.heartbeat import span
from fairtake.terminal.lines import line_of, progress_lines, time_left
from fairtake.terminal.shown import (
    GOOD,
    LOOK,
    console_on,
    ended_by_signals,
    in_order,
    table_of,
    take_name,
    text,
)
from fairtake.text import one_line
from fairtake.units import clock

if TYPE_CHECKING:
    from fairtake.receipt import Receipt


class Takes:
    """The progress of work on *files*, one after another, and at the end a table of those told of.

    The table comes, however the work ends: what was finished before Ctrl-C is finished.
    """

    def __init__(self, files: Sequence[Path], parts: Parts = FINISHING) -> None:
        self._console = console_on(sys.stderr)
        self._parts = parts
        self._sizes = [_size(file) for file in files]
        self._name_cells = max(cell_len(one_line(file.name)) for file in files)
        self._done = 0
        self._begun, self._spent_s = time.monotonic(), 0.0
        self._ended: list[FinishedTake | tuple[str, str]] = []
        self._leaving = contextlib.ExitStack()
        self._end_if_told: Callable[[], None] = lambda: None

    def __enter__(self) -> Takes:
        self._end_if_told = self._leaving.enter_context(ended_by_signals())
        return self

    def __exit__(self, *error: object) -> None:
        with self._leaving:
            if self._ended and len(self._sizes) > 1:
                self._console.print(closing_table(self._ended))

    @contextlib.contextmanager
    def at_work(self, file: Path) -> Iterator[Callable[[str, float], None]]:
        """Show the work on the next of the files; gives what is to be told of it."""
        course, begun = Course(self._parts), time.monotonic()

        def tell(verb: str, share: float) -> None:
            self._end_if_told()
            course.tell(verb, share)

        live = Live(
            console=self._console, get_renderable=lambda: self._drawn(file.name, course),
            transient=True, refresh_per_second=8, redirect_stdout=False, redirect_stderr=False,
        )  # fmt: skip
        try:
            with in_order(live):
                yield tell
        finally:
            self._done, self._spent_s = self._done + 1, time.monotonic() - begun

    def finished(self, receipt: Receipt) -> None:
        """The take that was worked on last is finished: among others its line stays."""
        if len(self._sizes) > 1:
            took = f"in {span(self._spent_s)}"
            self._console.print(self._lines([(receipt.take.name, "done", 1.0, took)]))
        self._ended.append(finished_take(receipt.model_dump(), "", "", 0.0, has_sheet=True))

    def failed(self, name: str, code: str) -> None:
        self._ended.append((name, code))

    def _drawn(self, name: str, course: Course) -> RenderableType:
        rows = [line_of(name, course)]
        many = len(self._sizes)
        if many > 1:
            whole = sum(self._sizes)
            done = sum(self._sizes[: self._done]) + self._sizes[self._done] * course.share
            spent_s = time.monotonic() - self._begun
            left_s = spent_s * (whole - done) / done if done and course.left_s else None
            rows.append((f"{self._done + 1} of {many}", "", done / whole, time_left(left_s)))
        return self._lines(rows)

    def _lines(self, rows: Iterable[tuple[str, str, float, str]]) -> RenderableType:
        return progress_lines(self._console, rows, self._name_cells)


def _size(file: Path) -> int:
    """Bytes stand for length: takes of one run are mostly of one kind. Never 0."""
    with contextlib.suppress(OSError):
        return file.stat().st_size + 1
    return 1


def closing_table(ended: Sequence[FinishedTake | tuple[str, str]]) -> RenderableType:
    """What `master` made of its takes: figures of the finished WAV, and a verdict in words."""
    table = table_of(
        ("take", "left"), ("length", "right"), ("level", "right"), ("peak\ndBTP", "right"),
        ("floor\ndBFS", "right"), ("verdict", "left"),
    )  # fmt: skip
    for take in ended:
        if isinstance(take, tuple):
            name, code = take
            table.add_row(take_name(name, 24), "–", "–", "–", "–", text(f"failed: {code}", LOOK))
            continue
        level = figure(take.level, take.unit.removesuffix(" RMS"))
        table.add_row(
            take_name(take.name, 24), clock(take.duration_s), level, figure(take.peak_dbtp, ""),
            figure(take.floor_dbfs, ""), text(take.verdict, GOOD if take.ok else LOOK),
        )  # fmt: skip
    ready = sum(isinstance(take, FinishedTake) and take.ok for take in ended)
    return Group("", table, "", f"{ready} of {len(ended)} ready.")
