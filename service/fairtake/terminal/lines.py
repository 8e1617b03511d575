"""Lines of progress: a take each, with what is done and how long it takes still."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console
from rich.progress_bar import ProgressBar
from rich.table import Table

from fairtake.progress import Course
from fairtake.serving.heartbeat import span
from fairtake.terminal.shown import DIM, take_name, text

#: What stands beside the name in a line of progress, bar and all, and without which width it has none.
_BESIDE_CELLS, _BAR_CELLS, _NARROW_CELLS = 56, 18, 70


def progress_lines(
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
            take_name(name, cells), text(verb), bar if wide else "", f"{share:.0%}", text(left, DIM)
        )
    return grid


def line_of(name: str, course: Course) -> tuple[str, str, float, str]:
    return name, course.verb, course.share, time_left(course.left_s)


def time_left(left_s: float | None) -> str:
    return "" if left_s is None else f"{span(left_s)} left"


def followed(
    before: dict[str, Course], told: Iterable[tuple[str, str, float]]
) -> dict[str, Course]:
    """The courses of the takes that were told of, key, verb and share; those of others are forgotten."""
    courses = {}
    for key, verb, share in told:
        courses[key] = before.get(key) or Course()
        courses[key].tell(verb, share)
    return courses
