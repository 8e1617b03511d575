"""The takes of the bench: recipes, and how a recipe becomes samples with the truth about them.

Conventions: everything is placed in samples of the take's own time line at RATE_HZ. Levels are
dBFS RMS, of speech its active level, of clicks and spikes the peak. `reference` is the take
without what should go: no clicks, spikes, thumps, hum, DC or clipping; speech, breaths, page
noise, echoes and the room are in it. Speech is what the voice says, `speech`; a frame of 10 ms is
a speech frame above -45 dB relative to the 95th percentile of its utterance.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from typing import Any

import music
import numpy as np
import scene
import soxr
from scipy import signal

from noises import DECENT_ROOM, Room, hum, mouth_click, page, room_tone, thump
from sources import (
    FRAME,
    RATE_HZ,
    SPEECH_UNDER_P95_DB,
    frame_levels_db,
    p95_db,
    utterances,
)


@dataclass(frozen=True)
class Recipe:
    """What one take holds. Defaults make a plain, decent recording."""

    name: str
    voice: str
    phrases: int = 8
    speech_dbfs: float = -20.0
    sections_db: tuple[float, ...] = (0.0,)
    room: Room = DECENT_ROOM
    room_later: Room | None = None
    muted_pauses: bool = False
    breaths: bool = True
    clicks: int = 6
    spikes: int = 0
    thumps: bool = False
    hum_hz: float | None = None
    hum_dbfs: float = -50.0
    dc: float = 0.0
    page: bool = False
    false_start: bool = False
    tight_s: tuple[float, float] = (0.9, 2.2)
    guest: str | None = None
    guest_db: float = 0.0
    echo_db: float | None = None
    clip_share: float = 0.0
    whole_gain_db: float = 0.0
    peak_dbfs: float | None = None
    channels: int = 1
    head_s: float = 1.6
    tail_s: float = 2.0
    bed_under_db: float | None = None
    band_hz: tuple[float, float] | None = None
    file_rate_hz: int = RATE_HZ
    peak_most_dbfs: float | None = None
    quick: bool = False

    def lay(self, track: Track) -> None:
        """Lay out everything that has a place of its own."""
        _lay_head(track, self)
        _lay_phrases(track, self)
        track.wait(self.tail_s)
        lay_clicks(track, self)
        _lay_spikes(track, self)


RECIPES = (
    Recipe("plain", "nl-low", quick=True),
    Recipe("plain-high", "nl-high", room=Room("dull", -70)),
    Recipe("silent-room", "nl-low", room=Room("white", -80), quick=True),
    Recipe("hissing-room", "synth-en", room=Room("white", -55)),
    Recipe("loud-room", "nl-high", room=Room("dull", -45), quick=True),
    Recipe("loud-room-words", "lt-toys", room=Room("fan", -48)),
    Recipe("room-changes", "nl-low", room=Room("dull", -66), room_later=Room("white", -52), quick=True),
    Recipe("room-goes", "synth-pl", room=Room("fan", -50), room_later=Room("dull", -68)),
    Recipe("muted-pauses", "nl-high", muted_pauses=True, breaths=False, clicks=0, quick=True),
    Recipe("quiet", "nl-low", whole_gain_db=-20, room=Room("dull", -58)),
    Recipe("quiet-clean", "da-letters", whole_gain_db=-20, room=Room("white", -60)),
    Recipe("hot", "nl-high", peak_dbfs=-3, room=Room("dull", -64)),
    Recipe("clipped", "nl-low", peak_dbfs=0, clip_share=0.0006, room=Room("dull", -60)),
    Recipe("sections-18", "nl-low", phrases=12, sections_db=(-15, 3, -15), room=Room("dull", -72), quick=True),
    Recipe("sections-18-high", "synth-en-high", phrases=12, sections_db=(3, -15), room=Room("dull", -70)),
    Recipe("sections-8", "nl-high", phrases=12, sections_db=(0, -8, 0, -8), room=Room("fan", -66)),
    Recipe("whispers", "whisper", speech_dbfs=-32, room=Room("dull", -66), quick=True),
    Recipe("whispers-high", "whisper-high", speech_dbfs=-30, room=Room("white", -64)),
    Recipe("whispered-lines", "synth-de", guest="whisper-high", guest_db=-14, room=Room("dull", -65)),
    Recipe("shouts", "nl-low", guest="nl-low", guest_db=14, speech_dbfs=-29, room=Room("dull", -66)),
    Recipe("laughter", "synth-en-high", guest="laughter", guest_db=6, speech_dbfs=-22),
    Recipe("thumps", "nl-high", thumps=True, speech_dbfs=-25, room=Room("dull", -64), quick=True),
    Recipe("rumble", "synth-de", dc=0.02, hum_hz=50.0, room=Room("brown", -52)),
    Recipe("hum-60", "nl-low", hum_hz=60.0, hum_dbfs=-46, room=Room("dull", -64)),
    Recipe("false-start", "nl-low", page=True, false_start=True, head_s=4.5, quick=True),
    Recipe("page-noise", "lt-letters", page=True, head_s=4.0, room=Room("fan", -60)),
    Recipe("clicks", "nl-high", clicks=20, spikes=8, room=Room("dull", -68), quick=True),
    Recipe("clicks-synth", "synth-en", clicks=16, spikes=6, room=Room("dull", -58)),
    Recipe("tight", "uk-letters", phrases=14, tight_s=(0.25, 0.6), room=Room("dull", -60)),
    Recipe("stops", "synth-en", phrases=10, breaths=False, room=Room("white", -60), tight_s=(0.3, 0.9)),
    Recipe("letters", "en-GB-letters", phrases=6, room=Room("dull", -56)),
    Recipe("letters-echo", "nl-letters", phrases=6, room=Room("dull", -62), echo_db=-14),
    Recipe("echo", "nl-low", room=Room("dull", -64), echo_db=-16),
    Recipe("no-edges", "tn-letters", phrases=6, head_s=0.12, tail_s=0.15, room=Room("dull", -62)),
    Recipe("stereo", "nl-high", channels=2, room=Room("dull", -63)),
)  # fmt: skip


@dataclass(frozen=True)
class Mark:
    """Something that was placed: samples *start* up to *stop*.

    ``what`` says it closer than ``kind``: the kind of a breath, the manner of speech. ``gap_s`` is
    the distance to the nearest speech, ``under_db`` how far it lies under the speech beside it.
    """

    kind: str
    start: int
    stop: int
    section: int = 0
    level_db: float = 0.0
    what: str = ""
    gap_s: float = np.inf
    under_db: float = 0.0


@dataclass(frozen=True)
class Take:
    """Samples, shape (n, channels), and the truth about them; the other arrays are mono, (n,).

    ``room`` is all that goes on whether somebody speaks or not: the room, and a bed of music.
    ``mouth`` is what the talker's mouth does besides: breaths, smacks, a gulp.
    """

    recipe: Recipe
    samples: np.ndarray
    reference: np.ndarray
    speech: np.ndarray
    room: np.ndarray
    mouth: np.ndarray
    marks: tuple[Mark, ...]
    clipped: np.ndarray

    @property
    def name(self) -> str:
        return self.recipe.name

    def of(self, *kinds: str) -> list[Mark]:
        """The marks of some kinds, in order of time."""
        return sorted((m for m in self.marks if m.kind in kinds), key=lambda m: m.start)

    @property
    def speech_frames(self) -> np.ndarray:
        """Which frames of 10 ms are speech, shape (frames,)."""
        level_db = frame_levels_db(self.speech)
        spoken = np.zeros(len(level_db), bool)
        for mark in self.of("speech"):
            here = slice(mark.start // FRAME, -(-mark.stop // FRAME))
            spoken[here] |= level_db[here] > p95_db(level_db[here]) - SPEECH_UNDER_P95_DB
        return spoken


@dataclass
class Track:
    """A take in the making: sounds by kind, laid at the pen or anywhere."""

    rng: np.random.Generator
    pen: int = 0
    laid: list[tuple[str, int, np.ndarray]] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    def wait(self, seconds: float) -> None:
        self.pen += scene.samples_in(seconds)

    def lay(self, kind: str, sound: np.ndarray, **said: Any) -> None:
        """Put a sound down at the pen, and move the pen behind it. *said*: more of its mark."""
        self.lay_at(self.pen, kind, sound, **said)
        self.pen += len(sound)

    def lay_at(self, start: int, kind: str, sound: np.ndarray, **said: Any) -> None:
        """Put a sound down anywhere."""
        self.laid.append((kind, start, sound))
        self.marks.append(Mark(kind, start, start + len(sound), **said))

    def mixed(self, *kinds: str) -> np.ndarray:
        """All sounds of some kinds on the time line, up to the pen."""
        line = np.zeros(self.pen)
        for kind, start, sound in self.laid:
            if kind in kinds:
                line[start : start + len(sound)] += sound[: self.pen - start]
        return line


# --- laying a take out ----------------------------------------------------------------------------


def make_take(recipe: Recipe, seed: int) -> Take:
    """The take of a recipe. Raises `sources.SpeechMissing`."""
    rng = np.random.default_rng([seed, zlib.crc32(recipe.name.encode())])
    track = Track(rng)
    recipe.lay(track)
    return _mixed(track, recipe)


def _lay_head(track: Track, recipe: Recipe) -> None:
    """What happens before the first word; `head_s` in all."""
    begun = track.pen
    track.wait(0.6 if recipe.head_s > 2 else 0.0)
    if recipe.page:
        track.lay("page", page(track.rng))
        track.wait(track.rng.uniform(0.3, 0.6))
    if recipe.false_start:
        track.lay("page", scene.at_rms(thump(track.rng, 0.0), -40.0))
        track.wait(0.2)
        track.lay("page", scene.at_peak(mouth_click(track.rng), -24.0))
    track.pen = max(begun + scene.samples_in(recipe.head_s), track.pen)


def _lay_phrases(track: Track, recipe: Recipe) -> None:
    spoken = utterances(recipe.voice, recipe.phrases, track.rng)
    guests = utterances(recipe.guest, recipe.phrases // 3, track.rng) if recipe.guest else []
    for n, phrase in enumerate(spoken):
        section = n * len(recipe.sections_db) // recipe.phrases
        level_dbfs = recipe.speech_dbfs + recipe.sections_db[section]
        _lay_pause(track, recipe, level_dbfs, first=n == 0)
        if guests and n % 3 == 2:
            phrase, level_dbfs = guests.pop(), level_dbfs + recipe.guest_db
        _lay_phrase(track, recipe, phrase, section, level_dbfs)


def _lay_phrase(
    track: Track, recipe: Recipe, phrase: np.ndarray, section: int, level_dbfs: float
) -> None:
    start = track.pen
    sound = phrase * scene.gain_of(level_dbfs)
    track.lay("speech", sound, section=section, level_db=level_dbfs)
    if recipe.thumps and track.rng.random() < 0.7:
        sound = thump(track.rng, track.rng.uniform(-9.0, -3.0))
        track.lay_at(start, "thump", sound, section=section)


def _lay_pause(track: Track, recipe: Recipe, level_dbfs: float, first: bool) -> None:
    """A pause before a phrase, with a breath towards its end where there is room for one."""
    pause_s = 0.0 if first else float(track.rng.uniform(*recipe.tight_s))
    if not recipe.breaths or (not first and pause_s < 0.5):
        track.wait(pause_s)
        return
    length_s = float(track.rng.uniform(0.1, min(0.6, max(pause_s - 0.35, 0.25))))
    close_s = float(track.rng.uniform(0.05, 0.2))
    if first and recipe.head_s < 1.0:
        return
    start = track.pen + scene.samples_in(pause_s - length_s - close_s)
    breath_dbfs = level_dbfs - float(track.rng.uniform(19.0, 25.0))
    sound = scene.breath(track.rng, length_s * 1000.0, breath_dbfs)
    track.lay_at(start, "breath", sound, level_db=breath_dbfs)
    track.wait(pause_s)


def lay_clicks(track: Track, recipe: Recipe) -> None:
    """Half of the clicks in pauses, well over the room; half in speech, well over what it hides."""
    line = track.mixed("speech", "breath")
    sharp = signal.sosfilt(_sharp(), line)
    for n in range(recipe.clicks):
        kind = "click in speech" if n % 2 else "click in pause"
        at = _free_place(track, kind)
        if at is None:
            continue
        around = np.max(np.abs(sharp[max(at - 400, 0) : at + 400]), initial=0.0)
        least_dbfs = max(recipe.room.level_dbfs + 26.0, recipe.speech_dbfs - 20.0)
        peak_dbfs = least_dbfs + track.rng.uniform(0.0, 10.0)
        if n % 2:
            peak_dbfs = max(20 * np.log10(around + 1e-9) + track.rng.uniform(8, 16), -45.0)
        track.lay_at(at, kind, mouth_click(track.rng) * scene.gain_of(min(peak_dbfs, -4.0)))


def _lay_spikes(track: Track, recipe: Recipe) -> None:
    """Single samples that stand alone, a broken bit or a digital click."""
    for n in range(recipe.spikes):
        at = _free_place(track, "click in speech" if n % 2 else "click in pause")
        if at is not None:
            height = track.rng.uniform(0.15, 0.7) * track.rng.choice([-1.0, 1.0])
            track.lay_at(at, "spike", np.array([height]))


def _sharp() -> np.ndarray:
    """What clicks are told by: the band over 2 kHz."""
    return np.asarray(signal.butter(4, 2000.0, "highpass", fs=RATE_HZ, output="sos"))


def _free_place(track: Track, kind: str) -> int | None:
    """A sample in a pause or in speech, away from all that was laid before."""
    spoken = [m for m in track.marks if m.kind == "speech"]
    others = [m for m in track.marks if m.kind != "speech"]
    for _ in range(200):
        at = int(track.rng.integers(spoken[0].start, spoken[-1].stop))
        inside = any(m.start + 6000 < at < m.stop - 6000 for m in spoken)
        apart = all(at < m.start - 6000 or at > m.stop + 6000 for m in spoken)
        alone = all(at < m.start - 3500 or at > m.stop + 3500 for m in others)
        if alone and (inside if kind == "click in speech" else apart):
            return at
    return None


def whole_room(n: int, recipe: Recipe, rng: np.random.Generator) -> np.ndarray:
    """The room of a take; where it changes, over 1.5 s in the middle."""
    first = room_tone(n, recipe.room, rng)
    if recipe.room_later is None:
        return first
    turn = np.clip((np.arange(n) - n / 2) / scene.samples_in(1.5) + 0.5, 0.0, 1.0) * np.pi / 2
    return first * np.cos(turn) + room_tone(n, recipe.room_later, rng) * np.sin(turn)


def _bed(n: int, recipe: Recipe, rng: np.random.Generator) -> np.ndarray:
    """Music under everything, as far under the speech as the recipe says."""
    if recipe.bed_under_db is None:
        return np.zeros(n)
    beats = int(n / RATE_HZ / music.BEAT_S) + 2
    tune = soxr.resample(music.harp(int(rng.integers(1 << 30)), beats), music.RATE_HZ, RATE_HZ)
    return scene.at_rms(np.resize(tune, n), recipe.speech_dbfs - recipe.bed_under_db)


def _banded(x: np.ndarray, recipe: Recipe) -> np.ndarray:
    """What a narrow line lets through."""
    if recipe.band_hz is None:
        return x
    sos = signal.butter(6, recipe.band_hz, "bandpass", fs=RATE_HZ, output="sos")
    return np.asarray(signal.sosfilt(sos, x, axis=0))


def _mixed(track: Track, recipe: Recipe) -> Take:
    n = track.pen
    speech, besides = track.mixed("speech"), track.mixed("breath", "mouth")
    mouth = speech + besides
    if recipe.echo_db is not None:
        late = scene.echoes(track.rng, decay_s=0.25, level_db=recipe.echo_db)
        mouth = mouth + signal.oaconvolve(mouth, late)[:n]
    rooms = np.stack([whole_room(n, recipe, track.rng) for _ in range(recipe.channels)], axis=1)
    if recipe.muted_pauses:
        rooms[_far_from(track, scene.samples_in(0.12))] = 0.0
    rooms = rooms + _bed(n, recipe, track.rng)[:, None]
    wanted = (mouth + track.mixed("page", "end noise"))[:, None] + rooms
    faults = track.mixed("click in pause", "click in speech", "spike", "thump")[:, None]
    if recipe.hum_hz is not None:
        faults = faults + hum(n, recipe.hum_dbfs, recipe.hum_hz)[:, None]
    lines = (wanted, faults, speech, rooms, besides)
    wanted, faults, speech, rooms, besides = (_banded(x, recipe) for x in lines)
    factor = _factor(recipe, wanted + faults)
    samples = (wanted + faults) * factor + recipe.dc
    over = np.abs(samples).max(axis=1) > 1.0
    return Take(
        recipe,
        np.clip(samples, -1.0, 1.0),
        wanted.mean(axis=1) * factor,
        speech * factor,
        rooms.mean(axis=1) * factor,
        besides * factor,
        tuple(track.marks),
        over,
    )


def _far_from(track: Track, reach: int) -> np.ndarray:
    """Samples further than *reach* from any speech."""
    far = np.ones(track.pen, bool)
    for mark in track.marks:
        if mark.kind == "speech":
            far[max(mark.start - reach, 0) : mark.stop + reach] = False
    return far


def _factor(recipe: Recipe, samples: np.ndarray) -> float:
    """The recording gain: as the recipe says, up to its peak, or until some samples clip."""
    if recipe.clip_share:
        return float(1.0 / np.quantile(np.abs(samples), 1.0 - recipe.clip_share))
    if recipe.peak_dbfs is not None:
        return float(scene.gain_of(recipe.peak_dbfs) / np.max(np.abs(samples)))
    gain = scene.gain_of(recipe.whole_gain_db)
    if recipe.peak_most_dbfs is None:
        return gain
    return float(min(gain, scene.gain_of(recipe.peak_most_dbfs) / np.max(np.abs(samples))))
