"""Show what became of the takes of a ROOT: one table of what came out, one of what did not."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text


def finished(root: Path) -> Table:
    """A row for each receipt."""
    table = Table(title="Finished", title_justify="left")
    for heading in (
        "take",
        "level before",
        "after",
        "true peak",
        "noise floor",
        "length",
        "checks",
    ):
        table.add_column(heading, justify="left" if heading in ("take", "checks") else "right")
    for path in sorted((root / "outbox").rglob("*.receipt.json")):
        receipt = json.loads(path.read_text("utf-8"))
        by_rms = receipt["profile"]["settings"]["normalise"]["by"] == "rms"
        key, unit = ("rms_dbfs", "dBFS RMS") if by_rms else ("loudness_lufs", "LUFS")
        before, after = receipt["before"], receipt["after"]["wav"]
        missed = [f"{c['check']} of the {c['file']}" for c in receipt["checks"] if not c["ok"]]
        table.add_row(
            Text(receipt["take"]["name"]),
            f"{before[key]:.1f} {unit}",
            f"{after[key]:.1f}",
            f"{after['true_peak_dbtp']:.1f} dBTP",
            # Between the words of a mix there is no room but music.
            f"{after['noise_floor_dbfs']:.1f} dBFS"
            if after["noise_floor_dbfs"] and "mix" not in receipt
            else "-",
            f"{after['duration_s']:.1f} s",
            "all pass" if not missed else "fail: " + ", ".join(missed),
        )
    return table


def quarantined(root: Path) -> Table:
    """A row for each reason."""
    table = Table(title="In quarantine", title_justify="left")
    for heading in ("take", "code", "what happened", "what to do"):
        table.add_column(heading)
    for path in sorted((root / "quarantine").rglob("*.reason.json")):
        reason = json.loads(path.read_text("utf-8"))
        name = reason["take"]["name"]
        table.add_row(Text(name), reason["code"], Text(reason["message"]), Text(reason["advice"]))
    return table


if __name__ == "__main__":
    root = Path(sys.argv[1])
    # Without a terminal to tell its width, leave room for whole rows.
    console = Console() if sys.stdout.isatty() else Console(width=140)
    console.print(finished(root))
    console.print(quarantined(root))
    index = root / "outbox" / "index.html"
    console.print(f"To look and listen, open {index} in a browser.", soft_wrap=True, markup=False)
    console.print(f"Everything is below {root}", soft_wrap=True, markup=False)
