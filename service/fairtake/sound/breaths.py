"""Which stretches of sound between phrases are breaths.

A breath is noise, not voice; it lasts from a tenth of a second to most of one; it is well under
the speech around it (common practice, no source: about -42 dBFS beside speech near -20); it is
duller than a hiss; and it stands apart: the level dips before it and behind it, speech has rested
before it, and voice sets in soon behind it. That is what tells it from a consonant, which leans on
its vowel, and from a whisper, which no voice follows.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.around import percentile_around
from fairtake.sound.levels import Levels
from fairtake.sound.runs import Mask, lasting, mask_of, runs

Frames = npt.NDArray[np.float64]

# In frames of 5 ms.
SHORTEST, LONGEST = 16, 170
#: The last consonants of a word follow its voice within this; a long noise need not wait so long.
AWAY, AWAY_LONG, LONG = 50, 32, 50
#: Drawn before speech: what is heard next has voice within this, though not at once.
SOON, NOT_AT_ONCE = 60, 3
#: The last breath of a take follows its last word within this.
LAST_WORD = 200
DIP_REACH = 30
#: Speech rests before a breath for at least this, in all.
REST = 10
GAP_CLOSED = 4
#: So many voiced frames in a row are a voice, and not chance.
VOICED_LEAST = 6
#: Softer than the speech around by this, not by that much more, and so far over the room.
UNDER_SPEECH_DB, FAR_UNDER_DB = 14.0, 31.0
OVER_ROOM_DB = 9.0
DULLEST_HZ, BRIGHTEST_HZ = 900.0, 4500.0
DIP_LEAST_DB, DIP_CLEAR_DB = 4.0, 8.0
#: A dip ends where it is first within this of its lowest.
BOTTOM_DB = 2.0
#: A dip is clear too when it goes down to the room.
ROOM_DB = 3.0


def brightness_hz(levels: Levels, frame_rows: int) -> Frames:
    """Mean frequency of each whole frame, told from the energy of its first difference.

    The difference of two samples weighs a frequency f by 2 sin(pi f / fs); the ratio of energies
    turned back into a frequency is exact for a tone and a fair middle for noise.
    """
    frames = levels.rows // frame_rows
    whole = slice(frames * frame_rows)
    energy = levels.heard_energy[whole].reshape(frames, -1).sum(axis=1, dtype=np.float64)
    high = levels.heard_high_energy[whole].reshape(frames, -1).sum(axis=1, dtype=np.float64)
    half = np.sqrt(high / np.maximum(energy, 1e-20)) / 2
    return levels.sample_rate_hz / np.pi * np.arcsin(np.clip(half, 0, 1))


def local_speech(level: Frames, reach_s: float = 4.0) -> Frames:
    """The level that one frame in ten of the surroundings lies above, one value a frame."""
    per_block = 20
    blocks = max(1, len(level) // per_block)
    loud = level[: blocks * per_block].reshape(blocks, -1).max(axis=1)
    size = min(2 * blocks - 1, round(20 * reach_s) + 1)
    top = percentile_around(loud, 90, size, "symmetric")
    return np.interp(np.arange(len(level)), (np.arange(blocks) + 0.5) * per_block, top)


def breath_frames(
    level: Frames, floor: Frames, around: Frames, active: Mask, voiced: Mask, bright_hz: Frames
) -> Mask:
    """Which frames belong to breaths, from their dip before to their dip behind."""
    quiet = level < around - UNDER_SPEECH_DB
    noisy = active & ~voiced & quiet & (bright_hz > DULLEST_HZ) & (bright_hz < BRIGHTEST_HZ)
    starts, stops = runs(_closed(noisy))
    spans = [s for s in zip(starts, stops, strict=True) if SHORTEST <= s[1] - s[0] <= LONGEST]
    voice = voiced & active & (level > around - FAR_UNDER_DB)
    voices = lasting(voice, VOICED_LEAST)
    sounds = lasting(active, SHORTEST)
    breaths = [
        _with_dips(level, *span) for span in spans
        if _between_words(voice, voices, sounds, *span)
        and _apart(level, floor, *span)
        and np.median((level - around)[slice(*span)]) > -FAR_UNDER_DB
        and np.median((level - floor)[slice(*span)]) > OVER_ROOM_DB
    ]  # fmt: skip
    if not breaths:
        return np.zeros(len(level), bool)
    first, last = np.array(breaths).T
    return mask_of(first, last, len(level))


def _closed(mask: Mask) -> Mask:
    """*mask* with gaps of a few frames filled."""
    starts, stops = runs(~mask)
    short = (stops - starts <= GAP_CLOSED) & (starts > 0) & (stops < len(mask))
    return mask | mask_of(starts[short], stops[short], len(mask))


def _between_words(voice: Mask, voices: Mask, sounds: Mask, start: int, stop: int) -> bool:
    """Whether the voice before has died away, and what is heard next is a voice that sets in.

    In noise a few frames may look periodic by chance: only `VOICED_LEAST` of them are a voice that
    a breath was drawn for. Sounds without voice that follow are a whisper.
    """
    away = AWAY_LONG if stop - start >= LONG else AWAY
    if voice[max(start - away, 0) : start].any() or voices[stop : stop + NOT_AT_ONCE].any():
        return False
    rest = stop + int(np.argmin(sounds[stop:])) if stop < len(sounds) else stop
    heard = rest + int(np.argmax(sounds[rest:])) if sounds[rest:].any() else None
    if heard is None:  # the last sound of the take: let go after the last word, or whispered
        return bool(voice[max(start - LAST_WORD, 0) : start].any())
    return bool(voices[heard : heard + SOON].any())


def _apart(level: Frames, floor: Frames, start: int, stop: int) -> bool:
    """Whether the level dips on both sides."""
    own = float(np.median(level[start:stop]))
    before, behind = level[max(start - DIP_REACH, 0) : start], level[stop : stop + DIP_REACH]
    dips = [own - float(side.min()) if len(side) else DIP_CLEAR_DB for side in (before, behind)]
    room = float(floor[start:stop].mean()) + ROOM_DB
    in_room = all(not len(side) or side.min() < room for side in (before, behind))
    if len(before) and (before < own - DIP_LEAST_DB).sum() < REST:
        return False
    return min(dips) >= DIP_LEAST_DB and (max(dips) >= DIP_CLEAR_DB or in_room)


def _with_dips(level: Frames, start: int, stop: int) -> tuple[int, int]:
    """The span grown to the bottom of the dip on either side, and no further."""
    before, behind = level[max(start - DIP_REACH, 0) : start], level[stop : stop + DIP_REACH]
    first = start - 1 - _bottom(before[::-1]) if len(before) else start
    last = stop + _bottom(behind) if len(behind) else stop
    return first, last


def _bottom(away: Frames) -> int:
    """The first frame that is nearly as low as the lowest."""
    return int(np.argmax(away <= away.min() + BOTTOM_DB))
