"""SHA-256 of files."""

from __future__ import annotations

import hashlib
from pathlib import Path


def hash_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
