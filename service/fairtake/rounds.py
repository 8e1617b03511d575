"""Render, encode and prove, round after round, until the files hold what the profile promises.

Level and ceiling have to hold in the files as written, and the MP3 only shows what it is once it is
decoded. Speech under a profile that ships rarely needs a second round. A WAV that is off its level
is not encoded at all.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fairtake.correct import (
    LEVEL_TOLERANCE_DB,
    MP3_ADDS_DB,
    MP3_CLOSE_DB,
    MP3_GUARD_DB,
    Seen,
    corrected,
    sparing,
    turned_down,
)
from fairtake.files.mp3 import encode_mp3, level_loss_db
from fairtake.files.room import require_room
from fairtake.files.take import open_take
from fairtake.files.wav import Loudness, write_loudness
from fairtake.files.write import write_wav_and_copy
from fairtake.memory import give_memory_back
from fairtake.profile import Profile
from fairtake.receipt import Measures
from fairtake.sketch import Outline
from fairtake.sound.levels import Levels, Rows, Sounds
from fairtake.sound.listen import listen
from fairtake.sound.makeup import MISSED_DB
from fairtake.sound.measures import measures
from fairtake.sound.overs import Over, overs_of
from fairtake.sound.phase import NO_PHASE, Phase
from fairtake.sound.plan import (
    Chained,
    Correction,
    Plan,
    best_angle,
    chained,
    limiting,
    settled,
)
from fairtake.sound.proof import Proof, prove_speech
from fairtake.sound.render import NEAR_DB, Rendering, angles_of, peaks_without_gain
from fairtake.sound.source import Source
from fairtake.sound.stages.limit import aim_dbtp, limit_note
from fairtake.sound.stages.normalise import level_of
from fairtake.sound.stages.phase import WORTH_DB
from fairtake.sound.thin import Thin, outline_of, thin
from fairtake.title import loudness_tags
from fairtake.units import amplitude_db, gain

MOST_ROUNDS = 7
#: So often a plan is made again for the speech's sake before anything is rendered.
MOST_PLANS = 4
#: Rounds after those, in which the whole take is only turned down until the ceiling holds.
LAST_ROUNDS = 3

Progress = Callable[[str, float], None]


class Stopwatch:
    """Seconds spent in each verb."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}

    @contextmanager
    def timing(self, verb: str) -> Iterator[None]:
        begun = time.perf_counter()
        try:
            yield
        finally:
            self.spent[verb] = self.spent.get(verb, 0.0) + time.perf_counter() - begun


@dataclass(frozen=True)
class Written:
    """A written file and what it measures; ``level`` is in the target's unit.

    The table it was measured from is let go: two of them are much of a worker's memory. Its outline
    is kept for pictures.
    """

    path: Path
    measures: Measures
    level: float | None
    true_peak_dbtp: float
    sample_rate_hz: int
    channels: int
    duration_s: float
    outline: Outline
    sounds: Sounds
    overs: tuple[Over, ...] = ()  # an MP3's; see `Seen`


@dataclass(frozen=True)
class Asked:
    """What a round is to do: a correction, and the finished take's true peaks without gain, once they
    were heard; see `settled`."""

    correction: Correction
    true_peaks: Rows | None = None

    @property
    def first(self) -> bool:
        """Whether nothing has been written yet: all is still open."""
        return self.true_peaks is None


@dataclass(frozen=True)
class Round:
    """One time round, the *number*-th, and what was *asked* of it at last. ``mp3`` is None where the WAV
    was wrong already."""

    number: int
    asked: Asked
    plan: Plan
    wav: Written
    mp3: Written | None
    limited: dict[str, float]
    stages: Proof  # of the stages alone
    speech: Proof  # with the limiter
    limited_db: Thin

    @property
    def used(self) -> Correction:
        return self.asked.correction

    def seen(self, profile: Profile) -> Seen:
        wav, mp3 = self.wav, self.mp3
        return Seen(
            planned_level=profile.normalise.target_for(wav.channels) - self.plan.short_db,
            wav_level=wav.level,
            wav_peak_dbtp=wav.true_peak_dbtp,
            greatest_reduction_db=self.limited["greatest_db"],
            mp3_level=mp3.level if mp3 else None,
            mp3_peak_dbtp=mp3.true_peak_dbtp if mp3 else None,
            stages=self.stages,
            speech=self.speech,
            mp3_overs=mp3.overs if mp3 else (),
        )

    def wanted(self, profile: Profile) -> Correction:
        """The correction for another round; that of this one where nothing is left to correct."""
        step = corrected if self.number < MOST_ROUNDS else turned_down
        return step(self.seen(profile), self.used, profile.limit)


@dataclass(frozen=True)
class Rounds:
    """The rounds of one take. *levels* are those of *source*; files are written into *scratch*."""

    profile: Profile
    source: Source
    levels: Levels
    scratch: Path
    seed: int
    tags: dict[str, str]
    cover: Path | None
    progress: Progress
    stopwatch: Stopwatch

    def run(self) -> Round:
        """Go round until nothing is left to correct. Raises as `fairtake.master.finish` does."""
        require_room(self.scratch, self._needed_bytes())
        mp3_db = level_loss_db(self.profile.mp3.bitrate_kbps)
        asked = Asked(Correction(mp3_db=mp3_db, ceiling_db=MP3_ADDS_DB))
        number = 1
        while True:
            made = self._round(number, asked)
            wanted = made.wanted(self.profile)
            if made.mp3 and (wanted == made.used or number == MOST_ROUNDS + LAST_ROUNDS):
                return made
            asked, number = replace(made.asked, correction=wanted), number + 1
            del made  # its plan would stay in memory beside the next one

    def _needed_bytes(self) -> int:
        """Of scratch: the WAV, two copies of 16 bits for the encoder, and the MP3."""
        rate = self.profile.sample_rate_hz or self.source.sample_rate_hz
        samples = self.source.frames / self.source.sample_rate_hz * rate * self.source.channels
        seconds = self.source.frames / self.source.sample_rate_hz
        return int(
            samples * (self.profile.wav.bits / 8 + 2 * 2)
            + seconds * self.profile.mp3.bitrate_kbps * 125
        )

    def _round(self, number: int, asked: Asked) -> Round:
        # The last rounds are only turned down: another plan would be another sound.
        plan, stages, asked = self.plan(asked, MOST_PLANS if number < MOST_ROUNDS else 1)
        used = asked.correction
        wav, copy = self.scratch / "finished.wav", self.scratch / "copy.s16"
        with self.stopwatch.timing("render"):
            rendering = Rendering(self.source, plan, self.profile.sample_rate_hz, used.down_db)
            write_wav_and_copy(
                rendering, wav, copy, self.profile.wav.bits, used.mp3_db, self.seed,
                lambda share: self.progress("render", share), self.tags.get("title", ""),
            )  # fmt: skip
        limited = limit_note(rendering.limited_db)
        reduction = fitted(rendering.limited_db, plan.gain_db)
        speech = prove_speech(plan.spoken, plan.gain_db - reduction)
        limited_db = thin(-reduction)
        if asked.true_peaks is None:  # a level that was corrected with other peaks would be off
            peaks = gain(fitted(rendering.peak_dbtp, plan.gain_db) - plan.gain_db)
            asked = replace(asked, true_peaks=peaks)
        # Before the largest thing comes into memory, the encoder's copy of the take, let go of all
        # that can be told again.
        plan = plan.without_curves()
        del rendering, reduction
        proved = self._proved(wav, 0.0)
        write_loudness(wav, _bext_loudness(proved.measures))
        made = Round(number, asked, plan, proved, None, limited, stages, speech, limited_db)
        if number < MOST_ROUNDS and made.wanted(self.profile) != made.used:
            return made
        return replace(made, mp3=self._mp3(copy, proved))

    def plan(self, asked: Asked, left: int = MOST_PLANS) -> tuple[Plan, Proof, Asked]:
        """A plan that keeps the speech, as far as can be told before anything is rendered, the proof of
        its stages alone, and what was asked for it at last: of the ways to turn the take, the first that
        reaches the level, or the one that comes nearest. Where none reaches it, the ceiling is aimed at
        itself, and what the MP3 adds to it is mended where it does."""
        best: tuple[Plan, Proof, Asked] | None = None
        for one in self._with_peaks(asked):
            found = self._keeping_speech(one, left)
            if best is None or found[0].short_db < best[0].short_db - WORTH_DB:
                best = found
            if found[0].short_db <= MISSED_DB:
                break
        assert best is not None
        if best[0].short_db <= MISSED_DB or not asked.first:
            return best
        del found
        closer = replace(best[2].correction, ceiling_db=0.0)
        found = self._keeping_speech(replace(best[2], correction=closer), left)
        return found if found[0].short_db < best[0].short_db - WORTH_DB else best

    def _keeping_speech(self, asked: Asked, left: int) -> tuple[Plan, Proof, Asked]:
        """The plan for one way to turn the take."""
        self.progress("plan", 0.0)
        with self.stopwatch.timing("plan"):
            done = chained(self.levels, self.profile, asked.correction)
            peaks = asked.true_peaks if asked.correction.peaks_known else None
            plan = settled(done, self.profile, asked.correction, peaks)
            stages = prove_speech(plan.spoken, plan.gain_db)
            foreseen = prove_speech(plan.spoken, plan.gain_db + plan.limited_db)
            wanted = sparing(asked.correction, stages, foreseen)
        if wanted == asked.correction or left == 1:
            return plan, stages, asked
        del done, plan  # they would stay in memory beside the next ones
        return self._keeping_speech(replace(asked, correction=wanted), left - 1)

    def _with_peaks(self, asked: Asked) -> Iterator[Asked]:
        """*asked*, with the peaks heard as they will come to the limiter, where it costs level; once for
        every way to turn the take that may be worth it."""
        if asked.correction.peaks_known:
            yield asked
            return
        with self.stopwatch.timing("plan"):
            done = chained(self.levels, self.profile, asked.correction)
            gain_db, costs_db = limiting(done, self.profile, asked.correction)
        if costs_db <= LEVEL_TOLERANCE_DB / 2:
            yield asked
            return
        # What limiting takes is made up for by more gain.
        near_db = NEAR_DB + 2 * costs_db
        least = gain(aim_dbtp(self.profile.limit) - asked.correction.ceiling_db - gain_db)
        for phase, won_db in self._phases(done, asked, least.astype(np.float32), costs_db):
            with self.stopwatch.timing("listen"):
                peaks = peaks_without_gain(self.source, replace(done, phase=phase), least, near_db)
            correction = replace(
                asked.correction, peaks_known=True, phase=phase, phase_won_db=won_db
            )
            yield Asked(correction, fitted(peaks, gain_db))

    def _phases(
        self, done: Chained, asked: Asked, least: Rows, costs_db: float
    ) -> Iterator[tuple[Phase, float]]:
        """The turns that may be tried, and what each of them wins, dB; those that change the voice least
        first."""
        tried = self.profile.phase.tried if "phase" in self.profile.chain else ()
        if costs_db < WORTH_DB or not tried:
            yield NO_PHASE, 0.0
            return
        for all_passes in tried:
            with self.stopwatch.timing("listen"):
                peaks = angles_of(self.source, done, all_passes, least)
            with self.stopwatch.timing("plan"):
                angle_deg, won_db = best_angle(done, self.profile, asked.correction, peaks, least)
            worth = all_passes or won_db >= WORTH_DB
            yield (Phase(angle_deg, all_passes), won_db) if worth else (NO_PHASE, 0.0)

    def _mp3(self, copy: Path, wav: Written) -> Written:
        mp3 = self.scratch / "finished.mp3"
        found = wav.measures
        tags = {**self.tags, **loudness_tags(found.loudness_lufs, found.sample_peak_dbfs)}
        give_memory_back()
        with self.stopwatch.timing("encode"):
            self.progress("encode", 0.0)
            encode_mp3(
                copy, mp3, wav.sample_rate_hz, wav.channels,
                self.profile.mp3.bitrate_kbps, tags, self.cover,
            )  # fmt: skip
            copy.unlink()
        proved = self._proved(mp3, 0.5, wav.sounds)
        ceiling_dbtp = self.profile.limit.ceiling_dbtp
        if proved.true_peak_dbtp <= ceiling_dbtp - MP3_GUARD_DB:
            return proved
        most_dbtp = ceiling_dbtp - MP3_CLOSE_DB
        with self.stopwatch.timing("prove"), open_take(mp3, self.scratch) as file:
            overs = overs_of(file.blocks(), file.sample_rate_hz, file.channels, most_dbtp)
        return replace(proved, overs=overs)

    def _proved(self, path: Path, done: float, sounds: Sounds | None = None) -> Written:
        """A file just written, heard from end to end; its *sounds* where another copy has told them."""
        with self.stopwatch.timing("prove"), open_take(path, self.scratch) as file:
            heard = listen(
                file, lambda share: self.progress("prove", done + share / 2),
                blemishes=False, voice=sounds is None,
            )  # fmt: skip
            if sounds is not None:
                heard = replace(heard, levels=heard.levels.with_sounds(sounds))
            return Written(
                path, measures(heard), level_of(heard.levels, self.profile.normalise.by),
                float(amplitude_db(heard.true_peak)), heard.levels.sample_rate_hz,
                heard.levels.channels, heard.duration_s, outline_of(heard.levels),
                heard.levels.heard_sound,
            )  # fmt: skip


def fitted(curve: Rows, other: Rows) -> Rows:
    """*curve* at the length of *other*: a take's last row may be cut by rounding."""
    return np.pad(curve, (0, max(len(other) - len(curve), 0)))[: len(other)]


def _bext_loudness(found: Measures) -> Loudness:
    return Loudness(
        found.loudness_lufs,
        found.loudness_range_lu,
        found.true_peak_dbtp,
        found.max_momentary_lufs,
        found.max_short_term_lufs,
    )
