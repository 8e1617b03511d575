"""``fairtake status``"""

from __future__ import annotations

import functools
import json
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext, suppress
from pathlib import Path
from typing import Any

import click

from fairtake.commands.shared import FAILED, JSON, ROOT, explained, is_looked_at
from fairtake.text import one_line

#: ``--watch`` looks again after so long.
WATCH_S = 2.0


@click.command()
@ROOT
@JSON
@click.option("--watch", is_flag=True, help="Say it again every two seconds, until Ctrl-C.")
def status(root: Path, as_json: bool, watch: bool) -> None:
    """Say how the service is, and its takes.

    It tells what waits, what is in work, what was finished lately and what failed. Ends with status 0
    when all is well, and with 1 when the service does not live, something is in its way, a folder is
    not there or cannot be told about, or a take stands in quarantine. With --watch, ends with status 0.
    """
    from fairtake.folders import open_root
    from fairtake.serving.status import status as status_of

    if as_json and watch:
        raise click.UsageError("--watch is for people; a program asks again with --json.")
    with explained():
        opened = open_root(root)
        if watch:
            _watch(functools.partial(status_of, opened))
            return
        said = status_of(opened)
    if as_json:
        click.echo(json.dumps(said, indent=2, allow_nan=False))
    elif is_looked_at(sys.stdout):
        from fairtake.terminal.screen import print_status

        print_status(said)
    else:
        click.echo("\n".join(_status_lines(said)))
    sys.exit(0 if said["healthy"] else FAILED)


def _watch(ask: Callable[[], dict[str, Any]]) -> None:
    """Say the status again and again; without a person who looks, when it has changed."""
    with suppress(KeyboardInterrupt), _shown_status() as show:
        while True:
            show(ask())
            time.sleep(WATCH_S)


def _shown_status() -> AbstractContextManager[Callable[[dict[str, Any]], None]]:
    if not is_looked_at(sys.stdout):
        return nullcontext(_changes())
    from fairtake.terminal.screen import kept_current

    return kept_current()


def _changes() -> Callable[[dict[str, Any]], None]:
    """Says the status in plain lines where it is not what it was before."""
    before: Any = None

    def say(said: dict[str, Any]) -> None:
        nonlocal before
        lines = list(_status_lines(said))
        now = said["service"]["state"], lines[1:]  # the first line tells the time
        if now != before:
            click.echo("\n".join(lines if before is None else ["", *lines]))
        before = now

    return say


def _status_lines(said: dict[str, Any]) -> Iterator[str]:
    """The state in plain lines: the service, the books, then each take and what wants attention."""
    from fairtake.serving.heartbeat import BESIDE

    yield one_line(said["service"]["sentence"])
    if said["service"]["trouble"]:
        yield one_line(f"In the way: {said['service']['trouble']}")
    yield from map(one_line, said["untold"])
    for trouble in filter(None, (said["service"][what] for what in BESIDE)):
        yield one_line(f"Takes are safe, but: {trouble}")
    totals = said["totals"]
    yield (
        f"{totals['seen']} seen = {totals['published']} finished + "
        f"{totals['quarantined']} in quarantine + {totals['pending']} pending"
        + (f"; {totals['duplicates']} dropped once more." if totals["duplicates"] else ".")
    )
    yield (
        f"Now: {len(said['in_work'])} in work, {len(said['waiting'])} waiting, "
        f"{len(said['quarantined'])} in quarantine, {said['finished']} finished in the outbox."
    )
    yield from (one_line(f"  {line}") for line in _take_lines(said))


def _take_lines(said: dict[str, Any]) -> Iterator[str]:
    """A line for each take and for each folder that wants attention."""
    for job in said["in_work"]:
        yield f"in work    {job['take']}: {job['verb']} {job['share']:.0%}"
    for take in said["waiting"]:
        yield f"waiting    {take['take']}: {take['for']}"
    for take in said["quarantined"]:
        yield f"quarantine {take['take']}: {take['code']}: {take['message']} {take['advice']}"
    for take in said["finished_lately"]:
        missed = ", ".join(take["missed_checks"])
        yield f"finished   {take['take']}" + (f": misses {missed}" if missed else "")
    for place in said["places"]:
        if place["trouble"]:
            yield f"folder     {place['folder']}: {place['trouble']} ({place['path']})"
