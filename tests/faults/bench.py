"""The fault bench: the real program hurt in every way there is, and the books read behind it.

    python tests/faults/bench.py [--quick] [--only NAME] [--seed N] [--minutes N] [--json FILE]

Every fault is followed by a look at the folders as they lie, by a last run without a fault, and by
another look. README.md beside this file says what each part does. Status 1 when anything was wrong.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import contextlib
import itertools
import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import accounts
import crowd
import disks
import hostile
import intake
import power
import soak
import steps
from books import KINDS, Wrong
from live import may_mount, tidy
from scenes import bench_folder
from steps import Benches, Found

SIDE_BY_SIDE = os.cpu_count() or 1
KEEP_EVERY_S = 5.0
ENDS = (signal.SIGINT, signal.SIGTERM)


@dataclass
class Run:
    """What was asked of the bench."""

    quick: bool
    draw: random.Random
    minutes: float
    folder: Path = field(default_factory=bench_folder)

    def many(self, full: int, quick: int) -> int:
        return quick if self.quick else full


def kills(run: Run) -> Iterator[Found]:
    with Benches(SIDE_BY_SIDE) as benches:
        yield from benches.do(steps.kills(benches, run.draw, run.quick), enough=run.many(2100, 60))


def failures(run: Run) -> Iterator[Found]:
    with Benches(SIDE_BY_SIDE) as benches:
        yield from benches.do(steps.failures(benches, run.draw), enough=run.many(1050, 40))


def power_cuts(run: Run) -> Iterator[Found]:
    with Benches(SIDE_BY_SIDE) as benches:
        every = benches.steps(power.SCENES_ON_ONE_DISK)
        faults = run.draw.sample(every, len(every))
        yield from benches.do(faults, power.cut, enough=run.many(205, 8))


def full_disks(run: Run) -> Iterator[Found]:
    yield from itertools.islice(disks.full_disks(run.folder), run.many(99, 2))


def frozen_shares(run: Run) -> Iterator[Found]:
    yield from disks.frozen_shares(run.folder)


def bursts(run: Run) -> Iterator[Found]:
    yield from crowd.bursts(run.folder, run.many(10_000, 100))


def way_in(run: Run) -> Iterator[Found]:
    yield from intake.intake(run.folder, run.quick)


def hostile_files(run: Run) -> Iterator[Found]:
    yield hostile.attack(run.folder / "hostile")


def two_accounts(run: Run) -> Iterator[Found]:
    yield from accounts.accounts(run.folder / "accounts", run.many(200, 20), run.draw)


def soaked(run: Run) -> Iterator[Found]:
    yield from soak.soak(run.folder / "soak", min(run.minutes, run.many(9999, 1)), run.draw)


@dataclass(frozen=True)
class Part:
    """One part of the bench; ``missing`` says why it cannot be done here.

    ``lane``: the parts of a lane come one after the other, beside other lanes; those of lane 0 come
    first and alone, for they measure times. ``least`` faults make a full run. Of the kinds of wrong
    that it ``tells`` its row has the numbers.
    """

    name: str
    what: str
    do: Callable[[Run], Iterator[Found]]
    missing: Callable[[], str] = lambda: ""
    lane: int = 2
    least: int = 0
    tells: tuple[str, ...] = ()


def no_tracer() -> str:
    return "" if shutil.which("strace") else "strace is not installed"


PARTS = (
    Part("intake", "the way in: a crowd without events, budgets, a frozen drive", way_in, lane=0),
    Part("kills", "killed before a system call", kills, no_tracer, 1, 2000),
    Part("failures", "a system call fails", failures, no_tracer, 1, 1000),
    Part("power", "power cut", power_cuts, lambda: no_tracer() or power.impossible(), 1, 200),
    Part("soak", "random faults for minutes", soaked),
    Part("full", "disk full, by bytes and by inodes", full_disks, may_mount, least=8),
    Part("frozen", "file server frozen", frozen_shares, disks.no_share, least=3),
    Part("hostile", "hostile files", hostile_files, least=60),
    Part(
        "accounts",
        "a dropper of another account who means harm",
        two_accounts,
        accounts.impossible,
        least=200,
        tells=("lost", "outside", "stopped"),
    ),
    Part("burst", "a crowd at once", bursts, least=20_000),
)


@dataclass
class Sum:
    """What a part came to. ``distinct`` counts the faults at steps, each step once."""

    faults: int = 0
    distinct: int = 0
    checked: int = 0
    took_s: float = 0.0
    wrong: dict[str, int] = field(default_factory=dict)
    skipped: str = ""
    found: list[dict[str, Any]] = field(default_factory=list)

    def add(self, found: Found, steps_seen: set[str]) -> None:
        if found.hit:
            self.faults += found.faults
            steps_seen |= {found.step} - {""}
        self.distinct = len(steps_seen)
        self.checked += found.checked
        for wrong in found.wrong:
            self.wrong[wrong.kind] = self.wrong.get(wrong.kind, 0) + 1
        if found.wrong:
            wrong_ones = [[w.kind, w.what] for w in found.wrong]
            self.found.append({"fault": found.fault, "wrong": wrong_ones, "log": found.log})
            print(f"\n{found.fault}", *(f"  {w.kind}: {w.what}" for w in found.wrong), sep="\n")


def measured(part: Part, run: Run, keep: Callable[[Sum], None]) -> Sum:
    """Do a part and count; what was wrong is said as it comes, and the sum kept as it grows."""
    summed, steps_seen = Sum(skipped=part.missing()), set[str]()
    start = kept = time.monotonic()
    try:
        for found in part.do(run) if not summed.skipped else ():
            summed.add(found, steps_seen)
            summed.took_s = round(time.monotonic() - start, 1)
            if time.monotonic() - kept > KEEP_EVERY_S:
                kept = time.monotonic()
                keep(summed)
    except KeyboardInterrupt:
        summed.skipped = "the rest: ended by hand"
    except Exception:
        summed.add(Found(part.name, wrong=[Wrong("bench", traceback.format_exc())]), steps_seen)
    summed.took_s = round(time.monotonic() - start, 1)
    keep(summed)
    return summed


def end_by_hand() -> None:
    """From now on somebody may have had enough: what was measured until then still counts."""

    def enough(*_: object) -> None:
        for number in ENDS:
            signal.signal(number, signal.SIG_IGN)  # once is enough
        raise KeyboardInterrupt

    for number in ENDS:
        signal.signal(number, enough)


# --- parts side by side -------------------------------------------------------------------------


def side_by_side(options: list[str], keep: Callable[[dict[str, Sum]], None]) -> dict[str, Sum]:
    """Every part in a process of its own, those of a lane one after the other; lane 0 before all."""
    with tempfile.TemporaryDirectory(prefix="fairtake-faults-") as name:
        folder, sums = Path(name), dict[str, Sum]()
        try:
            for lanes in ({0}, {part.lane for part in PARTS} - {0}):
                waiting = {n: [part for part in PARTS if part.lane == n] for n in lanes}
                running: dict[int, subprocess.Popen[bytes]] = {}
                while waiting or running:
                    for lane in list(waiting.keys() - running.keys()):
                        if waiting[lane]:
                            running[lane] = _begun(waiting[lane].pop(0), options, folder)
                        else:
                            del waiting[lane]
                    time.sleep(1)
                    running = {n: child for n, child in running.items() if child.poll() is None}
                    sums = _read(folder)
                    keep(sums)
        except KeyboardInterrupt:
            for child in running.values():
                child.send_signal(signal.SIGINT)
            for child in running.values():
                child.wait()
        sums = _read(folder)
        keep(sums)
        return sums


def _begun(part: Part, options: list[str], folder: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, __file__, "--only", part.name, *options]
    command += ["--json", str(folder / f"{part.name}.json")]
    return subprocess.Popen(command, start_new_session=True)


def _read(folder: Path) -> dict[str, Sum]:
    sums = {}
    for part in PARTS:
        with contextlib.suppress(OSError):
            said = json.loads((folder / f"{part.name}.json").read_text("utf-8"))
            sums[part.name] = Sum(**said[part.name])
    return sums


# --- what is said -------------------------------------------------------------------------------


def table(sums: dict[str, Sum], quick: bool) -> str:
    lines = [f"{'part':<10}{'faults':>8}{'distinct':>10}{'checks':>10}{'wrong':>7}{'minutes':>9}"]
    for name, s in sums.items():
        end = f"  skipped: {s.skipped}" if s.skipped else too_few(name, s, quick)
        tells = next(part.tells for part in PARTS if part.name == name)
        end = "".join(f"  {KINDS[kind]}: {s.wrong.get(kind, 0)}" for kind in tells) + end
        minutes, wrong = s.took_s / 60, sum(s.wrong.values())
        lines.append(
            f"{name:<10}{s.faults:>8}{s.distinct or '':>10}{s.checked:>10}{wrong:>7}{minutes:>9.1f}{end}"
        )
    total = {kind: sum(s.wrong.get(kind, 0) for s in sums.values()) for kind in KINDS}
    lines.append(", ".join(f"{said}: {total[kind]}" for kind, said in KINDS.items()))
    if any(s.distinct for s in sums.values()):
        lines.append("distinct: steps told apart by " + steps.TOLD_APART)
    return "\n".join(lines)


def too_few(name: str, summed: Sum, quick: bool) -> str:
    """What a full run is short of."""
    least = next(part.least for part in PARTS if part.name == name)
    reached = summed.distinct or summed.faults
    return f"  too few: {least} wanted" if reached < least and not quick else ""


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a sample of every part")
    parser.add_argument(
        "--only",
        metavar="NAME",
        choices=[p.name for p in PARTS],
        help=", ".join(part.name for part in PARTS),
    )
    parser.add_argument("--seed", type=int, default=1, help="other draws of faults")
    parser.add_argument("--minutes", type=float, default=30, help="length of the soak")
    parser.add_argument("--json", metavar="FILE", type=Path, help="all that was wrong as JSON")
    return parser.parse_args()


def write(sums: dict[str, Sum], path: Path | None) -> None:
    """As JSON, whole at every moment."""
    if path:
        part = path.with_name(path.name + ".part")
        said = {name: asdict(summed) for name, summed in sums.items()}
        part.write_text(json.dumps(said, indent=1), "utf-8")
        part.replace(path)


def main() -> int:
    asked = arguments()
    end_by_hand()
    if asked.only:
        part = next(part for part in PARTS if part.name == asked.only)
        run = Run(asked.quick, random.Random(asked.seed), asked.minutes)
        try:
            sums = {part.name: measured(part, run, lambda s: write({part.name: s}, asked.json))}
        finally:
            tidy(run.folder)
    else:
        options = ["--seed", str(asked.seed), "--minutes", str(asked.minutes)]
        options += ["--quick"] if asked.quick else []
        sums = side_by_side(options, lambda sums: write(sums, asked.json))
    print("\n" + table(sums, asked.quick), flush=True)
    gone = [] if asked.only else [part.name for part in PARTS if part.name not in sums]
    if gone:
        print("nothing was heard of: " + ", ".join(gone))
    short = gone or any(too_few(name, s, asked.quick) for name, s in sums.items())
    return int(bool(short) or any(s.wrong for s in sums.values()))


if __name__ == "__main__":
    sys.exit(main())
