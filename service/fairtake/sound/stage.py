"""The one shape of a stage.

A stage is a function ``stage(levels, settings) -> Work``: it takes the levels as the stages before
it left them, and gives back what it wants done and a note for the receipt. There is no base class
and no registry; the chain in a profile names the stages, `fairtake.sound.plan` knows them.

What a stage may want done, in the order in which render does it: samples replaced, the whole take
filtered, the take cut, a band turned down where it stands out, the gain changed, room tone laid in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from fairtake.sound.filters import Sections
from fairtake.sound.levels import Blemish, Levels, Piece, Rows


@dataclass(frozen=True)
class BandGain:
    """A gain on what lies below (``low``) or above (``high``) *corner_hz* only.

    ``gain_db`` holds 0 or less, one value a row of the take after the cut; mostly 0.
    """

    side: Literal["low", "high"]
    corner_hz: float
    gain_db: Rows


@dataclass(frozen=True)
class Work:
    """What one stage wants done.

    ``repairs`` are blemishes to be replaced by what they were rebuilt as. ``filters`` run over the
    whole take before it is cut. ``pieces`` re-cuts the take (None: leave it). ``bands`` and
    ``gain_db`` are curves in dB, one value a row of the take *after* the cut (None: no change).
    ``tone_db`` is the level of room tone to be added, dBFS RMS, one value a row after the cut; the
    gains of later stages move it too. ``levels`` are the levels after repairs and filters, which gains and cuts do not tell (None: as
    before). ``note`` says in plain words and figures what the stage did, for the receipt.
    """

    repairs: tuple[Blemish, ...] = ()
    filters: tuple[Sections, ...] = ()
    pieces: tuple[Piece, ...] | None = None
    bands: tuple[BandGain, ...] = ()
    gain_db: Rows | None = None
    tone_db: Rows | None = None
    levels: Levels | None = None
    note: dict[str, Any] = field(default_factory=dict)
