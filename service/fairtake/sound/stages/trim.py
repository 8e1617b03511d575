"""trim: cut a take's edges to the room tone its profile asks for.

Conventions: all times in rows of 1 ms. The edges are the first and the last that can be heard of what
the ear keeps, and the take keeps its own room tone as far as it has any. A breath or a noise before
the first word or behind the last goes, even within the room tone that is kept, where at least
`PARTED_ROWS` of room part it from the word; nearer it is a part of it. Where the take has too little
room tone, the quietest stretches of its own pauses, a guard away from speech, are laid before or
behind, joined by the cross-fades of `fairtake.sound.edit`. The finished take fades in and out.

Source: what the edges should hold is the profile's; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import Field

from fairtake.sound.false_start import PARTED_ROWS, false_start
from fairtake.sound.levels import (
    JOIN_ROWS,
    ROWS_PER_S,
    SILENCE_DBFS,
    Levels,
    Piece,
    Rows,
    Sound,
    Sounds,
)
from fairtake.sound.runs import runs, widened
from fairtake.sound.speech import first_row, heard_rows, last_row
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings
from fairtake.units import FLOOR_DB, amplitude_db, power_db

#: Speech may begin softer and end softer than it can be told from the room.
GUARD_ROWS = 60
#: Sounds nearer to each other than this are told as one.
TOGETHER_ROWS = 150
#: So many of the sounds that were cut at either end are told one by one, the nearest ones.
MOST_TOLD = 10
TONE_LEAST_ROWS, TONE_MOST_ROWS = 120, 700
TONE_CHOICES, TONE_LOUDEST_SHARE = 6, 0.98


class TrimSettings(Settings):
    false_start: bool = Field(
        False,
        description="Cut words at the beginning that are broken off and said again.",
    )
    head_s: float = Field(
        0.5, ge=0.1, le=10, description="Room tone kept before the first word, in seconds."
    )
    tail_s: float = Field(
        1.0, ge=0.1, le=10, description="Room tone kept after the last word, in seconds."
    )
    fade_in_ms: float = Field(
        30, ge=1, le=1000, description="Fade at the very start, in milliseconds."
    )
    fade_out_ms: float = Field(
        200, ge=1, le=5000, description="Fade at the very end, in milliseconds."
    )


def fade_curve_db(rows: int, fade_in: int, fade_out: int) -> Rows:
    """Raised-cosine fades at both ends of *rows*, in dB."""
    curve = np.zeros(rows)
    for length, end in (
        (min(fade_in, rows), slice(None)),
        (min(fade_out, rows), slice(None, None, -1)),
    ):
        shape = 0.5 - 0.5 * np.cos(np.pi * np.arange(length) / max(length, 1))
        curve[end][:length] += np.maximum(amplitude_db(shape), FLOOR_DB)
    return curve.astype(np.float32)


def trim(levels: Levels, settings: TrimSettings) -> Work:
    kept = heard_rows(levels)
    first, last = (first_row(kept), last_row(kept)) if kept.any() else (0, levels.rows)
    broken_off = false_start(levels)
    if broken_off and settings.false_start:
        first = broken_off[1]
    head, tail = round(settings.head_s * ROWS_PER_S), round(settings.tail_s * ROWS_PER_S)
    start, stop = max(first - head, 0), min(last + tail, levels.rows)
    strays = stray_sounds(levels)
    # What may have been a word never moves the cut.
    sure = [s for s in strays if s.sound != Sound.UNSURE]
    start = max([start, *(s.stop + GUARD_ROWS for s in sure if s.stop <= first - PARTED_ROWS)])
    if broken_off and settings.false_start:
        start = max(start, last_row(kept[:first]) + GUARD_ROWS)
    stop = min([stop, *(s.start - GUARD_ROWS for s in sure if s.start >= last + PARTED_ROWS)])
    missing_head, missing_tail = head - (first - start), tail - (stop - last)
    wanted = missing_head > 0 or missing_tail > 0
    tones = room_tones(levels) if wanted else []
    pieces = (
        *laid(tones, missing_head),
        Piece(start, stop),
        *laid(tones[::-1], missing_tail),
    )
    rows = sum(piece.rows for piece in pieces)
    # However long the fades are set, they end where speech begins and begin where it ends.
    fade_in, fade_out = (
        min(round(settings.fade_in_ms), head),
        min(round(settings.fade_out_ms), tail),
    )
    return Work(
        pieces=pieces,
        gain_db=fade_curve_db(rows, fade_in, fade_out),
        note={
            "first_speech_s": round(first / ROWS_PER_S, 3),
            "last_speech_s": round(last / ROWS_PER_S, 3),
            "cut_from_head_s": round(start / ROWS_PER_S, 3),
            "cut_from_tail_s": round((levels.rows - stop) / ROWS_PER_S, 3),
            "tone_added_head_s": round(max(missing_head, 0) / ROWS_PER_S, 3),
            "tone_added_tail_s": round(max(missing_tail, 0) / ROWS_PER_S, 3),
            "tone_found": bool(tones) or not wanted,
            "sounds_cut": told(strays, start, stop),
            "false_start_cut": bool(broken_off) and settings.false_start,
            "false_start_s": [row / ROWS_PER_S for row in broken_off] if broken_off else [],
        },
    )


@dataclass(frozen=True)
class Stray:
    """A breath, a noise or what nobody is sure of, rows *start* up to *stop*."""

    sound: Sound
    start: int
    stop: int


def stray_sounds(levels: Levels) -> list[Stray]:
    """All sounds of a take that are neither kept nor room, those close to each other as one."""
    heard = levels.is_sound(Sound.BREATH, Sound.NOISE, Sound.UNSURE)
    starts, stops = runs(heard)
    if not len(starts):
        return []
    apart = (starts[1:] - stops[:-1] >= TOGETHER_ROWS) | levels.kept[starts[1:] - 1]
    starts, stops = starts[np.append(True, apart)], stops[np.append(apart, True)]
    return [
        Stray(_mostly(levels.heard_sound[a:b]), int(a), int(b))
        for a, b in zip(starts, stops, strict=True)
    ]


def _mostly(sounds: Sounds) -> Sound:
    """What most of *sounds* are, the room between them apart; unsure where any of them may be a word."""
    if (sounds == Sound.UNSURE).any():
        return Sound.UNSURE
    return Sound(int(np.bincount(sounds[sounds != Sound.ROOM]).argmax()))


def told(strays: list[Stray], start: int, stop: int) -> list[dict[str, Any]]:
    """The sounds that lay before *start* and behind *stop*, for the receipt; times of the take."""
    cut = [[s for s in strays if s.start < start], [s for s in strays if s.stop > stop]]
    return [
        {"sound": s.sound.name.lower(), "from_s": s.start / ROWS_PER_S, "to_s": s.stop / ROWS_PER_S}
        for s in (*cut[0][-MOST_TOLD:], *cut[1][:MOST_TOLD])
    ]


def room_tones(levels: Levels) -> list[Piece]:
    """The quietest stretches in which nothing but the room is heard, or at least no word."""
    for other in (levels.heard_sound != Sound.ROOM, levels.kept):
        tones = quietest_tones(levels, widened(other, GUARD_ROWS, GUARD_ROWS))
        if tones:
            return tones
    return []


def quietest_tones(levels: Levels, spoken: np.ndarray) -> list[Piece]:
    """The quietest steady stretches of pauses, at most `TONE_CHOICES` of them, quietest first."""
    power = levels.power
    starts, stops = runs(~spoken & (levels.peak_dbfs > SILENCE_DBFS))
    candidates: list[tuple[float, Piece]] = []
    for start, stop in zip(starts, stops, strict=True):
        length = min(stop - start - JOIN_ROWS, TONE_MOST_ROWS)
        if length < TONE_LEAST_ROWS:
            continue
        for begin in range(start, stop - JOIN_ROWS - length + 1, length):
            # Its loudest rows rule: one click makes a stretch unfit to be repeated.
            rank = round(TONE_LOUDEST_SHARE * (length - 1))
            level = float(power_db(np.partition(power[begin : begin + length], rank)[rank]))
            candidates.append((level, Piece(int(begin), int(begin + length), tone=True)))
    candidates.sort(key=lambda found: found[0])
    quiet = [piece for level, piece in candidates if level < candidates[0][0] + 4]
    return quiet[:TONE_CHOICES]


def laid(tones: list[Piece], rows: int) -> list[Piece]:
    """Room tone of *rows*, from *tones* in turn; silence when the take has no pause at all."""
    if rows <= 0:
        return []
    if not tones:
        return [Piece(None, rows, tone=True)]
    pieces: list[Piece] = []
    while rows > 0:
        tone = tones[len(pieces) % len(tones)]
        length = min(tone.rows, rows)
        if 0 < rows - length < 2 * JOIN_ROWS:
            length = rows - 2 * JOIN_ROWS  # no scrap too short to fade in and out
        pieces.append(Piece(tone.start, (tone.start or 0) + length, tone=True))
        rows -= length
    return pieces
