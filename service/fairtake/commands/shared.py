"""What commands share: arguments, exit status, errors as sentences, and whether somebody looks."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TextIO

import click

from fairtake.errors import FairtakeError, SettingsFault
from fairtake.text import one_line

ROOT = click.argument("root", type=click.Path(path_type=Path))
JSON = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document and nothing else."
)
FAILED, MISUSED = 1, 2


@contextmanager
def explained() -> Iterator[None]:
    """Errors as sentences. Settings and wrong use end with 2, the surroundings with 1."""
    try:
        yield
    except FairtakeError as e:
        click.echo(one_line(f"fairtake: {e.message} {e.advice}"), err=True)
        sys.exit(MISUSED if isinstance(e, SettingsFault) else FAILED)
    except OSError as e:
        place = f": {e.filename}" if e.filename else ""
        click.echo(one_line(f"fairtake: {e.strerror or e}{place}"), err=True)
        sys.exit(FAILED)


def is_looked_at(stream: TextIO) -> bool:
    """Whether a person watches what comes there. Programs, and jobs in the background of a terminal
    on which somebody does something else, say plain lines."""
    if not stream.isatty() or os.environ.get("TERM") == "dumb":
        return False
    with suppress(OSError):  # of a terminal that is not ours nobody knows
        return not hasattr(os, "tcgetpgrp") or os.tcgetpgrp(stream.fileno()) == os.getpgrp()
    return True
