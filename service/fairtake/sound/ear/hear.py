"""hear: what a take consists of, told from its band powers and its slow column."""

from __future__ import annotations

import numpy as np

from fairtake.sound.ear.bands import Table
from fairtake.sound.ear.decode import decoded
from fairtake.sound.ear.features import FRAME_ROWS, PERIODIC, features, level_db, surroundings
from fairtake.sound.ear.net import KINDS, Net, learned
from fairtake.sound.levels import Rows, Sound, Sounds
from fairtake.sound.voicing import periodicity
from fairtake.units import power_gain

#: A take whose loud parts lie under this is heard as if they did not: the softest bands would be lost.
LOUD_PERCENT, LOWEST_DBFS = 93, -35.0
#: Frames that are listened to at a time: the features of a long take would not fit into memory.
_AT_ONCE = 3000


def hear(powers: Table, low: Rows, rows: int, net: Net | None = None) -> Sounds:
    """What each of the *rows* of a take is, a `Sound` each, from the powers of its frames in bands and
    its ``low`` column; all room where it is too short to be heard."""
    if not len(powers):
        return np.full(rows, Sound.ROOM, np.uint8)
    net = net or learned()
    powers = lifted(powers)
    periodic = periodicity(low, len(powers), FRAME_ROWS)
    around = surroundings(powers, periodic)
    likely = np.empty((len(powers), KINDS), np.float32)
    told = np.empty((len(powers), -PERIODIC), np.float32)
    for begin in range(0, len(powers), _AT_ONCE):
        end = min(begin + _AT_ONCE, len(powers))
        wide = slice(max(begin - net.reach, 0), min(end + net.reach, len(powers)))
        some = features(powers, periodic, around, wide)
        # Beyond its ends a take goes on as it came: the net hears nothing there that it would not know.
        some = mirrored(some, net.reach - (begin - wide.start), net.reach - (wide.stop - end))
        here = slice(net.reach, net.reach + end - begin)
        likely[begin:end] = net.likelihoods(some)[here]
        told[begin:end] = some[here, PERIODIC:]
    frames = np.repeat(decoded(likely, told), FRAME_ROWS)[:rows]
    return np.pad(frames, (0, rows - len(frames)), mode="edge")


def lifted(powers: Table) -> Table:
    """The powers of a take recorded very low, as they were at a level that the net knows."""
    loud_db = float(np.percentile(level_db(powers), LOUD_PERCENT))
    return powers * np.float32(power_gain(max(LOWEST_DBFS - loud_db, 0.0)))


def mirrored(told: Table, before: int, behind: int) -> Table:
    """Features with so many frames more at either end, turned round there."""
    if not before and not behind:
        return told
    return np.pad(told, ((before, behind), (0, 0)), mode="symmetric")
