"""Trains the ear: fetches the voices, makes the takes, learns, writes the weights.

    python tests/ear/train.py                    # the shipped ear
    python tests/ear/train.py --voices all       # with the voices under the GPL as well

A fixed number of steps, one seed: the same recipe on the same machine gives the same weights.
Everything fetched and made goes into the cache folder and is found again the next time.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch
from net import Array, Net
from numpy.random import Generator, default_rng
from score import APART, APART_OF, SETS, kept_apart, read_net, report
from voices import VOICES

from fairtake.sound.ear.features import BANDS, FEATURES, OVER_FLOOR, OVER_SPEECH
from takes import Take, kept, made

SETS_OF = {"free": ("free",), "all": ("free", "gpl")}
SEED, STEPS = 5, 18000
STRETCHES, FRAMES = 20, 400
#: What is near a cut has lost its surroundings and does not count.
CUT_FRAMES, OVERHANG_FRAMES = 30, 40
#: Loss of each class: voice, breath, noise, music, room.
CLASS_WEIGHTS = np.array([1.3, 1.3, 1.3, 1.0, 0.7], np.float32)
#: Jitter in units of 20 dB: level of speech, colour (at so many places), level of the room.
SPEECH_JITTER, COLOUR_JITTER, COLOUR_PLACES, ROOM_JITTER = 0.12, 0.15, 6, 0.06
FASTEST, SLOWEST, WARM_UP_STEPS = 3e-3, 2e-5, 100
MOMENTUM, SPREAD, DECAY, MOST_GRADIENT = 0.9, 0.995, 1e-3, 2.0


@dataclass
class Batch:
    """Some stretches: features, which frames lie in their take, classes, weights of the frames."""

    features: Array
    inside: Array
    classes: npt.NDArray[np.int_]
    counts: Array


def drawn_batch(rng: Generator, takes: Sequence[Take], often: npt.NDArray[np.float64]) -> Batch:
    """Stretches from anywhere, a take's ends and what lies beyond them included."""
    shape = (STRETCHES, FRAMES)
    batch = Batch(
        np.zeros((*shape, FEATURES), np.float32), np.zeros(shape, np.float32),
        np.zeros(shape, np.int64), np.zeros(shape, np.float32),
    )  # fmt: skip
    for row, number in enumerate(rng.choice(len(takes), STRETCHES, p=often)):
        take = takes[number]
        frames = len(take.classes)
        at = int(rng.integers(-OVERHANG_FRAMES, max(1, frames - FRAMES + OVERHANG_FRAMES)))
        start, stop = max(at, 0), min(at + FRAMES, frames)
        here = slice(start - at, stop - at)
        batch.features[row, here] = jittered(rng, take.features[start:stop].astype(np.float32))
        batch.inside[row, here] = 1
        batch.classes[row, here] = take.classes[start:stop]
        batch.counts[row, here] = _counts(take, start, stop)
    batch.counts *= CLASS_WEIGHTS[batch.classes]
    return batch


def _counts(take: Take, start: int, stop: int) -> Array:
    counts = take.counts[start:stop].astype(np.float32)
    if start > 0:
        counts[:CUT_FRAMES] = 0
    if stop < len(take.classes):
        counts[-CUT_FRAMES:] = 0
    return counts


def jittered(rng: Generator, features: Array) -> Array:
    """As if speech or room were a little louder, the microphone another one."""
    places = np.linspace(0, BANDS - 1, COLOUR_PLACES)
    colour = np.interp(np.arange(BANDS), places, rng.normal(0, COLOUR_JITTER, COLOUR_PLACES))
    speech, room = rng.normal(0, SPEECH_JITTER), rng.normal(0, ROOM_JITTER)
    features[:, :BANDS] += np.float32(speech) + colour.astype(np.float32)
    features[:, BANDS : 2 * BANDS] += np.float32(room)
    features[:, OVER_SPEECH] += np.float32(speech)
    features[:, OVER_FLOOR] += np.float32(room)
    return features


def trained(takes: Sequence[Take], steps: int) -> Net:
    """The net after so many steps of AdamW (Loshchilov and Hutter 2019), its rate falling as a cosine."""
    rng = default_rng(SEED)
    torch.manual_seed(SEED)
    some = np.concatenate([take.features[::7] for take in takes]).astype(np.float32)
    net = Net(some.mean(axis=0), 1 / (some.std(axis=0) + np.float32(0.05)))
    frames = np.array([len(take.classes) for take in takes], float)
    matrices = [p for p in net.parameters() if p.ndim > 1]
    others = [p for p in net.parameters() if p.ndim == 1]
    adam = torch.optim.AdamW(
        [{"params": matrices, "weight_decay": DECAY}, {"params": others, "weight_decay": 0.0}],
        betas=(MOMENTUM, SPREAD),
    )
    losses, began = list[float](), time.monotonic()
    for step in range(steps):
        loss = _loss(net, drawn_batch(rng, takes, frames / frames.sum()))
        cosine = 0.5 + 0.5 * np.cos(np.pi * step / steps)
        for group in adam.param_groups:
            group["lr"] = FASTEST * min(1.0, (step + 1) / WARM_UP_STEPS) * cosine + SLOWEST
        adam.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), MOST_GRADIENT)
        adam.step()
        losses.append(float(loss.detach()))
        if step % 200 == 199:
            spent_s = time.monotonic() - began
            print(
                f"step {step + 1}: loss {np.mean(losses[-200:]):.4f}, {spent_s:.0f} s", flush=True
            )
    return net


def _loss(net: Net, batch: Batch) -> torch.Tensor:
    """The mean logarithmic loss of the frames, by their weights."""
    odds = net(torch.from_numpy(batch.features), torch.from_numpy(batch.inside))
    classes, counts = torch.from_numpy(batch.classes), torch.from_numpy(batch.counts)
    losses = torch.nn.functional.cross_entropy(odds.transpose(1, 2), classes, reduction="none")
    return (losses * counts).sum() / counts.sum().clamp(min=1)


def to_learn_from(paths: Sequence[Path], voices: str) -> list[Take]:
    """The takes of a set that training sees, for the ear of these *voices*.

    Weights under CC BY-SA cannot take in what is under the LGPL: free takes with such a voice in them
    are scored, no more.
    """
    lesser = {v.name for v in VOICES if "LGPL" in v.licence} if voices == "free" else set()
    takes = (kept(path) for i, path in enumerate(paths) if i % APART_OF != APART)
    return [take for take in takes if not lesser.intersection(take.about["speakers"])]


def recipe_sha256() -> str:
    """One hash over this folder's programs, in the order of their names."""
    paths = sorted(Path(__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in paths)).hexdigest()


def write_weights(path: Path, net: Net, voices: str) -> None:
    """The shipped file: what was learned, and what it was learned from."""
    told = {"recipe_sha256": np.array(recipe_sha256()), "voices": np.array(voices)}
    np.savez(path, **(net.arrays() | told))


def main() -> None:
    """Trains one net and scores it on the takes kept apart."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--voices", choices=sorted(SETS_OF), default="free")
    asked.add_argument("--steps", type=int, default=STEPS)
    asked.add_argument("--processes", type=int, default=2, help="that make takes")
    asked.add_argument("--out", type=Path, default=Path("weights.npz"))
    asked.add_argument("--takes", type=int, help="of each set, instead of all: for a quick look")
    given = asked.parse_args()

    takes = list[Take]()
    for name in SETS_OF[given.voices]:
        roles, count = SETS[name]
        takes += to_learn_from(
            made(name, given.takes or count, roles, given.processes), given.voices
        )
    spoken_s = sum(len(take.classes) for take in takes) / 100
    print(f"{len(takes)} takes, {spoken_s / 3600:.1f} hours", flush=True)
    write_weights(given.out, trained(takes, given.steps), given.voices)
    net = read_net(given.out)
    for name in (*SETS_OF[given.voices], "test"):
        apart = (kept(p) for p in kept_apart(name, given.processes, given.takes))
        print("\n".join(report(net, name, apart)), flush=True)


if __name__ == "__main__":
    sys.exit(main())
