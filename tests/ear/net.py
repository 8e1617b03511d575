"""The net as it is trained: a batch forward, and its gradient by hand.

An input layer, then residual layers that see the frames t - d, t and t + d for growing d, then one
linear layer. What lies outside a take is zero in every layer, as at run time.

Conventions: a batch has the shape (stretches, frames, columns), float32. Weights are a dict with
the keys of the shipped file: ``mean``, ``scale``, ``dilations``, ``w_in``, ``b_in``, ``w_0``,
``b_0``, and so on, ``w_out``, ``b_out``.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from labels import CLASSES
from numpy.random import Generator

DILATIONS, CHANNELS = (1, 2, 4, 8, 16, 32), 40

Array = npt.NDArray[np.float32]
Weights = dict[str, npt.NDArray[np.generic]]


def new_weights(rng: Generator, mean: Array, scale: Array) -> Weights:
    """Random weights for features with this mean and this factor."""

    def drawn(rows: int, columns: int, gain: float) -> Array:
        return (rng.standard_normal((rows, columns)) * gain * np.sqrt(2 / rows)).astype(np.float32)

    weights: Weights = {"mean": mean, "scale": scale, "dilations": np.array(DILATIONS)}
    weights["w_in"], weights["b_in"] = drawn(len(mean), CHANNELS, 1), np.zeros(CHANNELS, np.float32)
    for i in range(len(DILATIONS)):
        weights[f"w_{i}"] = drawn(3 * CHANNELS, CHANNELS, 0.5)
        weights[f"b_{i}"] = np.zeros(CHANNELS, np.float32)
    weights["w_out"] = drawn(CHANNELS, len(CLASSES), 0.5)
    weights["b_out"] = np.zeros(len(CLASSES), np.float32)
    return weights


def learned(weights: Weights) -> list[str]:
    """The keys that training changes."""
    return [key for key in weights if key[:2] in ("w_", "b_")]


def forward(weights: Weights, features: Array, inside: Array | None = None) -> Array:
    """Probabilities of the classes, shape (stretches, frames, classes)."""
    return _forward(weights, features, inside)[0]


def _forward(
    weights: Weights, features: Array, inside: Array | None
) -> tuple[Array, Array, list[tuple[Array, Array]]]:
    """Probabilities, the last hidden values, and input and output of each layer."""
    scaled = (features - weights["mean"]) * weights["scale"]
    hidden = _layer(scaled, weights["w_in"], weights["b_in"], inside)
    kept = [(scaled, hidden)]
    for i, dilation in enumerate(weights["dilations"]):
        seen = _seen(hidden, int(dilation))
        found = _layer(seen, weights[f"w_{i}"], weights[f"b_{i}"], inside)
        kept.append((seen, found))
        hidden = hidden + found
    odds = hidden @ weights["w_out"] + weights["b_out"]
    odds = np.exp(odds - odds.max(axis=2, keepdims=True))
    return odds / odds.sum(axis=2, keepdims=True), hidden, kept


def _layer(x: Array, weight: Array, bias: Array, inside: Array | None) -> Array:
    found = x @ weight
    found += bias
    np.maximum(found, 0, out=found)
    if inside is not None:
        found *= inside[:, :, None]
    return found


def _seen(hidden: Array, dilation: int) -> Array:
    """The frames t - d, t and t + d side by side."""
    stretches, frames, columns = hidden.shape
    seen = np.zeros((stretches, frames, 3 * columns), np.float32)
    seen[:, dilation:, :columns] = hidden[:, : frames - dilation]
    seen[:, :, columns : 2 * columns] = hidden
    seen[:, : frames - dilation, 2 * columns :] = hidden[:, dilation:]
    return seen


def _unseen(gradient: Array, dilation: int, columns: int) -> Array:
    """The gradient of `_seen`."""
    back = gradient[:, :, columns : 2 * columns].copy()
    back[:, :-dilation] += gradient[:, dilation:, :columns]
    back[:, dilation:] += gradient[:, :-dilation, 2 * columns :]
    return back


def gradient(
    weights: Weights, features: Array, inside: Array, classes: npt.NDArray[np.int_], counts: Array
) -> tuple[float, dict[str, Array]]:  # fmt: skip
    """The loss of a batch, weighted by *counts*, and its gradient for all that is learned."""
    chances, hidden, kept = _forward(weights, features, inside)
    total = max(float(counts.sum()), 1.0)
    right = np.take_along_axis(chances, classes[:, :, None], 2)
    loss = float((-np.log(right[:, :, 0] + 1e-9) * counts).sum() / total)

    error = chances
    np.put_along_axis(error, classes[:, :, None], right - 1, 2)
    error *= (counts / total)[:, :, None]
    found = {"w_out": _product(hidden, error), "b_out": error.sum(axis=(0, 1))}
    back = error @ weights["w_out"].T
    for i in reversed(range(len(weights["dilations"]))):
        seen, layer = kept[i + 1]
        change = back * (layer > 0)
        found[f"w_{i}"], found[f"b_{i}"] = _product(seen, change), change.sum(axis=(0, 1))
        dilation = int(weights["dilations"][i])
        back = back + _unseen(change @ weights[f"w_{i}"].T, dilation, back.shape[2])
    change = back * (kept[0][1] > 0)
    found["w_in"], found["b_in"] = _product(kept[0][0], change), change.sum(axis=(0, 1))
    return loss, found


def _product(left: Array, right: Array) -> Array:
    return left.reshape(-1, left.shape[2]).T @ right.reshape(-1, right.shape[2])
