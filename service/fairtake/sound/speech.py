"""Where in a take somebody speaks, told from its levels and its own noise floor.

Decisions are made on frames of 5 ms, K-weighted (rumble counts little), smoothed over 25 ms.

The floor is the level that one frame in twenty of the surrounding 12 s lies under, so it moves
with the room. A frame is speech when it belongs to a stretch that never falls under the *close*
margin over the floor and reaches the *open* margin for long enough; both margins grow with the
distance between speech and floor. A shorter burst still counts beside other speech, where it may
be the release of a stop consonant, and does not when it stands alone, where it is a click.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fairtake.sound.around import mean_around, percentile_around
from fairtake.sound.breaths import breath_frames, brightness_hz, local_speech
from fairtake.sound.levels import SILENCE_DBFS, Levels
from fairtake.sound.loops import weigh
from fairtake.sound.loudness import lufs
from fairtake.sound.runs import Mask, between, lasting, mask_of, runs, widened
from fairtake.sound.voicing import voiced_frames

FRAME_ROWS = 5
SMOOTH_FRAMES = 5
FLOOR_REACH_S = 12.0
#: A finished take fades at its edges; blocks of 100 ms there say nothing of the room.
FADE_IN_BLOCKS, FADE_OUT_BLOCKS = 1, 3
FLOOR_PERCENT = 5
OPEN_SHARE = 0.28  # of the distance between speech and floor
OPEN_LEAST_DB, OPEN_MOST_DB = 5.0, 10.0
LONG_ENOUGH_FRAMES = 8
BURST_REACH_FRAMES = 60
#: Under this there is nothing but the zeros of a muted track.
DIGITAL_SILENCE_LUFS = SILENCE_DBFS
#: A floor above this is no room but steady sound that was meant to be heard.
LOUDEST_FLOOR_LUFS = -35.0
#: Speech has to stand out of its floor by this much to be found at all.
LEAST_CONTRAST_DB = 6.0
#: A take with less voice than this in its speech is whispered: then nothing is told by voice.
WHISPER_SHARE = 0.2
VOICED_LEAST_FRAMES, VOICE_UNDER_DB = 6, 25.0
#: Noise may look periodic by chance; a voice is not so bright.
VOICE_BRIGHTEST_HZ = 3000.0
#: A fading end still stands out of the floor by this, over 50 ms, and lasts no longer than so.
FADE_DB, FADE_SMOOTH_FRAMES = 3.0, 10
FADE_BEFORE_FRAMES, FADE_BEHIND_FRAMES = 12, 30
#: Before the first word, so much softer than speech, with such a dip behind it, and no longer: no word.
LIPS_UNDER_DB, LIPS_DIP_DB, LIPS_FRAMES = 10.0, 8.0, 160
#: Noise is stray when it keeps so far from any voice, is no longer, and so much under speech;
#: noises with less than so much between them count as one.
STRAY_BEFORE_FRAMES, STRAY_BEHIND_FRAMES = 30, 80
STRAY_TOGETHER_FRAMES, STRAY_LONGEST_FRAMES, STRAY_UNDER_DB = 60, 220, 3.0
#: A room is called steady when its level spreads by less than this over so long.
STEADY_FRAMES, STEADY_SPREAD_DB, STEADY_UNDER_DB = 80, 1.4, 15.0

Frames = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Speech:
    """What was found. From ``level_lufs`` on there is one value a frame of 5 ms."""

    rows: Mask
    breaths: Mask
    #: Where the first word begins; softer noises of the mouth may stand before it.
    first_row: int
    level_lufs: Frames
    floor_lufs: Frames
    voiced: Mask
    bright_hz: Frames
    speech_lufs: float | None

    @property
    def found(self) -> bool:
        return bool(self.rows.any())

    @property
    def last_row(self) -> int:
        """The row after the last speech."""
        return len(self.rows) - int(np.argmax(self.rows[::-1]))

    def over(self, rows: int) -> Speech:
        """The same in another copy of the sound, of so many *rows*, without what is told a frame."""
        spoken = np.pad(self.rows, (0, max(rows - len(self.rows), 0)))[:rows]
        none = self.level_lufs[:0].copy()
        nobody = spoken[:0].copy()
        return Speech(spoken, nobody, self.first_row, none, none, nobody, none, self.speech_lufs)


def find_speech(levels: Levels) -> Speech:
    """Decide for every row whether somebody speaks.

    Told from the levels as they were heard: the gains of other stages do not change who speaks. So
    the answer is the same for all stages behind the cut, and is kept with the levels.
    """
    heard = (levels.heard_peak, levels.heard_k_energy, levels.heard_low)
    kept = levels.kept.get("speech")
    if kept is None or any(a is not b for a, b in zip(kept[0], heard, strict=True)):
        kept = levels.kept["speech"] = (heard, _find_speech(replace(levels, gain_db=None)))
    found: Speech = kept[1]
    return found


def _find_speech(levels: Levels) -> Speech:
    level = frame_levels(levels)
    nobody = np.zeros(levels.rows, bool)
    if not len(level):
        return Speech(nobody, nobody, 0, level, level, nobody[:0], level, None)
    bright_hz = brightness_hz(levels, FRAME_ROWS)
    voiced = voiced_frames(levels, FRAME_ROWS)
    around = local_speech(level)
    floor = raised_by_steady_room(noise_floor(level), level, around, voiced)
    spoken = level > floor + LEAST_CONTRAST_DB
    if not spoken.any():
        return Speech(nobody, nobody, 0, level, floor, voiced, bright_hz, None)
    speech_lufs = _mean_level(level[spoken])
    open_margin = np.clip(OPEN_SHARE * (speech_lufs - floor), OPEN_LEAST_DB, OPEN_MOST_DB)
    active = level > floor + open_margin / 2
    breaths = np.zeros(len(level), bool)
    told_by_voice = voiced[active].mean() > WHISPER_SHARE
    if told_by_voice:
        breaths = breath_frames(level, floor, around, active, voiced, bright_hz)
    frames = stretches(active & ~breaths, level > floor + open_margin)
    if told_by_voice:
        frames &= ~stray_noises(frames, voiced, level, around, speech_lufs)
    frames = with_fading_ends(frames, level, floor) & ~breaths
    rows = on_rows(frames, levels.rows)
    soft = level < np.maximum(around, speech_lufs) - LIPS_UNDER_DB
    first = first_word(frames, voiced & (bright_hz < VOICE_BRIGHTEST_HZ), level, soft)
    return Speech(
        rows, on_rows(breaths, levels.rows), first * FRAME_ROWS,
        level, floor, voiced, bright_hz, speech_lufs if rows.any() else None,
    )  # fmt: skip


def first_word(frames: Mask, voiced: Mask, level: Frames, soft: Mask) -> int:
    """The frame where the first word begins.

    Soft noises without voice that stand before it, with a dip behind them, are a breath or the lips
    that open: the word begins behind the last dip before the voice. What goes on for longer before
    the voice sets in is a whisper, and no breath.
    """
    begin = int(np.argmax(frames))
    voice = lasting(voiced & frames, 2 * VOICED_LEAST_FRAMES)
    voice |= lasting(voiced & frames & ~soft, VOICED_LEAST_FRAMES)  # noise looks periodic by chance
    until = int(np.argmax(voice))
    if not begin < until <= begin + LIPS_FRAMES:
        return begin
    before = level[begin:until]
    dips = np.flatnonzero(before < np.maximum.accumulate(before) - LIPS_DIP_DB)
    if not len(dips):
        return begin
    word = begin + int(dips[-1]) + 1
    return word if soft[begin:word].all() else begin


def on_rows(frames: Mask, rows: int) -> Mask:
    """A mask of frames as a mask of *rows*; the last frame may be short."""
    spread = np.repeat(frames, FRAME_ROWS)
    return np.pad(spread, (0, rows - len(spread)), mode="edge")


def with_fading_ends(frames: Mask, level: Frames, floor: Frames) -> Mask:
    """*frames* grown over what still stands out of the room before and behind them.

    Words begin and end softer than the margins that find them; noise that touches no speech is not
    taken in.
    """
    least = np.maximum(floor + FADE_DB, DIGITAL_SILENCE_LUFS + FADE_DB)
    # Both the frame and what is around it: one alone may be chance, and an average reaches too far.
    out = (mean_around(level, FADE_SMOOTH_FRAMES) > least) & (level > least)
    near = widened(frames, FADE_BEFORE_FRAMES, FADE_BEHIND_FRAMES)
    starts, stops = runs(frames | (out & near))
    count = np.concatenate([[0], np.cumsum(frames)])
    touching = count[stops] > count[starts]
    return mask_of(starts[touching], stops[touching], len(frames))


def stray_noises(
    frames: Mask, voiced: Mask, level: Frames, around: Frames, speech_lufs: float
) -> Mask:
    """What in *frames* is short, unvoiced, soft and far from any voice: pages, chairs, a false start.

    Noises close to each other count as one: a whispered phrase lasts longer than any page.
    """
    # Room behind the end, so that what is widened there can be narrowed again.
    starts, stops = runs(
        widened(np.pad(frames, (0, STRAY_TOGETHER_FRAMES)), 0, STRAY_TOGETHER_FRAMES)
    )
    stops = stops - STRAY_TOGETHER_FRAMES
    # A thump is periodic too, but what an ear hears of it is soft.
    voice = lasting(voiced & frames & (level > speech_lufs - VOICE_UNDER_DB), VOICED_LEAST_FRAMES)
    # A consonant leans on the vowel behind it; the release of a stop may come well after one.
    near = widened(voice, STRAY_BEFORE_FRAMES, STRAY_BEHIND_FRAMES)
    # At the ends of a take there is no speech around to compare with.
    around = np.where(between(voice), around, speech_lufs)
    stray = [
        b - a < STRAY_LONGEST_FRAMES and not near[a:b].any()
        and level[a:b].max() < around[a:b].max() - STRAY_UNDER_DB
        for a, b in zip(starts, stops, strict=True)
    ]  # fmt: skip
    kept = np.array(stray, bool)
    return frames & mask_of(starts[kept], stops[kept], len(frames))


def raised_by_steady_room(floor: Frames, level: Frames, around: Frames, voiced: Mask) -> Frames:
    """*floor* lifted to the level wherever a long stretch is steady and unvoiced.

    That is a room that has become louder, faster than the floor's percentile can follow: speech,
    whispered too, is never so even for so long.
    """
    mean = mean_around(level, STEADY_FRAMES)
    # About the window's own mean: a voice that dies away evenly in a hall is no steady room.
    spread = mean_around(level**2, STEADY_FRAMES) - mean**2
    voice = mean_around(voiced.astype(float), STEADY_FRAMES)
    far_under = mean < np.minimum(around - STEADY_UNDER_DB, LOUDEST_FLOOR_LUFS)
    steady = (spread < STEADY_SPREAD_DB**2) & (voice < 0.1) & far_under
    starts, stops = runs(steady)
    long = stops - starts >= STEADY_FRAMES
    # A window that is steady speaks for its whole width.
    half = STEADY_FRAMES // 2
    room = mask_of(starts[long] - half, stops[long] + half, len(level))
    return np.where(room, np.maximum(floor, np.minimum(level, mean)), floor)


def frame_levels(levels: Levels) -> Frames:
    """K-weighted level of each whole frame, smoothed, shape (frames,)."""
    frames = levels.rows // FRAME_ROWS
    if not frames:
        return np.zeros(0)
    # Where the samples are exact zeros the weighting filter may still ring: that is no sound.
    k_power = np.where(levels.peak > 0, levels.k_power, np.float32(0))
    power = k_power[: frames * FRAME_ROWS].reshape(frames, FRAME_ROWS).mean(axis=1)
    weights = np.hanning(SMOOTH_FRAMES + 2)[1:-1]
    smooth = weigh(np.pad(power, SMOOTH_FRAMES // 2, mode="edge"), weights / weights.sum())
    return lufs(smooth[:frames])  # type: ignore[no-any-return]


def noise_floor(level: Frames) -> Frames:
    """The moving noise floor of *level*, one value a frame."""
    per_block = 20  # 100 ms
    blocks = max(1, len(level) // per_block)
    trimmed = level[: blocks * per_block].reshape(blocks, -1)
    block_level = np.median(trimmed, axis=1)
    muted = block_level < DIGITAL_SILENCE_LUFS
    if muted.all():
        return np.full(len(level), DIGITAL_SILENCE_LUFS)
    if _muted_inside(muted) > 0.02 * blocks:
        # Pauses are exact zeros: whatever is not zero was kept by somebody, so all of it is speech.
        return np.full(len(level), DIGITAL_SILENCE_LUFS)
    usable = ~muted
    if blocks > 3 * (FADE_IN_BLOCKS + FADE_OUT_BLOCKS):
        usable[:FADE_IN_BLOCKS] = usable[blocks - FADE_OUT_BLOCKS :] = False
    heard = np.flatnonzero(usable if usable.any() else ~muted)
    block_level = np.interp(np.arange(blocks), heard, block_level[heard])
    reach = min(2 * blocks - 1, round(FLOOR_REACH_S * 10) + 1)
    floor = percentile_around(block_level, FLOOR_PERCENT, reach)
    centres = (np.arange(blocks) + 0.5) * per_block
    return np.minimum(np.interp(np.arange(len(level)), centres, floor), LOUDEST_FLOOR_LUFS)


def _muted_inside(muted: Mask) -> int:
    """Blocks of exact zeros that have sound on both sides."""
    starts, stops = runs(muted)
    inside = (starts > 0) & (stops < len(muted))
    return int((stops - starts)[inside].sum())


def _mean_level(level: Frames) -> float:
    """Level of the mean power of the frames within 10 dB of their own mean."""
    mean = 10 * np.log10(np.mean(10 ** (level / 10)))
    loud = level[level > mean - 10]
    return float(10 * np.log10(np.mean(10 ** (loud / 10))))


def stretches(above_close: Mask, above_open: Mask) -> Mask:
    """The stretches of *above_close* that hold enough of *above_open* to be speech."""
    starts, stops = runs(above_close)
    counts = np.concatenate([[0], np.cumsum(above_open)])
    opened = counts[stops] - counts[starts]
    long = opened >= LONG_ENOUGH_FRAMES
    size = len(above_close)
    if not long.any():
        return np.zeros(size, bool)
    near = mask_of(starts[long] - BURST_REACH_FRAMES, stops[long] + BURST_REACH_FRAMES, size)
    kept = long | ((opened > 0) & near[starts])
    return mask_of(starts[kept], stops[kept], size)
