"""The real chain over a take, and its finished samples laid back on the take's own time line.

Nothing of fairtake's inside is relied on: a take goes in as a file, `fairtake.master.finish` makes
the finished WAV, and the receipt's note of `trim` says what was cut and laid in. That mapping is
checked by cross-correlation at several spots of loud speech, and set right to a fraction of a
sample by it. Only the band over `PLAIN_PHASE_HZ` counts: filters against rumble and hum shift what
lies near them by milliseconds, and the low part of a voice is its loudest.
"""

from __future__ import annotations

import math
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from scipy import fft, signal

sys.path.insert(0, str(Path(__file__).parents[2] / "service"))

from fairtake.master import Job, finish
from fairtake.profile import Profile
from fairtake.receipt import Receipt
from fairtake.shipped import load_profile
from sources import FRAME, RATE_HZ, frame_levels_db
from takes import Take

#: A spot that lies further than this from where the mapping puts it says the mapping is wrong.
MOST_OFF_MS = 0.5
#: The receipt rounds two lengths to milliseconds, half of one each.
MOST_OFF_RECEIPT_MS = 1.1
#: A high-pass at 90 Hz delays what lies over this by less than a sample and a half.
PLAIN_PHASE_HZ = 1000.0
SEARCH_MS = 60.0
SPOT_S = 0.4


@dataclass(frozen=True)
class Finished:
    """What became of a take.

    ``samples`` are the finished file's, shape (n, channels), at ``rate_hz``. ``aligned`` is the
    same sound, mono, on the take's time line and at its rate: sample *i* of it is what became of
    sample *i* of the take, where ``kept``. ``off_ms`` is how far single spots lie off this mapping
    at most, ``off_receipt_ms`` how far the mapping lies off what the receipt says.
    """

    profile: Profile
    receipt: Receipt
    samples: np.ndarray
    rate_hz: int
    aligned: np.ndarray
    kept: np.ndarray
    shift_s: float
    off_ms: float
    off_receipt_ms: float

    @property
    def duration_s(self) -> float:
        return len(self.samples) / self.rate_hz

    def finished_s(self, take_sample: int) -> float:
        """Where in the finished file a sample of the take lies."""
        return take_sample / RATE_HZ + self.shift_s


def finished(take: Take, profile_name: str, profile: Profile | None = None) -> Finished:
    """Master *take* with a shipped profile, or another one under its name."""
    profile = profile or load_profile(profile_name)
    with tempfile.TemporaryDirectory(prefix="fairtake-bench-") as folder:
        path = Path(folder) / f"{take.name}.wav"
        file_rate_hz = take.recipe.file_rate_hz
        written = soxr.resample(take.samples, RATE_HZ, file_rate_hz)
        soundfile.write(path, written, file_rate_hz, subtype="PCM_24")
        done = finish(Job(path, path.name, take.name, profile_name, profile), Path(folder))
        samples, rate_hz = soundfile.read(done.wav, always_2d=True)
    return _laid_back(take, profile, done.receipt, samples, rate_hz)


def _laid_back(
    take: Take, profile: Profile, receipt: Receipt, samples: np.ndarray, rate_hz: int
) -> Finished:
    total_s = len(take.samples) / RATE_HZ
    note = next((s.did for s in receipt.stages if s.stage == "trim"), {})
    begun_s = float(note.get("cut_from_head_s", 0.0))
    ended_s = total_s - float(note.get("cut_from_tail_s", 0.0))
    shift_s = float(note.get("tone_added_head_s", 0.0)) - begun_s
    mono = soxr.resample(samples.mean(axis=1), rate_hz, RATE_HZ)
    said = round(shift_s * RATE_HZ)
    offs = _offs(take, mono, said)
    off = float(np.median(offs)) if len(offs) else 0.0
    shift = said + math.floor(off)
    mono = advanced(mono, off - math.floor(off))
    place = np.arange(len(take.samples))
    kept = (place >= begun_s * RATE_HZ) & (place < ended_s * RATE_HZ)
    kept &= (place + shift >= 0) & (place + shift < len(mono))
    aligned = np.zeros(len(place))
    aligned[kept] = mono[place[kept] + shift]
    ms = 1000 / RATE_HZ
    worst = float(np.abs(offs - off).max(initial=0.0))
    moved_s = (said + off) / RATE_HZ
    return Finished(
        profile, receipt, samples, rate_hz, aligned, kept, moved_s, worst * ms, abs(off) * ms
    )


def advanced(x: np.ndarray, by: float) -> np.ndarray:
    """*x* as it would be had it been sampled *by* samples later, 0 to 1."""
    size = fft.next_fast_len(len(x) + 64, real=True)
    turn = np.exp(2j * np.pi * by * np.arange(size // 2 + 1) / size)
    return np.asarray(fft.irfft(fft.rfft(x, size) * turn, size)[: len(x)])


def _offs(take: Take, mono: np.ndarray, shift: int) -> np.ndarray:
    """By how many samples the loudest spots of the take lie off the mapping, at most eight spots."""
    reach, length = round(SEARCH_MS * RATE_HZ / 1000), round(SPOT_S * RATE_HZ)
    sos = signal.butter(4, PLAIN_PHASE_HZ, "highpass", fs=RATE_HZ, output="sos")
    was, now = (signal.sosfiltfilt(sos, x) for x in (take.reference, mono))
    offs = []
    for start in _spots(take, length):
        at = start + shift - reach
        if at < 0 or at + length + 2 * reach > len(mono):
            continue
        here, there = was[start : start + length], now[at : at + length + 2 * reach]
        offs.append(_top(signal.correlate(there, here, "valid", "fft")) - reach)
    return np.array(offs)


def _top(curve: np.ndarray) -> float:
    """Where the greatest value lies, between its neighbours by a parabola through all three."""
    top = int(np.clip(np.argmax(curve), 1, len(curve) - 2))
    left, middle, right = curve[top - 1 : top + 2]
    bend = left - 2 * middle + right
    return top + (0.5 * float((left - right) / bend) if bend else 0.0)


def _spots(take: Take, length: int) -> list[int]:
    """Where eight phrases, spread over the take, are loudest."""
    speech = take.of("speech")
    spots = []
    for mark in speech[:: max(len(speech) // 8, 1)]:
        level_db = frame_levels_db(take.speech[mark.start : mark.stop])
        width = min(length // FRAME, len(level_db))
        power = np.convolve(10 ** (level_db / 10), np.ones(width), "valid")
        spots.append(mark.start + int(np.argmax(power)) * FRAME)
    return [s for s in spots if s + length <= len(take.samples)]
