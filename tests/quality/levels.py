"""The level bench: whether each profile's level is reached, and what reaching it does to a voice.

    python tests/quality/levels.py [--set open|kept] [--profile NAME ...] [--only NAME] [--json FILE]

Every take goes through the real chain twice: as the profile asks, and with a target so low that nothing is
limited. What the two differ by, frame by frame, is what was done for the level: by the limiter and by
turning the phase. Before that a steady vowel goes through each profile's limiter alone, pressed by 3 and by
6 dB, and what it adds is told (THD+N). No test: nothing is timed or asserted. Levels and peaks are measured by libebur128, by
numpy, and at eight times the rate; PESQ where the package `pesq` is installed (`pip install pesq`).
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import multiprocessing
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import soxr
from scipy import signal

from chain import Finished, finished
from fairtake.errors import FairtakeError
from fairtake.profile import Profile
from fairtake.shipped import load_profile
from fairtake.sound.render import Limiter
from fairtake.sound.stages.limit import aim_dbtp
from fairtake.units import gain
from heard import ROLES, Heard, recipes_of
from measuring import FIRST_FRAMES, LAST_FRAMES, Compared, median, words
from sources import FRAME, RATE_HZ, SpeechMissing, runs, voicing
from takes import Take, make_take
from verdicts import Demand, aligned, totals_table

NAMES = ("stream", "podcast", "speech", "broadcast", "audiobook")
#: So low nothing is limited.
UNLIMITED_DB = -36.0
NEAR_DB, PUSHED_DB, UNDER_DB, AROUND = 0.1, 3.0, 6.0, 50
PESQ_RATE_HZ = 16_000

DEMANDS = (
    Demand("level reached within 0.1 dB, WAV and MP3", "reached", 95, 100, False, "share", " %", "one"),
    Demand("short by at most, where not", "short_db", 1.5, None, unit=" dB"),
    Demand("true peak over the ceiling, WAV, 8 times the rate", "over_wav_db", 0, 0, unit=" dB"),
    Demand("true peak over the ceiling, MP3", "over_mp3_db", 0, 0, unit=" dB"),
    Demand("word edges pushed by more than 3 dB", "edges_pushed", 0, 0, how="share", unit=" %", of="edges"),
    Demand("worst edge", "worst_edge_db", unit=" dB", at_most=False),
    Demand("frames more than 6 dB under their neighbours, worst take", "under_percent", 0.2, 0.1, unit=" %"),
    Demand("voiced spectral distance, worst take", "spectrum_db", 0.2, 0.1, unit=" dB"),
    Demand("PESQ, not spread, worst take", "pesq", 4.5, 4.55, False),
    Demand("PESQ, through all-passes, worst take", "pesq_spread", 4.15, 4.3, False),
    Demand("pauses raised against speech, worst take", "raised_db", 2, 1, unit=" dB"),
)  # fmt: skip


def asked_level(profile: Profile, done: Finished, kind: str) -> float:
    """How far a written file is from its target, dB; libebur128 or numpy."""
    found = done.receipt.after.wav if kind == "wav" else done.receipt.after.mp3
    target = profile.normalise.target_for(done.samples.shape[1])
    if kind == "mp3":
        level = found.loudness_lufs if profile.normalise.by == "loudness" else found.rms_dbfs
        return float(level - target) if level is not None else -99.0
    x = done.samples
    if profile.normalise.by == "rms":
        return float(10 * np.log10(np.mean(x**2)) - target)
    state = pyebur128.R128State(x.shape[1], done.rate_hz, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(x, np.float64).ravel(), len(x))
    return float(pyebur128.get_loudness_global(state) - target)


def effect_db(limited: Compared, plain: Compared) -> np.ndarray:
    """What was done for the level, dB a frame, against the median of speech."""
    known = limited.known & plain.known
    apart = limited.is_db - plain.is_db
    return np.asarray(apart - median(apart[known]))


def measured(take: Take, profile: Profile, done: Finished, plain: Finished) -> dict[str, Any]:
    """Everything about one take under one profile."""
    off = [asked_level(profile, done, kind) for kind in ("wav", "mp3")]
    ceiling = profile.limit.ceiling_dbtp
    eight = signal.resample_poly(done.samples, 8, 1, axis=0)
    phase = next((n.did for n in done.receipt.stages if n.stage == "phase"), {})
    limit = next(n.did for n in done.receipt.stages if n.stage == "limit")
    c, p = Compared(take, done), Compared(take, plain)
    effect, known = effect_db(c, p), c.known & p.known
    pushed = [effect[known & _at(slice_, len(effect))] for slice_ in _edges(c)]
    edges = [
        float(e.mean() - m)
        for e, m in zip(pushed, _beside(c, effect, known), strict=True)
        if len(e)
    ]
    under = 0
    for i in np.flatnonzero(known):
        here = slice(max(i - AROUND, 0), i + AROUND + 1)
        under += effect[i] < median(effect[here][known[here]]) - UNDER_DB
    found = {
        "take": take.name, "voice": take.recipe.voice, "profile": done.receipt.profile.name, "one": 1,
        "reached": int(max(map(abs, off)) <= NEAR_DB), "short_db": max(-min(off), 0.0),
        "over_wav_db": max(20 * np.log10(np.abs(eight).max()) - ceiling, 0.0),
        "over_mp3_db": max((done.receipt.after.mp3.true_peak_dbtp or -99.0) - ceiling, 0.0),
        "edges": len(edges), "edges_pushed": sum(e < -PUSHED_DB for e in edges),
        "worst_edge_db": min(edges, default=0.0), "under_percent": 100 * under / max(known.sum(), 1),
        "spectrum_db": spectral_distance_db(take, done, plain, known), "raised_db": raised_db(c, effect, known),
        "limited_db": limit["greatest_db"], "angle_deg": phase.get("angle_deg", 0.0),
        "all_passes": phase.get("all_passes", 0), "pesq": None, "pesq_spread": None,
    }  # fmt: skip
    found["pesq_spread" if found["all_passes"] else "pesq"] = pesq_of(done, plain)
    return found


def _at(part: slice, size: int) -> np.ndarray:
    inside = np.zeros(size, bool)
    inside[part] = True
    return inside


def _edges(c: Compared) -> list[slice]:
    spans = words(c)
    return [s for a, b in spans for s in (slice(a, a + FIRST_FRAMES), slice(b - LAST_FRAMES, b))]


def _beside(c: Compared, effect: np.ndarray, known: np.ndarray) -> list[float]:
    """The effect in the middle of the word that each of `_edges` belongs to."""
    return [median(effect[a:b][known[a:b]]) for a, b in words(c) for _ in range(2)]


def spectral_distance_db(take: Take, done: Finished, plain: Finished, known: np.ndarray) -> float:
    """Mean distance of the voiced frames' long-term spectra in octave bands, each frame's gain taken out."""
    voiced = np.flatnonzero(known & (voicing(take.speech)[: len(known)] > 0.6))
    if not len(voiced):
        return 0.0
    spectra = []
    for one in (done, plain):
        frames = np.stack([one.aligned[i * FRAME : (i + 1) * FRAME] for i in voiced])
        power = np.abs(np.fft.rfft(frames * np.hanning(FRAME), axis=1)) ** 2
        spectra.append(power / (power.sum(axis=1, keepdims=True) + 1e-20))
    hz = np.fft.rfftfreq(FRAME, 1 / RATE_HZ)
    bands = [(hz >= low) & (hz < 2 * low) for low in (150, 300, 600, 1200, 2400, 4800)]
    apart = [
        10 * np.log10((spectra[0][:, b].mean() + 1e-12) / (spectra[1][:, b].mean() + 1e-12))
        for b in bands
    ]
    return float(np.mean(np.abs(apart)))


def raised_db(c: Compared, effect: np.ndarray, known: np.ndarray) -> float:
    """How far pauses came up against the speech beside them, in the median of the take's pauses."""
    raised = []
    for start, stop in runs(~c.speech)[1:-1]:
        near = slice(max(start - AROUND, 0), stop + AROUND)
        if stop - start >= 30 and known[near].any():
            raised.append(median(effect[start + 10 : stop - 5]) - median(effect[near][known[near]]))
    return max(median(raised, 0.0), 0.0) if raised else 0.0


def pesq_of(done: Finished, plain: Finished) -> float | None:
    """PESQ of the take against itself unlimited, wide band (ITU-T P.862.2); None where it is not installed."""
    try:
        from pesq import pesq
    except ImportError:
        return None
    one, other = (soxr.resample(d.aligned, RATE_HZ, PESQ_RATE_HZ) for d in (plain, done))
    return float(pesq(PESQ_RATE_HZ, one / np.abs(one).max(), other / np.abs(other).max(), "wb"))


def vowel(rate: int, seconds: float, hz: float = 120.0) -> np.ndarray:
    """A held vowel: pulses through three resonances (an open "a"; common practice, no source)."""
    pulses = np.zeros(int(seconds * rate))
    pulses[:: round(rate / hz)] = 1
    for centre, width in ((700, 110), (1220, 120), (2600, 160)):
        radius, turn = np.exp(-np.pi * width / rate), 2 * np.pi * centre / rate
        pulses = signal.lfilter([1], [1, -2 * radius * np.cos(turn), radius**2], pulses)
    return pulses / np.abs(pulses).max()


def thd_n_db(profile: Profile, pressed_db: float, rate: int = 48_000) -> float:
    """What the limiter of *profile* adds to a vowel whose peaks it presses by so much: all that is no
    steady gain, against the vowel, dB."""
    clean = vowel(rate, 6.0)
    over = clean * gain(aim_dbtp(profile.limit) + pressed_db)
    limiter = Limiter(profile.limit, rate, 1)
    out = np.concatenate(list(limiter.limited(iter(over.reshape(-1, 2 * rate, 1)))))[:, 0]
    steady = slice(2 * rate, 4 * rate)
    x, y = over[steady], out[steady]
    rest = y - x * (x @ y) / (x @ x)
    return float(10 * np.log10((rest @ rest) / (y @ y)))


# --- running --------------------------------------------------------------------------------------


def rows_of(work: tuple[Heard, tuple[str, ...]]) -> list[dict[str, Any]]:
    recipe, names = work
    try:
        take = make_take(recipe, 1)
    except SpeechMissing as e:
        return [{"take": recipe.name, "failed": str(e)}]
    rows = []
    for name in names:
        profile = load_profile(name)
        low = profile.normalise.model_copy(update={"target": UNLIMITED_DB, "mono_target": None})
        try:
            done, plain = (
                finished(take, name, p)
                for p in (profile, profile.model_copy(update={"normalise": low}))
            )
            rows.append(measured(take, profile, done, plain))
        except FairtakeError as e:
            rows.append({"take": recipe.name, "profile": name, "failed": str(e)})
    return rows


def main() -> int:
    asked = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    asked.add_argument("--set", choices=tuple(ROLES), default="open", help="whose voices")
    asked.add_argument("--profile", choices=NAMES, action="append")
    asked.add_argument("--only", metavar="NAME", help="takes whose name holds NAME")
    asked.add_argument("--json", metavar="FILE", type=Path)
    asked.add_argument("--jobs", type=int, default=min(os.cpu_count() or 1, 4))
    given = asked.parse_args()
    names = tuple(given.profile or NAMES)
    recipes = [r for r in recipes_of(given.set) if not r.bed_under_db]
    work = [(r, names) for r in recipes if not given.only or given.only in r.name]
    for name in names:
        told = (f"{thd_n_db(load_profile(name), db):.0f} dB at {db:g} dB" for db in (3.0, 6.0))
        print(f"{name}: THD+N of a vowel {', '.join(told)} of limiting")
    with multiprocessing.get_context("spawn").Pool(given.jobs) as pool:
        rows = [row for some in pool.imap(rows_of, work) for row in some]
    for row in rows:
        if "failed" in row:
            print(f"{row['take']}: {row['failed']}")
    good = [row for row in rows if "failed" not in row]
    for name in names:
        mine = sorted((r for r in good if r["profile"] == name), key=lambda r: -r["short_db"])
        print(f"\n## {name}: {sum(r['reached'] for r in mine)} of {len(mine)} reached\n")
        grid = [["take", "voice", "short", "limited", "angle", "passes", "edge", "under%", "spec", "pesq", "raised"]]  # fmt: skip
        for r in mine:
            pesq = r["pesq"] or r["pesq_spread"]
            grid.append([
                r["take"], r["voice"], f"{r['short_db']:.2f}", f"{r['limited_db']:.1f}", f"{r['angle_deg']:.0f}",
                str(r["all_passes"]), f"{r['worst_edge_db']:.1f}", f"{r['under_percent']:.2f}",
                f"{r['spectrum_db']:.2f}", f"{pesq:.2f}" if pesq else "-", f"{r['raised_db']:.1f}",
            ])  # fmt: skip
        print(aligned(grid), end="\n\n")
        print(totals_table(mine, DEMANDS))
    if given.json:
        given.json.write_text(json.dumps(good, indent=1) + "\n", "utf-8")
    return int(any("failed" in row for row in rows) or not rows)


if __name__ == "__main__":
    sys.exit(main())
