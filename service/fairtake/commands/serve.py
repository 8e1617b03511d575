"""``fairtake serve``"""

from __future__ import annotations

import sys
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fairtake.commands.shared import FAILED, ROOT, explained, is_looked_at
from fairtake.errors import AlreadyServed, ClusterUnusable
from fairtake.text import one_line

if TYPE_CHECKING:
    from fairtake.folders import Root
    from fairtake.serving.cluster import Cluster
    from fairtake.terminal.board import Board


@click.command()
@ROOT
@click.option("--once", is_flag=True, help="Finish what is there, then end; for cron.")
@click.option("--cluster", metavar="ADDRESS", help="Let the workers of the Dask scheduler there make the files.")  # fmt: skip
def serve(root: Path, once: bool, cluster: str | None) -> None:
    """Watch ROOT's inbox and finish every take that is dropped there.

    Ends cleanly on SIGTERM and Ctrl-C: a take in work goes back to the inbox. With --once, says
    nothing where there is nothing to do, and ends with status 1 when a take was quarantined or
    something was in the way. On a terminal, the takes in work stand below the log.
    """
    from fairtake.folders import open_root
    from fairtake.serving.log import start_log
    from fairtake.serving.serve import Service

    with explained(), _board(once) as board:
        opened = open_root(root)
        start_log(opened.settings.log, board, quiet=once and board is None)
        crew = _cluster(opened, cluster) if cluster else None
        service = Service(opened, once, crew, board.show if board else None)
        try:
            service.run()
        except AlreadyServed as e:
            if not once:
                raise
            # Nothing is left undone: for cron that is no failure.
            click.echo(one_line(f"fairtake: {e.message} That one sees to the takes."), err=True)
    if once and (service.failed or service.gave_up):
        sys.exit(FAILED)


def _board(once: bool) -> AbstractContextManager[Board | None]:
    """What is shown below the log, where somebody looks."""
    if not is_looked_at(sys.stderr):
        return nullcontext()
    from fairtake.terminal.board import Board

    return Board(closing=once)


def _cluster(root: Root, address: str) -> Cluster:
    try:
        from fairtake.serving.cluster import Cluster
    except ImportError as e:
        raise ClusterUnusable(f"{e}.") from None
    return Cluster(root, address)
