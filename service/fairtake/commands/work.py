"""How work on files is shown while it lasts, and a take finished without a ROOT."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fairtake.commands.shared import is_looked_at
from fairtake.errors import SettingsFault, SurroundingsFault, TakeFault
from fairtake.text import one_line

if TYPE_CHECKING:
    from fairtake.receipt import Receipt
    from fairtake.terminal.takes import Takes


def progress_of(
    files: Sequence[Path], only_heard: bool = False
) -> AbstractContextManager[Takes | None]:
    """The progress of work on *files*, where somebody looks."""
    if not is_looked_at(sys.stderr):
        return nullcontext()
    from fairtake.progress import FINISHING, LISTENING
    from fairtake.terminal.takes import Takes

    return Takes(files, LISTENING if only_heard else FINISHING)


def at_work(
    shown: Takes | None, file: Path
) -> AbstractContextManager[Callable[[str, float], None]]:
    return shown.at_work(file) if shown else nullcontext(lambda verb, share: None)


def finish_one(
    take: Path,
    finish: Callable[[Callable[[str, float], None]], Receipt],
    out: Path,
    shown: Takes | None,
    in_table: bool,
) -> bool:
    """Whether it was finished; *in_table* is what then is to be said of it."""
    try:
        with at_work(shown, take) as progress:
            receipt = finish(progress)
    except (TakeFault, SettingsFault, SurroundingsFault) as e:
        code, said = e.code, f"{e.code}: {e.message} {e.advice}"
    except OSError as e:
        code, said = "error", f"{e.strerror or e}: {e.filename or out}"
    else:
        if shown:
            shown.finished(receipt)
        if not in_table:
            click.echo(one_line(f"{take.name}: {_summary(receipt)}"))
        return True
    click.echo(one_line(f"{take.name}: {said}"), err=True)
    if shown:
        shown.failed(take.name, code)
    return False


def _summary(receipt: Receipt) -> str:
    from fairtake.receipt import why_short
    from fairtake.units import clock

    normalise = receipt.profile.settings["normalise"]
    wav = receipt.after.wav
    level = wav.loudness_lufs if normalise["by"] == "loudness" else wav.rms_dbfs
    unit = "LUFS" if normalise["by"] == "loudness" else "dBFS RMS"
    missed = [f"{c.check} of the {c.file} is {c.value:g}, asked: {c.limit}" if c.value is not None
              else f"{c.check} of the {c.file} could not be measured" for c in receipt.checks if not c.ok]  # fmt: skip
    why = why_short(receipt)
    verdict = "; ".join(["CHECKS FAIL: " + missed[0], *missed[1:]]) if missed else "all checks pass"
    verdict = f"LEVEL MISSED. {why} {verdict}" if why else verdict
    return (
        f"{receipt.outputs.wav.file}, {receipt.outputs.mp3.file}: "
        f"{clock(receipt.outputs.wav.duration_s)}, {level:.1f} {unit}, "
        f"peak {wav.true_peak_dbtp:.1f} dBTP; {verdict}"
    )
