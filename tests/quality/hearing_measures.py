"""What the hearing bench measures, beyond `measuring.py`: voice against breath, pause and noise.

Conventions: as in `measuring.py`; everything is measured on the finished file's samples. Counts are
given beside shares, so that all takes can be counted together. A list of rows, one a breath, lets a
failure be told by kind, by level and by nearness.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from chain import MOST_OFF_MS, MOST_OFF_RECEIPT_MS, Finished
from heard import CLEAR_S
from measuring import (
    SILENT_DBFS,
    Compared,
    clicks,
    cut,
    edges,
    ends,
    energy_gain_db,
    gone_frames,
    level,
    level_db,
    lowered_phrases,
    mean_db,
    median,
    rounded,
    share,
    silence,
)
from sources import ACTIVE_UNDER_P95_DB, FRAME, RATE_HZ, p95_db, runs
from takes import Mark, Take

#: Speech is loud within so many dB of the active level of its phrase.
LOUD_UNDER_DB = 25.0
#: A breath is lowered from here on.
LOWERED_DB = 8.0
#: Cut off the file: as good as silence.
CUT_DB = 99.0
#: A frame of a breath counts where the breath stands this far over the room; this many must.
OVER_ROOM_DB, LEAST_FRAMES = 3.0, 4
CLEAR_FRAMES = round(100 * CLEAR_S)
#: Pauses: from so long on, without the time right behind and right before speech, frames.
PAUSE_LEAST, PAUSE_AFTER, PAUSE_BEFORE, PAUSE_FREE = 25, 10, 5, 8
#: A noise that is asked to be cut is this far from speech; one that is left is over the room by so much.
PARTED_S, LEFT_OVER_ROOM_DB = 0.6, 3.0
CUT_KINDS = ("page", "chair", "bump")
#: A bed of music is judged this far from speech, frames.
BED_AWAY = 35


def measured(take: Take, done: Finished) -> dict[str, Any]:
    """All measures of one take; a measure that has nothing to measure is None."""
    c = Compared(take, done)
    found: dict[str, Any] = {"take": take.name, "profile": done.receipt.profile.name}
    found |= {"voice": take.recipe.voice, "floor_dbfs": rounded(level_db(take.room), 1)}
    for part in (
        kept_speech, edges, lowered_phrases, cut, breaths, mouth_sounds, clicks, pauses, end_noises,
        bed, ends, level, silence,
    ):  # fmt: skip
        found |= part(c)
    if done.off_ms > MOST_OFF_MS or done.off_receipt_ms > MOST_OFF_RECEIPT_MS:
        off = max(done.off_ms, done.off_receipt_ms)
        c.where.insert(0, f"mapping off by {off:.1f} ms: do not trust this row")
    return found | {"where": c.where}


# --- the voice ------------------------------------------------------------------------------------


def loud_frames(c: Compared) -> np.ndarray:
    """Frames of audible speech within LOUD_UNDER_DB of the active level of their phrase."""
    loud = np.zeros(len(c.clean_db), bool)
    for mark in c.take.of("speech"):
        here = slice(mark.start // FRAME, -(-mark.stop // FRAME))
        clean_db = c.clean_db[here]
        active_db = mean_db(clean_db[clean_db > p95_db(clean_db) - ACTIVE_UNDER_P95_DB])
        loud[here] |= clean_db > active_db - LOUD_UNDER_DB
    return loud & c.audible


def kept_speech(c: Compared) -> dict[str, Any]:
    """Speech frames lost, of all that are audible and of the loud ones; whispers apart.

    Single bursts are counted apart as well (`measuring.lone`): they may be clicks of the recording.
    """
    gone = gone_frames(c) & c.audible
    whispers = c.frames_of(*(m for m in c.take.of("speech") if "whisper" in m.what))
    plain = c.audible & ~c.lone
    loud = loud_frames(c) & plain
    for start, stop in runs(gone):
        here = slice(start, stop)
        word = "loud speech" if (gone & loud)[here].any() else "speech"
        word = word if (gone & plain)[here].any() else "a single burst"
        c.note(f"{word} lost {(stop - start) * 10} ms", start, float(c.gain_db[here].min()))
    wholes = {
        "loud": loud & ~whispers, "audible": plain & ~whispers, "whisper": plain & whispers,
        "burst": c.audible & c.lone,
    }  # fmt: skip
    found: dict[str, Any] = {}
    for name, whole in wholes.items():
        found[f"{name}_frames"] = int(whole.sum())
        found[f"{name}_lost"] = int((gone & whole).sum())
        found[f"{name}_lost_percent"] = share(gone & whole, whole) if whole.any() else None
    gone &= plain
    found["longest_lost_ms"] = max((b - a for a, b in runs(gone)), default=0) * 10
    return found | {"lost_by_manner": _by_manner(c, gone)}


def _by_manner(c: Compared, gone: np.ndarray) -> dict[str, tuple[int, int]]:
    """Frames lost and frames in all, by manner of speech."""
    found: dict[str, tuple[int, int]] = {}
    for mark in c.take.of("speech"):
        whole = c.frames_of(mark) & c.audible & ~c.lone
        lost, total = found.get(mark.what, (0, 0))
        found[mark.what] = (lost + int((gone & whole).sum()), total + int(whole.sum()))
    return found


# --- breaths --------------------------------------------------------------------------------------


def breaths(c: Compared) -> dict[str, Any]:
    """How far each breath was lowered, over its frames that are clear of speech and stand over the room."""
    rows = []
    for mark in c.take.of("breath"):
        lowered_db = _lowered_db(c, mark, c.mouth_db, CLEAR_FRAMES)
        if lowered_db is None:
            continue
        touches = mark.gap_s < CLEAR_S
        rows.append({
            "kind": mark.what, "touches": touches, "under_db": round(mark.under_db, 1),
            "seconds": round((mark.stop - mark.start) / RATE_HZ, 2),
            "lowered_db": round(lowered_db, 1), "gap_ms": round(1000 * mark.gap_s),
        })  # fmt: skip
        if lowered_db < LOWERED_DB:
            near = f"touching ({1000 * mark.gap_s:.0f} ms)" if touches else "clear"
            c.note(
                f"{near} breath, {mark.what}, {mark.under_db:.0f} dB under speech, stays",
                mark.start // FRAME,
                -lowered_db,
            )
    found: dict[str, Any] = {"breath_rows": rows}
    for name, touches in (("clear", False), ("touching", True)):
        mine = [r["lowered_db"] for r in rows if r["touches"] is touches]
        found[f"{name}_breaths"] = len(mine)
        found[f"{name}_lowered"] = sum(db >= LOWERED_DB for db in mine)
        found[f"{name}_lowered_percent"] = _percent(found[f"{name}_lowered"], len(mine))
    return found


def _lowered_db(c: Compared, mark: Mark, own_db: np.ndarray, clear: int) -> float | None:
    """How far a sound was lowered against the speech near it; CUT_DB where it was cut off.

    Only frames count that are *clear* frames from speech and where it stands over the room; None
    where they are too few.
    """
    inside = c.frames_of(mark) & (own_db > c.room_db + OVER_ROOM_DB) & ~c.faulty
    inside &= ~_grown(c.speech, clear)
    if inside.sum() < min(LEAST_FRAMES, (mark.stop - mark.start) // FRAME):
        return None
    if (inside & c.kept).sum() < 0.2 * inside.sum():
        return CUT_DB
    gain_db = energy_gain_db(c, 0, len(inside), inside & c.kept)
    return None if gain_db is None else c.gain_near_db(mark.start, mark.stop) - gain_db


def mouth_sounds(c: Compared) -> dict[str, Any]:
    """How far smacks and gulps in pauses were lowered."""
    rows = []
    for mark in c.take.of("mouth"):
        lowered_db = _lowered_db(c, mark, c.mouth_db, 1)
        if lowered_db is not None:
            rows.append({"kind": mark.what, "lowered_db": round(lowered_db, 1)})
            if lowered_db < LOWERED_DB:
                c.note(f"{mark.what} stays", mark.start // FRAME, -lowered_db)
    lowered = sum(r["lowered_db"] >= LOWERED_DB for r in rows)
    return {"mouth_rows": rows, "mouth_sounds": len(rows), "mouth_lowered": lowered}


# --- pauses and ends ------------------------------------------------------------------------------


def pauses(c: Compared) -> dict[str, Any]:
    """How far the room was lowered in pauses of a quarter of a second and more.

    Of each pause the middle frame's gain (median), from 100 ms behind to 50 ms before speech, where
    only the room is to be heard. And how far the room's level differs from pause to pause.
    """
    other = c.around("breath", "mouth", "click in pause", "spike", "end noise", reach=3)
    free = c.kept & ~other & (c.was_db > SILENT_DBFS) & (c.was_db < c.room_db + OVER_ROOM_DB)
    drops, rooms_db = [], []
    for start, stop in runs(~c.speech)[1:-1]:  # the first and the last are head and tail
        here = np.arange(start + PAUSE_AFTER, stop - PAUSE_BEFORE)
        here = here[free[here]] if stop - start >= PAUSE_LEAST else here[:0]
        if len(here) < PAUSE_FREE or c.take.recipe.bed_under_db is not None:
            continue
        drops.append(c.gain_near_db(start * FRAME, stop * FRAME) - median(c.gain_db[here]))
        rooms_db.append(mean_db(c.is_db[here]))
        if drops[-1] < LOWERED_DB:
            c.note(f"pause of {(stop - start) * 10} ms lowered little", start, -drops[-1])
    return {
        "pause_db": rounded(median(drops)),
        "pause_least_db": rounded(min(drops, default=np.nan)),
        "pauses": len(drops),
        "room_spread_db": rounded(np.ptp(rooms_db)) if len(rooms_db) > 1 else None,
    }


def end_noises(c: Compared) -> dict[str, Any]:
    """Whether noises before the first and after the last phrase are gone from the finished file."""
    rows = []
    for mark in c.take.of("end noise"):
        gap_s = _distance_s(c, mark)
        gone = _gone(c, mark)
        rows.append({"kind": mark.what, "gap_s": round(gap_s, 2), "gone": gone})
        if not gone:
            c.note(f"{mark.what}, parted by {gap_s:.2f} s, stays", mark.start // FRAME, 0.0)
    asked = [r for r in rows if r["kind"] in CUT_KINDS and r["gap_s"] >= PARTED_S]
    gone_count = sum(r["gone"] for r in asked)
    return {"end_rows": rows, "end_noises": len(asked), "end_noises_gone": gone_count}


def _distance_s(c: Compared, mark: Mark) -> float:
    """How far a mark lies from the nearest speech."""
    spoken = np.flatnonzero(c.speech) * FRAME
    ahead = spoken[spoken >= mark.stop]
    behind = spoken[spoken < mark.start]
    gaps = [float(x) for x in (*(ahead[:1] - mark.stop), *(mark.start - behind[-1:] - FRAME))]
    return min(gaps, default=np.inf) / RATE_HZ


def _gone(c: Compared, mark: Mark) -> bool:
    """Cut off, or no louder than the room would be beside speech."""
    inside = c.frames_of(mark)
    loud = inside & (c.was_db > c.room_db + 2 * OVER_ROOM_DB)
    left = loud & c.kept
    if left.sum() <= 0.05 * loud.sum():
        return True
    room_db = mean_db(c.room_db[left]) + c.gain_near_db(mark.start, mark.stop)
    return bool(mean_db(c.is_db[left]) < room_db + LEFT_OVER_ROOM_DB)


def bed(c: Compared) -> dict[str, Any]:
    """How much of a bed of music, away from speech, was lowered by over 6 dB."""
    if c.take.recipe.bed_under_db is None:
        return {"bed_lowered_percent": None}
    away = c.kept & ~_grown(c.speech, BED_AWAY) & ~c.around("breath", "mouth", "end noise", reach=6)
    return {"bed_lowered_percent": share(away & (c.gain_db < c.speech_gain_db - 6.0), away)}


# --- small things ---------------------------------------------------------------------------------


def _grown(mask: np.ndarray, by: int) -> np.ndarray:
    """A mask, *by* frames wider on both sides."""
    return np.convolve(mask, np.ones(2 * by + 1), "same") > 0.5


def _percent(part: int, whole: int) -> float | None:
    return round(100.0 * part / whole, 1) if whole else None
