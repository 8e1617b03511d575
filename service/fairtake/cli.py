"""The command line: thin. Each command loads only what it needs.

Exit status: 0 done; 1 at least one take failed; 2 wrong use or settings.
"""

from __future__ import annotations

import os
from typing import Any

import click

from fairtake.commands.check import check
from fairtake.commands.init import init
from fairtake.commands.master import master
from fairtake.commands.measure import measure
from fairtake.commands.mix import mix
from fairtake.commands.requeue import requeue
from fairtake.commands.serve import serve
from fairtake.commands.sheet import sheet
from fairtake.commands.status import status

# One take is one thread's work: more of them only wait for each other. Numpy reads this when it
# is loaded, and workers inherit it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _version(context: click.Context, _: Any, asked: bool) -> None:
    if asked:
        from fairtake.versions import fairtake_version

        click.echo(f"fairtake {fairtake_version()}")
        context.exit()


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Print the version.")  # fmt: skip
def main() -> None:
    """Finish spoken-word takes: raw recordings in, mastered WAV and MP3 with a receipt out.

    Make a ROOT with `fairtake init`, run `fairtake serve` on it, and drop takes into its inbox.
    """


for command in (init, serve, master, mix, measure, status, sheet, requeue, check):
    main.add_command(command)
