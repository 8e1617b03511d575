"""One take from file to files: listen, plan, render, prove.

The level and the ceiling have to hold in the files as written, and the MP3 only shows what it is
once it is decoded. So the last verb may send the take round again with a `Correction`; speech
under a profile that ships rarely needs a second round.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from fairtake.errors import (
    EncoderFailed,
    NoSpeech,
    Silent,
    TargetUnreachable,
    TitleInvalid,
    TooLong,
    TooShort,
)
from fairtake.files.encoder import decodes, encoder_version
from fairtake.files.hashing import hash_of
from fairtake.files.mp3 import MOST_COVER_BYTES, encode_mp3, level_loss_db, picture_suffix
from fairtake.files.take import Take, facts_of, open_take
from fairtake.files.write import write_wav_and_copy
from fairtake.memory import give_memory_back
from fairtake.profile import Profile
from fairtake.receipt import (
    After,
    Measures,
    Output,
    Outputs,
    ProfileFacts,
    Receipt,
    StageNote,
    TakeFacts,
    Took,
)
from fairtake.sound.advice import advice
from fairtake.sound.checks import checks
from fairtake.sound.levels import Levels
from fairtake.sound.listen import Heard, listen
from fairtake.sound.loudness import BLOCK_S
from fairtake.sound.measures import measures
from fairtake.sound.plan import Correction, Plan, make_plan
from fairtake.sound.render import Rendering
from fairtake.sound.sides import Folded
from fairtake.sound.source import Source
from fairtake.sound.stages.limit import limit_note
from fairtake.sound.stages.normalise import level_of
from fairtake.title import Title, mp3_tags
from fairtake.units import amplitude_db, clock
from fairtake.versions import made_by

#: A file this far off its level, in dB, is made again.
LEVEL_TOLERANCE_DB = 0.05
#: When a ceiling was passed, the next round aims this much lower than what would just do.
CEILING_MARGIN_DB = 0.05
MOST_ROUNDS = 4
#: Rounds after those, in which the whole take is only turned down until the ceiling holds.
LAST_ROUNDS = 3
#: A level that stays this far under what was planned is not raised on and on: the limiter eats it.
MOST_RAISE_DB = 2.0
#: No sample above this is more than the last bit of a 16-bit recorder.
SILENT_DBFS = -88.0

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Job:
    """What is to be done with one take. ``name`` is its own file name, ``stem`` the outputs'."""

    take: Path
    name: str
    stem: str
    profile_name: str
    profile: Profile
    folder: str = ""
    title: Title = field(default_factory=Title)
    cover: Path | None = None


@dataclass(frozen=True)
class Finished:
    """A take's finished files, in scratch, and its receipt."""

    wav: Path
    mp3: Path
    receipt: Receipt


@dataclass(frozen=True)
class Round:
    """One time round: the files as they were written and what they measure."""

    plan: Plan
    wav: Heard
    mp3: Heard


class Clock:
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


def finish(job: Job, scratch: Path, progress: Progress = lambda verb, share: None) -> Finished:
    """Master one take into *scratch*, a folder that must exist; nothing else is written.

    Raises a `TakeFault`, a `SettingsFault` or a `SurroundingsFault`; an ``OSError`` passes
    through, for the caller knows which folder is whose.
    """
    clocks = Clock()
    with open_take(job.take, scratch) as take:
        facts = facts_of(job.take, job.name, job.folder, take)
        _refuse_length(take, job.profile)
        with clocks.timing("listen"):
            whole, source = _hear(take, job.profile, lambda share: progress("listen", share))
            before = measures(whole)
            heard = listen(source) if source is not take else whole
        _refuse_silence(heard, measures(heard) if source is not take else before)
        made = _rounds(job, source, heard.levels, facts, scratch, clocks, progress)
    return _finished(job, facts, before, whole, made, scratch, clocks)


def _refuse_length(take: Take, profile: Profile) -> None:
    if take.duration_s < BLOCK_S:
        raise TooShort(f"It lasts {take.duration_s:.2f} s.")
    if take.duration_s > profile.delivery.longest_s:
        raise TooLong(
            f"It lasts {clock(take.duration_s)}, the profile takes {clock(profile.delivery.longest_s)}."
        )


def _hear(take: Take, profile: Profile, progress: Callable[[float], None]) -> tuple[Heard, Source]:
    """The take as it is, and the source that will be finished."""
    heard = listen(take, progress)
    if profile.channels == "mono" and heard.sides is not None:
        return heard, Folded(take, heard.sides.fold)
    return heard, take


def _refuse_silence(heard: Heard, found: Measures) -> None:
    if amplitude_db(heard.sample_peak) < SILENT_DBFS:
        raise Silent()
    if found.speech_level_dbfs is None:
        raise NoSpeech()


def _rounds(
    job: Job, source: Source, levels: Levels, facts: TakeFacts, scratch: Path,
    clocks: Clock, progress: Progress,
) -> Round:  # fmt: skip
    """Plan, render and prove until the files hold what the profile promises."""
    correction = Correction()
    mp3_gain_db = level_loss_db(job.profile.mp3.bitrate_kbps)
    seed = int((facts.sha256 or "0")[:16], 16)
    for count in range(1, MOST_ROUNDS + LAST_ROUNDS + 1):
        with clocks.timing("plan"):
            progress("plan", 0.0)
            plan = make_plan(levels, job.profile, correction)
        made = _one_round(job, source, plan, mp3_gain_db, seed, scratch, clocks, progress)
        wanted, mp3_step_db = _still_wanted(made, job.profile, correction)
        if count >= MOST_ROUNDS:
            over_db = _over_db(made, job.profile)
            if over_db <= 0:
                break
            wanted, mp3_step_db = _turned_down(levels, job.profile, made, correction, over_db), 0.0
        if wanted == correction and not mp3_step_db:
            break
        correction, mp3_gain_db = wanted, mp3_gain_db + mp3_step_db
    return _short_told(made, job.profile)


def _one_round(
    job: Job, source: Source, plan: Plan, mp3_gain_db: float, seed: int, scratch: Path,
    clocks: Clock, progress: Progress,
) -> Round:  # fmt: skip
    profile = job.profile
    wav, mp3, copy = _paths(scratch, job.stem)
    with clocks.timing("render"):
        rendering = Rendering(source, plan, profile.sample_rate_hz)
        write_wav_and_copy(
            rendering,
            wav,
            copy,
            profile.wav.bits,
            mp3_gain_db,
            seed,
            lambda share: progress("render", share),
        )
    limited = {**plan.notes["limit"], **limit_note(rendering.limited_db)}
    plan = replace(plan, notes={**plan.notes, "limit": limited})
    give_memory_back()  # the encoder's copy of the take is the largest thing in memory
    with clocks.timing("encode"):
        progress("encode", 0.0)
        tags = mp3_tags(job.title.tags, Path(job.name).stem)
        cover = _cover(job.cover, scratch)
        try:
            encode_mp3(
                copy,
                mp3,
                rendering.sample_rate_hz,
                rendering.channels,
                profile.mp3.bitrate_kbps,
                tags,
                cover,
            )
        except EncoderFailed:
            if job.cover and cover and not decodes(cover):
                raise TitleInvalid(f"The cover '{job.cover.name}' is a broken picture.") from None
            raise
        copy.unlink()
    with clocks.timing("prove"), open_take(wav, scratch) as w, open_take(mp3, scratch) as m:
        heard = listen(w, lambda share: progress("prove", share / 2))
        return Round(plan, heard, listen(m, lambda share: progress("prove", 0.5 + share / 2)))


def _paths(scratch: Path, stem: str) -> tuple[Path, Path, Path]:
    return scratch / "finished.wav", scratch / "finished.mp3", scratch / "copy.s16"


def _cover(cover: Path | None, scratch: Path) -> Path | None:
    """The title's picture under a name of ours, when it really is a picture."""
    if cover is None:
        return None
    if not cover.is_file():
        raise TitleInvalid(f"The cover '{cover.name}' is not beside title.toml.")
    suffix = picture_suffix(cover)
    if suffix is None or cover.stat().st_size > MOST_COVER_BYTES:
        raise TitleInvalid(
            f"The cover '{cover.name}' is no JPEG or PNG under {MOST_COVER_BYTES // 10**6} MB."
        )
    ours = scratch / f"cover{suffix}"
    shutil.copyfile(cover, ours)
    return ours


def _still_wanted(made: Round, profile: Profile, used: Correction) -> tuple[Correction, float]:
    """The correction for the next round, and the step in the MP3's own gain; *used* and 0 if none."""
    by = profile.normalise.by
    target = profile.normalise.target_for(made.wav.levels.channels) - made.plan.short_db
    wav_level, mp3_level = level_of(made.wav.levels, by), level_of(made.mp3.levels, by)
    level_db = target - wav_level if wav_level is not None else 0.0
    room_db = profile.limit.most_reduction_db - made.plan.notes["limit"]["greatest_db"]
    step_db = wav_level - mp3_level if wav_level is not None and mp3_level is not None else 0.0
    over_db = _over_db(made, profile)
    wanted = used
    if over_db > 0:
        wanted = replace(wanted, ceiling_db=wanted.ceiling_db + over_db + CEILING_MARGIN_DB)
        room_db -= over_db
    # Past what the limiter may take, and past what raising still helps, the level gives way.
    level_db = min(level_db, max(room_db, 0.0), max(MOST_RAISE_DB - used.level_db, 0.0))
    if abs(level_db) > LEVEL_TOLERANCE_DB:
        wanted = replace(wanted, level_db=wanted.level_db + level_db)
    return wanted, step_db if abs(step_db) > LEVEL_TOLERANCE_DB else 0.0


def _over_db(made: Round, profile: Profile) -> float:
    """How far the louder of the two files stands above the ceiling."""
    peak = max(made.wav.true_peak, made.mp3.true_peak)
    return float(amplitude_db(peak)) - profile.limit.ceiling_dbtp


def _turned_down(
    levels: Levels, profile: Profile, made: Round, used: Correction, over_db: float
) -> Correction:
    """The correction that gives the same sound as *made*, softer by *over_db* and a little."""
    less_db = over_db + CEILING_MARGIN_DB
    lower = replace(used, ceiling_db=used.ceiling_db + less_db)
    makeup_db = make_plan(levels, profile, lower).makeup_db
    return replace(lower, level_db=lower.level_db + made.plan.makeup_db - less_db - makeup_db)


def _short_told(made: Round, profile: Profile) -> Round:
    """*made*, its note saying how far the WAV as written stays under the target.

    Raises `TargetUnreachable` where the profile wants no take that misses its level.
    """
    settings = profile.normalise
    level = level_of(made.wav.levels, settings.by)
    short_db = settings.target_for(made.wav.levels.channels) - level if level is not None else 0.0
    if short_db <= LEVEL_TOLERANCE_DB * 2:
        return made
    if settings.when_out_of_reach == "quarantine":
        raise TargetUnreachable(f"The nearest clean level is {short_db:.1f} dB short.")
    note = {**made.plan.notes["normalise"], "short_of_target_db": round(short_db, 2)}
    plan = replace(made.plan, notes={**made.plan.notes, "normalise": note})
    return replace(made, plan=plan)


def _finished(
    job: Job,
    facts: TakeFacts,
    before: Measures,
    whole: Heard,
    made: Round,
    scratch: Path,
    clocks: Clock,
) -> Finished:
    wav, mp3, _ = _paths(scratch, job.stem)
    with clocks.timing("prove"):
        after = After(wav=measures(made.wav), mp3=measures(made.mp3))
        outputs = Outputs(
            wav=_output(wav, f"{job.stem}.wav", made.wav),
            mp3=_output(mp3, f"{job.stem}.mp3", made.mp3, job.profile.mp3.bitrate_kbps),
        )
    receipt = Receipt(
        take=facts,
        profile=ProfileFacts(
            name=job.profile_name,
            sha256=job.profile.sha256,
            settings=job.profile.model_dump(mode="json"),
        ),
        before=before,
        after=after,
        stages=[StageNote(stage=name, did=made.plan.notes[name]) for name in job.profile.chain],
        checks=checks(job.profile, "wav", after.wav, outputs.wav)
        + checks(job.profile, "mp3", after.mp3, outputs.mp3),
        outputs=outputs,
        advice=advice(before, whole.sides, job.profile.channels == "mono"),
        made_by={**made_by(), "encoder": encoder_version()},
        took_s=Took(**clocks.spent),
    )
    return Finished(wav, mp3, receipt)


def _output(path: Path, name: str, heard: Heard, bitrate_kbps: int | None = None) -> Output:
    return Output(
        file=name,
        sha256=hash_of(path),
        bytes=path.stat().st_size,
        sample_rate_hz=heard.levels.sample_rate_hz,
        channels=heard.levels.channels,
        duration_s=heard.duration_s,
        bitrate_kbps=bitrate_kbps,
    )
