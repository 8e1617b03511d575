"""From voices and cues to sounds on one axis: placed, brought to their level, faded and ducked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

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
from fairtake.sound.levels import ROWS_PER_S, Levels, Rows
from fairtake.sound.listen import Heard
from fairtake.sound.loudness import integrated_lufs, lufs
from fairtake.sound.measures import measures
from fairtake.sound.over_bed import over_bed_lu
from fairtake.sound.runs import Mask
from fairtake.sound.sides import Folded
from fairtake.sound.source import Source
from fairtake.sound.thin import Thin, outline_of, thin
from fairtake.units import amplitude_db, clock, power_db

#: A bed that is down by more than this counts as ducked.
DUCKED_DB = 0.5


@dataclass(frozen=True)
class LaidVoices:
    """The voices on the axis, all as loud as the first, and how loud that is."""

    laid: list[Laid]
    gains_db: list[float]
    loudness_lufs: float
    speech_dbfs: float


@dataclass(frozen=True)
class Sound:
    """A cue as it lies in the mix. ``loudness_lufs`` is that of its part before its gain, ``duck_db`` the
    most that the voice turns it down, for ``ducked_s`` in all."""

    place: Place
    laid: Laid
    loudness_lufs: float
    gain_db: float
    duck_db: float
    ducked_s: float

    @property
    def is_bed(self) -> bool:
        return isinstance(self.place.cue, Bed)


@dataclass(frozen=True)
class Ducked:
    """How far the beds are ducked over the axis, the one that is down the furthest: a note of it, and
    the curve, dB, thinned."""

    note: dict[str, Any]
    gain_db: Thin


@dataclass(frozen=True)
class Axis:
    """Everything laid: the outline of each layer, how far the voice stands over the beds (see
    `over_bed_lu`), and how far they are ducked."""

    sample_rate_hz: int
    channels: int
    layout: Layout
    voices: LaidVoices
    sounds: list[Sound]
    layers: dict[str, Outline]
    over_bed: tuple[float | None, float | None]
    ducked: Ducked

    @property
    def whole(self) -> Mixed:
        """The sum of everything."""
        return self.mixed([*self.voices.laid, *(sound.laid for sound in self.sounds)])

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
    laid, levels = _laid_voices(bench, placed, voices, channels)
    voice_power, layers = levels.k_power, {"voice": outline_of(levels)}
    del levels
    duck_db = np.zeros(len(spoken), np.float32)
    sounds = [
        _sound(bench, place, sources[place.cue.file], laid, channels, spoken, duck_db)
        for place in placed.places
    ]
    ducked = Ducked(_duck_note(duck_db), thin(duck_db))
    del duck_db  # a long mix has enough of such curves
    over_bed: tuple[float | None, float | None] = (None, None)
    for name, is_bed in (("bed", True), ("spot", False)):
        parts = [sound.laid for sound in sounds if sound.is_bed is is_bed]
        if not parts:
            continue
        levels = bench.hear(
            Mixed(parts, bench.rate, channels, placed.frames), true_peak=False, voice=False
        ).levels
        layers[name] = outline_of(levels)
        if is_bed:  # a single sound lasts a second or two, and covers no speech
            over_bed = over_bed_lu(voice_power, levels.k_power, spoken[: levels.rows])
        del levels
    return Axis(bench.rate, channels, placed, laid, sounds, layers, over_bed, ducked)


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
    bench: Workbench, placed: Layout, voices: Sequence[Voice], channels: int
) -> tuple[LaidVoices, Levels]:
    """The voices laid, and what they are together."""
    own_lufs = [_as_laid_lufs(voice, channels) for voice in voices]
    gains_db = [own_lufs[0] - own for own in own_lufs]
    laid = [
        _flat(voice.source, begin, voice.source.frames, gain_db)
        for voice, begin, gain_db in zip(voices, placed.voices, gains_db, strict=True)
    ]
    heard = bench.hear(Mixed(laid, bench.rate, channels, placed.frames), true_peak=False)
    found = measures(heard)
    if found.loudness_lufs is None or found.speech_level_dbfs is None:
        raise NoSpeech()
    laid_voices = LaidVoices(laid, gains_db, found.loudness_lufs, found.speech_level_dbfs)
    return laid_voices, heard.levels


def _as_laid_lufs(voice: Voice, channels: int) -> float:
    """A voice's loudness on an axis of so many channels: one channel that goes to two adds up."""
    if voice.after.loudness_lufs is None:
        raise NoSpeech(f"It is '{voice.file.name}' of the mix.")
    return voice.after.loudness_lufs + float(power_db(channels / voice.source.channels))


def _flat(source: Source, begin: int, frames: int, gain_db: float) -> Laid:
    """A sound under one gain: the last value of a curve holds to its end."""
    return Laid(source, begin, frames, (0, source.frames), np.full(1, gain_db, np.float32))


# --- what lies under them ----------------------------------------------------------------------------


def _sound(
    bench: Workbench,
    place: Place,
    source: Source,
    voices: LaidVoices,
    channels: int,
    spoken: Mask,
    duck_db: Rows,
) -> Sound:
    """A cue laid; how far it is ducked is told in *duck_db*, too, in the rows of the axis."""
    cue, rate = place.cue, bench.rate
    flat = Laid(source, 0, place.frames, place.part, np.zeros(1, np.float32), cue.loop)
    with of_file(cue.file):
        alone = bench.hear(Mixed([flat], rate, channels), true_peak=False, voice=False)
        own_lufs, own_dbfs = _level_of(alone)
    if own_lufs is None or own_dbfs is None:
        raise CueSilent(f"It is '{cue.file}'.")
    if cue.level_db is None:
        gain_db = voices.loudness_lufs + cue.level_lu - own_lufs
    else:
        gain_db = voices.speech_dbfs + cue.level_db - own_dbfs
    faded = _faded_db(place, rate)
    ducked = _ducked_db(place, spoken, rate)
    here = duck_db[_row(place.begin, rate) :][: len(ducked)]
    np.minimum(here, ducked[: len(here)], out=here)
    curve = gain_rows(gain_db, faded, ducked)
    return Sound(
        place, replace(flat, begin=place.begin, gain_db=curve), own_lufs, gain_db,
        abs(float(ducked.min(initial=0.0))),
        float(np.count_nonzero(ducked < -DUCKED_DB)) / ROWS_PER_S,
    )  # fmt: skip


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
    rows, asked = rows_of(place.frames, rate), cue.model_fields_set
    # Where they do not both fit, the one that was asked for is kept, and the usual one has the rest.
    if "fade_in_s" in asked and "fade_out_s" not in asked:
        fade_out = min(fade_out, max(rows - fade_in, 0))
    if "fade_out_s" in asked and "fade_in_s" not in asked:
        fade_in = min(fade_in, max(rows - fade_out, 0))
    factors = fade_factors(rows, fade_in, fade_out, cue.fade)
    return amplitude_db(factors).astype(np.float32)  # type: ignore[no-any-return]


def _ducked_db(place: Place, spoken: Mask, rate: int) -> Rows:
    """How far the voice turns a bed down, dB, one value a row of its own; nothing for a single sound."""
    cue, first, rows = place.cue, _row(place.begin, rate), rows_of(place.frames, rate)
    if not isinstance(cue, Bed) or first >= len(spoken):
        return np.zeros(rows, np.float32)
    curve = duck_gain_db(spoken, cue.duck_db, cue.duck_fall_s, cue.duck_rise_s, cue.duck_hold_s)
    here = curve[first : first + rows]
    # Its rows are counted from its own begin: the last may lie behind those of the axis.
    return np.pad(here, (0, rows - len(here)), mode="edge")


def _duck_note(duck: Rows) -> dict[str, Any]:
    down = duck < -DUCKED_DB
    return {
        "greatest_db": round(float(-duck.min(initial=0.0)), 2),
        "ducked_s": round(float(down.sum()) / ROWS_PER_S, 2),
        "times": int(np.count_nonzero(np.diff(down.astype(np.int8), prepend=0) > 0)),
    }


def _row(sample: int, rate: int) -> int:
    return round(sample * ROWS_PER_S / rate)
