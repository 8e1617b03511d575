"""``fairtake check``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fairtake.commands.shared import MISUSED, ROOT
from fairtake.text import one_line


@click.command()
@ROOT
def check(root: Path) -> None:
    """Look over ROOT and name every problem at once.

    Looks at settings, profiles, titles, encoder, folders and free space. Ends with status 2 when
    something has to be mended.
    """
    from fairtake.check import problems

    found = list(problems(root))
    for kind, sentence in found:
        click.echo(one_line(f"{'mend' if kind == 'bad' else 'note'}: {sentence}"))
    bad = [sentence for kind, sentence in found if kind == "bad"]
    if not bad:
        click.echo("All is in order." if not found else "Nothing has to be mended.")
    sys.exit(MISUSED if bad else 0)
