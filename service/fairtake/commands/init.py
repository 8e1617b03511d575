"""``fairtake init``"""

from __future__ import annotations

from pathlib import Path

import click

from fairtake.commands.shared import ROOT, explained


@click.command()
@ROOT
def init(root: Path) -> None:
    """Make ROOT: its folders, settings and profiles.

    What is already there is left as it is, so init may be run again after an upgrade.
    """
    from fairtake.root import make_root

    with explained():
        written = make_root(root)
    for path in written:
        click.echo(f"wrote {path}")
    click.echo(f"Ready. Drop takes into {root / 'inbox'} and run: fairtake serve {root}")
