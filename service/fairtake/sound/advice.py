"""Sentences about the recording itself, for whoever makes the next one.

The figures a voice should be recorded at are common practice, no source: about -18 dBFS on
average, peaks under -4 dBFS.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fairtake.receipt import Measures
from fairtake.sound.sides import Sides
from fairtake.units import clock

AVERAGE_DBFS, PEAK_DBFS = -18.0, -4.0
CLIPPED_DBFS = -0.05
LOUD_ROOM_DBFS = -50.0
#: A room nearer to the voice than this is heard, however low both are recorded.
NEAR_ROOM_DB = 25.0
#: One plosive that hits the microphone happens to everybody.
MANY_THUMPS = 3
#: What is lowered slowly by more than this takes its surroundings with it for anybody to hear.
MUCH_SLOW_DB = 6.0
#: Less music than this may be a sung note.
MUCH_MUSIC_S = 3.0

Notes = Mapping[str, Mapping[str, Any]]


def advice(
    before: Measures, sides: Sides | None, mono: bool, notes: Notes | None = None
) -> list[str]:
    """What could be better about the recording; empty when nothing stands out.

    *notes* are what the stages did, for what only they find.
    """
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
    said += _room_advice(before.noise_floor_dbfs, speech)
    said += _rumble_advice((notes or {}).get("rumble", {}))
    said += _trim_advice((notes or {}).get("trim", {}))
    said += _level_advice(notes or {})
    said += _music_advice((notes or {}).get("gate", {}))
    return said + _side_advice(sides, mono)


def _room_advice(floor_dbfs: float | None, speech_dbfs: float | None) -> list[str]:
    if floor_dbfs is None:
        return []
    if speech_dbfs is not None and speech_dbfs - floor_dbfs < NEAR_ROOM_DB:
        under = f"{floor_dbfs:.1f} dBFS, only {speech_dbfs - floor_dbfs:.0f} dB under the voice"
        return [f"The room is loud: {under}. Go nearer to the microphone or find a quieter room."]
    if floor_dbfs > LOUD_ROOM_DBFS:
        return [f"The room is loud: {floor_dbfs:.1f} dBFS between phrases."]
    return []


def _rumble_advice(did: Mapping[str, Any]) -> list[str]:
    """Hum and plosives, from the note of the stage that finds them."""
    said = []
    if "hum_hz" in did:
        said.append(
            f"Mains hum at {did['hum_hz']:.0f} Hz, {did['hum_dbfs']:.0f} dBFS: "
            "look at cables and power supplies."
        )
    if did.get("thumps", 0) >= MANY_THUMPS:
        said.append(
            f"{did['thumps']} plosives thump into the microphone: "
            "use a pop screen, or speak past it."
        )
    return said


def _trim_advice(did: Mapping[str, Any]) -> list[str]:
    """Words at the beginning that are said again, from the note of the stage that may cut them."""
    span = did.get("false_start_s") or []
    if not span or did.get("false_start_cut"):
        return []
    return [
        f"The take seems to begin with a false start: words at {clock(span[0])} are said again at "
        f"{clock(span[1])}. Cut them, or set false_start = true in the profile's [trim]."
    ]


def _level_advice(notes: Notes) -> list[str]:
    """What it took to reach the level, where somebody may hear it."""
    said, limited, phase = [], notes.get("limit", {}), notes.get("phase", {})
    slow_db = limited.get("greatest_slow_db", 0.0)
    if slow_db > MUCH_SLOW_DB:
        said.append(
            f"The loudest place, at {clock(limited['greatest_at_s'])} of the finished take, was brought down "
            f"by {limited['greatest_db']:.0f} dB, {slow_db:.0f} of them over a third of a second: what is near "
            "it went down with it. Speak such places farther from the microphone, or ask for a lower target."
        )
    if phase.get("all_passes"):
        said.append(
            f"To reach its level the voice was spread in time a little ({phase['all_passes']} all-passes: its "
            "lows come some milliseconds later). A lower target does without."
        )
    return said


def _music_advice(did: Mapping[str, Any]) -> list[str]:
    """Music under or between the words, from the note of the stage that leaves it alone."""
    music_s = did.get("music_s", 0.0)
    if music_s < MUCH_MUSIC_S:
        return []
    return [
        f"Music is heard for {music_s:.0f} s without a voice over it; pauses full of music are left as "
        "they are. A voice by itself can be finished better: lay the music under it afterwards."
    ]


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
