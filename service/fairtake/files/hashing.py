"""SHA-256 of files."""

from __future__ import annotations

import hashlib
from pathlib import Path

from fairtake.plain_file import open_plain


def hash_of(path: Path) -> str:
    """SHA-256 of a plain file's bytes, in hexadecimal. Raises `NotAFile`."""
    with open_plain(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
