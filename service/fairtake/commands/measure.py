"""``fairtake measure``"""

from __future__ import annotations

import functools
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fairtake.commands.shared import FAILED, JSON
from fairtake.commands.work import at_work, progress_of
from fairtake.errors import FairtakeError
from fairtake.text import one_line

if TYPE_CHECKING:
    from fairtake.receipt import Measures


@click.command()
@click.argument("files", nargs=-1, metavar="FILE...", type=click.Path(exists=True, dir_okay=False, path_type=Path))  # fmt: skip
@JSON
@click.option("--conformance", is_flag=True, help="Hold the meters against the published cases instead; takes a minute.")  # fmt: skip
def measure(files: tuple[Path, ...], as_json: bool, conformance: bool) -> None:
    """Print the Measures of each sound FILE.

    They are its loudness, peaks, noise floor and the rest. With --json, one object: the Measures of
    each file under its name.
    """
    if conformance:
        sys.exit(_print_conformance())
    if not files:
        raise click.UsageError("Name at least one file.")
    found, failed = _measured(files)
    if as_json:
        document = {name: measures.model_dump() for name, measures in found.items()}
        document |= {
            name: {"code": error.code, "message": error.message, "advice": error.advice}
            for name, error in failed.items()
        }
        click.echo(json.dumps(document, indent=2, allow_nan=False))
    else:
        for name, measures in found.items():
            _print_measures(name, measures)
        for name, error in failed.items():
            click.echo(one_line(f"{name}: {error.code}: {error.message} {error.advice}"), err=True)
    sys.exit(FAILED if failed else 0)


def _measured(files: tuple[Path, ...]) -> tuple[dict[str, Measures], dict[str, FairtakeError]]:
    from fairtake.api import measure as measures_of

    found: dict[str, Measures] = {}
    failed: dict[str, FairtakeError] = {}
    with progress_of(files, only_heard=True) as shown:
        for file in files:
            try:
                with at_work(shown, file) as progress:
                    found[str(file)] = measures_of(file, functools.partial(progress, "listen"))
            except FairtakeError as error:
                failed[str(file)] = error
    return found, failed


def _print_conformance() -> int:
    """A line a published case; the exit status."""
    from fairtake.conformance.cases import answers

    line = "{:<14} {:<8} {:<33} {:>8} {:>9} {:>9} {:>11}  {}"
    click.echo(
        line.format(
            "document", "case", "signal", "expected", "tolerance", "ours", "libebur128", "verdict"
        )
    )
    missed = 0
    for answer in answers():
        case = answer.case
        same = case.low == case.high
        allowed = f"±{case.low:g}" if same else f"-{case.low:g}/+{case.high:g}"
        other = "-" if answer.reference is None else f"{answer.reference:.3f}"
        verdict = "inside" if answer.ok else "OUTSIDE"
        missed += not answer.ok
        click.echo(
            line.format(case.source, case.number, case.what, f"{answer.expected:.2f}", allowed,
                        f"{answer.ours:.3f}", other, verdict)
        )  # fmt: skip
    return FAILED if missed else 0


def _print_measures(name: str, measures: Measures) -> None:
    from fairtake.pages.words import FIGURES

    click.echo(one_line(Path(name).name))
    for key, label, unit in FIGURES:
        value = getattr(measures, key)
        said = (
            f"{value:9.2f} {unit}"
            if value is not None
            else f"        - {measures.not_measurable[key]}"
        )
        doubt = measures.doubtful.get(key, "")
        click.echo(f"  {label:<30}{said}{f' ({doubt})' if doubt else ''}")
