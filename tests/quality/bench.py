"""The quality bench: takes with a known truth through the real chain, measured against it.

    python tests/quality/bench.py [--quick] [--seed N] [--only NAME] [--json FILE] [--where]

Not a test: nothing here is timed or asserted, and pytest does not collect it. README.md beside this
file says what is measured and where the speech comes from.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import multiprocessing
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from chain import Finished, finished
from fairtake.errors import FairtakeError
from measuring import measured
from sources import SpeechMissing
from takes import RECIPES, Recipe, Take, make_take
from verdicts import table, totals, totals_table

PROFILES = ("audiobook", "speech")


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="fewer takes, one profile")
    parser.add_argument("--seed", type=int, default=1, help="other phrases, rooms and places")
    parser.add_argument("--only", metavar="NAME", help="takes whose name holds NAME")
    parser.add_argument("--profile", choices=PROFILES, help="one profile")
    parser.add_argument("--json", metavar="FILE", type=Path, help="all measures as JSON")
    parser.add_argument("--where", action="store_true", help="say where each fault lies")
    parser.add_argument("--jobs", type=int, default=min(os.cpu_count() or 1, 4))
    parser.add_argument("--keep", metavar="DIR", type=Path, help="keep takes and results as WAV")
    return parser.parse_args()


def chosen(options: argparse.Namespace) -> list[Recipe]:
    """The recipes that the options ask for."""
    some = [r for r in RECIPES if r.quick or not options.quick or options.only]
    return [r for r in some if not options.only or options.only in r.name]


@dataclass(frozen=True)
class Work:
    """One take to make, finish and measure."""

    recipe: Recipe
    seed: int
    profiles: tuple[str, ...]
    measure: Callable[[Take, Finished], dict[str, Any]] = measured
    keep: Path | None = None


def results_of(work: Work) -> list[dict[str, Any]]:
    """All rows of one take; one row that says why where there is nothing to measure."""
    recipe = work.recipe
    try:
        take = make_take(recipe, work.seed)
    except SpeechMissing as e:
        return [{"take": recipe.name, "skipped": str(e)}]
    rows = []
    for profile in work.profiles:
        try:
            done = finished(take, profile)
            rows.append(work.measure(take, done))
            if work.keep is not None:
                _keep(work.keep, f"{recipe.name}.{profile}", take, done)
        except FairtakeError as e:
            rows.append({"take": recipe.name, "profile": profile, "failed": str(e)})
        except Exception:
            told = traceback.format_exc(limit=-3)
            rows.append({"take": recipe.name, "profile": profile, "failed": told})
    return rows


def _keep(folder: Path, stem: str, take: Any, done: Any) -> None:
    import soundfile

    folder.mkdir(parents=True, exist_ok=True)
    soundfile.write(folder / f"{stem}.take.wav", take.samples, 44_100, "PCM_24")
    soundfile.write(folder / f"{stem}.finished.wav", done.samples, done.rate_hz, "PCM_24")


def all_results(options: argparse.Namespace) -> list[dict[str, Any]]:
    """The rows of every take, in the order of the recipes."""
    profiles = (options.profile,) if options.profile else PROFILES[: 1 if options.quick else 2]
    recipes = chosen(options)
    return worked(
        [Work(r, options.seed, profiles, keep=options.keep) for r in recipes], options.jobs
    )


def worked(work: list[Work], jobs: int) -> list[dict[str, Any]]:
    """The rows of all this work, in its order."""
    if jobs == 1:
        return [row for w in work for row in results_of(w)]
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        return [row for rows in pool.imap(results_of, work) for row in rows]


def measured_rows(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The rows that hold measures; what was skipped or failed is said."""
    for row in rows:
        if "skipped" in row:
            print(f"{row['take']}: skipped, because {row['skipped']}")
        if "failed" in row:
            print(f"{row['take']}/{row['profile']}: FAILED: {row['failed']}")
    good = [r for r in rows if "skipped" not in r and "failed" not in r]
    if not good:
        print("Nothing was measured.")
    return good


def report(rows: list[dict[str, Any]], where: bool) -> None:
    """Print it all."""
    good = measured_rows(rows)
    if not good:
        return
    print(table(good), end="\n\n")
    if where:
        for row in good:
            print(f"{row['take']}/{row['profile']}", *row["where"], sep="\n    ")
        print()
    print(totals_table(good))


def main() -> int:
    options = arguments()
    rows = all_results(options)
    report(rows, options.where)
    if options.json:
        good = [r for r in rows if "skipped" not in r and "failed" not in r]
        told = {"seed": options.seed, "takes": rows, "totals": totals(good) if good else []}
        options.json.write_text(json.dumps(told, indent=1, ensure_ascii=False) + "\n", "utf-8")
    return int(any("failed" in row for row in rows) or not rows)


if __name__ == "__main__":
    sys.exit(main())
