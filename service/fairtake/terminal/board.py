"""The service's log, and what stands below it."""

from __future__ import annotations

import contextlib
import logging
import sys
import time
from typing import TYPE_CHECKING, Any, TextIO

from rich.console import Group, RenderableType
from rich.live import Live

from fairtake.progress import Course
from fairtake.terminal.lines import followed, line_of, progress_lines
from fairtake.terminal.shown import GOOD, LOOK, console_on, first, rest, table_of, take_name, text

if TYPE_CHECKING:
    from fairtake.serving.standing import Standing

#: Of a closing table.
MOST_ENDED = 30
#: The display below the log is drawn no oftener.
_DRAW_EVERY_S = 0.25
#: The log's words that say what became of a take; a later one holds.
_BECAME = {
    "seen": "still in the inbox", "published": "finished", "duplicate": "finished before",
    "quarantined": "in quarantine", "unclaimed": "back in the inbox", "left": "left in the inbox",
}  # fmt: skip


class Board(logging.StreamHandler[TextIO]):
    """The log, as it is without us, and below it the takes in work.

    A log line wipes the board away before it is written, so that it stays as it is; the service tells
    us after every turn, and we draw anew. With *closing*, what became of each take is told at the end.
    """

    def __init__(self, closing: bool) -> None:
        super().__init__(sys.stderr)
        self._console = console_on(sys.stderr)
        self._closing = closing
        self._became: dict[str, tuple[str, str]] = {}
        self._courses: dict[str, Course] = {}
        self._live: Live | None = None
        self._drawn = 0.0

    def __enter__(self) -> Board:
        return self

    def __exit__(self, *error: object) -> None:
        self._wipe()
        with contextlib.suppress(Exception):
            if self._became:
                self._console.print(became_table(self._became))

    def emit(self, record: logging.LogRecord) -> None:
        self._wipe()
        take, word = record.__dict__["take"], record.getMessage()
        if self._closing and take and word in _BECAME:
            self._became[take] = (word, _why(word, record.__dict__["more"]))
        super().emit(record)

    def show(self, standing: Standing) -> None:
        """Draw how things stand."""
        self.acquire()
        try:
            if self._live is None or time.monotonic() - self._drawn >= _DRAW_EVERY_S:
                self._draw(self._board(standing))
        except Exception:
            self._wipe()
            raise
        finally:
            self.release()

    def _draw(self, board: RenderableType) -> None:
        self._drawn = time.monotonic()
        if self._live is not None:
            self._live.update(board, refresh=True)
            return
        self._live = Live(
            board, console=self._console, auto_refresh=False, transient=True,
            redirect_stdout=False, redirect_stderr=False,
        )  # fmt: skip
        self._live.start(refresh=True)

    def _wipe(self) -> None:
        live, self._live = self._live, None
        with contextlib.suppress(Exception):
            if live is not None:
                live.stop()

    def _board(self, standing: Standing) -> RenderableType:
        told = [(job, verb, share) for job, _, verb, share in standing.in_work]
        self._courses = followed(self._courses, told)
        rows = [line_of(take, self._courses[job]) for job, take, *_ in standing.in_work]
        most = max(self._console.height // 2, 1)
        shown = first(rows, most)
        parts: list[RenderableType] = ["", progress_lines(self._console, shown)]
        if len(rows) > len(shown):
            parts.append(rest(len(rows) - len(shown)))
        if standing.trouble:
            parts.append(text(f"In the way: {standing.trouble}", LOOK))
        failed = standing.quarantined
        counts = f"{len(standing.waiting)} waiting. Since the start: {standing.finished} finished"
        parts.append(text(f"{counts}, {failed} in quarantine.", LOOK if failed else ""))
        return Group(*parts)


def _why(word: str, more: dict[str, Any]) -> str:
    match word:
        case "published":
            missed = more.get("failed_checks", ())
            return f"look at it: {', '.join(missed)}" if missed else "ready"
        case "quarantined":
            return f"{more.get('code')}: {more.get('message')}"
        case "duplicate":
            return f"as {more.get('place')}"
    return str(more.get("why", ""))


def became_table(became: dict[str, tuple[str, str]]) -> RenderableType:
    """What became of each take, those that want a look first; then the whole in a sentence."""
    order = sorted(became, key=lambda take: became[take] == ("published", "ready"))
    table = table_of(("take", "left"), ("what became of it", "left"), ("", "left"))
    for take in first(order, MOST_ENDED):
        word, why = became[take]
        style = GOOD if (word, why) == ("published", "ready") else LOOK
        table.add_row(take_name(take, 28), text(_BECAME[word], style), text(why))
    parts: list[RenderableType] = ["", table]
    if len(order) > table.row_count:
        parts.append(rest(len(order) - table.row_count))
    words = [word for word, _ in became.values()]
    counted = ", ".join(f"{words.count(w)} {said}" for w, said in _BECAME.items() if w in words)
    failed = " `fairtake status` says what to do." if "quarantined" in words else ""
    return Group(*parts, "", f"{counted}.{failed}")
