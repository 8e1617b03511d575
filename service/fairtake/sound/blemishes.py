"""Clicks and clipped runs: found while a take streams by, and rebuilt from what lies around them.

Conventions
-----------
* The *sharpness* of a row is the energy of its second difference, in its sharpest channel. It rises
  with the fourth power of frequency, so a click stands out of voices that are far louder.
* A click is short, stands far out of what lies before and after it, and leaves the sound behind it
  as it was before it. A stop consonant does not: its burst goes over into noise or voice. Nor does a
  glottal pulse: its neighbours are as sharp.
* A clipped run is at least three samples in a row at the stretch's own extreme, with a corner on
  either side: the top of a smooth wave has none, however slow it is.
* What is rebuilt is the least-squares interpolation under an autoregressive model: for a click of
  1 ms, fitted to 20 ms on either side; for a clipped run shorter, fitted to sound whose flat tops
  have been rounded off. What begins within `REACH_ROWS` of the take's ends is left.

Source: interpolation and the detection by prediction errors, Godsill and Rayner, "Digital Audio
Restoration", Springer 1998, chapters 5.2 and 5.3. The margins are measured, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fairtake.sound.levels import ROWS_PER_S, Blemish, row_starts, sample_of
from fairtake.sound.runs import runs
from fairtake.sound.source import Samples
from fairtake.units import amplitude_db, gain, power_gain

#: The second difference is taken over this step, so that it means much the same at any rate.
DIFFERENCE_HZ = 48_000
#: What is decided about a row needs this many rows on both sides.
REACH_ROWS = 55
AROUND_ROWS, BEFORE_ROWS, AFTER_ROWS = 25, 3, 5

OVER_MEAN_DB = 9.0
OVER_OTHERS_DB = 7.0
OVER_NEXT_DB = 10.0
#: Creaky voice has pulses as far apart as this; each has a neighbour nearly as sharp.
CREAK_ROWS, OVER_CREAK_DB = 50, 4.0
CHANGE_DB = 15.0
AFTERMATH_DB = 6.0
#: What stands out so far from all around it may also stand where the sound changes.
STARK_DB = 28.0
#: Prediction errors: how far those of a click exceed the greatest ones around it.
LEAST_OVER_DB = 12.0
LEAST_PEAK_DBFS = -66.0
LEAST_SHARPNESS_DB = -78.0
LONGEST_CLICK_MS = 5.0
COMPACT_MS = 3.0
#: An error is the click's own when it is this many times the RMS of the errors around.
OWN_ERROR = 4.5
GAP_MS = 0.5
MOST_PER_S = 10

CONTEXT_MS = 20.0
ORDER_MS, MOST_ORDER = 1.0, 64

CLIP_LEAST_PEAK = 0.1
CLIP_LEAST_SAMPLES = 3
CLIP_LONGEST_MS = 1.0
CLIP_CONTEXT_MS, CLIP_ORDER_MS = 12.0, 0.3
#: Samples at the same extreme differ by no more than this, relative to it; corners by far more.
CLIP_TOLERANCE, CLIP_CORNER = 2e-4, 2e-3
CLIP_MOST_PER_S = 40
#: A quick look for clipping stops after so many rows.
ROWS_LOOKED_AT = 200
#: No clipped peak is believed to have been higher than this.
CLIP_MOST_DB = 6.0

Energies = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


class BlemishFinder:
    """Finds blemishes in a stream of blocks; all but the last begin and end on whole seconds."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self.found: list[Blemish] = []
        self.clipped_runs = 0
        self._rate = sample_rate_hz
        self._samples = np.zeros((0, channels))
        self._steps = np.zeros((0, channels))
        self._sharpness = np.zeros(0)
        self._first_row = 0
        self._clips = False

    def add(self, block: Samples, steps: Samples, peaks: Energies) -> None:
        """Take in a block, its first difference and the greatest sample of each of its rows.

        Decides about all rows that have `REACH_ROWS` behind them.
        """
        sharp = sharpness(steps, self._steps, self._rate)
        self._steps = steps[-_step(self._rate) :]
        self._sharpness = np.concatenate([self._sharpness, sharp])
        first, last = REACH_ROWS, len(self._sharpness) - REACH_ROWS
        if last > first:
            clips = may_clip(block, peaks, self._rate)
            rows = candidates(self._sharpness, first, last)
            if len(rows) or clips or self._clips:
                joined = np.concatenate([self._samples, block])
                self._clicks(joined, rows, self._clipped(joined, first, last))
            self._clips = clips
        self._keep_tail(block)

    def _keep_tail(self, block: Samples) -> None:
        """Let go of all rows but those that the next block still needs."""
        cut = max(len(self._sharpness) - 2 * REACH_ROWS, 0)
        rest = self._place(cut) - len(self._samples)
        kept = block[rest:] if rest >= 0 else np.concatenate([self._samples[rest:], block])
        self._samples = kept.copy()
        self._sharpness = self._sharpness[cut:]
        self._first_row += cut

    def _place(self, row: int) -> int:
        """Where a row of the tail and the block begins in their samples."""
        begin = sample_of(self._first_row, self._rate)
        return sample_of(self._first_row + row, self._rate) - begin

    def _keep(self, blemish: Blemish) -> None:
        begin = sample_of(self._first_row, self._rate)
        moved = Blemish(blemish.kind, begin + blemish.start, blemish.rebuilt, blemish.over_db)
        self.found.append(moved)

    def _clicks(self, joined: Samples, rows: Indices, taken: list[slice]) -> None:
        for row in rows:
            click = rebuilt_click(joined, self._place(row), self._place(row + 1), self._rate)
            if click is None:
                continue
            end = click.start + len(click.rebuilt)
            if not any(span.start < end and click.start < span.stop for span in taken):
                self._keep(click)

    def _clipped(self, joined: Samples, first: int, last: int) -> list[slice]:
        """Rebuild the clipped runs that begin in some rows; where they lie."""
        begin, end = self._place(first), self._place(last)
        spans = [s for s in clipped_spans(joined) if begin <= s.start < end]
        self.clipped_runs += len(spans)
        most = CLIP_MOST_PER_S * max(1, (last - first) // ROWS_PER_S)
        rounded = rounded_off(joined, spans[: 3 * most])
        for span in spans[:most]:
            blemish = rebuilt_clipping(joined, rounded, span, self._rate)
            if blemish is not None:
                self._keep(blemish)
        return spans


# --- clicks ---------------------------------------------------------------------------------------


def _step(sample_rate_hz: int) -> int:
    return max(1, round(sample_rate_hz / DIFFERENCE_HZ))


def sharpness(steps: Samples, before: Samples, sample_rate_hz: int) -> Energies:
    """Sharpness of the rows of a block from its first difference, shape (rows,).

    *before* holds the last first differences of the block before.
    """
    step = _step(sample_rate_hz)
    starts = row_starts(len(steps), sample_rate_hz)
    sharp = np.zeros(len(starts))
    twice = np.empty(len(steps))
    for n, channel in enumerate(steps.T):
        np.subtract(channel[step:], channel[:-step], out=twice[step:])
        twice[:step] = channel[:step] - before[: len(steps), n] if len(before) else 0.0
        np.maximum(sharp, _row_sums(twice, starts), out=sharp)
    return sharp


def _row_sums(values: Energies, starts: Indices) -> Energies:
    """Sum of squares of each row; rows of one length are summed at once, which is faster."""
    even, rest = divmod(len(values), len(starts))
    if not rest and (np.diff(starts) == even).all():
        rows = values.reshape(-1, even)
        return np.einsum("ij,ij->i", rows, rows)
    return np.add.reduceat(np.square(values), starts)


def candidates(sharp: Energies, first: int, last: int) -> Indices:
    """Rows from *first* to *last* that may hold a click, at most `MOST_PER_S` a second."""
    total = np.concatenate([[0.0], np.cumsum(sharp)])

    def mean(begin: int, end: int) -> Energies:
        span = total[first + end : last + end] - total[first + begin : last + begin]
        return span / (end - begin) + 1e-20

    here = sharp[first:last]
    before = mean(-AROUND_ROWS, 1 - BEFORE_ROWS)
    after = mean(AFTER_ROWS, AROUND_ROWS + 1)
    alone = np.flatnonzero(here > power_gain(OVER_MEAN_DB) * np.maximum(before, after))
    if not len(alone):
        return alone
    here, before, after, rows = here[alone], before[alone], after[alone], alone + first
    around = sharp[rows[:, None] + np.arange(-CREAK_ROWS, CREAK_ROWS + 1)]

    def near(begin: int, end: int) -> Energies:
        return around[:, CREAK_ROWS + begin : CREAK_ROWS + end + 1]

    def beside(least: int, most: int) -> Energies:
        return np.maximum(near(-most, -least).max(axis=1), near(least, most).max(axis=1))

    others = beside(BEFORE_ROWS, AROUND_ROWS)
    next_to = np.maximum(near(-4, -2).max(axis=1), near(3, 5).max(axis=1))
    change = power_gain(CHANGE_DB)
    alike = (
        (near(3, 8).mean(axis=1) < power_gain(AFTERMATH_DB) * before)
        & (before < change * after)
        & (after < change * before)
    )
    fits = (
        (here >= near(-2, 2).max(axis=1))
        & (here > power_gain(OVER_OTHERS_DB) * others)
        & (here > power_gain(OVER_NEXT_DB) * next_to)
        & (here > power_gain(OVER_CREAK_DB) * beside(AROUND_ROWS, CREAK_ROWS))
        & (alike | (here > power_gain(STARK_DB) * np.maximum(others, next_to)))
        & (here > power_gain(LEAST_SHARPNESS_DB))
    )
    rows, prominence = rows[fits], (here / (others + 1e-20))[fits]
    most = MOST_PER_S * max(1, (last - first) // ROWS_PER_S)
    return np.sort(rows[np.argsort(-prominence)[:most]])


@dataclass(frozen=True)
class Errors:
    """Prediction errors around a candidate: against time running on, and running back.

    ``start`` to ``stop`` is the stretch left out of the fit; ``around`` is the greatest error
    outside of it, ``rms`` their root mean square.
    """

    model: Energies
    onward: Energies
    backward: Energies
    start: int
    stop: int
    around: float
    rms: float

    @property
    def inside(self) -> slice:
        return slice(self.start, self.stop)

    @property
    def over_db(self) -> float:
        """How far the greatest error inside exceeds the greatest one around."""
        greatest = float(np.abs(self.onward[self.inside]).max())
        return float(amplitude_db(greatest / self.around))


def rebuilt_click(joined: Samples, start: int, stop: int, sample_rate_hz: int) -> Blemish | None:
    """The click in the row from *start* to *stop*, rebuilt in each channel that has it, or None."""
    ms = sample_rate_hz / ROWS_PER_S
    context = round(CONTEXT_MS * ms)
    left, right = max(start - round(3 * ms), 0), min(stop + round(6 * ms), len(joined))
    begin = max(left - context, 0)
    stretch = joined[begin : right + context]
    errors = [prediction_errors(c, left - begin, right - begin, ms) for c in stretch.T]
    clear = max(errors, key=lambda e: e.over_db)
    least = max(gain(LEAST_PEAK_DBFS), gain(LEAST_OVER_DB) * clear.around)
    if np.abs(clear.onward[clear.inside]).max() < least or not _compact(clear, ms):
        return None
    first, last = _extent(clear, round(GAP_MS * ms))
    if last - first > LONGEST_CLICK_MS * ms:
        return None
    rebuilt = stretch[first:last].copy()
    for n, error in enumerate(errors):
        if np.abs(error.onward[first:last]).max() > 2 * error.around:
            rebuilt[:, n] = interpolated(stretch[:, n], first, last, error.model)
    # What is rebuilt never stands out more than what stood there.
    most = np.abs(stretch[first:last]).max(axis=0)
    return Blemish("click", begin + first, np.clip(rebuilt, -most, most), clear.over_db)


def prediction_errors(channel: Energies, start: int, stop: int, ms: float) -> Errors:
    """What a model fitted outside of *start* to *stop* cannot predict."""
    from scipy.signal import lfilter

    model = fitted(channel, start, stop, ms)
    order = len(model) - 1
    onward = lfilter(model, [1.0], channel)
    backward = lfilter(model, [1.0], channel[::-1])[::-1]
    outside = np.concatenate([onward[order:start], backward[stop : len(channel) - order]])
    return Errors(
        model, onward, backward, start, stop,
        float(np.abs(outside).max(initial=0.0)) + 1e-9,
        float(np.sqrt(np.mean(outside**2))) + 1e-9 if len(outside) else 1e-9,
    )  # fmt: skip


def fitted(channel: Energies, start: int, stop: int, ms: float) -> Energies:
    """The prediction error filter, order 1 ms, of what lies outside of *start* to *stop*."""
    from scipy.linalg import solve_toeplitz

    order = min(round(ORDER_MS * ms), MOST_ORDER)
    power = np.zeros(order + 1)
    for side in (channel[:start], channel[stop:]):
        windowed = side * np.hanning(len(side) + 2)[1:-1]
        size = 1 << (len(side) + order).bit_length()
        spectrum = np.fft.rfft(windowed, size)
        power += np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size)[: order + 1]
    # A little white noise keeps the fit sane where the sound is one tone or nothing at all.
    power[0] = power[0] * (1 + 1e-7) + 1e-16
    return np.concatenate([[1.0], -solve_toeplitz(power[:-1], power[1:])])


def _compact(errors: Errors, ms: float) -> bool:
    """Whether nearly all that cannot be predicted lies within `COMPACT_MS`."""
    least = np.minimum(errors.onward[errors.inside] ** 2, errors.backward[errors.inside] ** 2)
    share = np.cumsum(least) / (least.sum() + 1e-30)
    return bool(np.searchsorted(share, 0.95) - np.searchsorted(share, 0.03) <= COMPACT_MS * ms)


def _extent(errors: Errors, gap: int) -> tuple[int, int]:
    """First sample of a click and the one after its last.

    Predicting onward, nothing goes wrong before the click begins; predicting backward, nothing
    after it has ended. So each direction gives one end to the sample.
    """
    limit = OWN_ERROR * errors.rms
    first = errors.start + _first_error(np.abs(errors.onward[errors.inside]), limit, gap)
    mirrored = np.abs(errors.backward[errors.inside])[::-1]
    last = errors.stop - 1 - _first_error(mirrored, limit, gap)
    return min(first, last), max(first, last) + 1


def _first_error(size: Energies, limit: float, gap: int) -> int:
    """Where the errors that lead up to the greatest begin, with no pause longer than *gap*."""
    top = int(np.argmax(size))
    own = np.append(np.flatnonzero(size[:top] > limit), top)
    breaks = np.flatnonzero(np.diff(own) > gap)
    return int(own[breaks[-1] + 1] if len(breaks) else own[0])


def interpolated(channel: Energies, first: int, last: int, model: Energies) -> Energies:
    """The samples from *first* to *last* that make the prediction errors around least.

    The normal equations of a gap in an autoregressive signal are Toeplitz in the autocorrelation of
    the model; beyond the ends of *channel* lies nothing.
    """
    from scipy.linalg import solve_toeplitz

    order, size = len(model) - 1, last - first
    lags = np.correlate(model, model, "full")[order:]
    around = np.zeros(size + 2 * order)
    begin = max(first - order, 0)
    known = channel[begin : last + order].copy()
    known[first - begin : last - begin] = 0.0
    at = begin - (first - order)
    around[at : at + len(known)] = known
    pull = np.convolve(around, np.concatenate([lags[:0:-1], lags]), "valid")
    column = np.zeros(size)
    column[: order + 1] = lags[:size]
    return solve_toeplitz(column, -pull)


# --- clipping -------------------------------------------------------------------------------------


def may_clip(block: Samples, peaks: Energies, sample_rate_hz: int) -> bool:
    """Whether *block* may hold a clipped run: a quick look at the rows with the greatest *peaks*."""
    top = float(peaks.max())
    if top < CLIP_LEAST_PEAK:
        return False
    rows = np.flatnonzero(peaks >= top * (1 - CLIP_TOLERANCE))[:ROWS_LOOKED_AT]
    starts = row_starts(len(block), sample_rate_hz)[rows]
    within = np.arange(-3, sample_rate_hz // ROWS_PER_S + 4)
    near = np.abs(block[np.clip(starts[:, None] + within, 0, len(block) - 1)])
    return any(_cornered(near[:, :, n], top) for n in range(block.shape[1]))


def _cornered(near: Energies, top: float) -> bool:
    """Whether three samples at *top* lie beside one well below it in any row of *near*."""
    high = np.abs(near - top) <= top * CLIP_TOLERANCE
    three = high[:, :-2] & high[:, 1:-1] & high[:, 2:]
    under = near < top * (1 - CLIP_CORNER)
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


def _flat_tops(side: Energies) -> list[tuple[int, int]]:
    """Starts and stops of the flat tops at the greatest value of *side*."""
    top = float(side.max(initial=0.0))
    if top < CLIP_LEAST_PEAK:
        return []
    hot = np.flatnonzero(side >= top * (1 - CLIP_TOLERANCE))
    if len(hot) < CLIP_LEAST_SAMPLES:
        return []
    starts, stops = runs(np.diff(hot, prepend=-9) == 1)
    begins, ends = hot[starts - 1], hot[stops - 1] + 1
    inside = (ends - begins >= CLIP_LEAST_SAMPLES) & (begins >= 2) & (ends + 1 < len(side))
    begins, ends = begins[inside], ends[inside]
    corner = np.maximum(side[begins - 2], side[ends + 1]) < top * (1 - CLIP_CORNER)
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
    context = round(CLIP_CONTEXT_MS * ms)
    start = max(span.start - context, 0)
    stop = min(span.stop + context, len(joined))
    room = min(span.start - start, stop - span.stop)
    if span.stop - span.start > CLIP_LONGEST_MS * ms or room < context // 2:
        return None
    rebuilt = joined[span].copy()
    for n, channel in enumerate(joined.T):
        begin, end = _flat_part(channel, span)
        if begin < end:
            around = rounded[start:stop, n]
            model = refined(around, begin - start, end - start, round(CLIP_ORDER_MS * ms))
            value = interpolated(around, begin - start, end - start, model)
            part = slice(begin - span.start, end - span.start)
            rebuilt[part, n] = _risen(value, channel[begin:end])
    rise = np.abs(rebuilt).max() / np.abs(joined[span]).max()
    return Blemish("clipped", span.start, rebuilt, float(amplitude_db(rise)))


def refined(channel: Energies, start: int, stop: int, order: int) -> Energies:
    """As `fitted`, by least squares over both directions of time: exact also for tones.

    Source: the modified covariance method, Marple, IEEE
    Trans. ASSP 28(4), 1980.
    """
    view = np.lib.stride_tricks.sliding_window_view
    sides = [view(side, order + 1)[:, ::-1] for side in (channel[:start], channel[stop:])]
    onward = np.concatenate(sides)
    products = onward.T @ onward
    products += products[::-1, ::-1]
    inner = products[1:, 1:] + np.eye(order) * (products.trace() * 1e-10 + 1e-14)
    return np.concatenate([[1.0], -np.linalg.solve(inner, products[1:, 0])])


def _flat_part(channel: Energies, span: slice) -> tuple[int, int]:
    """Where in *span* this channel is clipped; an empty stretch where it is not."""
    here = channel[span]
    sign = 1.0 if here.max() > -here.min() else -1.0
    top = float((sign * here).max())
    flat = np.flatnonzero(sign * here >= top * (1 - CLIP_TOLERANCE))
    if len(flat) < CLIP_LEAST_SAMPLES or flat[-1] - flat[0] >= len(flat):
        return span.start, span.start
    return span.start + int(flat[0]), span.start + int(flat[-1]) + 1


def _risen(value: Energies, flat: Energies) -> Energies:
    """*value*, nowhere under the flat top and nowhere absurdly far above it."""
    sign = np.sign(flat[0])
    return sign * np.clip(sign * value, sign * flat, np.abs(flat) * gain(CLIP_MOST_DB))
