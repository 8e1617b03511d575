"""The one shape of a stage.

A stage is a function ``stage(levels, settings) -> Work``: it takes the levels as the stages before
it left them, and gives back what it wants done and a note for the receipt. There is no base class
and no registry; the chain in a profile names the stages, `fairtake.sound.plan` knows them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from fairtake.sound.levels import Piece, Rows


@dataclass(frozen=True)
class Work:
    """What one stage wants done.

    ``pieces`` re-cuts the take (None: leave it). ``gain_db`` is a curve in dB, one value a row of
    the take *after* the cut (None: no change). ``note`` says in plain words and figures what the
    stage did, for the receipt.
    """

    pieces: tuple[Piece, ...] | None = None
    gain_db: Rows | None = None
    note: dict[str, Any] = field(default_factory=dict)
