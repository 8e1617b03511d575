"""One take from file to files: listen, plan, render, prove."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

from fairtake.correct import LEVEL_TOLERANCE_DB
from fairtake.errors import (
    EncoderFailed,
    NoSpeech,
    NotAFile,
    Silent,
    TargetUnreachable,
    TitleInvalid,
    TooShort,
)
from fairtake.files.encoder import decodes, encoder_version
from fairtake.files.hashing import hash_of
from fairtake.files.mp3 import MOST_COVER_BYTES, picture_suffix
from fairtake.files.take import Take, facts_of, open_take
from fairtake.memory import keep_blocks
from fairtake.plain_file import open_plain
from fairtake.profile import Profile
from fairtake.receipt import (
    STEM_SUFFIXES,
    After,
    Measures,
    Output,
    Outputs,
    ProfileFacts,
    Receipt,
    SparedPlace,
    SpeechProof,
    StageNote,
    TakeFacts,
    Took,
)
from fairtake.rounds import Progress, Round, Rounds, Stopwatch, Written
from fairtake.sketch import MOST_REPAIRS, Outline, Sketch
from fairtake.sound.advice import advice
from fairtake.sound.checks import REACHED_WITHIN_DB, checks
from fairtake.sound.ear.net import learned
from fairtake.sound.levels import ROWS_PER_S, begin_s
from fairtake.sound.listen import Heard, listen
from fairtake.sound.loudness import BLOCK_S
from fairtake.sound.measures import measures
from fairtake.sound.plan import Plan
from fairtake.sound.sides import Folded
from fairtake.sound.source import Source
from fairtake.sound.stages.normalise import NormaliseSettings
from fairtake.sound.thin import Thin, curve_of, outline_of
from fairtake.title import Title, mp3_tags
from fairtake.units import amplitude_db, clock
from fairtake.versions import made_by

#: A limiter that took less than this is not drawn.
SEEN_DB = -0.05
#: No sample above this is more than the last bit of a 16-bit recorder.
SILENT_DBFS = -88.0


@dataclass(frozen=True)
class Job:
    """What is to be done with one take. ``name`` is its own file name, ``stem`` the outputs'."""

    take: Path
    name: str
    stem: str
    profile_name: str
    profile: Profile
    folder: str = ""
    title: Title = field(default_factory=lambda: Title())
    cover: Path | None = None

    @property
    def tags(self) -> dict[str, str]:
        """The MP3's tags, as far as they are known before the take is heard."""
        return mp3_tags(self.title.tags, Path(self.name).stem)


@dataclass(frozen=True)
class Finished:
    """A take's finished files, in scratch, its receipt, and what its pictures are drawn from; of a mix
    also its ``stems`` by name, where they were asked for."""

    wav: Path
    mp3: Path
    receipt: Receipt
    sketch: Sketch | None = None
    stems: dict[str, Path] = field(default_factory=dict)

    @property
    def files(self) -> dict[str, Path]:
        """Every finished file, under the keys of `Receipt.files`."""
        named = {STEM_SUFFIXES[kind]: path for kind, path in self.stems.items()}
        return {".wav": self.wav, ".mp3": self.mp3, **named}


def finish(job: Job, scratch: Path, progress: Progress = lambda verb, share: None) -> Finished:
    """Master one take into *scratch*, a folder that must exist; nothing else is written.

    Raises a `TakeFault`, a `SettingsFault` or a `SurroundingsFault`; an ``OSError`` passes
    through, for the caller knows which folder is whose.
    """
    keep_blocks()
    stopwatch = Stopwatch()
    cover = copied_cover(job.cover, scratch)
    with open_take(job.take, scratch, job.profile.delivery.longest_s) as take:
        if take.duration_s < BLOCK_S:
            raise TooShort(f"It lasts {take.duration_s:.2f} s.")
        facts = facts_of(job.take, job.name, job.folder, take)
        with stopwatch.timing("listen"):
            whole = listen(take, lambda share: progress("listen", share))
            before = measures(whole)
            source, heard = voice_of(take, whole, job.profile)
        refuse_silence(heard, before if heard is whole else measures(heard))
        outline = outline_of(whole.levels)
        rounds = Rounds(
            job.profile, source, heard.levels, scratch, int((facts.sha256 or "0")[:16], 16),
            job.tags, cover, progress, stopwatch,
        )  # fmt: skip
        try:
            made = rounds.run()
        except EncoderFailed:
            if job.cover and cover and not decodes(cover):
                raise TitleInvalid(f"The cover '{job.cover.name}' is a broken picture.") from None
            raise
    notes = notes_of(rounds, made)
    stages = [StageNote(stage=name, did=notes[name]) for name in job.profile.chain]
    said = advice(before, whole.sides, job.profile.channels == "mono", notes)
    receipt = receipt_of(job, facts, before, rounds, made, cover, stages, said)
    assert made.mp3 is not None
    drawn = sketch_of(outline, made.wav.outline, made.plan, made.limited_db, source.sample_rate_hz)
    return Finished(made.wav.path, made.mp3.path, receipt, drawn)


def voice_of(take: Take, whole: Heard, profile: Profile) -> tuple[Source, Heard]:
    """The sound that will be finished, and how it was heard: one channel where the profile says so."""
    if profile.channels == "mono" and whole.sides is not None:
        source = Folded(take, whole.sides.fold)
        return source, listen(source)
    return take, whole


def sketch_of(
    before: Outline | None, after: Outline, plan: Plan, limited_db: Thin, rate: int
) -> Sketch:
    """What a take's pictures are drawn from; *rate* is the take's own sample rate."""
    begins_s = begin_s(plan.pieces)
    gains = {d.stage: curve_of(d.gain_db, begins_s if d.is_cut else 0.0) for d in plan.drawn}
    if limited_db.low.min(initial=0.0) < SEEN_DB:
        gains["limit"] = curve_of(limited_db, begins_s)
    repaired = {
        kind: [round(b.start / rate, 3) for b in plan.repairs if b.kind == kind][:MOST_REPAIRS]
        for kind in ("click", "clipped")
    }
    return Sketch(
        before=before,
        after=after.model_copy(update={"start_s": begins_s}),
        gains=gains,
        clicks_s=repaired["click"],
        clipped_s=repaired["clipped"],
    )


def refuse_silence(heard: Heard, found: Measures) -> None:
    if amplitude_db(heard.sample_peak) < SILENT_DBFS:
        raise Silent()
    if found.speech_level_dbfs is None:
        raise NoSpeech()


def copied_cover(cover: Path | None, scratch: Path) -> Path | None:
    """The title's picture under a name of ours, when it really is a picture.

    Raises `TitleInvalid`.
    """
    if cover is None:
        return None
    try:
        with open_plain(cover) as file:
            picture = file.read(MOST_COVER_BYTES + 1)
    except (FileNotFoundError, PermissionError, NotAFile):
        raise TitleInvalid(f"The cover '{cover.name}' is no file beside title.toml.") from None
    suffix = picture_suffix(picture)
    if suffix is None or len(picture) > MOST_COVER_BYTES:
        raise TitleInvalid(
            f"The cover '{cover.name}' is no JPEG or PNG under {MOST_COVER_BYTES // 10**6} MB."
        )
    ours = scratch / f"cover{suffix}"
    ours.write_bytes(picture)
    return ours


def notes_of(rounds: Rounds, made: Round) -> dict[str, dict[str, object]]:
    """The stages' notes, completed by what the written files showed.

    Raises `TargetUnreachable` where the profile wants no take that misses its level.
    """
    settings = rounds.profile.normalise
    level = made.wav.level
    short_db = settings.target_for(made.wav.channels) - level if level is not None else 0.0
    short_db = short_db if short_db > 2 * LEVEL_TOLERANCE_DB else 0.0
    if short_db and settings.when_out_of_reach == "quarantine":
        raise TargetUnreachable(f"The nearest clean level is {short_db:.1f} dB short.")
    used = made.used
    aimed = rounds.profile.limit.ceiling_dbtp - used.ceiling_db
    notes: dict[str, dict[str, object]] = dict(made.plan.notes)
    slow_db = max(made.limited["greatest_db"] - rounds.profile.limit.fast_db, 0.0)
    notes["limit"] = {
        **notes["limit"],
        **made.limited,
        "greatest_slow_db": round(slow_db, 2),
        "aimed_dbtp": round(aimed, 2),
    }
    notes["normalise"] = {
        **notes["normalise"],
        "short_of_target_db": round(short_db, 2),
        "why_short": why_short(settings, made.wav.channels, level, notes["limit"]),
        "turned_down_db": round(used.down_db, 2),
        "mp3_gain_db": round(used.mp3_db, 2),
        "rounds": made.number,
        "correction": {k: v for k, v in vars(used).items() if k not in ("spared", "phase")},
    }
    return notes


def why_short(
    settings: NormaliseSettings, channels: int, level: float | None, limited: dict[str, object]
) -> str:
    """The honest line about a level that was not reached: what was asked, what it is, why, what to do.
    Empty where there is nothing to say."""
    if level is None or settings.target_for(channels) - level <= REACHED_WITHIN_DB:
        return ""
    at_s = limited["greatest_at_s"]
    assert isinstance(at_s, float)
    return (
        f"Asked {settings.target_for(channels):g} {settings.unit}, reached {level:.1f}, because some places "
        f"stand too far over the rest (the loudest at {clock(at_s)}): lowered any further they would sound "
        "pressed. To get there speak them softer, or farther from the microphone; or ask for what this take "
        f"holds, {'mono_target' if settings.mono_target is not None and channels == 1 else 'target'} = "
        f"{math.floor(level * 10) / 10:g} in the profile's [normalise]."
    )


def receipt_of(
    job: Job,
    facts: TakeFacts,
    before: Measures,
    rounds: Rounds,
    made: Round,
    cover: Path | None,
    stages: list[StageNote],
    said: list[str],
) -> Receipt:
    """The receipt of what was *made*, with what the *stages* did and the advice that is *said*."""
    assert made.mp3 is not None
    wav, mp3, profile = made.wav, made.mp3, job.profile
    with rounds.stopwatch.timing("prove"):
        outputs = Outputs(
            wav=output_of(wav, f"{job.stem}.wav"), mp3=output_of(mp3, f"{job.stem}.mp3")
        )
    outputs.mp3.bitrate_kbps = profile.mp3.bitrate_kbps
    outputs.mp3.tags = job.tags
    outputs.mp3.cover_sha256 = hash_of(cover) if cover else None
    return Receipt(
        take=facts,
        profile=ProfileFacts(
            name=job.profile_name, sha256=profile.sha256, settings=profile.model_dump(mode="json")
        ),
        before=before,
        after=After(wav=wav.measures, mp3=mp3.measures),
        stages=stages,
        speech=SpeechProof(
            lost_share=made.speech.lost_share,
            longest_lost_ms=made.speech.longest_lost_ms,
            dulled_edges=len(made.speech.dulled),
            spared=[
                SparedPlace(
                    from_s=place.start / ROWS_PER_S, to_s=place.stop / ROWS_PER_S, by=place.by
                )
                for place in sorted(made.used.spared)
            ],
        ),
        checks=[
            *checks(profile, "wav", wav.measures, outputs.wav),
            *checks(profile, "mp3", mp3.measures, outputs.mp3),
        ],
        outputs=outputs,
        advice=said,
        made_by={**made_by(), "encoder": encoder_version(), "ear": learned().recipe[:12]},
        took_s=Took(**rounds.stopwatch.spent),
    )


def output_of(written: Written, name: str) -> Output:
    return Output(
        file=name,
        sha256=hash_of(written.path),
        bytes=written.path.stat().st_size,
        sample_rate_hz=written.sample_rate_hz,
        channels=written.channels,
        duration_s=written.duration_s,
    )
