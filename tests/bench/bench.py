"""What finishing costs against what cannot be avoided: ratios, measured side by side in one run.

    python tests/bench/bench.py [--quick] [--only NAME] [--minutes N] [--json FILE]

Each part prints its table as it ends; see README.md. Nothing is asserted.
"""

from __future__ import annotations

import argparse
import compileall
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1] / "service"), str(HERE.parents[1] / "samples")]  # fmt: skip
os.environ["PYTHONPATH"] = str(HERE.parents[1] / "service")


def make_ready() -> None:
    """The checkout as an installed program is: compiled, and its loops in C built, where they can be."""
    compileall.compile_dir(HERE.parents[1] / "service", quiet=1)
    built = subprocess.run(
        [sys.executable, HERE.parents[1] / "hatch_build.py"], capture_output=True
    )
    if built.returncode:
        print("The loops in C could not be built: what follows is measured without them.")


make_ready()  # before any of it is loaded

import crowds  # noqa: E402
import dasks  # noqa: E402
import loops  # noqa: E402

import takes  # noqa: E402

Part = Callable[[Path, argparse.Namespace], list[dict[str, Any]]]
PARTS: dict[str, Part] = {
    "ratio": takes.ratio,
    "length": takes.length,
    "loops": loops.factors,
    "toolkit": takes.toolkit,
    "start": takes.start,
    "workers": crowds.workers,
    "cluster": dasks.cluster,
    "crowd": crowds.crowd,
    "idle": crowds.idle,
    "scan": crowds.scan,
}


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="short takes and small crowds")
    parser.add_argument("--only", choices=PARTS, action="append", help="this part alone")
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the take for ratio")
    parser.add_argument("--json", type=Path, help="write what was measured here as well")
    return parser.parse_args()


def printed(name: str, rows: list[dict[str, Any]]) -> None:
    """A table of *rows*, which all have the same columns."""
    print(f"\n{name}")
    shown = [[key.replace("_", " ") for key in rows[0]]]
    shown += [
        [f"{v:.3g}" if isinstance(v, float) else str(v) for v in row.values()] for row in rows
    ]
    widths = [max(len(line[n]) for line in shown) for n in range(len(shown[0]))]
    for line in shown:
        print(
            "  ".join(text.rjust(width) for text, width in zip(line, widths, strict=True)),
            flush=True,
        )


def main() -> None:
    options = arguments()
    found: dict[str, list[dict[str, Any]]] = {}
    with tempfile.TemporaryDirectory(prefix="fairtake-bench-") as folder:
        for name in options.only or PARTS:
            place = Path(folder) / name
            place.mkdir()
            found[name] = PARTS[name](place, options)
            printed(name, found[name])
            if options.json:
                options.json.write_text(json.dumps(found, indent=2) + "\n")


if __name__ == "__main__":
    main()
