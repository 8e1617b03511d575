"""The state of a ROOT, once or kept current."""

from __future__ import annotations

import contextlib
import shlex
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from fairtake.progress import Course
from fairtake.serving.heartbeat import BESIDE, span
from fairtake.terminal.lines import followed, line_of, progress_lines
from fairtake.terminal.shown import (
    DIM,
    GOOD,
    HEAD,
    LOOK,
    console_on,
    ended_by_signals,
    first,
    in_order,
    rest,
    take_name,
    text,
)

#: Of a list so much is shown, where there is room without end; the rest is counted.
MOST_ROWS = 10


def print_status(said: dict[str, Any]) -> None:
    """The state of a ROOT, once."""
    console = console_on(sys.stdout)
    console.print(_screen(console, said, _courses(said, {}), MOST_ROWS))


@contextlib.contextmanager
def kept_current() -> Iterator[Callable[[dict[str, Any]], None]]:
    """A screen of its own; gives what shows the state of a ROOT there."""
    console = console_on(sys.stdout)
    courses: dict[str, Course] = {}

    def show(said: dict[str, Any]) -> None:
        nonlocal courses
        courses = _courses(said, courses)
        live.update(_fitting(console, said, courses), refresh=True)

    live = Live(console=console, screen=True, auto_refresh=False,
                redirect_stdout=False, redirect_stderr=False)  # fmt: skip
    with ended_by_signals(), in_order(live):
        yield show


def _courses(said: dict[str, Any], before: dict[str, Course]) -> dict[str, Course]:
    """From one look to the next they remember what a single word cannot tell."""
    return followed(before, ((j["take"], j["verb"], j["share"]) for j in said["in_work"]))


def _fitting(console: Console, said: dict[str, Any], courses: dict[str, Course]) -> RenderableType:
    """As much of the state as the screen holds: shorter lists first, then no lines left empty."""
    hint = text(f"{time.strftime('%H:%M:%S')}  Ctrl-C ends this.", DIM)
    for most, gap in [*((most, 1) for most in range(MOST_ROWS, 1, -1)), (2, 0), (1, 0)]:
        screen = Group(_screen(console, said, courses, most, gap), _gap(hint, gap))
        if len(console.render_lines(screen)) <= console.height:
            break
    return screen


def _screen(
    console: Console, said: dict[str, Any], courses: dict[str, Course], most: int, gap: int = 1
) -> RenderableType:
    in_work = [line_of(take, course) for take, course in courses.items()]
    waiting = [(take["take"], _for(take["for"])) for take in said["waiting"]]
    failed = [
        (t["take"], f"{t['code']}: {t['message']} {t['advice']}") for t in said["quarantined"]
    ]
    sections = [
        ("In work", len(in_work), progress_lines(console, first(in_work, most))),
        ("Waiting", len(waiting), _pairs(first(waiting, most))),
        ("In quarantine", len(failed), _pairs(first(failed, most))),
        ("Finished", said["finished"], _finished(first(said["finished_lately"], most))),
    ]
    parts: list[RenderableType] = [headline(said), *_notes(said)]
    for title, count, table in sections:
        if count:
            parts += [_gap(Text(f"{title} ({count})", HEAD), gap), _indented(table)]
        if count > table.row_count:
            parts.append(_indented(rest(count - table.row_count)))
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
        return text(f"{service['sentence']} End it, then: fairtake serve {root}", LOOK)
    if not service["alive"]:
        return text(f"{service['sentence']} Start it: fairtake serve {root}", LOOK)
    if service["trouble"]:
        return text(f"In the way: {service['trouble']} Takes are safe; once it is mended, all goes on by itself.", LOOK)  # fmt: skip
    if gone:
        return text(f"Look after the folder {gone[0]['path']}: {gone[0]['trouble']}.", LOOK)
    if said["untold"]:
        return text("Not all can be told. Look after what is named here:", LOOK)
    if failed:
        what = "A take" if failed == 1 else f"{failed} takes"
        return text(f"{what} could not be finished. Mend what is named below, then: fairtake requeue {root} NAME", LOOK)  # fmt: skip
    busy = len(said["in_work"]) + len(said["waiting"])
    still = f"{busy} still to come" if busy else f"drop takes into {said['places'][0]['path']}"
    return text(f"All is well: {still}.", GOOD)


def _notes(said: dict[str, Any]) -> Iterator[Text]:
    """What is good to know beside it."""
    for sentence in said["untold"]:
        yield text(sentence, LOOK)
    if said["service"]["alive"]:
        yield text(said["service"]["sentence"], DIM)
    for trouble in filter(None, (said["service"][what] for what in BESIDE)):
        yield text(f"Takes are safe, but: {trouble}", LOOK)
    totals = said["totals"]
    again = f"; {totals['duplicates']} dropped once more" if totals["duplicates"] else ""
    yield text(
        f"{totals['seen']} seen = {totals['published']} finished + {totals['quarantined']} in "
        f"quarantine + {totals['pending']} pending{again}.", DIM,
    )  # fmt: skip


def _pairs(pairs: Iterable[tuple[str, str]]) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for take, words in pairs:
        table.add_row(take_name(take, 28), text(words))
    return table


def _finished(takes: Iterable[dict[str, Any]]) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for take in takes:
        missed = ", ".join(take["missed_checks"])
        verdict = text(f"look at it: {missed}", LOOK) if missed else text("ready", GOOD)
        table.add_row(take_name(take["take"], 28), f"{span(take['ago_s'])} ago", verdict)
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
        table.add_row(", ".join(folders), room, text(trouble, LOOK))
    return table
