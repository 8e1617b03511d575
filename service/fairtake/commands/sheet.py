"""``fairtake sheet``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from fairtake.commands.shared import FAILED
from fairtake.errors import FairtakeError
from fairtake.text import one_line


@click.command()
@click.argument("receipts", nargs=-1, required=True, metavar="RECEIPT...", type=click.Path(exists=True, dir_okay=False, path_type=Path))  # fmt: skip
@click.option("--original", type=click.Path(exists=True, path_type=Path), help="The recording or the mix's folder, where it does not lie where the service left it.")  # fmt: skip
def sheet(receipts: tuple[Path, ...], original: Path | None) -> None:
    """Make the page of a finished take again, beside its RECEIPT.

    The pictures are drawn from the original and the finished WAV, which are heard for it. Where the
    original is not found, only the finished file is drawn, and the page says so.
    """
    from fairtake.redraw import redraw

    if original is not None and len(receipts) > 1:
        raise click.UsageError("--original goes with one receipt.")
    failed = False
    for receipt in receipts:
        try:
            page, written = redraw(receipt, original)
        except (FairtakeError, OSError) as e:
            said = f"{e.message} {e.advice}" if isinstance(e, FairtakeError) else str(e)
            click.echo(one_line(f"{receipt.name}: {said}"), err=True)
            failed = True
            continue
        failed |= not written
        said = "wrote" if written else "left as it is, for it is no page of ours:"
        click.echo(one_line(f"{said} {page}"), err=not written)
    sys.exit(FAILED if failed else 0)
