"""The net: from features to how likely each kind of sound is, every 10 ms.

Conventions: one dense layer, then layers of dilated convolution, each seeing a frame, one before it and
one behind it and adding to what it was given; together they see 630 ms to either side. Beyond the
take's ends there is nothing, zeros. The weights lie in ``weights.npz`` beside this file, as 16-bit
floats; how they were learned, from whom and under which terms, tests/ear/README.md says.

Source: van den Oord et al., "WaveNet", 2016, for dilated convolution; size and layers are our own.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from importlib.resources import files

import numpy as np

from fairtake.sound.ear.bands import Table

#: What the net tells apart, in the order of its outputs.
VOICE, BREATH, NOISE, MUSIC, ROOM = range(5)
KINDS = 5


@dataclass(frozen=True)
class Layer:
    """``weights`` has a row for each value that goes in, a column for each that comes out."""

    weights: Table
    bias: Table

    def of(self, values: Table) -> Table:
        out: Table = values @ self.weights
        out += self.bias
        return out

    def across(self, values: Table, step: int) -> Table:
        """The same of each frame beside the ones *step* before and behind it, in this order: before,
        here, behind."""
        before, here, behind = np.split(self.weights, 3)
        out: Table = values @ here
        if len(values) > step:
            out[step:] += values[:-step] @ before
            out[:-step] += values[step:] @ behind
        out += self.bias
        return out


@dataclass(frozen=True)
class Net:
    """``recipe`` is the hash of the recipe that learned it."""

    mean: Table
    scale: Table
    first: Layer
    dilated: tuple[tuple[int, Layer], ...]
    last: Layer
    recipe: str

    @property
    def reach(self) -> int:
        """Frames that are seen to either side."""
        return sum(step for step, _ in self.dilated)

    def likelihoods(self, features: Table) -> Table:
        """How likely each kind is in each frame, shape (frames, KINDS); rows add up to 1."""
        values = np.maximum(self.first.of((features - self.mean) * self.scale), 0)
        for step, layer in self.dilated:
            values += np.maximum(layer.across(values, step), 0)
        out = self.last.of(values)
        out -= out.max(axis=1, keepdims=True)
        np.exp(out, out=out)
        out /= out.sum(axis=1, keepdims=True)
        return out


@functools.cache
def learned() -> Net:
    """The net that ships."""
    with (files(__package__) / "weights.npz").open("rb") as file:
        return net_of(dict(np.load(file)))


def net_of(arrays: dict[str, np.ndarray]) -> Net:
    """The net that *arrays* hold, named as the recipe names them."""

    def layer(name: str) -> Layer:
        return Layer(*(arrays[f"{kind}_{name}"].astype(np.float32) for kind in "wb"))

    steps = arrays["dilations"].tolist()
    return Net(
        arrays["mean"].astype(np.float32),
        arrays["scale"].astype(np.float32),
        layer("in"),
        tuple((step, layer(str(n))) for n, step in enumerate(steps)),
        layer("out"),
        str(arrays["recipe_sha256"]),
    )
