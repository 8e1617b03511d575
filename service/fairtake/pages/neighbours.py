"""Where the files beside a take's page lie, relative to it."""

from __future__ import annotations

import os
from pathlib import Path

from fairtake.pages.sheet import Links
from fairtake.receipt import RECEIPT_SUFFIX, Receipt

INDEX = "index.html"


def links_of(folder: Path, known: Receipt, original: Path | None, has_title: bool) -> Links:
    """The neighbours of a take's page in *folder*."""
    stem = known.outputs.wav.file.removesuffix(".wav")
    there = original is not None and original.exists()
    return Links(
        wav=known.outputs.wav.file,
        mp3=known.outputs.mp3.file,
        receipt=f"{stem}{RECEIPT_SUFFIX}",
        original=way(folder, original) if original is not None and there else None,
        title=INDEX if has_title else None,
    )


def way(folder: Path, to: Path) -> str:
    """The relative way from a folder to a file; '' where there is none, as between two drives."""
    try:
        return os.path.relpath(to, folder).replace(os.sep, "/")
    except ValueError:
        return ""
