"""The hearing bench: voices that nobody prepared for, through the real chain, against the truth.

    python tests/quality/hearing.py [--set open|kept|all] [--seed N] [--quick] [--voice NAME]

Beside `bench.py`, which asks what becomes of faults and levels, this asks what the chain takes for
a voice. No test: nothing is timed or asserted. README.md beside this file says what is measured.

The kept set is for a release's figures: of it only totals are shown, unless `--details` asks.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from bench import PROFILES, Work, measured_rows, worked
from heard import ROLES, Set, recipes_of
from hearing_measures import LOWERED_DB, measured
from verdicts import (
    HEARING_COLUMNS,
    HEARING_DEMANDS,
    Row,
    aligned,
    misses,
    table,
    totals,
    totals_table,
)

LEVELS_DB = ((10, 16), (16, 22), (22, 28), (28, 34), (34, 41))


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--set", choices=(*ROLES, "all"), default="open", help="whose voices")
    parser.add_argument("--seed", type=int, default=1, help="other phrases, breaths and places")
    parser.add_argument("--quick", action="store_true", help="fewer takes")
    parser.add_argument("--only", metavar="NAME", help="takes whose name holds NAME")
    parser.add_argument("--voice", metavar="NAME", help="takes of one voice")
    parser.add_argument("--profile", choices=PROFILES, default=PROFILES[0])
    parser.add_argument("--json", metavar="FILE", type=Path, help="all measures as JSON")
    parser.add_argument("--where", action="store_true", help="say where each fault lies")
    parser.add_argument("--details", action="store_true", help="show the takes of the kept set too")
    parser.add_argument("--jobs", type=int, default=min(os.cpu_count() or 1, 4))
    parser.add_argument("--keep", metavar="DIR", type=Path, help="keep takes and results as WAV")
    return parser.parse_args()


def work_of(options: argparse.Namespace, which: Set) -> list[Work]:
    """The takes of a set that the options ask for."""
    recipes = recipes_of(which, options.quick)
    return [
        Work(r, options.seed, (options.profile,), measured, options.keep)
        for r in recipes
        if (not options.only or options.only in r.name)
        and (not options.voice or options.voice == r.voice)
    ]


# --- tables ---------------------------------------------------------------------------------------


def worst_first(rows: Sequence[Row]) -> list[Row]:
    """The takes that miss most at the top; among equals, what lost more speech."""
    return sorted(
        rows, key=lambda r: (-misses([r], HEARING_DEMANDS), -r["loud_lost"], -r["audible_lost"])
    )


def voices_table(rows: Sequence[Row]) -> str:
    """One line a voice, worst first: what of it was lost, and what of its breaths was found."""
    grid = [
        ["voice", "takes", "missed", "loud%", "all%", "whsp%", "dull", "clear", "touch", "pause"]
    ]
    voices = {r["voice"] for r in rows}
    by_voice = [[r for r in rows if r["voice"] == v] for v in sorted(voices)]
    by_voice.sort(key=lambda mine: (-misses(mine, HEARING_DEMANDS), -_sum(mine, "audible_lost")))
    for mine in by_voice:
        cells = [mine[0]["voice"], str(len(mine)), str(misses(mine, HEARING_DEMANDS))]
        for part in ("loud", "audible", "whisper"):
            cells.append(_percent(_sum(mine, f"{part}_lost"), _sum(mine, f"{part}_frames")))
        cells.append(_of(_sum(mine, "edges_dulled"), _sum(mine, "edges")))
        for part in ("clear", "touching"):
            cells.append(_of(_sum(mine, f"{part}_lowered"), _sum(mine, f"{part}_breaths")))
        pauses = [r["pause_db"] for r in mine if r["pause_db"] is not None]
        cells.append(f"{min(pauses):.1f}" if pauses else "-")
        grid.append(cells)
    return aligned(grid)


def breaths_table(rows: Sequence[Row]) -> str:
    """Breaths lowered of those laid, by kind and by level, clear and touching."""
    breaths = [b for r in rows for b in r["breath_rows"]]
    groups: list[tuple[str, Callable[[Row], bool]]] = []
    for kind in sorted({b["kind"] for b in breaths}):
        groups.append((kind, lambda b, kind=kind: b["kind"] == kind))
    for low, high in LEVELS_DB:
        name = f"{low} to {high} dB under speech"
        groups.append((name, lambda b, low=low, high=high: low <= b["under_db"] < high))
    for low, high in ((0.0, 0.25), (0.25, 0.5), (0.5, 2.0)):
        name = f"{low:g} to {high:g} s long"
        groups.append((name, lambda b, low=low, high=high: low <= b["seconds"] < high))
    grid = [["breaths lowered", "clear", "touching"]]
    for name, belongs in groups:
        mine = [b for b in breaths if belongs(b)]
        cells = []
        for touches in (False, True):
            some = [b["lowered_db"] >= LOWERED_DB for b in mine if b["touches"] is touches]
            cells.append(_of(sum(some), len(some)))
        grid.append([name, *cells])
    return aligned(grid)


def others_table(rows: Sequence[Row]) -> str:
    """Smacks and gulps, noises at the ends, and speech lost by manner."""
    grid = [["", "", ""]]
    for kind in sorted({m["kind"] for r in rows for m in r["mouth_rows"]}):
        some = [
            m["lowered_db"] >= LOWERED_DB
            for r in rows
            for m in r["mouth_rows"]
            if m["kind"] == kind
        ]
        grid.append([kind, "lowered", _of(sum(some), len(some))])
    for kind in sorted({e["kind"] for r in rows for e in r["end_rows"]}):
        for name, near in (("near speech", True), ("parted", False)):
            some = [
                e["gone"]
                for r in rows
                for e in r["end_rows"]
                if e["kind"] == kind and (e["gap_s"] < 0.6) is near
            ]
            if some:
                grid.append([f"{kind}, {name}", "gone", _of(sum(some), len(some))])
    manners: dict[str, list[int]] = {}
    for row in rows:
        for manner, counts in row["lost_by_manner"].items():
            sums = manners.setdefault(manner, [0, 0])
            manners[manner] = [a + b for a, b in zip(sums, counts, strict=True)]
    for manner, (lost, total) in sorted(manners.items()):
        grid.append([manner, "lost", _percent(lost, total) + " %"])
    return aligned(grid[1:])


def _sum(rows: Sequence[Row], key: str) -> int:
    return int(sum(r[key] for r in rows))


def _of(part: int, whole: int) -> str:
    return f"{part}/{whole}"


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.3f}" if whole else "-"


# --- the command ----------------------------------------------------------------------------------


def report(which: Set, rows: list[Row], options: argparse.Namespace) -> None:
    """Print a set's figures; the kept set's takes only where they are asked for."""
    good = measured_rows(rows)
    if not good:
        return
    if which == "open" or options.details:
        print(table(worst_first(good), HEARING_COLUMNS, HEARING_DEMANDS), end="\n\n")
        if options.where:
            for row in worst_first(good):
                print(f"{row['take']} ({row['voice']})", *row["where"], sep="\n    ")
            print()
        for part in (voices_table, breaths_table, others_table):
            print(part(good), end="\n\n")
    print(totals_table(good, HEARING_DEMANDS))


def main() -> int:
    options = arguments()
    sets: list[Set] = list(ROLES) if options.set == "all" else [options.set]
    told: dict[str, Any] = {"seed": options.seed, "profile": options.profile}
    failed = False
    for which in sets:
        begun = time.monotonic()
        rows = worked(work_of(options, which), options.jobs)
        print(f"set {which}: {len(rows)} takes, {time.monotonic() - begun:.0f} s\n")
        report(which, rows, options)
        print()
        good = [r for r in rows if "skipped" not in r and "failed" not in r]
        shown = rows if which == "open" or options.details else []
        told[which] = {"takes": shown, "totals": totals(good, HEARING_DEMANDS) if good else []}
        failed |= not good or any("failed" in row for row in rows)
    if options.json:
        text = json.dumps(told, indent=1, ensure_ascii=False, default=float)
        options.json.write_text(text + "\n", "utf-8")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
