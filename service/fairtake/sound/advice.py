"""Sentences about the recording itself, for whoever makes the next one.

The figures a voice should be recorded at are common practice, no source: about -18 dBFS on
average, peaks under -4 dBFS.
"""

from __future__ import annotations

from fairtake.receipt import Measures
from fairtake.sound.sides import Sides

AVERAGE_DBFS, PEAK_DBFS = -18.0, -4.0
CLIPPED_DBFS = -0.05
LOUD_ROOM_DBFS = -50.0


def advice(before: Measures, sides: Sides | None, mono: bool) -> list[str]:
    """What could be better about the recording; empty when nothing stands out."""
    said: list[str] = []
    peak, speech = before.sample_peak_dbfs, before.speech_level_dbfs
    if peak is not None and peak >= CLIPPED_DBFS:
        said.append("The recording touches full scale and may be clipped: record lower.")
    elif peak is not None and peak > PEAK_DBFS:
        said.append(
            f"The recording is hot: its peaks reach {peak:.1f} dBFS; stay under {PEAK_DBFS:g}."
        )
    if speech is not None and speech < AVERAGE_DBFS - 12:
        said.append(
            f"The recording is quiet: speech averages {speech:.1f} dBFS; "
            f"about {AVERAGE_DBFS:g} leaves the room's noise further behind."
        )
    floor = before.noise_floor_dbfs
    if floor is not None and floor > LOUD_ROOM_DBFS:
        said.append(f"The room is loud: {floor:.1f} dBFS between phrases.")
    return said + _side_advice(sides, mono)


def _side_advice(sides: Sides | None, mono: bool) -> list[str]:
    if sides is None:
        return []
    if sides.dead:
        live = "left" if sides.dead == "right" else "right"
        done = f"The {live} side alone was used." if mono else "It was left as it is."
        return [f"The {sides.dead} side of the stereo take is dead. {done}"]
    if sides.reversed:
        done = (
            "It was turned round before the sides were added." if mono else "It was left as it is."
        )
        return [f"One side of the stereo take is out of polarity: look at the cables. {done}"]
    return []
