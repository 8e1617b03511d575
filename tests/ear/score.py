"""How well weights hear takes that were kept apart: per class, and per voice.

    python tests/ear/score.py WEIGHTS.npz [WEIGHTS.npz ...]

Frame by frame, without the decoder: a row is what a frame is, a column what the net calls it, in
percent of the frames that count. When new weights are accepted, README.md says.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
from labels import CLASSES, VOICE

from fairtake.sound.ear.net import Net, net_of
from takes import Take, kept, made

#: Sets of takes: from which voices, how many.
SETS = {"free": (("train-free",), 2600), "gpl": (("train-gpl",), 4000), "test": (("test",), 60)}
#: Of the sets that are trained on, each tenth take is kept apart.
APART_OF, APART = 10, 9

Counts = npt.NDArray[np.int64]


def kept_apart(name: str, processes: int = 2, count: int | None = None) -> list[Path]:
    """The takes of a set that no training sees."""
    roles, most = SETS[name]
    paths = made(name, min(count or most, most), roles, processes)
    return paths if name == "test" else [p for i, p in enumerate(paths) if i % APART_OF == APART]


def read_net(path: Path) -> Net:
    """The product's net from a file of weights."""
    with np.load(path) as file:
        return net_of(dict(file))


def confusion_of(net: Net, take: Take) -> Counts:
    """Frames of one take that count: what they are, what they are called."""
    called = net.likelihoods(take.features.astype(np.float32)).argmax(axis=1)
    counts = np.zeros((len(CLASSES), len(CLASSES)), np.int64)
    np.add.at(counts, (take.classes[take.counts], called[take.counts]), 1)
    return counts


def confusions(net: Net, takes: Iterable[Take]) -> tuple[Counts, dict[str, Counts]]:
    """Over all takes, and for each voice over the takes in which it speaks alone."""
    whole = np.zeros((len(CLASSES), len(CLASSES)), np.int64)
    voices: dict[str, Counts] = defaultdict(lambda: np.zeros_like(whole))
    for take in takes:
        found = confusion_of(net, take)
        whole += found
        speakers = take.about["speakers"]
        if isinstance(speakers, list) and len(speakers) == 1:
            voices[speakers[0]] += found
    return whole, dict(voices)


def table(counts: Counts) -> Iterator[str]:
    """A confusion as lines of a Markdown table, in percent of each row."""
    yield "| is \\ called | " + " | ".join(CLASSES) + " | frames |"
    yield "| --- |" + " ---: |" * (len(CLASSES) + 1)
    for name, row in zip(CLASSES, counts, strict=True):
        shares = 100 * row / max(1, row.sum())
        yield f"| {name} | " + " | ".join(f"{share:.2f}" for share in shares) + f" | {row.sum()} |"


def voice_lines(voices: dict[str, Counts]) -> Iterator[str]:
    """For each voice the share of its speech that is called something else."""
    for name, counts in sorted(voices.items()):
        speech = counts[VOICE]
        lost = 100 * (1 - speech[VOICE] / max(1, speech.sum()))
        others = counts.sum(axis=0)[VOICE] - speech[VOICE]
        added = 100 * others / max(1, counts.sum() - speech.sum())
        yield f"{name:20} lost {lost:5.2f} % of {speech.sum():6}; of the rest {added:5.2f} % voice"


def report(net: Net, name: str, takes: Iterable[Take]) -> Iterator[str]:
    """Everything about one set, as lines."""
    whole, voices = confusions(net, takes)
    yield f"\n## {name}\n"
    yield from table(whole)
    yield ""
    yield from voice_lines(voices)


def main() -> None:
    """Scores each of the files on each set."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("weights", nargs="+", type=Path)
    asked.add_argument("--sets", default="free,gpl,test")
    asked.add_argument("--processes", type=int, default=2)
    given = asked.parse_args()
    for path in given.weights:
        print(f"\n# {path.name}")
        for name in given.sets.split(","):
            takes = (kept(p) for p in kept_apart(name, given.processes))
            print("\n".join(report(read_net(path), name, takes)), flush=True)


if __name__ == "__main__":
    main()
