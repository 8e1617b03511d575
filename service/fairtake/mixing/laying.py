"""From voices and cues to sounds on one axis: placed, brought to their level, faded and ducked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fairtake.cues import Bed, Cues
from fairtake.errors import CueSilent, NoSpeech, TooLong
from fairtake.mix_folder import MixFolder
from fairtake.mixing.voice import Voice
from fairtake.mixing.workbench import Workbench, of_file
from fairtake.sketch import Outline
from fairtake.sound.duck import duck_gain_db
from fairtake.sound.fade import fade_factors
from fairtake.sound.laid import Laid, Mixed, gain_rows, rows_of
from fairtake.sound.layout import Layout, Length, Place, layout
from fairtake.sound.levels import ROWS_PER_S, Rows
from fairtake.sound.listen import Heard
from fairtake.sound.loudness import integrated_lufs, lufs
from fairtake.sound.measures import measures
from fairtake.sound.runs import Mask
from fairtake.sound.sides import Folded
from fairtake.sound.source import Source
from fairtake.sound.thin import outline_of
from fairtake.units import amplitude_db, clock, power_db


@dataclass(frozen=True)
class LaidVoices:
    """The voices on the axis, all as loud as the first: where somebody speaks, their K-weighted power
    in each row, and what they are as they lie there."""

    laid: list[Laid]
    gains_db: list[float]
    spoken: Mask
    k_power: Rows
    loudness_lufs: float
    speech_dbfs: float
    outline: Outline


@dataclass(frozen=True)
class Sound:
    """A cue as it lies in the mix. ``loudness_lufs`` is that of its part before its gain, ``ducked_db``
    how far the voice turns it down, one value a row of the axis."""

    place: Place
    laid: Laid
    loudness_lufs: float
    gain_db: float
    ducked_db: Rows

    @property
    def is_bed(self) -> bool:
        return isinstance(self.place.cue, Bed)


@dataclass(frozen=True)
class Axis:
    """Everything laid."""

    sample_rate_hz: int
    channels: int
    layout: Layout
    voices: LaidVoices
    sounds: list[Sound]

    def mixed(self, parts: Sequence[Laid]) -> Mixed:
        """Some of the parts, over the whole length."""
        return Mixed(parts, self.sample_rate_hz, self.channels, self.layout.frames)


def lay(bench: Workbench, folder: MixFolder, voices: Sequence[Voice]) -> Axis:
    """Lay everything.

    Raises `CuesInvalid`, `CueSilent`, `NoSpeech`, `TooLong`, and as `fairtake.files.take.open_take`.
    """
    sources = _opened(bench, folder)
    channels = 1
    if bench.job.profile.channels == "keep":
        channels = max(s.channels for s in (*sources.values(), *(v.source for v in voices)))
    else:
        sources = {name: _as_one(source) for name, source in sources.items()}
    lengths = {name: Length(s.frames, s.sample_rate_hz) for name, s in sources.items()}
    placed = layout(folder.cues, [voice.length for voice in voices], lengths, bench.rate)
    _refuse_length(placed, bench.job.profile.delivery.longest_s)
    spoken = _spoken(placed, voices)
    laid = _laid_voices(bench, placed, voices, spoken, channels)
    sounds = [
        _sound(bench, place, sources[place.cue.file], laid, channels) for place in placed.places
    ]
    return Axis(bench.rate, channels, placed, laid, sounds)


def _opened(bench: Workbench, folder: MixFolder) -> dict[str, Source]:
    cues: Cues = folder.cues
    names = dict.fromkeys(cue.file for cue in (*cues.bed, *cues.spot))
    return {name: bench.open(folder.files[name], name) for name in names}


def _as_one(source: Source) -> Source:
    return Folded(source, "middle") if source.channels > 1 else source


def _refuse_length(placed: Layout, longest_s: float) -> None:
    lasts_s = placed.frames / placed.sample_rate_hz
    if lasts_s > longest_s:
        raise TooLong(f"The mix lasts {clock(lasts_s)}; {clock(longest_s)} are allowed.")


# --- the voices ------------------------------------------------------------------------------------


def _spoken(placed: Layout, voices: Sequence[Voice]) -> Mask:
    """In which rows of the axis somebody speaks."""
    spoken = np.zeros(rows_of(placed.frames, placed.sample_rate_hz), bool)
    for voice, begin in zip(voices, placed.voices, strict=True):
        row = _row(begin, placed.sample_rate_hz)
        here = spoken[row : row + len(voice.spoken)]
        here |= voice.spoken[: len(here)]
    return spoken


def _laid_voices(
    bench: Workbench, placed: Layout, voices: Sequence[Voice], spoken: Mask, channels: int
) -> LaidVoices:
    own_lufs = [_as_laid_lufs(voice, channels) for voice in voices]
    gains_db = [own_lufs[0] - own for own in own_lufs]
    laid = [
        _flat(voice.source, begin, voice.source.frames, gain_db, bench.rate)
        for voice, begin, gain_db in zip(voices, placed.voices, gains_db, strict=True)
    ]
    heard = bench.hear(Mixed(laid, bench.rate, channels, placed.frames))
    found = measures(heard)
    if found.loudness_lufs is None or found.speech_level_dbfs is None:
        raise NoSpeech()
    return LaidVoices(
        laid, gains_db, spoken[: heard.levels.rows], heard.levels.k_power, found.loudness_lufs,
        found.speech_level_dbfs, outline_of(heard.levels),
    )  # fmt: skip


def _as_laid_lufs(voice: Voice, channels: int) -> float:
    """A voice's loudness on an axis of so many channels: one channel that goes to two adds up."""
    if voice.after.loudness_lufs is None:
        raise NoSpeech(f"It is '{voice.file.name}' of the mix.")
    return voice.after.loudness_lufs + float(power_db(channels / voice.source.channels))


def _flat(source: Source, begin: int, frames: int, gain_db: float, rate: int) -> Laid:
    curve = np.full(rows_of(frames, rate), gain_db, np.float32)
    return Laid(source, begin, frames, (0, source.frames), curve)


# --- what lies under them ----------------------------------------------------------------------------


def _sound(
    bench: Workbench, place: Place, source: Source, voices: LaidVoices, channels: int
) -> Sound:
    cue, rate = place.cue, bench.rate
    flat = Laid(
        source, 0, place.frames, place.part, np.zeros(rows_of(place.frames, rate), np.float32),
        cue.loop,
    )  # fmt: skip
    with of_file(cue.file):
        own_lufs, own_dbfs = _level_of(bench.hear(Mixed([flat], rate, channels)))
    if own_lufs is None or own_dbfs is None:
        raise CueSilent(f"It is '{cue.file}'.")
    if cue.level_db is None:
        gain_db = voices.loudness_lufs + cue.level_lu - own_lufs
    else:
        gain_db = voices.speech_dbfs + cue.level_db - own_dbfs
    ducked = _ducked_db(place, voices.spoken, rate)
    begin = _row(place.begin, rate)
    here = ducked[begin : begin + len(flat.gain_db)]
    here = np.pad(here, (0, len(flat.gain_db) - len(here)))
    curve = gain_rows(gain_db, _faded_db(place, rate), here)
    return Sound(place, replace(flat, begin=place.begin, gain_db=curve), own_lufs, gain_db, ducked)


def _level_of(heard: Heard) -> tuple[float | None, float | None]:
    """Loudness, LUFS, and RMS, dBFS; of what is too short for the gates, the plain mean."""
    power, k_power = float(heard.levels.power.mean()), float(heard.levels.k_power.mean())
    if heard.sample_peak <= 0 or k_power <= 0:
        return None, None
    gated = integrated_lufs(heard.levels.k_power)
    return float(lufs(k_power)) if gated is None else gated, float(power_db(power))


def _faded_db(place: Place, rate: int) -> Rows:
    cue = place.cue
    fade_in, fade_out = (round(s * ROWS_PER_S) for s in (cue.fade_in_s, cue.fade_out_s))
    factors = fade_factors(rows_of(place.frames, rate), fade_in, fade_out, cue.fade)
    return amplitude_db(factors).astype(np.float32)  # type: ignore[no-any-return]


def _ducked_db(place: Place, spoken: Mask, rate: int) -> Rows:
    """How far the voice turns a bed down while it sounds, dB, one value a row of the axis."""
    cue = place.cue
    if not isinstance(cue, Bed):
        return np.zeros(0, np.float32)
    curve = duck_gain_db(spoken, cue.duck_db, cue.duck_fall_s, cue.duck_rise_s, cue.duck_hold_s)
    curve[: _row(place.begin, rate)] = 0
    curve[_row(place.end, rate) :] = 0
    return curve


def _row(sample: int, rate: int) -> int:
    return round(sample * ROWS_PER_S / rate)
