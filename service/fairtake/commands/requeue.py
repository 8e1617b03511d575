"""``fairtake requeue``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fairtake.commands.shared import FAILED, ROOT, explained
from fairtake.text import one_line


@click.command()
@ROOT
@click.argument("names", nargs=-1, metavar="NAME...")
@click.option("--all", "every", is_flag=True, help="Every take in quarantine.")
def requeue(root: Path, names: tuple[str, ...], every: bool) -> None:
    """Put quarantined takes back into the inbox.

    NAME is a take's path below quarantine, or its file name where that is clear.
    """
    from fairtake.folders import open_root, quarantined
    from fairtake.folders import requeue as put_back

    if not names and not every:
        raise click.UsageError("Name the takes to put back, or give --all.")
    with explained():
        opened = open_root(root)
        there = [path for path, _ in quarantined(opened)]
        wrong = 0
        for name in there if every else names:
            matches = [path for path in there if name == path] or [
                p for p in there if name == Path(p).name
            ]
            if len(matches) != 1:
                said = (
                    f"is not in quarantine; `fairtake status {one_line(str(root))}` lists what is"
                    if not matches
                    else f"could be {', '.join(map(one_line, matches))}"
                )
                click.echo(f"fairtake: '{one_line(name)}' {said}.", err=True)
                wrong += 1
                continue
            click.echo(
                f"{one_line(matches[0])}: back in the inbox as {one_line(put_back(opened, matches[0]))}"
            )
    sys.exit(FAILED if wrong else 0)
