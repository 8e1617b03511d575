"""trim: cut a take's edges to the room tone its profile asks for.

Conventions: all times in rows of 1 ms. The first and the last speech come from
`fairtake.sound.speech`, and the take keeps its own room tone as far as it has any. Where it has
too little, the quietest stretches of its own pauses, a guard away from speech, are laid before or
behind, joined by the cross-fades of `fairtake.sound.edit`. The finished take fades in and out.

Source: what the edges should hold is the profile's; common practice, no source.
"""

from __future__ import annotations

import numpy as np
from pydantic import Field

from fairtake.sound.levels import JOIN_ROWS, ROWS_PER_S, SILENCE_DBFS, Levels, Piece, Rows
from fairtake.sound.runs import runs, widened
from fairtake.sound.speech import find_speech
from fairtake.sound.stage import Work
from fairtake.typed_file import Settings
from fairtake.units import FLOOR_DB, amplitude_db, power_db

#: Speech may begin softer and end softer than it can be told from the room.
GUARD_ROWS = 60
#: The head is longer by at most this for the sake of a soft noise before the first word.
LEADING_MOST_ROWS = 200
TONE_LEAST_ROWS, TONE_MOST_ROWS = 120, 700
TONE_CHOICES, TONE_LOUDEST_SHARE = 6, 0.98


class TrimSettings(Settings):
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
    speech = find_speech(levels)
    first = speech.first_row if speech.found else 0
    last = speech.last_row if speech.found else levels.rows
    head, tail = round(settings.head_s * ROWS_PER_S), round(settings.tail_s * ROWS_PER_S)
    # A soft noise close before the word may be its own first sound: the head fits either.
    leading = first - int(np.argmax(speech.rows)) if speech.found else 0
    head += min(leading, LEADING_MOST_ROWS)
    start, stop = max(first - head, 0), min(last + tail, levels.rows)
    missing_head, missing_tail = head - (first - start), tail - (stop - last)
    wanted = missing_head > 0 or missing_tail > 0
    away = widened(speech.rows, GUARD_ROWS, GUARD_ROWS)
    tones = quietest_tones(levels, away) if wanted else []
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
        },
    )


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
