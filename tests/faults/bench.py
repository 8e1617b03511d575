"""The fault bench: the real program hurt in every way there is, and the books read behind it.

    python tests/faults/bench.py [--quick] [--only NAME] [--seed N] [--minutes N] [--json FILE]

Every fault is followed by a look at the folders as they lie, by a last run without a fault, and by
another look. README.md beside this file says what each part does. Status 1 when anything was wrong.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import itertools
import json
import random
import shutil
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import crowd
import disks
import hostile
import intake
import power
import soak
import steps
from books import KINDS
from live import may_mount
from scenes import bench_folder
from steps import Benches, Found

SIDE_BY_SIDE = os.cpu_count() or 1


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
        yield from benches.do(steps.kills(benches, run.many(2500, 60), run.draw))


def failures(run: Run) -> Iterator[Found]:
    with Benches(SIDE_BY_SIDE) as benches:
        yield from benches.do(steps.failures(benches, run.many(1200, 40), run.draw))


def power_cuts(run: Run) -> Iterator[Found]:
    with Benches(SIDE_BY_SIDE) as benches:
        every = benches.steps(power.SCENES_ON_ONE_DISK)
        faults = [run.draw.choice(every) for _ in range(run.many(200, 8))]
        yield from benches.do(faults, power.cut)


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


def soaked(run: Run) -> Iterator[Found]:
    yield soak.soak(run.folder / "soak", min(run.minutes, run.many(9999, 1)), run.draw)


@dataclass(frozen=True)
class Part:
    """One part of the bench; ``missing`` says why it cannot be done here."""

    name: str
    what: str
    do: Callable[[Run], Iterator[Found]]
    missing: Callable[[], str] = lambda: ""


def no_tracer() -> str:
    return "" if shutil.which("strace") else "strace is not installed"


PARTS = (
    Part("kills", "killed before a system call", kills, no_tracer),
    Part("failures", "a system call fails", failures, no_tracer),
    Part("power", "power cut", power_cuts, lambda: no_tracer() or power.impossible()),
    Part("full", "disk full, by bytes and by inodes", full_disks, may_mount),
    Part("frozen", "file server frozen", frozen_shares, disks.no_share),
    Part("burst", "a crowd at once", bursts),
    Part("intake", "the way in: a crowd without events, budgets, a frozen drive", way_in),
    Part("hostile", "hostile files", hostile_files),
    Part("soak", "random faults for minutes", soaked),
)


@dataclass
class Sum:
    """What a part came to."""

    faults: int = 0
    checked: int = 0
    took_s: float = 0.0
    wrong: Counter[str] = field(default_factory=Counter)
    skipped: str = ""
    found: list[Found] = field(default_factory=list)


def measured(part: Part, run: Run) -> Sum:
    """Do a part and count; what was wrong is said as it comes."""
    summed = Sum(skipped=part.missing())
    start = time.monotonic()
    for found in ended_by_hand(part.do(run), summed) if not summed.skipped else ():
        summed.faults += found.faults if found.hit else 0
        summed.checked += found.checked
        summed.wrong.update(wrong.kind for wrong in found.wrong)
        if found.wrong:
            summed.found.append(found)
            print(f"\n{found.fault}", *(f"  {w.kind}: {w.what}" for w in found.wrong), sep="\n")
        if sys.stderr.isatty():
            print(f"\r{part.name} {summed.faults}", end="", file=sys.stderr)
    summed.took_s = time.monotonic() - start
    return summed


def ended_by_hand(found: Iterator[Found], summed: Sum) -> Iterator[Found]:
    """Go on until somebody has had enough: what was measured until then still counts."""

    def enough(*_: object) -> None:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # once is enough
        raise KeyboardInterrupt

    signal.signal(signal.SIGINT, enough)
    try:
        yield from found
    except KeyboardInterrupt:
        summed.skipped = "the rest: ended by hand"


def table(sums: dict[str, Sum]) -> str:
    lines = [f"{'part':<10}{'faults':>8}{'checks':>10}{'wrong':>7}{'minutes':>9}"]
    for name, s in sums.items():
        end = f"  skipped: {s.skipped}" if s.skipped else ""
        wrong = sum(s.wrong.values())
        lines.append(f"{name:<10}{s.faults:>8}{s.checked:>10}{wrong:>7}{s.took_s / 60:>9.1f}{end}")
    total = sum((s.wrong for s in sums.values()), Counter())
    lines.append(", ".join(f"{said}: {total[kind]}" for kind, said in KINDS.items()))
    return "\n".join(lines)


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="a sample of every part")
    parser.add_argument("--only", metavar="NAME", help=", ".join(part.name for part in PARTS))
    parser.add_argument("--seed", type=int, default=1, help="other draws of faults")
    parser.add_argument("--minutes", type=float, default=30, help="length of the soak")
    parser.add_argument("--json", metavar="FILE", type=Path, help="all that was wrong as JSON")
    return parser.parse_args()


def as_json(sums: dict[str, Sum]) -> str:
    return json.dumps(
        {
            name: {
                "faults": s.faults, "checked": s.checked, "took_s": round(s.took_s, 1),
                "skipped": s.skipped, "wrong": dict(s.wrong),
                "found": [
                    {"fault": f.fault, "wrong": [[w.kind, w.what] for w in f.wrong], "log": f.log}
                    for f in s.found
                ],
            }
            for name, s in sums.items()
        },
        indent=1,
    )  # fmt: skip


def main() -> int:
    asked = arguments()
    sums: dict[str, Sum] = {}
    for part in PARTS:
        if asked.only in (None, part.name):
            run = Run(asked.quick, random.Random(asked.seed), asked.minutes)
            try:
                sums[part.name] = measured(part, run)
            finally:
                shutil.rmtree(run.folder, ignore_errors=True)
    print("\n" + table(sums))
    if asked.json:
        asked.json.write_text(as_json(sums), "utf-8")
    return int(any(s.wrong for s in sums.values()))


if __name__ == "__main__":
    sys.exit(main())
