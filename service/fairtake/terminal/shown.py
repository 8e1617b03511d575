"""Pieces of what is shown: words, names, lists and tables, and the end of a display by a signal."""

from __future__ import annotations

import contextlib
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TextIO, TypeVar

from rich.cells import cell_len
from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from fairtake.text import one_line

T = TypeVar("T")

GOOD, LOOK, DIM, HEAD = "bold green", "bold yellow", "dim", "bold"


def console_on(file: TextIO) -> Console:
    return Console(file=file, markup=False, emoji=False, highlight=False)


def text(said: Any, style: str = "") -> Text:
    """Anything as it may be shown: on one line, without a word to the terminal or to rich in it."""
    return Text(one_line(str(said)), style)


def take_name(path: str, cells: int) -> Text:
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


def first(items: Sequence[T], most: int) -> Sequence[T]:
    """So many of a list, and the last one too where it is only one more: to say so takes a line, too."""
    return items if len(items) <= most + 1 else items[:most]


def rest(count: int) -> Text:
    return Text(f"and {count} more", DIM)


@contextlib.contextmanager
def ended_by_signals() -> Iterator[Callable[[], None]]:
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


@contextlib.contextmanager
def in_order(live: Live) -> Iterator[Live]:
    """Show *live*, and put the terminal in order behind it, also where a signal ends us while it begins."""
    try:
        with live:
            yield live
    finally:
        live.stop()


def table_of(*columns: tuple[str, str]) -> Table:
    """A table with these columns, title and side; the first has names, which stay on one line."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style=HEAD)
    for title, justify in columns:
        table.add_column(title, justify=justify, no_wrap=not table.columns)  # type: ignore[arg-type]
    return table
