"""``fairtake mix``"""

from __future__ import annotations

import functools
import sys
from pathlib import Path

import click

from fairtake.commands.shared import FAILED, explained
from fairtake.commands.work import finish_one, progress_of
from fairtake.text import one_line


@click.command()
@click.argument("folder", metavar="FOLDER", type=click.Path(exists=True, file_okay=False, path_type=Path))  # fmt: skip
@click.option("--profile", default="podcast", show_default=True, help="A profile's name, or the path of a profile's TOML file.")  # fmt: skip
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder for the finished files; made when it is missing.")  # fmt: skip
@click.option("--draft", is_flag=True, help="Write a first cues.toml into FOLDER instead, from what lies there.")  # fmt: skip
def mix(folder: Path, profile: str, out: Path | None, draft: bool) -> None:
    """Lay beds and single sounds under a voice.

    FOLDER's cues.toml says how, and the sum is finished like a take. FOLDER stays as it is and nothing
    is overwritten. --draft guesses from names and sound which file is the voice, and writes the usual
    settings for the rest.
    """
    if draft:
        sys.exit(_draft(folder))
    if out is None:
        raise click.UsageError("Name a folder for the finished files with --out, or give --draft.")
    from fairtake.api import mix as mix_folder
    from fairtake.api import profile_named

    with explained():
        profile_named(profile)
    with progress_of([folder]) as shown:
        done = finish_one(folder, functools.partial(mix_folder, folder, out, profile), out, shown, False)  # fmt: skip
    sys.exit(0 if done else FAILED)


def _draft(folder: Path) -> int:
    from fairtake.mixing.draft import write_draft

    with explained():
        written, others = write_draft(folder)
    click.echo(
        one_line(f"wrote {written}: look it over, then run: fairtake mix '{folder}' --out DIR")
    )
    for name in others:
        click.echo(one_line(f"left out {name}: it is no sound that fairtake reads"))
    return 0
