"""``fairtake master``"""

from __future__ import annotations

import functools
import sys
from pathlib import Path

import click

from fairtake.commands.shared import FAILED, explained, is_looked_at
from fairtake.commands.work import finish_one, progress_of
from fairtake.text import one_line


@click.command()
@click.argument("takes", nargs=-1, required=True, metavar="TAKE...", type=click.Path(exists=True, path_type=Path))  # fmt: skip
@click.option("--profile", default="audiobook", show_default=True, help="A profile's name, or the path of a profile's TOML file.")  # fmt: skip
@click.option("--out", required=True, type=click.Path(file_okay=False, path_type=Path), help="Folder for the finished files; made when it is missing.")  # fmt: skip
def master(takes: tuple[Path, ...], profile: str, out: Path) -> None:
    """Finish each TAKE into a folder, without a ROOT.

    Takes stay where they are and nothing is overwritten. A title.toml beside a take gives tags,
    cover and overrides. One that cannot be finished is explained, and the others go on.
    """
    from fairtake.api import profile_named

    for folder in filter(Path.is_dir, takes):
        said = f"'{one_line(str(folder))}' is a folder"
        raise click.UsageError(f"{said}: name the takes in it, or give a mix to `fairtake mix`.")
    with explained():
        profile_named(profile)
    in_table = len(takes) > 1 and all(map(is_looked_at, (sys.stdout, sys.stderr)))
    from fairtake.api import master as finish

    with progress_of(takes) as shown:
        failed = [
            take
            for take in takes
            if not finish_one(
                take, functools.partial(finish, take, out, profile), out, shown, in_table
            )
        ]
    sys.exit(FAILED if failed else 0)
