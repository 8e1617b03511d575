"""One take at a time: against a bare encode, over its length, against a general toolkit's filters."""

from __future__ import annotations

import argparse
import json
import math
import shutil
import wave
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import soundfile
import soxr
from cost import FAIRTAKE, Cost, cost_of

from fairtake.files.encoder import encoder

SAMPLE = (
    Path(__file__).parents[2] / "samples" / "Nine Lamps at Orrowmere" / "01 The Harbour Bell.wav"
)

RATE_HZ = 48_000
VERBS = ("listen", "plan", "render", "encode", "prove")
#: In the one the limiter finds nothing to do in the bench's take, in the other it works all the time.
CALM, PROFILE = "podcast", "audiobook"
BUDGET_BASE_BYTES, BUDGET_BYTES_PER_S = 250e6, 120e3
#: A trim, a gate, a compressor, a limiter and a level in one pass of the toolkit's own filters.
TOOLKIT = (
    "highpass=f=70,silenceremove=start_periods=1:start_threshold=-50dB,agate=threshold=0.003:ratio=4,"
    "acompressor=threshold=0.12:ratio=4:attack=8:release=150,volume=6dB,alimiter=limit=0.7"
)


def long_take(path: Path, seconds: float) -> Path:
    """A 24-bit mono take of *seconds*: the sample chapter again and again, at changing levels."""
    samples, rate = soundfile.read(SAMPLE)
    voice = soxr.resample(samples, rate, RATE_HZ)
    rng = np.random.default_rng(1)
    with wave.open(str(path), "wb") as file:
        file.setparams((1, 3, RATE_HZ, 0, "NONE", ""))
        left = round(seconds * RATE_HZ)
        while left > 0:
            part = np.clip(voice[:left] * 10 ** (rng.uniform(-4, 2) / 20), -1, 1)
            whole = np.rint(part * (2**23 - 1)).astype("<i4")
            file.writeframes(whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes())
            left -= len(part)
    return path


def bare_command(take: Path, out: Path) -> list[str | Path]:
    """The same take by the same encoder and nothing else."""
    return [encoder(), "-v", "error", "-nostdin", "-y", "-i", take, "-c:a", "libmp3lame", "-b:a", "192k", out]  # fmt: skip


def bare_encode(take: Path, out: Path) -> Cost:
    """What that costs."""
    return cost_of(*bare_command(take, out))


def finish(take: Path, out: Path, profile: str = PROFILE) -> Cost:
    return cost_of(*FAIRTAKE, "master", take, "--profile", profile, "--out", out)


def ratio(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """The whole of ``fairtake master`` against a bare encode, three times in turn."""
    take = long_take(folder / "take.wav", 60 * (2 if options.quick else options.minutes))
    rows = []
    for turn in range(1 if options.quick else 3):
        for profile in (CALM, PROFILE):
            out = folder / f"{profile}{turn}"
            bare, whole = bare_encode(take, folder / "bare.mp3"), finish(take, out, profile)
            receipt = json.loads(next(out.glob("*.receipt.json")).read_text())
            spent = receipt["took_s"]
            rows.append(
                {
                    "profile": profile,
                    "bare_cpu_s": bare.cpu_s,
                    "cpu_ratio": whole.cpu_s / bare.cpu_s,
                    "wall_ratio": whole.wall_s / bare.wall_s,
                    **{f"{verb}_%": 100 * spent[verb] / sum(spent.values()) for verb in VERBS},
                    "rounds": _rounds(receipt),
                }
            )
    return rows


def _rounds(receipt: dict[str, Any]) -> int:
    return next(int(s["did"]["rounds"]) for s in receipt["stages"] if s["stage"] == "normalise")


def length(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """Cost and peak memory over length, in turn, the middle of all turns; the exponents of cost since
    the row above and since ten minutes, below which starting up weighs.

    A bare encode is measured before and behind: the speed of a shared machine drifts in minutes.
    """
    lengths, turns = ((1, 4), 1) if options.quick else ((1, 10, 60, 180), 3)
    takes = {m: long_take(folder / f"take{m}.wav", 60 * m) for m in lengths}
    costs: dict[int, list[Cost]] = {m: [] for m in lengths}
    against: dict[int, list[float]] = {m: [] for m in lengths}
    for _ in range(turns):
        for minutes, take in takes.items():
            before = bare_encode(take, folder / "bare.mp3")
            whole = finish(take, folder / "out", CALM)  # no chapter may last so long
            behind = bare_encode(take, folder / "bare.mp3")
            shutil.rmtree(folder / "out")
            costs[minutes].append(whole)
            against[minutes].append(2 * whole.cpu_s / (before.cpu_s + behind.cpu_s))
    ratios = {m: median(against[m]) for m in lengths}

    def exponent(minutes: int, since: int) -> float:
        """Over the bare encode, which is linear: the machine's own moods are taken out."""
        if minutes <= since:
            return math.nan
        return 1 + math.log(ratios[minutes] / ratios[since]) / math.log(minutes / since)

    return [
        {
            "minutes": minutes,
            "cpu_s": median(whole.cpu_s for whole in costs[minutes]),
            "cpu_ratio": ratios[minutes],
            "least": min(against[minutes]),
            "most": max(against[minutes]),
            "peak_MB": max(whole.peak_bytes for whole in costs[minutes]) / 1e6,
            "budget_MB": (BUDGET_BASE_BYTES + BUDGET_BYTES_PER_S * 60 * minutes) / 1e6,
            "exponent": exponent(minutes, lengths[max(row - 1, 0)]),
            "since_10_min": exponent(minutes, 10),
        }
        for row, minutes in enumerate(lengths)
    ]


def toolkit(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """For comparison: a trim, gate, compressor, limiter and encode by the encoder's own filters."""
    take = long_take(folder / "take.wav", 60 * (2 if options.quick else options.minutes))
    bare = bare_encode(take, folder / "bare.mp3")
    whole = finish(take, folder / "out")
    filtered = cost_of(
        encoder(), "-v", "error", "-y", "-i", take, "-af", TOOLKIT, "-c:a", "libmp3lame", "-b:a", "192k",
        folder / "filtered.mp3", "-c:a", "pcm_s24le", folder / "filtered.wav",
    )  # fmt: skip
    told = {"bare encode": bare, "the toolkit's filters, unmeasured": filtered, "fairtake": whole}
    return [
        {"what": what, "cpu_ratio": c.cpu_s / bare.cpu_s, "wall_ratio": c.wall_s / bare.wall_s}
        for what, c in told.items()
    ]


def start(folder: Path, options: argparse.Namespace) -> list[dict[str, Any]]:
    """What it costs to say something short, against a bare interpreter."""
    bare = min(cost_of(FAIRTAKE[0], "-c", "pass").cpu_s for _ in range(5))
    rows = []
    for words in (("--help",), ("--version",), ("measure", "--help")):
        cpu_s = min(cost_of(*FAIRTAKE, *words).cpu_s for _ in range(5))
        rows.append({"command": " ".join(words), "cpu_s": cpu_s, "bare_interpreter_s": bare})
    return rows
