"""Runs of True in a mask, as starts and stops (stop exclusive), and back."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]


def runs(mask: Mask) -> tuple[Indices, Indices]:
    """Starts and stops of the runs of True, shape (runs,) each."""
    framed = np.zeros(len(mask) + 2, bool)
    framed[1:-1] = mask
    edges = np.flatnonzero(framed[1:] != framed[:-1])
    return edges[0::2], edges[1::2]


def mask_of(starts: Indices, stops: Indices, size: int) -> Mask:
    """The mask of *size* that is True inside the given runs, which may overlap or stick out."""
    edges = np.clip(np.concatenate([starts, stops]), 0, size)
    order = np.argsort(edges, kind="stable")
    depth = np.cumsum(np.where(order < len(starts), 1, -1))
    lengths = np.diff(edges[order], prepend=0, append=size)
    return np.repeat(np.concatenate([[False], depth > 0]), lengths)


def widened(mask: Mask, before: int, after: int) -> Mask:
    """Every run begun *before* earlier and ended *after* later."""
    starts, stops = runs(mask)
    return mask_of(starts - before, stops + after, len(mask))


def lasting(mask: Mask, least: int) -> Mask:
    """The runs of *mask* that are at least so long."""
    starts, stops = runs(mask)
    long = stops - starts >= least
    return mask_of(starts[long], stops[long], len(mask))
