"""Clipping: runs of samples at the stretch's own extreme, and the peaks that were cut off.

Conventions
-----------
* A clipped run is at least three samples in a row at the stretch's own extreme, with a corner on
  either side: the top of a smooth wave has none, however slow it is.
* What is rebuilt is the least-squares interpolation under an autoregressive model, fitted to sound
  whose flat tops have been rounded off. Runs of over a millisecond are counted and left.

Source: Godsill and Rayner, "Digital Audio Restoration", Springer 1998, chapter 5.2. The margins are
measured, no source.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fairtake.sound.autoregression import interpolated, refined
from fairtake.sound.levels import ROWS_PER_S, Blemish
from fairtake.sound.runs import runs
from fairtake.sound.source import Samples
from fairtake.units import amplitude_db, gain

LEAST_PEAK = 0.1
LEAST_SAMPLES = 3
LONGEST_MS = 1.0
CONTEXT_MS, ORDER_MS = 12.0, 0.3
#: Samples at the same extreme differ by no more than this, relative to it; corners by far more.
TOLERANCE, CORNER = 2e-4, 2e-3
MOST_PER_S = 40
#: A quick look for clipping stops after so many rows.
ROWS_LOOKED_AT = 200
#: No clipped peak is believed to have been higher than this.
MOST_DB = 6.0

Values = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


def may_clip(block: Samples, starts: Indices, peaks: Values) -> bool:
    """Whether *block* may hold a clipped run: a quick look at the rows with the greatest *peaks*.

    *starts* is where the rows begin.
    """
    top = float(peaks.max())
    if top < LEAST_PEAK:
        return False
    rows = np.flatnonzero(peaks >= top * (1 - TOLERANCE))[:ROWS_LOOKED_AT]
    within = np.arange(-3, len(block) // len(starts) + 4)
    near = np.abs(block[np.clip(starts[rows, None] + within, 0, len(block) - 1)])
    return any(_cornered(near[:, :, n], top) for n in range(block.shape[1]))


def _cornered(near: Values, top: float) -> bool:
    """Whether three samples at *top* lie beside one well below it in any row of *near*."""
    high = np.abs(near - top) <= top * TOLERANCE
    three = high[:, :-2] & high[:, 1:-1] & high[:, 2:]
    under = near < top * (1 - CORNER)
    return bool((three[:, 2:-2] & (under[:, :-6] | under[:, 6:])).any())


def clipped_spans(joined: Samples) -> list[slice]:
    """Runs of samples that are clipped in any channel; runs that touch are one."""
    clipped: list[tuple[int, int]] = []
    for channel in joined.T:
        for side in (channel, -channel):
            clipped += _flat_tops(side)
    spans: list[slice] = []
    for start, stop in sorted(clipped):
        if spans and start <= spans[-1].stop:
            spans[-1] = slice(spans[-1].start, max(stop, spans[-1].stop))
        else:
            spans.append(slice(start, stop))
    return spans


def _flat_tops(side: Values) -> list[tuple[int, int]]:
    """Starts and stops of the flat tops at the greatest value of *side*."""
    top = float(side.max(initial=0.0))
    if top < LEAST_PEAK:
        return []
    hot = np.flatnonzero(side >= top * (1 - TOLERANCE))
    if len(hot) < LEAST_SAMPLES:
        return []
    starts, stops = runs(np.diff(hot, prepend=-9) == 1)
    begins, ends = hot[starts - 1], hot[stops - 1] + 1
    inside = (ends - begins >= LEAST_SAMPLES) & (begins >= 2) & (ends + 1 < len(side))
    begins, ends = begins[inside], ends[inside]
    corner = np.maximum(side[begins - 2], side[ends + 1]) < top * (1 - CORNER)
    return list(zip(begins[corner].tolist(), ends[corner].tolist(), strict=True))


def rounded_off(joined: Samples, spans: list[slice]) -> Samples:
    """*joined* with a cubic in place of every flat top: what a model is fitted to.

    Fitted to the flat tops themselves, it would take them for the sound.
    """
    out = joined.copy()
    for span in spans:
        for n, channel in enumerate(joined.T):
            begin, end = _flat_part(channel, span)
            if begin < end:
                knots = np.array([begin - 2, begin - 1, end, end + 1])
                curve = np.polynomial.Polynomial.fit(knots, channel[knots], 3)
                out[begin:end, n] = _risen(curve(np.arange(begin, end)), channel[begin:end])
    return out


def rebuilt_clipping(
    joined: Samples, rounded: Samples, span: slice, sample_rate_hz: int
) -> Blemish | None:
    """A clipped run rebuilt in the channels that are clipped in it; None where it is too long."""
    ms = sample_rate_hz / ROWS_PER_S
    context = round(CONTEXT_MS * ms)
    start = max(span.start - context, 0)
    stop = min(span.stop + context, len(joined))
    room = min(span.start - start, stop - span.stop)
    if span.stop - span.start > LONGEST_MS * ms or room < context // 2:
        return None
    rebuilt = joined[span].copy()
    for n, channel in enumerate(joined.T):
        begin, end = _flat_part(channel, span)
        if begin < end:
            around = rounded[start:stop, n]
            model = refined(around, begin - start, end - start, round(ORDER_MS * ms))
            value = interpolated(around, begin - start, end - start, model)
            part = slice(begin - span.start, end - span.start)
            rebuilt[part, n] = _risen(value, channel[begin:end])
    rise = np.abs(rebuilt).max() / np.abs(joined[span]).max()
    return Blemish("clipped", span.start, rebuilt, float(amplitude_db(rise)))


def _flat_part(channel: Values, span: slice) -> tuple[int, int]:
    """Where in *span* this channel is clipped; an empty stretch where it is not."""
    here = channel[span]
    sign = 1.0 if here.max() > -here.min() else -1.0
    top = float((sign * here).max())
    flat = np.flatnonzero(sign * here >= top * (1 - TOLERANCE))
    if len(flat) < LEAST_SAMPLES or flat[-1] - flat[0] >= len(flat):
        return span.start, span.start
    return span.start + int(flat[0]), span.start + int(flat[-1]) + 1


def _risen(value: Values, flat: Values) -> Values:
    """*value*, nowhere under the flat top and nowhere absurdly far above it."""
    sign = np.sign(flat[0])
    return sign * np.clip(sign * value, sign * flat, np.abs(flat) * gain(MOST_DB))
