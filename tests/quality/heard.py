"""The takes of the hearing bench: real voices nobody prepared for, in rooms, with breaths and noises.

`SCENES` says what takes there are; `recipes_of` gives each a voice of the asked set, so that every
voice speaks at least once. A take is laid out phrase by phrase; between two phrases stands a pause
that holds a breath, another sound of the mouth, or nothing.

Conventions: as in `takes.py`. A breath that lies 50 ms or more from speech is *clear*, any other
*touches*. Its level is RMS under the active level of the phrase beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import scene
from voices import Voice, voice_named, voices_of

from breathing import BREATHS, LENGTHS_S, MOUTH, breath, mouth_sound
from manners import laughed, sung, whispered
from noises import END_NOISES, Room
from sources import (
    EDGE_MS,
    RATE_HZ,
    Drawn,
    SpeechMissing,
    at_active_level,
    phrase_of,
    synthetic_phrase,
)
from takes import Recipe, Track, lay_clicks

Set = Literal["open", "kept"]
ROLES: dict[Set, Literal["test", "kept"]] = {"open": "test", "kept": "kept"}
#: From here on a breath is clear of words.
CLEAR_S = 0.05
#: How far a breath that touches lies from the word; negative where it runs into it.
TOUCHING_S = (-0.01, 0.05)
#: A breath is laid only where it stands so far over the room, a noise at an end so far.
OVER_ROOM_DB, NOISE_OVER_ROOM_DB = 8.0, 12.0
#: Every utterance has so much fade before and behind its speech.
EDGE = scene.samples_in(EDGE_MS / 1000.0)


@dataclass(frozen=True)
class Heard(Recipe):
    """A take of the hearing bench.

    ``manner`` is how the voice speaks, ``aside`` how it speaks every third phrase, ``aside_db``
    louder. ``lender`` is the voice whose tract and consonants the breaths are made of. ``before``
    and ``after`` are noises at the ends; ``parted_s`` is how far from the first and last phrase.
    """

    lender: str = ""
    manner: str = "spoken"
    aside: str = ""
    aside_db: float = 0.0
    vary_db: float = 2.0
    seconds: float = 34.0
    phrase_s: tuple[float, float] = (1.0, 3.5)
    kinds: tuple[str, ...] = BREATHS
    under_db: tuple[float, float] = (10.0, 40.0)
    breathing: float = 0.7
    touching: float = 0.45
    smacking: float = 0.12
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    parted_s: tuple[float, float] = (0.3, 2.0)
    clicks: int = 0
    peak_most_dbfs: float | None = -1.0

    def lay(self, track: Track) -> None:
        """Lay out the take."""
        mouths = _Mouth(self, track.rng)
        track.wait(track.rng.uniform(0.3, 0.8))
        _lay_before(track, self)
        if self.false_start:
            _lay_false_start(track, self, mouths)
        count = 0
        while track.pen < self.seconds * RATE_HZ or count < 4:
            _lay_gap(track, self, first=count == 0)
            _lay_phrase(track, self, mouths, count)
            count += 1
        _lay_after(track, self)
        track.wait(track.rng.uniform(0.5, 1.2))
        lay_clicks(track, self)


class _Mouth:
    """Where the phrases of a take come from."""

    def __init__(self, recipe: Heard, rng: np.random.Generator) -> None:
        self._recipe, self._rng = recipe, rng
        self._laughs: Drawn | None = None
        voice = voice_named(recipe.voice)
        self._pieces = Drawn(voice, rng)
        if "laughed" in (recipe.manner, recipe.aside):
            self._laughs = _laughs_of(voice, rng)

    def phrase(self, manner: str) -> np.ndarray:
        """One phrase in a manner."""
        least_s = float(self._rng.uniform(*self._recipe.phrase_s))
        if manner == "synthetic whisper":
            return synthetic_phrase(
                "whisper" if self._rng.random() < 0.5 else "whisper-high", self._rng
            )
        if manner == "laughed" and self._laughs is not None and self._rng.random() < 0.5:
            return self._laughs.next()
        spoken = phrase_of(self._pieces, least_s, self._rng)
        if manner == "whispered":
            return whispered(spoken, self._rng)
        made = {"sung": sung, "laughed": laughed}.get(manner)
        for _ in range(8 if made else 0):
            found = made(spoken, self._rng) if made else None
            if found is not None:
                return found
            spoken = phrase_of(self._pieces, least_s, self._rng)
        return spoken


def _laughs_of(voice: Voice, rng: np.random.Generator) -> Drawn | None:
    """Recordings in which the voice laughs, where its package has any."""
    laughing = replace(voice, pattern=voice.pattern + r".*[Ll]augh[^/]*\.ogg$", leave_out=r"^$")
    try:
        found = Drawn(laughing, rng)
        found.next()
    except SpeechMissing:
        return None
    return found


# --- laying out -----------------------------------------------------------------------------------


def _lay_phrase(track: Track, recipe: Heard, mouths: _Mouth, count: int) -> None:
    aside = bool(recipe.aside) and count % 3 == 2
    manner = recipe.aside if aside else recipe.manner
    level_dbfs = recipe.speech_dbfs + float(track.rng.uniform(-recipe.vary_db, recipe.vary_db))
    level_dbfs += recipe.aside_db if aside else 0.0
    sound = at_active_level(mouths.phrase(manner), level_dbfs)
    track.lay("speech", sound, level_db=level_dbfs, what=manner)


def _lay_false_start(track: Track, recipe: Heard, mouths: _Mouth) -> None:
    """A phrase that breaks off after half a second; somebody clears their head and begins anew."""
    sound = at_active_level(mouths.phrase(recipe.manner), recipe.speech_dbfs)
    n = min(scene.samples_in(track.rng.uniform(0.35, 0.8)), len(sound))
    sound = sound[:n].copy()
    sound[-EDGE:] *= np.cos(np.linspace(0.0, np.pi / 2, EDGE)) ** 2
    track.lay("speech", sound, level_db=recipe.speech_dbfs, what="false start")
    track.wait(track.rng.uniform(0.6, 1.5))


def _lay_gap(track: Track, recipe: Heard, first: bool) -> None:
    """What stands between two phrases, or before the first: a breath, a smack, or nothing."""
    rng = track.rng
    chance = rng.random()
    if chance < recipe.breathing:
        _lay_breath(track, recipe, first)
    elif chance < recipe.breathing + recipe.smacking and not first:
        _lay_mouth_sound(track, recipe)
    elif not first:
        track.wait(float(np.exp(rng.uniform(np.log(0.25), np.log(1.6)))) + 2 * EDGE / RATE_HZ)


def _lay_breath(track: Track, recipe: Heard, first: bool) -> None:
    """A breath in a pause of its own: clear of both words, or touching one of them."""
    rng = track.rng
    kind = str(recipe.kinds[int(rng.integers(len(recipe.kinds)))])
    low_s, high_s = LENGTHS_S[kind]
    seconds = float(np.exp(rng.uniform(np.log(low_s), np.log(high_s))))
    touches = rng.random() < recipe.touching
    near_s = float(rng.uniform(*TOUCHING_S) if touches else rng.uniform(0.06, 0.4))
    far_s = float(rng.uniform(0.15, 0.8))
    follows = not first and rng.random() < (0.35 if touches else 0.5)
    before_s, behind_s = (near_s, far_s) if follows else (far_s, near_s)
    under_db = _under_db(recipe, rng)
    sound = breath(kind, seconds, recipe.lender, rng)
    spoken = _last_stop(track)
    begin = track.pen if spoken is None else spoken - EDGE
    start = begin + scene.samples_in(before_s)
    level_dbfs = recipe.speech_dbfs - under_db
    said: dict[str, Any] = {"what": kind, "gap_s": near_s, "under_db": under_db}
    track.lay_at(start, "breath", sound * scene.gain_of(level_dbfs), level_db=level_dbfs, **said)
    track.pen = max(start + len(sound) + scene.samples_in(behind_s) - EDGE, track.pen)


def _under_db(recipe: Heard, rng: np.random.Generator) -> float:
    """How far a breath lies under the speech: as the recipe says, but not lost in the room."""
    least, most = recipe.under_db
    most = min(most, recipe.speech_dbfs - recipe.room.level_dbfs - OVER_ROOM_DB)
    return float(rng.uniform(min(least, most), most))


def _last_stop(track: Track) -> int | None:
    return max((m.stop for m in track.marks if m.kind == "speech"), default=None)


def _lay_mouth_sound(track: Track, recipe: Heard) -> None:
    """Lips or a gulp in the midst of a pause."""
    rng = track.rng
    kind = str(rng.choice(MOUTH))
    peak_dbfs = max(recipe.speech_dbfs - rng.uniform(4.0, 22.0), recipe.room.level_dbfs + 22.0)
    sound = mouth_sound(kind, rng) * scene.gain_of(peak_dbfs)
    track.wait(rng.uniform(0.2, 0.7) + EDGE / RATE_HZ)
    track.lay("mouth", sound, what=kind, under_db=recipe.speech_dbfs - peak_dbfs)
    track.wait(rng.uniform(0.2, 0.7) + EDGE / RATE_HZ)


def _end_noise(recipe: Heard, kind: str, rng: np.random.Generator) -> np.ndarray:
    sound = END_NOISES[kind](rng)
    least_dbfs = recipe.room.level_dbfs + NOISE_OVER_ROOM_DB
    return scene.at_rms(sound, max(scene.rms_dbfs(sound), least_dbfs))


def _lay_before(track: Track, recipe: Heard) -> None:
    for n, kind in enumerate(recipe.before):
        left = len(recipe.before) - 1 - n
        parted_s = float(
            track.rng.uniform(*recipe.parted_s) if not left else track.rng.uniform(0.2, 0.8)
        )
        # What comes first is as far from speech as all that follows it makes it; at least this far.
        track.lay("end noise", _end_noise(recipe, kind, track.rng), what=kind, gap_s=parted_s)
        track.wait(parted_s)


def _lay_after(track: Track, recipe: Heard) -> None:
    for n, kind in enumerate(recipe.after):
        parted_s = float(
            track.rng.uniform(*recipe.parted_s) if not n else track.rng.uniform(0.2, 0.8)
        )
        track.wait(parted_s)
        track.lay("end noise", _end_noise(recipe, kind, track.rng), what=kind, gap_s=parted_s)


# --- which takes there are ------------------------------------------------------------------------

QUIET, SOFT = Room("dull", -75), Room("white", -68)
#: What the takes of a set hold, by name; voices are dealt out by `recipes_of`.
SCENES: dict[str, dict[str, Any]] = {
    "plain": {"room": Room("dull", -64), "quick": True},
    "plain-hiss": {"room": Room("white", -60), "clicks": 6},
    "plain-fan": {"room": Room("fan", -56), "before": ("page",)},
    "near-fan": {"room": Room("near fan", -52), "after": ("chair",)},
    "rain": {"room": Room("rain", -52), "before": ("bump", "page")},
    "street": {"room": Room("street", -48), "after": ("bump",)},
    "hum": {"room": Room("dull", -66), "hum_hz": 50.0, "hum_dbfs": -52.0, "before": ("chair",)},
    "bright": {"room": Room("bright", -62), "clicks": 6},
    "brown": {"room": Room("brown", -45), "after": ("page", "chair")},
    "loud-room": {"room": Room("dull", -40), "speech_dbfs": -18.0},
    "loud-hiss": {"room": Room("white", -45), "speech_dbfs": -18.0},
    "room-changes": {"room": Room("dull", -66), "room_later": Room("fan", -54)},
    "muted": {"room": Room("dull", -60), "muted_pauses": True, "breathing": 0.4},
    "touching": {"room": QUIET, "touching": 1.0, "breathing": 0.9, "quick": True},
    "touching-hiss": {
        "room": Room("white", -62), "touching": 1.0, "breathing": 0.9, "after": ("bump",),
    },
    "touching-soft": {"room": SOFT, "touching": 1.0, "under_db": (22.0, 40.0), "breathing": 0.9},
    "soft-breaths": {"room": QUIET, "under_db": (30.0, 40.0), "breathing": 0.9},
    "loud-breaths": {"room": SOFT, "under_db": (10.0, 16.0), "breathing": 0.9, "quick": True},
    "sniffs": {"room": Room("dull", -66), "kinds": ("sniff", "nose"), "breathing": 0.8},
    "smacks": {"room": Room("dull", -66), "breathing": 0.3, "smacking": 0.6, "clicks": 6},
    "ends": {
        "room": Room("dull", -62), "before": ("chair", "page"), "after": ("bump", "page"),
        "parted_s": (0.6, 2.0), "quick": True,
    },
    "ends-close": {
        "room": Room("fan", -60), "before": ("page", "bump"), "after": ("chair",),
        "false_start": True,
    },
    "ends-cough": {
        "room": Room("white", -64), "before": ("cough",), "after": ("cough",),
        "parted_s": (0.6, 2.0),
    },
    "false-start": {"room": Room("dull", -60), "before": ("bump",), "false_start": True},
    "echo": {"room": Room("dull", -64), "echo_db": -16.0, "before": ("chair",)},
    "echo-fan": {"room": Room("fan", -58), "echo_db": -14.0},
    "telephone": {
        "room": Room("white", -52), "band_hz": (300.0, 3400.0), "file_rate_hz": 16_000,
        "quick": True,
    },
    "telephone-quiet": {
        "room": Room("dull", -58), "band_hz": (300.0, 3400.0), "file_rate_hz": 16_000,
        "touching": 0.6, "after": ("bump",),
    },
    "wide": {"room": Room("white", -70), "file_rate_hz": 48_000, "before": ("page",)},
    "stereo": {"room": Room("dull", -63), "channels": 2, "after": ("chair",)},
    "soft-take": {"room": Room("dull", -58), "whole_gain_db": -20.0, "before": ("bump",)},
    "acted": {"room": Room("dull", -66), "vary_db": 7.0, "actor": True, "quick": True},
    "shouted": {
        "room": Room("dull", -64), "aside": "spoken", "aside_db": 13.0, "speech_dbfs": -27.0,
        "actor": True,
    },
    "laughter": {
        "room": Room("dull", -64), "aside": "laughed", "aside_db": 3.0, "actor": True,
        "before": ("page",),
    },
    "whispered": {"room": SOFT, "manner": "whispered", "speech_dbfs": -30.0, "quick": True},
    "whispered-hiss": {
        "room": Room("white", -66), "manner": "whispered", "speech_dbfs": -28.0, "touching": 0.3,
    },
    "whispered-lines": {"room": Room("dull", -68), "aside": "whispered", "aside_db": -12.0},
    "made-whisper": {
        "room": Room("dull", -68), "aside": "synthetic whisper", "aside_db": -12.0,
    },
    "sung": {"room": Room("dull", -64), "aside": "sung", "after": ("page",), "quick": True},
    "music": {"room": Room("dull", -64), "bed_under_db": 18.0, "breathing": 0.5},
    "music-soft": {"room": Room("white", -66), "bed_under_db": 26.0, "breathing": 0.5},
}  # fmt: skip

#: Voices whose recordings cannot carry a take.
UNFIT = {"nl-stamps"}


def recipes_of(which: Set, quick: bool = False) -> list[Heard]:
    """The takes of a set; every voice speaks in at least one."""
    voices = [v for v in voices_of(ROLES[which]) if v.name not in UNFIT]
    actors = [v for v in voices if "hogs" in v.name] or voices
    made = []
    turn = acted = 0
    for name, scene_of in SCENES.items():
        held = dict(scene_of)
        if held.pop("actor", False):
            voice, acted = actors[acted % len(actors)], acted + 1
        else:
            voice, turn = voices[turn % len(voices)], turn + 1
        lender = voices[(voices.index(voice) + len(voices) // 2) % len(voices)]
        made.append(Heard(name=name, voice=voice.name, lender=lender.name, **held))
    return [r for r in made if r.quick or not quick]
