"""Whether the drives are there on which the folders of a ROOT lie.

When a drive goes, an empty folder of the same name stays in its place: whatever looks at it sees
that all takes are gone, and whatever writes to it writes to the wrong disk. So each drive bears a
marker, a small file with an identity, which is also remembered beside the claims, and in the state
folder for the case that the ROOT's own drive goes. A folder on the ROOT's own drive needs no marker of
its own: it is known by the drive's number. It may be deleted and made again, unless the settings put it
there: what was set and existed once is never made again. A drive may come back under another number.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fairtake.errors import FolderGone
from fairtake.folders.durable import write_durably
from fairtake.folders.places import Root
from fairtake.plain_file import read_object

MARKER = ".fairtake-drive"
MEMORY = "drives.json"
#: What the memory says of a folder that lies on the ROOT's own drive.
_ON_ROOT = ""


class Drives:
    """The drives of a ROOT, and what is remembered of them."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._known = _remembered(root)

    def remember(self) -> None:
        """Mark the drives that bear no marker yet, and remember which folder is on which.

        Raises `FolderGone` when one that is remembered is not there; nothing is written then.
        """
        self.require()
        now: dict[str, Any] = {name: self._identity(folder) for name, folder in self._folders()}
        now["places"] = {name: str(folder) for name, folder in self._folders()}
        for memory in _memories(self._root):
            if now != self._known or not memory.exists():
                write_durably(memory, json.dumps(now))
        self._known = now

    def require(self) -> None:
        """Raises `FolderGone` when a drive that is remembered, or a place that was set, is not there."""
        for name, folder in self._folders():
            if self._known.get(name) and not self._bears(folder, self._known[name]):
                memories = " and ".join(str(m) for m in _memories(self._root) if m.exists())
                raise FolderGone(
                    f"The drive of {folder} is not there. If it was replaced for good, "
                    f"remove {memories} and start again."
                )
            if self._existed(name, folder) and not folder.is_dir():
                raise FolderGone(
                    f"{folder} is not there, and was before. If its drive is there and it may be empty, "
                    "make that folder."
                )

    def _existed(self, name: str, folder: Path) -> bool:
        """Whether the settings say that a folder lies there, and it did."""
        places = self._known.get("places")
        was = places.get(name) if isinstance(places, dict) else None
        return was == str(folder) and bool(getattr(self._root.settings, name, ""))

    def _folders(self) -> Iterator[tuple[str, Path]]:
        yield "root", self._root.path
        for name in ("inbox", "outbox", "originals", "quarantine", "state"):
            yield name, getattr(self._root, name)

    def _bears(self, folder: Path, identity: str) -> bool:
        try:
            return self._marker(folder).read_text("utf-8") == identity
        except (FileNotFoundError, NotADirectoryError):
            return False

    def _identity(self, folder: Path) -> str:
        """What is remembered of a folder; marks its drive when it is another than the ROOT's."""
        root = self._root.path
        if folder != root and os.stat(folder).st_dev == os.stat(root).st_dev:
            return _ON_ROOT
        marker = self._marker(folder)
        try:
            return marker.read_text("utf-8")
        except FileNotFoundError:
            identity = secrets.token_hex(16)
            write_durably(marker, identity)
            return identity

    def _marker(self, folder: Path) -> Path:
        # Beside the claims, which are on the ROOT's drive in any case and not for people.
        return (self._root.claims.parent if folder == self._root.path else folder) / MARKER


def _remembered(root: Root) -> dict[str, Any]:
    return next(filter(None, map(read_object, _memories(root))), {})


def _memories(root: Root) -> tuple[Path, ...]:
    """Where it is remembered: with the claims, and with the state where that lies elsewhere."""
    return tuple(dict.fromkeys((root.claims.parent / MEMORY, root.state / MEMORY)))
