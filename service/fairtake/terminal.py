"""What people see on a terminal: takes in work, what became of them, and the state of a ROOT.

The only file that knows rich; it is loaded where somebody looks, and nowhere else. Names come from
strangers, so whatever is shown goes through `_text`, and rich's markup is never asked for. Colour
says nothing that the words beside it do not say.
"""

from __future__ import annotations

import contextlib
import logging
import shlex
import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from fairtake.pages.finished import FinishedTake, finished_take
from fairtake.pages.words import figure
from fairtake.progress import FINISHING, Course, Parts
from fairtake.serving.heartbeat import BESIDE, span
from fairtake.text import one_line
from fairtake.units import clock

if TYPE_CHECKING:
    from fairtake.receipt import Receipt
    from fairtake.serving.serve import Standing

T = TypeVar("T")

GOOD, LOOK, DIM, HEAD = "bold green", "bold yellow", "dim", "bold"
#: Of a list so much is shown, where there is room without end; the rest is counted.
MOST_ROWS = 10
#: Of a closing table.
MOST_ENDED = 30
#: What stands beside the name in a line of progress, bar and all, and without which width it has none.
_BESIDE_CELLS, _BAR_CELLS, _NARROW_CELLS = 56, 18, 70
#: The display below the log is drawn no oftener.
_DRAW_EVERY_S = 0.25


def _console(file: TextIO) -> Console:
    return Console(file=file, markup=False, emoji=False, highlight=False)


def _text(said: Any, style: str = "") -> Text:
    """Anything as it may be shown: on one line, without a word to the terminal or to rich in it."""
    return Text(one_line(str(said)), style)


def _name(path: str, cells: int) -> Text:
    """A take's name in so many cells: without its folders, and then cut in the middle, for a take is
    told from the next by the number in front or by its end."""
    name = one_line(path)
    if cell_len(name) > cells and "/" in name:
        name = f"…/{name.rpartition('/')[2]}"
    if cell_len(name) > cells:
        head, tail = name[: cells // 2], name[cells // 2 - cells + 1 :]
        while cell_len(head) > cells // 2:
            head = head[:-1]
        while cell_len(head) + 1 + cell_len(tail) > cells:
            tail = tail[1:]
        name = f"{head}…{tail}"
    return Text(name)


def _first(items: Sequence[T], most: int) -> Sequence[T]:
    """So many of a list, and the last one too where it is only one more: to say so takes a line, too."""
    return items if len(items) <= most + 1 else items[:most]


def _rest(count: int) -> Text:
    return Text(f"and {count} more", DIM)


@contextlib.contextmanager
def _ended_by_signals() -> Iterator[Callable[[], None]]:
    """Let SIGTERM, as Ctrl-C, end us by way of the ``with`` blocks, which put the terminal in order.

    Python loses what a signal raises while it forks; gives what raises it once more.
    """
    came: list[int] = []

    def end(number: int, _: object) -> None:
        came.append(number)
        again()

    def again() -> None:
        if signal.SIGINT in came:
            raise KeyboardInterrupt
        if came:
            sys.exit(128 + came[0])

    before = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield again
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


# --- progress ------------------------------------------------------------------------------------


def _progress(
    console: Console, rows: Iterable[tuple[str, str, float, str]], name_cells: int = 0
) -> Table:
    """A line each: name, what is done, how much of the whole as bar and number, time.

    *name_cells* is how much the names want, where later lines are to stand under these.
    """
    wide = console.width >= _NARROW_CELLS
    cells = max(console.width - _BESIDE_CELLS + (0 if wide else _BAR_CELLS + 2), 8)
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True, min_width=min(name_cells, cells))
    grid.add_column(no_wrap=True, min_width=len("render again"))
    grid.add_column(no_wrap=True)
    grid.add_column(no_wrap=True, justify="right", min_width=len("100%"))
    grid.add_column(no_wrap=True)
    for name, verb, share, left in rows:
        bar = ProgressBar(1.0, share, _BAR_CELLS, complete_style="cyan", finished_style="green")
        grid.add_row(
            _name(name, cells), _text(verb), bar if wide else "", f"{share:.0%}", _text(left, DIM)
        )
    return grid


def _row(name: str, course: Course) -> tuple[str, str, float, str]:
    return name, course.verb, course.share, _left(course.left_s)


def _left(left_s: float | None) -> str:
    return "" if left_s is None else f"{span(left_s)} left"


def _followed(
    before: dict[str, Course], told: Iterable[tuple[str, str, float]]
) -> dict[str, Course]:
    """The courses of the takes that were told of, key, verb and share; those of others are forgotten."""
    courses = {}
    for key, verb, share in told:
        courses[key] = before.get(key) or Course()
        courses[key].tell(verb, share)
    return courses


class Takes:
    """The progress of work on *files*, one after another, and at the end a table of those told of.

    The table comes, however the work ends: what was finished before Ctrl-C is finished.
    """

    def __init__(self, files: Sequence[Path], parts: Parts = FINISHING) -> None:
        self._console = _console(sys.stderr)
        self._parts = parts
        self._sizes = [_size(file) for file in files]
        self._name_cells = max(cell_len(one_line(file.name)) for file in files)
        self._done = 0
        self._begun, self._spent_s = time.monotonic(), 0.0
        self._ended: list[FinishedTake | tuple[str, str]] = []
        self._leaving = contextlib.ExitStack()
        self._end_if_told: Callable[[], None] = lambda: None

    def __enter__(self) -> Takes:
        self._end_if_told = self._leaving.enter_context(_ended_by_signals())
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
            with live:
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
        rows = [_row(name, course)]
        many = len(self._sizes)
        if many > 1:
            whole = sum(self._sizes)
            done = sum(self._sizes[: self._done]) + self._sizes[self._done] * course.share
            spent_s = time.monotonic() - self._begun
            left_s = spent_s * (whole - done) / done if done and course.left_s else None
            rows.append((f"{self._done + 1} of {many}", "", done / whole, _left(left_s)))
        return self._lines(rows)

    def _lines(self, rows: Iterable[tuple[str, str, float, str]]) -> RenderableType:
        return _progress(self._console, rows, self._name_cells)


def _size(file: Path) -> int:
    """Bytes stand for length: takes of one run are mostly of one kind. Never 0."""
    with contextlib.suppress(OSError):
        return file.stat().st_size + 1
    return 1


# --- what became of takes ------------------------------------------------------------------------


def _table(*columns: tuple[str, str]) -> Table:
    """A table with these columns, title and side; the first has names, which stay on one line."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style=HEAD)
    for title, justify in columns:
        table.add_column(title, justify=justify, no_wrap=not table.columns)  # type: ignore[arg-type]
    return table


def closing_table(ended: Sequence[FinishedTake | tuple[str, str]]) -> RenderableType:
    """What `master` made of its takes: figures of the finished WAV, and a verdict in words."""
    table = _table(
        ("take", "left"), ("length", "right"), ("level", "right"), ("peak\ndBTP", "right"),
        ("floor\ndBFS", "right"), ("verdict", "left"),
    )  # fmt: skip
    for take in ended:
        if isinstance(take, tuple):
            name, code = take
            table.add_row(_name(name, 24), "–", "–", "–", "–", _text(f"failed: {code}", LOOK))
            continue
        level = figure(take.level, take.unit.removesuffix(" RMS"))
        table.add_row(
            _name(take.name, 24), clock(take.duration_s), level, figure(take.peak_dbtp, ""),
            figure(take.floor_dbfs, ""), _text(take.verdict, GOOD if take.ok else LOOK),
        )  # fmt: skip
    ready = sum(isinstance(take, FinishedTake) and take.ok for take in ended)
    return Group("", table, "", f"{ready} of {len(ended)} ready.")


# --- the service ---------------------------------------------------------------------------------

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
        self._console = _console(sys.stderr)
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
        self._courses = _followed(self._courses, told)
        rows = [_row(take, self._courses[job]) for job, take, *_ in standing.in_work]
        most = max(self._console.height // 2, 1)
        shown = _first(rows, most)
        parts: list[RenderableType] = ["", _progress(self._console, shown)]
        if len(rows) > len(shown):
            parts.append(_rest(len(rows) - len(shown)))
        if standing.trouble:
            parts.append(_text(f"In the way: {standing.trouble}", LOOK))
        failed = standing.quarantined
        counts = f"{standing.waiting} waiting. Since the start: {standing.finished} finished"
        parts.append(_text(f"{counts}, {failed} in quarantine.", LOOK if failed else ""))
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
    table = _table(("take", "left"), ("what became of it", "left"), ("", "left"))
    for take in _first(order, MOST_ENDED):
        word, why = became[take]
        style = GOOD if (word, why) == ("published", "ready") else LOOK
        table.add_row(_name(take, 28), _text(_BECAME[word], style), _text(why))
    parts: list[RenderableType] = ["", table]
    if len(order) > table.row_count:
        parts.append(_rest(len(order) - table.row_count))
    words = [word for word, _ in became.values()]
    counted = ", ".join(f"{words.count(w)} {said}" for w, said in _BECAME.items() if w in words)
    failed = " `fairtake status` says what to do." if "quarantined" in words else ""
    return Group(*parts, "", f"{counted}.{failed}")


# --- the state of a ROOT -------------------------------------------------------------------------


def print_status(said: dict[str, Any]) -> None:
    """The state of a ROOT, once."""
    console = _console(sys.stdout)
    console.print(_screen(console, said, _courses(said, {}), MOST_ROWS))


@contextlib.contextmanager
def kept_current() -> Iterator[Callable[[dict[str, Any]], None]]:
    """A screen of its own; gives what shows the state of a ROOT there."""
    console = _console(sys.stdout)
    courses: dict[str, Course] = {}

    def show(said: dict[str, Any]) -> None:
        nonlocal courses
        courses = _courses(said, courses)
        live.update(_fitting(console, said, courses), refresh=True)

    with _ended_by_signals(), Live(console=console, screen=True, auto_refresh=False,
                                redirect_stdout=False, redirect_stderr=False) as live:  # fmt: skip
        yield show


def _courses(said: dict[str, Any], before: dict[str, Course]) -> dict[str, Course]:
    """From one look to the next they remember what a single word cannot tell."""
    return _followed(before, ((j["take"], j["verb"], j["share"]) for j in said["in_work"]))


def _fitting(console: Console, said: dict[str, Any], courses: dict[str, Course]) -> RenderableType:
    """As much of the state as the screen holds: shorter lists first, then no lines left empty."""
    hint = _text(f"{time.strftime('%H:%M:%S')}  Ctrl-C ends this.", DIM)
    for most, gap in [*((most, 1) for most in range(MOST_ROWS, 1, -1)), (2, 0), (1, 0)]:
        screen = Group(_screen(console, said, courses, most, gap), _gap(hint, gap))
        if len(console.render_lines(screen)) <= console.height:
            break
    return screen


def _screen(
    console: Console, said: dict[str, Any], courses: dict[str, Course], most: int, gap: int = 1
) -> RenderableType:
    in_work = [_row(take, course) for take, course in courses.items()]
    waiting = [(take["take"], _for(take["for"])) for take in said["waiting"]]
    failed = [
        (t["take"], f"{t['code']}: {t['message']} {t['advice']}") for t in said["quarantined"]
    ]
    sections = [
        ("In work", len(in_work), _progress(console, _first(in_work, most))),
        ("Waiting", len(waiting), _pairs(_first(waiting, most))),
        ("In quarantine", len(failed), _pairs(_first(failed, most))),
        ("Finished", said["finished"], _finished(_first(said["finished_lately"], most))),
    ]
    parts: list[RenderableType] = [headline(said), *_notes(said)]
    for title, count, table in sections:
        if count:
            parts += [_gap(Text(f"{title} ({count})", HEAD), gap), _indented(table)]
        if count > table.row_count:
            parts.append(_indented(_rest(count - table.row_count)))
    parts += [_gap(Text("Folders", HEAD), gap), _indented(_places(said["places"]))]
    return Group(*parts)


def _for(why: str) -> str:
    return f"for {why}" if why.startswith(("its ", "the service")) else why


def _gap(part: RenderableType, lines: int) -> RenderableType:
    """*part* under so many empty lines."""
    return Padding(part, (lines, 0, 0, 0))


def _indented(part: RenderableType) -> RenderableType:
    return Padding(part, (0, 0, 0, 2))


def headline(said: dict[str, Any]) -> Text:
    """Whether all is well, and if not what to do, in a sentence or two."""
    service, root = said["service"], shlex.quote(said["root"])
    gone = [place for place in said["places"] if place["trouble"]]
    failed = len(said["quarantined"])
    if service["state"] == "hangs":
        return _text(f"{service['sentence']} End it, then: fairtake serve {root}", LOOK)
    if not service["alive"]:
        return _text(f"{service['sentence']} Start it: fairtake serve {root}", LOOK)
    if service["trouble"]:
        return _text(f"In the way: {service['trouble']} Takes are safe; once it is mended, all goes on by itself.", LOOK)  # fmt: skip
    if gone:
        return _text(f"Look after the folder {gone[0]['path']}: {gone[0]['trouble']}.", LOOK)
    if failed:
        what = "A take" if failed == 1 else f"{failed} takes"
        return _text(f"{what} could not be finished. Mend what is named below, then: fairtake requeue {root} NAME", LOOK)  # fmt: skip
    busy = len(said["in_work"]) + len(said["waiting"])
    still = f"{busy} still to come" if busy else f"drop takes into {said['places'][0]['path']}"
    return _text(f"All is well: {still}.", GOOD)


def _notes(said: dict[str, Any]) -> Iterator[Text]:
    """What is good to know beside it."""
    if said["service"]["alive"]:
        yield _text(said["service"]["sentence"], DIM)
    for trouble in filter(None, (said["service"][what] for what in BESIDE)):
        yield _text(f"Takes are safe, but: {trouble}", LOOK)
    totals = said["totals"]
    again = f"; {totals['duplicates']} dropped once more" if totals["duplicates"] else ""
    yield _text(
        f"{totals['seen']} seen = {totals['published']} finished + {totals['quarantined']} in "
        f"quarantine + {totals['pending']} pending{again}.", DIM,
    )  # fmt: skip


def _pairs(pairs: Iterable[tuple[str, str]]) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for take, words in pairs:
        table.add_row(_name(take, 28), _text(words))
    return table


def _finished(takes: Iterable[dict[str, Any]]) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for take in takes:
        missed = ", ".join(take["missed_checks"])
        verdict = _text(f"look at it: {missed}", LOOK) if missed else _text("ready", GOOD)
        table.add_row(_name(take["take"], 28), f"{span(take['ago_s'])} ago", verdict)
    return table


def _places(places: list[dict[str, Any]]) -> Table:
    """Folders that lie together and are well, on one line."""
    lines: dict[tuple[str, str], list[str]] = {}
    for place in places:
        free = place["free_bytes"]
        room = "" if free is None else f"{free / 1e9:.1f} GB free"
        trouble = f"{place['trouble']}: {place['path']}" if place["trouble"] else ""
        lines.setdefault((room, trouble), []).append(place["folder"])
    table = Table.grid(padding=(0, 2, 0, 0))
    for (room, trouble), folders in lines.items():
        table.add_row(", ".join(folders), room, _text(trouble, LOOK))
    return table
