"""Whose a state folder is: heartbeat, ledger and scratch in it are those of one ROOT.

The folder bears the path of its ROOT. That one may be moved, or copied with all that is in it; another
has the folder only while it is a ROOT and its own settings name the same folder.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

from fairtake.errors import FairtakeError, StateTaken
from fairtake.folders.durable import write_durably
from fairtake.folders.places import Root, open_root
from fairtake.plain_file import read_object

OWNER = "root.json"


def other_owner(root: Root) -> Path | None:
    """The ROOT that has its state where *root* would have it, or None. Raises ``OSError``."""
    said = read_object(root.state / OWNER).get("root")
    try:
        if not isinstance(said, str) or os.path.samefile(said, root.path):
            return None
        its_state = open_root(Path(said)).state
        return Path(said) if os.path.samefile(its_state, root.state) else None
    except (FairtakeError, FileNotFoundError, NotADirectoryError, ValueError):
        return None  # moved away, or no ROOT any more


def require_own_state(root: Root) -> None:
    """Raises `StateTaken`, and ``OSError``."""
    if other := other_owner(root):
        raise StateTaken(f"{root.state} is that of {other}.")


def own_state(root: Root) -> None:
    """Have *root* own its state folder. Raises `StateTaken`, and ``OSError``."""
    require_own_state(root)
    if read_object(root.state / OWNER) != (mine := {"root": str(root.path)}):
        write_durably(root.state / OWNER, json.dumps(mine))
