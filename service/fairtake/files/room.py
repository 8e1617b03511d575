"""Room for what a take needs, asked for before it is written: one large take must not fill the disk for all."""

from __future__ import annotations

import shutil
from pathlib import Path

from fairtake.errors import NoRoom

#: What needs less is written without being asked about, and has what is kept to itself.
SMALL_BYTES = 2**26
#: What large takes leave free: so much, or this share of a small disk.
KEPT_BYTES, KEPT_SHARE = 2**30, 0.05


def require_room(folder: Path, needs_bytes: int) -> None:
    """Raises `NoRoom` where *needs_bytes* more in *folder* would not leave enough for other takes."""
    if needs_bytes <= SMALL_BYTES:
        return
    disk = shutil.disk_usage(folder)
    kept = min(KEPT_BYTES, int(disk.total * KEPT_SHARE))
    if needs_bytes > disk.free - kept:
        raise NoRoom(
            f"It needs {needs_bytes / 1e6:,.0f} MB; {max(disk.free - kept, 0) / 1e6:,.0f} MB can be had."
        )
