"""The command line: thin. Each command loads only what it needs.

Exit status: 0 done; 1 at least one take failed; 2 wrong use or settings.
"""

from __future__ import annotations

import functools
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from fairtake.errors import (
    AlreadyServed,
    ClusterUnusable,
    FairtakeError,
    SettingsFault,
    SurroundingsFault,
    TakeFault,
)
from fairtake.text import one_line

if TYPE_CHECKING:
    from fairtake.folders import Root
    from fairtake.receipt import Measures, Receipt
    from fairtake.serving.cluster import Cluster
    from fairtake.terminal import Board, Takes

# One take is one thread's work: more of them only wait for each other. Numpy reads this when it
# is loaded, and workers inherit it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

ROOT = click.argument("root", type=click.Path(path_type=Path))
JSON = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document and nothing else."
)
FAILED, MISUSED = 1, 2
#: ``status --watch`` looks again after so long.
WATCH_S = 2.0


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


@contextmanager
def _explained() -> Iterator[None]:
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


def _is_looked_at(stream: TextIO) -> bool:
    """Whether a person watches what comes there. Programs, and jobs in the background of a terminal
    on which somebody does something else, say plain lines."""
    if not stream.isatty() or os.environ.get("TERM") == "dumb":
        return False
    with suppress(OSError):  # of a terminal that is not ours nobody knows
        return not hasattr(os, "tcgetpgrp") or os.tcgetpgrp(stream.fileno()) == os.getpgrp()
    return True


@main.command()
@ROOT
def init(root: Path) -> None:
    """Make ROOT: its folders, settings and profiles.

    What is already there is left as it is, so init may be run again after an upgrade.
    """
    from fairtake.root import make_root

    with _explained():
        written = make_root(root)
    for path in written:
        click.echo(f"wrote {path}")
    click.echo(f"Ready. Drop takes into {root / 'inbox'} and run: fairtake serve {root}")


@main.command()
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

    with _explained(), _board(once) as board:
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
    if not _is_looked_at(sys.stderr):
        return nullcontext()
    from fairtake.terminal import Board

    return Board(closing=once)


def _cluster(root: Root, address: str) -> Cluster:
    try:
        from fairtake.serving.cluster import Cluster
    except ImportError as e:
        raise ClusterUnusable(f"{e}.") from None
    return Cluster(root, address)


@main.command()
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
    with _explained():
        profile_named(profile)
    in_table = len(takes) > 1 and all(map(_is_looked_at, (sys.stdout, sys.stderr)))
    from fairtake.api import master as finish

    with _progress(takes) as shown:
        failed = [
            take
            for take in takes
            if not _finish_one(
                take, functools.partial(finish, take, out, profile), out, shown, in_table
            )
        ]
    sys.exit(FAILED if failed else 0)


def _finish_one(
    take: Path,
    finish: Callable[[Callable[[str, float], None]], Receipt],
    out: Path,
    shown: Takes | None,
    in_table: bool,
) -> bool:
    """Whether it was finished; *in_table* is what then is to be said of it."""
    try:
        with _at_work(shown, take) as progress:
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


@main.command()
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

    with _explained():
        profile_named(profile)
    with _progress([folder]) as shown:
        done = _finish_one(folder, functools.partial(mix_folder, folder, out, profile), out, shown, False)  # fmt: skip
    sys.exit(0 if done else FAILED)


def _draft(folder: Path) -> int:
    from fairtake.mixing.draft import write_draft

    with _explained():
        written, others = write_draft(folder)
    click.echo(
        one_line(f"wrote {written}: look it over, then run: fairtake mix '{folder}' --out DIR")
    )
    for name in others:
        click.echo(one_line(f"left out {name}: it is no sound that fairtake reads"))
    return 0


def _summary(receipt: Receipt) -> str:
    from fairtake.units import clock

    normalise = receipt.profile.settings["normalise"]
    wav = receipt.after.wav
    level = wav.loudness_lufs if normalise["by"] == "loudness" else wav.rms_dbfs
    unit = "LUFS" if normalise["by"] == "loudness" else "dBFS RMS"
    missed = [f"{c.check} of the {c.file} is {c.value:g}, asked: {c.limit}" if c.value is not None
              else f"{c.check} of the {c.file} could not be measured" for c in receipt.checks if not c.ok]  # fmt: skip
    verdict = "all checks pass" if not missed else "CHECKS FAIL: " + "; ".join(missed)
    return (
        f"{receipt.outputs.wav.file}, {receipt.outputs.mp3.file}: "
        f"{clock(receipt.outputs.wav.duration_s)}, {level:.1f} {unit}, "
        f"peak {wav.true_peak_dbtp:.1f} dBTP; {verdict}"
    )


def _progress(
    files: Sequence[Path], only_heard: bool = False
) -> AbstractContextManager[Takes | None]:
    """The progress of work on *files*, where somebody looks."""
    if not _is_looked_at(sys.stderr):
        return nullcontext()
    from fairtake.progress import FINISHING, LISTENING
    from fairtake.terminal import Takes

    return Takes(files, LISTENING if only_heard else FINISHING)


def _at_work(
    shown: Takes | None, file: Path
) -> AbstractContextManager[Callable[[str, float], None]]:
    return shown.at_work(file) if shown else nullcontext(lambda verb, share: None)


@main.command()
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
    with _progress(files, only_heard=True) as shown:
        for file in files:
            try:
                with _at_work(shown, file) as progress:
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


_ROWS = (
    ("loudness_lufs", "Loudness", "LUFS"),
    ("loudness_range_lu", "Loudness range", "LU"),
    ("max_momentary_lufs", "Greatest momentary loudness", "LUFS"),
    ("max_short_term_lufs", "Greatest short-term loudness", "LUFS"),
    ("true_peak_dbtp", "True peak", "dBTP"),
    ("sample_peak_dbfs", "Sample peak", "dBFS"),
    ("rms_dbfs", "RMS of the whole file", "dBFS"),
    ("noise_floor_dbfs", "Noise floor", "dBFS"),
    ("speech_level_dbfs", "Speech level", "dBFS"),
    ("dc_offset_dbfs", "DC offset", "dBFS"),
    ("duration_s", "Duration", "s"),
    ("head_s", "Room tone before speech", "s"),
    ("tail_s", "Room tone after speech", "s"),
)


def _print_measures(name: str, measures: Measures) -> None:
    click.echo(one_line(Path(name).name))
    for key, label, unit in _ROWS:
        value = getattr(measures, key)
        said = (
            f"{value:9.2f} {unit}"
            if value is not None
            else f"        - {measures.not_measurable[key]}"
        )
        doubt = measures.doubtful.get(key, "")
        click.echo(f"  {label:<30}{said}{f' ({doubt})' if doubt else ''}")


@main.command()
@ROOT
@JSON
@click.option("--watch", is_flag=True, help="Say it again every two seconds, until Ctrl-C.")
def status(root: Path, as_json: bool, watch: bool) -> None:
    """Say how the service is, and its takes.

    It tells what waits, what is in work, what was finished lately and what failed. Ends with status 0
    when all is well, and with 1 when the service does not live, something is in its way, a folder is
    not there, or a take stands in quarantine. With --watch, ends with status 0.
    """
    from fairtake.folders import open_root
    from fairtake.serving.status import status as status_of

    if as_json and watch:
        raise click.UsageError("--watch is for people; a program asks again with --json.")
    with _explained():
        opened = open_root(root)
        if watch:
            _watch(functools.partial(status_of, opened))
            return
        said = status_of(opened)
    if as_json:
        click.echo(json.dumps(said, indent=2, allow_nan=False))
    elif _is_looked_at(sys.stdout):
        from fairtake.terminal import print_status

        print_status(said)
    else:
        click.echo("\n".join(_status_lines(said)))
    sys.exit(0 if said["healthy"] else FAILED)


def _watch(ask: Callable[[], dict[str, Any]]) -> None:
    """Say the status again and again; without a person who looks, when it has changed."""
    with suppress(KeyboardInterrupt), _shown_status() as show:
        while True:
            show(ask())
            time.sleep(WATCH_S)


def _shown_status() -> AbstractContextManager[Callable[[dict[str, Any]], None]]:
    if not _is_looked_at(sys.stdout):
        return nullcontext(_changes())
    from fairtake.terminal import kept_current

    return kept_current()


def _changes() -> Callable[[dict[str, Any]], None]:
    """Says the status in plain lines where it is not what it was before."""
    before: Any = None

    def say(said: dict[str, Any]) -> None:
        nonlocal before
        lines = list(_status_lines(said))
        now = said["service"]["state"], lines[1:]  # the first line tells the time
        if now != before:
            click.echo("\n".join(lines if before is None else ["", *lines]))
        before = now

    return say


def _status_lines(said: dict[str, Any]) -> Iterator[str]:
    """The state in plain lines: the service, the books, then each take and what wants attention."""
    from fairtake.serving.heartbeat import BESIDE

    yield one_line(said["service"]["sentence"])
    if said["service"]["trouble"]:
        yield one_line(f"In the way: {said['service']['trouble']}")
    for trouble in filter(None, (said["service"][what] for what in BESIDE)):
        yield one_line(f"Takes are safe, but: {trouble}")
    totals = said["totals"]
    yield (
        f"{totals['seen']} seen = {totals['published']} finished + "
        f"{totals['quarantined']} in quarantine + {totals['pending']} pending"
        + (f"; {totals['duplicates']} dropped once more." if totals["duplicates"] else ".")
    )
    yield (
        f"Now: {len(said['in_work'])} in work, {len(said['waiting'])} waiting, "
        f"{len(said['quarantined'])} in quarantine, {said['finished']} finished in the outbox."
    )
    yield from (one_line(f"  {line}") for line in _take_lines(said))


def _take_lines(said: dict[str, Any]) -> Iterator[str]:
    """A line for each take and for each folder that wants attention."""
    for job in said["in_work"]:
        yield f"in work    {job['take']}: {job['verb']} {job['share']:.0%}"
    for take in said["waiting"]:
        yield f"waiting    {take['take']}: {take['for']}"
    for take in said["quarantined"]:
        yield f"quarantine {take['take']}: {take['code']}: {take['message']} {take['advice']}"
    for take in said["finished_lately"]:
        missed = ", ".join(take["missed_checks"])
        yield f"finished   {take['take']}" + (f": misses {missed}" if missed else "")
    for place in said["places"]:
        if place["trouble"]:
            yield f"folder     {place['folder']}: {place['trouble']} ({place['path']})"


@main.command()
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


@main.command()
@ROOT
@click.argument("names", nargs=-1, metavar="NAME...")
@click.option("--all", "every", is_flag=True, help="Every take in quarantine.")
def requeue(root: Path, names: tuple[str, ...], every: bool) -> None:
    """Put quarantined takes back into the inbox.

    NAME is a take's path below quarantine, or its file name where that is clear.
    """
    from fairtake.folders import open_root, quarantined
    from fairtake.folders import requeue as put_back

    if not names and not every:
        raise click.UsageError("Name the takes to put back, or give --all.")
    with _explained():
        opened = open_root(root)
        there = [path for path, _ in quarantined(opened)]
        wrong = 0
        for name in there if every else names:
            matches = [path for path in there if name == path] or [
                p for p in there if name == Path(p).name
            ]
            if len(matches) != 1:
                said = (
                    f"is not in quarantine; `fairtake status {one_line(str(root))}` lists what is"
                    if not matches
                    else f"could be {', '.join(map(one_line, matches))}"
                )
                click.echo(f"fairtake: '{one_line(name)}' {said}.", err=True)
                wrong += 1
                continue
            click.echo(
                f"{one_line(matches[0])}: back in the inbox as {one_line(put_back(opened, matches[0]))}"
            )
    sys.exit(FAILED if wrong else 0)


@main.command()
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
