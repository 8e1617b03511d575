"""What is true of each frame of 10 ms, from the layers a take was made of.

A frame belongs to what can be heard in it. Voice goes before everything; of breath and noise the
louder one counts, and over music only what is louder than it; music is music wherever it is audible
and nobody speaks; the rest is room. Where even the layers leave doubt (a word's end in the noise, a
breath that just sinks into it) the frame has a label but does not count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import tools  # finds the product
from layers import Layers
from scipy import ndimage

from fairtake.sound.ear.bands import band_powers

assert tools
VOICE, BREATH, NOISE, MUSIC, ROOM = range(5)
CLASSES = ("voice", "breath", "noise", "music", "room")
#: Relative to the loudest twentieth of the speech around: down to here it is speech, or may be.
SPEECH_DB, DOUBT_DB = -45.0, -58.0
#: A quiet section counts as quiet speech, a long pause does not: this far under the loud parts.
QUIETEST_SECTION_DB = -16.0
#: Frames over which speech is local, noise is even, and music's rests are music.
SECTION_FRAMES, EVEN_FRAMES, REST_FRAMES = 401, 15, 41
#: Music between two words nearer than this may as well be called part of the phrase.
PHRASE_GAP_FRAMES = 20
LEAST_DB = -92.0

Powers = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Labels:
    """A class and whether it counts, for each frame."""

    classes: npt.NDArray[np.int8]
    counts: Mask


def _level_db(powers: Powers) -> Powers:
    """Level without the lowest band, in which rumble lies."""
    return np.asarray(10 * np.log10(powers[:, 1:].sum(axis=1) + 1e-13), np.float32)


def _bands_over(powers: Powers, floor: Powers, factor: float) -> npt.NDArray[np.int_]:
    """In how many bands a layer passes a floor."""
    return np.asarray((powers > factor * floor)[:, 1:].sum(axis=1))


def _even(powers: Powers) -> Powers:
    return ndimage.uniform_filter1d(powers, EVEN_FRAMES, axis=0) + np.float32(1e-11)


def labels_of(layers: Layers, rate_hz: int) -> Labels:
    """The labels of a take with these layers."""
    voice, breath, noise, music, room = (band_powers(x, rate_hz) for x in layers.all())
    floor, around = _even(room), _even(room + music)
    voice_db, breath_db, noise_db = _level_db(voice), _level_db(breath), _level_db(noise)
    speech_db = np.percentile(voice_db, 95)
    quiet_db = max(LEAST_DB, speech_db + DOUBT_DB)

    classes = np.full(len(voice), ROOM, np.int8)
    tune, tune_doubt = _music(music, floor, float(speech_db))
    classes[tune] = MUSIC
    breath_bands, noise_bands = (_bands_over(x, around, 1.6) for x in (breath, noise))
    # Under music a breath must stand out: turning it down would turn down the music.
    tune_db = np.where(tune, _level_db(_even(music)), LEAST_DB)
    breathed = (breath_bands >= 2) & (breath_db > np.maximum(quiet_db, tune_db))
    disturbed = (noise_bands >= 2) & (noise_db > np.maximum(quiet_db, tune_db))
    classes[breathed] = BREATH
    classes[disturbed & (~breathed | (noise_db > breath_db))] = NOISE

    others = np.maximum(around, np.maximum(breath, noise))
    local_db = _local(voice_db, float(speech_db))
    plain = (_bands_over(voice, around, 2) >= 3) & (voice_db > local_db + SPEECH_DB)
    on_top = _bands_over(voice, others, 0.5) >= 3
    spoken = plain & (on_top | (voice_db > np.maximum(breath_db, noise_db) - 6))
    classes[spoken] = VOICE

    doubt = (voice_db > local_db + DOUBT_DB) & (_bands_over(voice, around, 0.4) >= 2)
    doubt |= tune & (voice_db > local_db + SPEECH_DB)  # a word that the music covers
    doubt |= (classes == MUSIC) & _between_words(spoken)
    rest = (classes == ROOM) | (classes == MUSIC)
    faint = (breath_bands + noise_bands == 1) & (classes == ROOM)
    faint |= (breath_bands + noise_bands >= 2) & (classes == MUSIC)
    counts = ~((doubt & ~spoken) | (faint & rest) | (tune_doubt & rest))
    return Labels(classes, counts)


def _local(voice_db: Powers, speech_db: float) -> Powers:
    """The level of the speech around each frame."""
    smooth = ndimage.uniform_filter1d(voice_db, 5)
    around = ndimage.maximum_filter1d(smooth, SECTION_FRAMES)
    return np.clip(around, speech_db + QUIETEST_SECTION_DB, speech_db)


def _between_words(spoken: Mask) -> Mask:
    """Gaps in speech too short to be pauses."""
    closed = ndimage.binary_closing(
        np.pad(spoken, PHRASE_GAP_FRAMES), np.ones(PHRASE_GAP_FRAMES + 1, bool)
    )
    return closed[PHRASE_GAP_FRAMES:-PHRASE_GAP_FRAMES] & ~spoken


def _music(music: Powers, floor: Powers, speech_db: float) -> tuple[Mask, Mask]:
    """Where music is audible, rests of up to 0.2 s with it, and where one may doubt that."""
    held = ndimage.maximum_filter1d(_even(music), REST_FRAMES, axis=0)
    bands, level_db = _bands_over(held, floor, 1.6), _level_db(held)
    heard = (bands >= 3) & (level_db > speech_db - 50)
    sure = (bands >= 5) & (level_db > speech_db - 46)
    hinted = (bands >= 1) & (level_db > speech_db + DOUBT_DB)
    return heard, (heard & ~sure) | (hinted & ~heard)
