"""The measures: what the chain did to a take, against the truth.

Conventions: decisions are made on frames of 10 ms on the take's time line. *Gain* of a frame is the
level of the finished sound over that of the take's reference, both over 200 Hz, so that rumble,
thumps, hum and their removal do not count. A speech frame is *audible* when it stands at least as loud as
the room in the same frame, and as the breath that runs into it; the others cannot be told by anybody, and are
counted apart (`lost_all_percent`). Amounts by which something was lowered are dB relative to the gain of the
speech around it, so a make-up gain or a ride does not count.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyebur128
from scipy import signal

from chain import MOST_OFF_MS, MOST_OFF_RECEIPT_MS, Finished
from noises import HUM_HARMONICS
from sources import ACTIVE_UNDER_P95_DB, FRAME, RATE_HZ, frame_levels_db, p95_db, runs
from takes import Mark, Take

LOST_DB, LOST_REACH = 6.0, 50
FIRST_FRAMES, LAST_FRAMES, DULL_DB = 4, 6, 3.0
LONE_OVER_DB = 6.0
WORD_GAP, WORD_LEAST = 8, 6
PAUSE_AFTER, PAUSE_BEFORE, PAUSE_LEAST = 35, 10, 10
NEAR_S = 3.0
SILENT_DBFS, SILENT_MS = -120.0, 5.0
BANDS_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
#: How clean speech came out is fitted with a filter of these taps, samples.
CAME_OUT_TAPS = np.arange(-2, 3)
#: The finished file fades at its ends; zeros are looked for between.
FADE_S = (0.02, 0.05)


@dataclass
class Compared:
    """A take and what became of it, frame by frame."""

    take: Take
    done: Finished
    where: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        take, done = self.take, self.done
        hum_hz = take.recipe.hum_hz
        self.was_db = frame_levels_db(ear(take.reference, hum_hz))
        self.is_db = frame_levels_db(ear(done.aligned, hum_hz))
        self.gain_db = self.is_db - self.was_db
        self.clean_db = frame_levels_db(ear(take.speech, hum_hz))
        self.room_db = frame_levels_db(ear(take.room, hum_hz))
        self.mouth_db = frame_levels_db(ear(take.mouth, hum_hz))
        frames = len(self.was_db)
        self.kept = done.kept[: frames * FRAME].reshape(frames, FRAME).all(axis=1)
        self.speech = take.speech_frames
        self.audible = self.speech & (self.clean_db > np.maximum(self.room_db, self.mouth_db))
        self.faulty = self.around("click in pause", "click in speech", "spike", reach=2)
        self.known = self.audible & self.kept & ~self.faulty
        self.lone = lone(self.clean_db)
        self.speech_gain_db = median(self.gain_db[self.known])

    def around(self, *kinds: str, reach: int = 0) -> np.ndarray:
        """Frames at most *reach* frames from marks of some kinds."""
        near = np.zeros(len(self.was_db), bool)
        for mark in self.take.of(*kinds):
            near[max(mark.start // FRAME - reach, 0) : -(-mark.stop // FRAME) + reach] = True
        return near

    def gain_near_db(self, start: int, stop: int) -> float:
        """The speech's gain around a stretch of samples; the whole take's where none is near."""
        reach = round(NEAR_S * 100)
        here = slice(max(start // FRAME - reach, 0), stop // FRAME + reach)
        return median(self.gain_db[here][self.known[here]], self.speech_gain_db)

    def gain_of_db(self, mark: Mark) -> float:
        """The speech's gain within a mark."""
        here = slice(mark.start // FRAME, -(-mark.stop // FRAME))
        return median(self.gain_db[here][self.known[here]])

    def frames_of(self, *marks: Mark) -> np.ndarray:
        """The frames within some marks."""
        inside = np.zeros(len(self.was_db), bool)
        for mark in marks:
            inside[mark.start // FRAME : -(-mark.stop // FRAME)] = True
        return inside

    def note(self, what: str, frame: int, db: float) -> None:
        """Remember a place for whoever looks for the cause."""
        self.where.append(f"{what} at {frame / 100:.2f} s, {db:+.1f} dB")


def lone(level_db: np.ndarray) -> np.ndarray:
    """Single frames and pairs that stand LONE_OVER_DB over the frames on both sides.

    A consonant's burst, or a click that was in the recording already: nobody can tell from here.
    """
    padded = np.pad(level_db, 2, constant_values=np.inf)
    alone = np.zeros(len(level_db), bool)
    one = padded[2:-2] - np.maximum(padded[1:-3], padded[3:-1]) > LONE_OVER_DB
    two = (
        np.minimum(padded[2:-2], padded[3:-1]) - np.maximum(padded[1:-3], padded[4:]) > LONE_OVER_DB
    )
    alone |= one | two
    alone[1:] |= two[:-1]
    return alone


def ear(x: np.ndarray, hum_hz: float | None = None) -> np.ndarray:
    """The band over 200 Hz, the harmonics of a hum notched out."""
    x = signal.sosfilt(signal.butter(6, 200.0, "highpass", fs=RATE_HZ, output="sos"), x)
    for n in range(1, HUM_HARMONICS + 1) if hum_hz else ():
        x = signal.lfilter(*signal.iirnotch(n * hum_hz, 20.0, fs=RATE_HZ), x)
    return np.asarray(x)


def sharp(x: np.ndarray) -> np.ndarray:
    """The band over 2 kHz, where clicks stand out."""
    return np.asarray(
        signal.sosfilt(signal.butter(4, 2000.0, "highpass", fs=RATE_HZ, output="sos"), x)
    )


def measured(take: Take, done: Finished) -> dict[str, Any]:
    """All measures of one take; a measure that has nothing to measure is None."""
    compared = Compared(take, done)
    found: dict[str, Any] = {"take": take.name, "profile": done.receipt.profile.name}
    found["floor_dbfs"] = rounded(level_db(take.room), 1)
    found["mapping_off_ms"] = rounded(done.off_ms, 2)
    for part in (
        lost, edges, lowered_phrases, cut, pauses, breaths, clicks, sections, ends,
        pumping, spectrum, silence, level, faults,
    ):  # fmt: skip
        found |= part(compared)
    if done.off_ms > MOST_OFF_MS:
        compared.where.insert(0, f"mapping off by {done.off_ms:.1f} ms: do not trust this row")
    if done.off_receipt_ms > MOST_OFF_RECEIPT_MS:
        compared.where.insert(0, f"the receipt is off by {done.off_receipt_ms:.1f} ms")
    return found | {"where": compared.where}


# --- speech kept ----------------------------------------------------------------------------------


def lost(c: Compared) -> dict[str, Any]:
    """Speech frames whose gain lies over 6 dB under the median of the speech within +-0.5 s."""
    gone = gone_frames(c)
    audibly = gone & c.audible
    for start, stop in runs(audibly):
        c.note(f"lost {(stop - start) * 10} ms", start, float(c.gain_db[start:stop].min()))
    longest = max((stop - start for start, stop in runs(audibly)), default=0)
    return {
        "lost_percent": share(audibly, c.audible),
        "lost_all_percent": share(gone, c.speech),
        "longest_lost_ms": longest * 10,
    }


def gone_frames(c: Compared) -> np.ndarray:
    """Frames of speech that came out more than 6 dB lower than the speech around them, or were cut."""
    gone = np.zeros(len(c.gain_db), bool)
    for i in np.flatnonzero(c.speech):
        here = slice(max(i - LOST_REACH, 0), i + LOST_REACH + 1)
        usual_db = median(c.gain_db[here][c.known[here]], c.speech_gain_db)
        gone[i] = not c.kept[i] or c.gain_db[i] < usual_db - LOST_DB
    return gone


def words(c: Compared) -> list[tuple[int, int]]:
    """Runs of audible speech, apart by 80 ms or more; the shortest count nothing."""
    joined: list[tuple[int, int]] = []
    for start, stop in runs(c.audible):
        if joined and start - joined[-1][1] < WORD_GAP:
            joined[-1] = (joined[-1][0], stop)
        else:
            joined.append((start, stop))
    return [(start, stop) for start, stop in joined if stop - start >= WORD_LEAST]


def edges(c: Compared) -> dict[str, Any]:
    """Words whose first 40 or last 60 ms lie over 3 dB under the word's own median gain."""
    dulled = total = 0
    for start, stop in words(c):
        usual_db = median(c.gain_db[start:stop][c.known[start:stop]])
        ends = (("first", start, start + FIRST_FRAMES), ("last", stop - LAST_FRAMES, stop))
        for name, a, b in ends:
            edge_db = energy_gain_db(c, a, b, c.audible & ~c.faulty & ~c.lone)
            if edge_db is None or np.isnan(usual_db):
                continue
            total += 1
            if edge_db < usual_db - DULL_DB:
                dulled += 1
                c.note(f"{name} consonant dulled", a, edge_db - usual_db)
    return {"edges_dulled": dulled, "edges": total}


def lowered_phrases(c: Compared) -> dict[str, Any]:
    """Phrases that came out over 6 dB lower against the take than they went in, though not louder."""
    rows = [(m, c.gain_of_db(m), m.level_db) for m in c.take.of("speech")]
    known = [row for row in rows if not np.isnan(row[1])]
    usual_db, usual_dbfs = (median([row[n] for row in known]) for n in (1, 2))
    low = [(m, g) for m, g, v in known if g < usual_db - LOST_DB and v < usual_dbfs + 3.0]
    for mark, gain_db in low:
        c.note("whole phrase lowered", mark.start // FRAME, gain_db - usual_db)
    return {"phrases_lowered": len(low)}


def cut(c: Compared) -> dict[str, Any]:
    """Speech, audible or not, that the cuts took away."""
    missing = c.speech & c.audible & ~c.kept
    if missing.any():
        c.note(f"{int(missing.sum()) * 10} ms of speech cut off", int(np.argmax(missing)), -np.inf)
    return {"cut_ms": int(missing.sum()) * 10}


# --- what should be lower -------------------------------------------------------------------------


def pauses(c: Compared) -> dict[str, Any]:
    """How far the room was lowered in pauses, from 350 ms behind to 100 ms before speech."""
    near = np.zeros(len(c.speech), bool)
    for start, stop in runs(c.speech):
        near[max(start - PAUSE_BEFORE, 0) : stop + PAUSE_AFTER] = True
    free = c.kept & ~near & ~c.faulty & ~c.around("breath", "page", reach=6)
    free &= c.was_db > SILENT_DBFS
    drops = []
    for start, stop in runs(~near)[1:-1]:  # the first and the last are head and tail
        if free[start:stop].sum() >= PAUSE_LEAST:
            gain_db = energy_gain_db(c, start, stop, free)
            drops.append(c.gain_near_db(start * FRAME, stop * FRAME) - gain_db)
            if drops[-1] < 10.0:
                c.note("pause lowered little", start, -drops[-1])
    return {
        "pause_db": rounded(median(drops)),
        "pause_least_db": rounded(min(drops, default=np.nan)),
        "pauses": len(drops),
    }


def breaths(c: Compared) -> dict[str, Any]:
    """How far breaths were lowered: the middle 60 % of each, where it stands over the room."""
    drops = []
    for mark in c.take.of("breath"):
        fifth = (mark.stop - mark.start) // 5
        a, b = (mark.start + fifth) // FRAME, -(-(mark.stop - fifth) // FRAME)
        if mean_db(c.was_db[a:b]) < mean_db(c.room_db[a:b]) + 6.0:
            continue
        gain_db = energy_gain_db(c, a, b, c.kept & ~c.faulty)
        if gain_db is not None:
            drops.append(c.gain_near_db(mark.start, mark.stop) - gain_db)
            if drops[-1] < 6.0:
                c.note(f"breath of {(b - a) * 10} ms stays", a, -drops[-1])
    return {"breath_db": rounded(median(drops)), "breaths": len(drops)}


def clicks(c: Compared) -> dict[str, Any]:
    """How far clicks and spikes were lowered, in pauses by their peak, in speech by what is left.

    All over 2 kHz. In speech the known clean sound, as the sound around the click came out, is taken
    away first, so what counts is the click that is left or the hole that was made.
    """
    was, done, clean = (sharp(x) for x in (_mono(c.take), c.done.aligned, c.take.reference))
    drops: dict[str, list[float]] = {"click_pause_db": [], "click_speech_db": []}
    for mark in c.take.of("click in pause", "click in speech", "spike"):
        if not c.done.kept[max(mark.start - 400, 0) : mark.stop + 400].all():
            continue
        inside = c.speech[mark.start // FRAME - 2 : mark.stop // FRAME + 3].any()
        drop = _click_in_speech_db if inside else _click_in_pause_db
        name = "click_speech_db" if inside else "click_pause_db"
        drops[name].append(drop(c, mark, was, done, clean))
        if drops[name][-1] < 6.0:
            c.note(f"{mark.kind} stays", mark.start // FRAME, -drops[name][-1])
    return {name: rounded(median(found)) for name, found in drops.items()} | {
        "clicks": sum(len(found) for found in drops.values())
    }


def _click_in_pause_db(
    c: Compared, mark: Mark, was: np.ndarray, done: np.ndarray, clean: np.ndarray
) -> float:
    here = slice(max(mark.start - 60, 0), mark.stop + 130)
    fell_db = peak_db(was[here]) - peak_db(done[here])
    return fell_db + c.gain_near_db(mark.start, mark.stop)


def _click_in_speech_db(
    c: Compared, mark: Mark, was: np.ndarray, done: np.ndarray, clean: np.ndarray
) -> float:
    here = slice(max(mark.start - 60, 0), mark.stop + 130)
    reach = len(CAME_OUT_TAPS) // 2
    around = np.r_[mark.start - 1100 : mark.start - 90, mark.stop + 90 : mark.stop + 1100]
    around = around[(around >= reach) & (around < len(clean) - reach)]
    taps = np.linalg.lstsq(shifted(clean, around), done[around], rcond=None)[0]
    left = done[here] - shifted(clean, np.arange(here.start, here.stop)) @ taps
    factor_db = level_db(shifted(clean, around) @ taps) - level_db(clean[around])
    return peak_db(was[here] - clean[here]) - peak_db(left) + factor_db


def shifted(x: np.ndarray, at: np.ndarray) -> np.ndarray:
    """*x* at some samples and at those beside them, shape (samples, taps).

    A few taps fitted to these take up gain, a rest of delay, and what little phase the filters
    against rumble still have over 2 kHz.
    """
    return x[np.clip(at[:, None] + CAME_OUT_TAPS, 0, len(x) - 1)]


# --- levels and ends ------------------------------------------------------------------------------


def sections(c: Compared) -> dict[str, Any]:
    """Levels of the sections' loud speech, loudest over softest, before and after."""
    count = len(c.take.recipe.sections_db)
    if count < 2:
        return {"spread_before_db": None, "spread_after_db": None}
    before, after = [], []
    for n in range(count):
        mine = np.zeros(len(c.speech), bool)
        for mark in c.take.of("speech"):
            if mark.section == n:
                mine[mark.start // FRAME : mark.stop // FRAME] = True
        mine &= c.known
        loud = mine & (c.clean_db > p95_db(c.clean_db[mine]) - ACTIVE_UNDER_P95_DB)
        before.append(mean_db(c.was_db[loud]))
        after.append(mean_db(c.is_db[loud]))
    c.where.append("sections after: " + ", ".join(f"{v:.1f}" for v in after) + " dBFS")
    return {"spread_before_db": rounded(np.ptp(before)), "spread_after_db": rounded(np.ptp(after))}


def ends(c: Compared) -> dict[str, Any]:
    """Seconds before the first and after the last audible speech, and whether the profile's."""
    spoken = np.flatnonzero(c.audible)
    head_s = c.done.finished_s(int(spoken[0]) * FRAME)
    tail_s = c.done.duration_s - c.done.finished_s(int(spoken[-1] + 1) * FRAME)
    want = c.done.profile.delivery
    head_ok = want.head_least_s - 0.005 <= head_s <= want.head_most_s + 0.005
    tail_ok = want.tail_least_s - 0.005 <= tail_s <= want.tail_most_s + 0.005
    return {
        "head_s": rounded(head_s), "tail_s": rounded(tail_s), "ends_off": 2 - head_ok - tail_ok,
    }  # fmt: skip


def level(c: Compared) -> dict[str, Any]:
    """RMS, loudness and true peak of the finished file, the last two by an outside meter."""
    samples = np.ascontiguousarray(c.done.samples)
    channels = samples.shape[1]
    modes = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    meter = pyebur128.R128State(channels, c.done.rate_hz, modes)
    meter.add_frames(samples.reshape(-1), len(samples))
    peak = max(pyebur128.get_true_peak(meter, n) for n in range(channels))
    loudness = float(pyebur128.get_loudness_global(meter))
    rms = float(10 * np.log10(np.mean(np.square(samples)) + 1e-20))
    value = loudness if c.done.profile.normalise.by == "loudness" else rms
    low, high = c.done.profile.delivery.level_window(channels)
    over_db = 20 * np.log10(peak + 1e-12) - c.done.profile.limit.ceiling_dbtp
    return {
        "level_db": rounded(value, 2),
        "level_off": int(not low - 0.05 <= value <= high + 0.05),
        "over_ceiling_db": rounded(max(over_db, 0.0), 2),
        "limited_db": next(
            (s.did.get("greatest_db") for s in c.done.receipt.stages if s.stage == "limit"), None
        ),
    }


# --- how it sounds --------------------------------------------------------------------------------


def pumping(c: Compared) -> dict[str, Any]:
    """How the gain moves in steady speech: within 20 dB of a phrase's loudest, no pause between."""
    spreads, slopes, moves = [], [], []
    for mark in c.take.of("speech"):
        here = slice(mark.start // FRAME, mark.stop // FRAME)
        steady = c.known[here] & (c.clean_db[here] > p95_db(c.clean_db[here]) - 20.0)
        gain_db = c.gain_db[here]
        if steady.sum() < 20:
            continue
        spreads.append(float(np.std(gain_db[steady])))
        both = steady[5:] & steady[:-5]
        slopes.extend(np.abs(gain_db[5:] - gain_db[:-5])[both] / 0.05)
        moves.extend(np.abs(np.diff(gain_db))[steady[1:] & steady[:-1]] / 0.01)
    return {
        "gain_spread_db": rounded(median(spreads)),
        "gain_spread_most_db": rounded(max(spreads, default=np.nan)),
        "slope_most_db_s": rounded(max(slopes, default=np.nan), 0),
        "wobble_db_s": rounded(float(np.mean(moves)) if moves else np.nan, 1),
    }


def spectrum(c: Compared) -> dict[str, Any]:
    """Greatest change of an octave band in loud speech, gain taken out, and that of 125 Hz."""
    loud = c.known & (c.clean_db > p95_db(c.clean_db[c.known]) - 20.0)
    changes = {}
    for centre_hz in BANDS_HZ:
        band = [centre_hz / np.sqrt(2), centre_hz * np.sqrt(2)]
        sos = signal.butter(4, band, "bandpass", fs=RATE_HZ, output="sos")
        was = 10 ** (frame_levels_db(signal.sosfilt(sos, c.take.reference)) / 10)
        now = 10 ** ((frame_levels_db(signal.sosfilt(sos, c.done.aligned)) - c.gain_db) / 10)
        changes[centre_hz] = float(10 * np.log10(now[loud].sum() / was[loud].sum()))
    return {
        "band_change_db": rounded(max((v for hz, v in changes.items() if hz > 125), key=abs)),
        "band_125_change_db": rounded(changes[125]),
    }


def silence(c: Compared) -> dict[str, Any]:
    """Longest run of nothing, under -120 dBFS for more than 5 ms, away from the fades, in ms."""
    fade_in, fade_out = (round(s * c.done.rate_hz) for s in FADE_S)
    loudest = np.abs(c.done.samples).max(axis=1)[fade_in:-fade_out]
    ms = 1000 / c.done.rate_hz
    found = [(a, b) for a, b in runs(loudest < 10 ** (SILENT_DBFS / 20)) if (b - a) * ms > SILENT_MS]  # fmt: skip
    for a, b in found[:3]:
        c.where.append(
            f"digital silence of {(b - a) * ms:.0f} ms at {a * ms / 1000:.2f} s finished"
        )
    return {"silence_ms": rounded(sum(b - a for a, b in found) * ms, 0)}


# --- what the recording had wrong -------------------------------------------------------------


def faults(c: Compared) -> dict[str, Any]:
    """Hum, thumps, DC and clipping: how far each went; whether advice names the hum."""
    recipe = c.take.recipe
    found: dict[str, Any] = dict.fromkeys(
        ("hum_db", "hum_said", "thump_db", "dc_dbfs", "declip_db")
    )
    if recipe.hum_hz is not None:
        found["hum_db"] = rounded(_hum_drop_db(c, recipe.hum_hz))
        found["hum_said"] = any(f"{recipe.hum_hz:g} Hz" in said for said in c.done.receipt.advice)
    if recipe.dc:
        found["dc_dbfs"] = rounded(peak_db(np.array([c.done.samples.mean()])), 1)
    found["thump_db"] = rounded(median([_thump_drop_db(c, m) for m in c.take.of("thump")]))
    if c.take.clipped.any():
        found["declip_db"] = rounded(_declip_db(c))
    return found


def _hum_drop_db(c: Compared, hum_hz: float) -> float:
    """The hum's own frequency over the frames that are not speech, take against finished."""
    was, now = _mono(c.take), c.done.aligned
    quiet = np.repeat(~c.speech & c.kept, FRAME)
    turn = np.exp(-2j * np.pi * hum_hz * np.arange(len(quiet)) / RATE_HZ)[quiet]
    before, after = (abs(np.mean(x[: len(quiet)][quiet] * turn)) for x in (was, now))
    return float(20 * np.log10(before / max(after, 1e-12))) + c.speech_gain_db


def _thump_drop_db(c: Compared, mark: Mark) -> float:
    """Energy under 100 Hz in the thump, take against finished."""
    low = signal.butter(4, 100.0, "lowpass", fs=RATE_HZ, output="sos")
    before, after = (
        level_db(signal.sosfilt(low, x[max(mark.start - 4000, 0) : mark.stop + 400]))
        for x in (_mono(c.take), c.done.aligned)
    )
    return before - after + c.gain_near_db(mark.start, mark.stop)


def _declip_db(c: Compared) -> float:
    """How much nearer to the unclipped sound the clipped samples came, over 500 Hz."""
    sos = signal.butter(2, 500.0, "highpass", fs=RATE_HZ, output="sos")
    was, now, clean = (
        signal.sosfilt(sos, x) for x in (_mono(c.take), c.done.aligned, c.take.reference)
    )
    gain_per_sample = np.repeat(10 ** (c.gain_db / 20), FRAME)
    here = np.flatnonzero(
        c.take.clipped[: len(gain_per_sample)] & c.done.kept[: len(gain_per_sample)]
    )
    left = now[here] / gain_per_sample[here] - clean[here]
    return level_db(was[here] - clean[here]) - level_db(left)


# --- small things ---------------------------------------------------------------------------------


def _mono(take: Take) -> np.ndarray:
    return take.samples.mean(axis=1)


def median(values: Any, otherwise: float = np.nan) -> float:
    return float(np.median(values)) if len(values) else otherwise


def mean_db(level_db: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(10 ** (level_db / 10)))) if len(level_db) else np.nan


def level_db(x: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(np.square(x)) + 1e-20)) if len(x) else np.nan


def peak_db(x: np.ndarray) -> float:
    return float(20 * np.log10(np.max(np.abs(x), initial=0.0) + 1e-12))


def energy_gain_db(c: Compared, start: int, stop: int, of: np.ndarray) -> float | None:
    """Gain of the energy of the frames *of* between *start* and *stop*."""
    frames = np.flatnonzero(of[start:stop]) + start
    return mean_db(c.is_db[frames]) - mean_db(c.was_db[frames]) if len(frames) else None


def share(part: np.ndarray, whole: np.ndarray) -> float:
    return round(100.0 * float(part.sum()) / max(int(whole.sum()), 1), 3)


def rounded(value: float, digits: int = 2) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None
