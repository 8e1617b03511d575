"""One mix from a folder to files: each voice is finished by itself, what lies under it is laid and
ducked, and the sum goes through the profile's limiter and level like any take.

A voice is written as floats before it is laid; all else is read from its own file wherever it is
needed, so that nothing is ever held whole.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from fairtake.cues import Cues
from fairtake.files.hashing import hash_of, take_hash
from fairtake.files.take import bytes_in
from fairtake.files.write import write_float_wav
from fairtake.master import (
    Finished,
    Job,
    copied_cover,
    finish,
    notes_of,
    receipt_of,
    sketch_of,
)
from fairtake.memory import keep_blocks
from fairtake.mix_folder import MixFolder, read_mix
from fairtake.mixing.laying import Axis, Sound, lay
from fairtake.mixing.voice import Voice, finished_voice
from fairtake.mixing.workbench import Workbench
from fairtake.receipt import (
    STEM_SUFFIXES,
    Check,
    CueFacts,
    MixFacts,
    Output,
    StageNote,
    TakeFacts,
    VoiceFacts,
)
from fairtake.rounds import Asked, Progress, Rounds
from fairtake.sketch import Outline, Sketch
from fairtake.sound.laid import Mixed
from fairtake.sound.levels import Levels
from fairtake.sound.measures import measures
from fairtake.sound.plan import LAST, Correction
from fairtake.sound.thin import curve_of, outline_of, raised, thin
from fairtake.units import gain

#: What is asked of the edges of a take is not asked of a mix: music may begin and end it.
NOT_OF_A_MIX = ("head", "tail", "noise floor")
#: So many files that no cue names are told one by one.
MOST_SAID = 20


def finish_any(job: Job, scratch: Path, progress: Progress = lambda verb, share: None) -> Finished:
    """As `fairtake.master.finish`, for a take or a mix."""
    return (finish_mix if job.take.is_dir() else finish)(job, scratch, progress)


def finish_mix(job: Job, scratch: Path, progress: Progress = lambda verb, share: None) -> Finished:
    """Finish the mix in the folder ``job.take`` into *scratch*.

    Raises as `fairtake.master.finish` does, and besides `CuesInvalid`, `MixIncomplete`, `CueSilent`.
    """
    keep_blocks()
    folder = read_mix(job.take)
    cover = copied_cover(job.cover, scratch)
    with contextlib.ExitStack() as opened:
        bench = Workbench(job, scratch, progress, _passes(folder.cues), opened)
        voices, axis = _laid(bench, folder)
        return _finished(bench, folder, voices, axis, cover)


def _laid(bench: Workbench, folder: MixFolder) -> tuple[list[Voice], Axis]:
    """The voices finished, and everything on one axis."""
    voices = [finished_voice(bench, folder.files[voice.file]) for voice in folder.cues.voice]
    return voices, lay(bench, folder, voices)


def _passes(cues: Cues) -> int:
    """How often something is heard before the sum is rendered."""
    return 2 * len(cues.voice) + len(cues.bed) + len(cues.spot) + 4


def _finished(
    bench: Workbench, folder: MixFolder, voices: list[Voice], axis: Axis, cover: Path | None
) -> Finished:
    """The sum through limiter and level, into files, and what is said of it."""
    job = bench.job
    whole = axis.whole
    heard = bench.hear(whole)
    before, outline, facts = measures(heard), outline_of(heard.levels), _facts(job, folder, axis)
    rounds = _rounds(bench, whole, heard.levels, facts.sha256, cover)
    del heard
    made = rounds.run()
    notes = notes_of(rounds, made)
    stages = [StageNote(stage="duck", did=axis.ducked.note)]
    stages += [StageNote(stage=n, did=notes[n]) for n in job.profile.chain if n in LAST]
    receipt = receipt_of(
        job, facts, before, rounds, made, cover, stages, _said(folder, voices, axis)
    )
    receipt.checks = [check for check in receipt.checks if check.check not in NOT_OF_A_MIX]
    receipt.checks += _over_bed(job.profile.mix.least_lu, axis.over_bed[0])
    factor = float(gain(made.plan.makeup_db - made.used.down_db))
    stems = _stems(bench, axis, factor) if folder.cues.stems else {}
    receipt.mix = _mix_facts(job, folder, voices, axis, stems)
    drawn = sketch_of(outline, made.wav.outline, made.plan, made.limited_db, bench.rate)
    assert made.mp3 is not None
    drawn = _with_layers(drawn, axis, made.plan.makeup_db - made.used.down_db)
    return Finished(made.wav.path, made.mp3.path, receipt, drawn, stems)


def _rounds(
    bench: Workbench, whole: Mixed, levels: Levels, sha256: str | None, cover: Path | None
) -> Rounds:
    """The sum's way through limiter and level."""
    job = bench.job
    return Rounds(
        job.profile.model_copy(update={"chain": LAST}), whole, levels, bench.scratch,
        int((sha256 or "0")[:16], 16), job.tags, cover, bench.progress, bench.stopwatch,
    )  # fmt: skip


def drawn_again(
    job: Job, scratch: Path, after: Outline, used: Correction, was_limited: bool
) -> Sketch:
    """What the pictures of a finished mix are drawn from: its voices finished and everything laid once
    more. *after* is the outline of the finished file, *used* what its last round corrected.

    Raises as `finish_mix`. Of the limiter it tells what was foreseen, where it *was_limited* at all.
    """
    folder = read_mix(job.take)
    with contextlib.ExitStack() as opened:
        bench = Workbench(job, scratch, lambda verb, share: None, _passes(folder.cues), opened)
        _, axis = _laid(bench, folder)
        whole = axis.whole
        levels = bench.hear(whole).levels
        before = outline_of(levels)
        rounds = _rounds(bench, whole, levels, None, None)
        plan, _, _ = rounds.plan(Asked(used))
    limited_db = plan.limited_db if was_limited else plan.limited_db[:0]
    drawn = sketch_of(before, after, plan, thin(limited_db), bench.rate)
    return _with_layers(drawn, axis, plan.makeup_db - used.down_db)


def _with_layers(drawn: Sketch, axis: Axis, gain_db: float) -> Sketch:
    """*drawn* with the ducking, and the layers as loud as they lie in the finished mix."""
    layers = {name: raised(outline, gain_db) for name, outline in axis.layers.items()}
    gains = drawn.gains
    if axis.ducked.gain_db.low.any():
        gains = {"duck": curve_of(axis.ducked.gain_db, 0.0), **gains}
    return drawn.model_copy(update={"gains": gains, "layers": layers})


def _stems(bench: Workbench, axis: Axis, factor: float) -> dict[str, Path]:
    """The voice alone and the rest alone, at the mix's level: but for the limiter, their sum is the mix."""
    parts = {"voice": axis.voices.laid, "bed": [sound.laid for sound in axis.sounds]}
    written = {}
    for name, laid in parts.items():
        path = bench.new_place(f"{name}.stem.wav")
        blocks = (block * factor for block in axis.mixed(laid).blocks())
        told = bench.told(blocks, axis.layout.frames)
        write_float_wav(path, told, bench.rate, axis.channels, bench.job.tags.get("title", ""))
        written[name] = path
    return written


# --- what is said of it --------------------------------------------------------------------------


def _facts(job: Job, folder: MixFolder, axis: Axis) -> TakeFacts:
    """The mix as a take: its folder's hash, and the length of everything together."""
    return TakeFacts(
        name=job.name,
        title=job.folder,
        sha256=take_hash(job.take),
        bytes=bytes_in(job.take),
        container="mix",
        encoding=f"{len(folder.files)} files",
        sample_rate_hz=axis.sample_rate_hz,
        channels=axis.channels,
        duration_s=axis.layout.frames / axis.sample_rate_hz,
    )


def _over_bed(least_lu: float, distance_lu: float | None) -> list[Check]:
    """Whether the voice stands far enough over the beds; nothing is asked where none lies under it."""
    if distance_lu is None:
        return []
    limit = f"at least {least_lu:g} LU"
    kept = round(distance_lu, 1) >= least_lu
    return [Check(check="voice over bed", file="wav", limit=limit, value=distance_lu, ok=kept)]


def _said(folder: MixFolder, voices: list[Voice], axis: Axis) -> list[str]:
    """Advice about the recordings, and what the cues asked for and could not be."""
    alone = len(voices) == 1
    said = [
        sentence if alone else f"{voice.file.name}: {sentence}"
        for voice in voices
        for sentence in voice.said
    ]
    said += [f"No cue names {name}: it is not heard." for name in folder.unnamed[:MOST_SAID]]
    if more := len(folder.unnamed[MOST_SAID:]):
        said.append(f"No cue names {more} more files: they are not heard.")
    said += [
        f"{sound.place.cue.file} ends {sound.place.early_s:.1f} s before the place it was asked to "
        "last to: give it loop = true, or a longer file."
        for sound in axis.sounds
        if sound.place.early_s > 0.05
    ]
    return said


def _mix_facts(
    job: Job,
    folder: MixFolder,
    voices: list[Voice],
    axis: Axis,
    stems: dict[str, Path],
) -> MixFacts:
    hashes = {path: hash_of(path) for path in folder.files.values()}
    laid = zip(voices, axis.layout.voices, axis.voices.gains_db, strict=True)
    return MixFacts(
        voices=[
            VoiceFacts(
                file=voice.file.name,
                sha256=hashes[voice.file],
                begins_s=begin / axis.sample_rate_hz,
                duration_s=voice.length.seconds,
                gain_db=gain_db,
                before=voice.before,
                after=voice.after,
                stages=voice.stages,
            )
            for voice, begin, gain_db in laid
        ],
        cues=[
            _cue_facts(sound, hashes[folder.files[sound.place.cue.file]], axis)
            for sound in axis.sounds
        ],
        voice_over_bed_lu=axis.over_bed[0],
        least_voice_over_bed_lu=axis.over_bed[1],
        unnamed_files=list(folder.unnamed),
        stems={
            name: Output(
                file=job.stem + STEM_SUFFIXES[name],
                sha256=hash_of(path),
                bytes=path.stat().st_size,
                sample_rate_hz=axis.sample_rate_hz,
                channels=axis.channels,
                duration_s=axis.layout.frames / axis.sample_rate_hz,
            )
            for name, path in stems.items()
        },
    )


def _cue_facts(sound: Sound, sha256: str, axis: Axis) -> CueFacts:
    place, cue, rate = sound.place, sound.place.cue, axis.sample_rate_hz
    in_lu = cue.level_db is None
    return CueFacts(
        kind="bed" if sound.is_bed else "spot",
        file=cue.file,
        sha256=sha256,
        begins_s=place.begin / rate,
        ends_s=place.end / rate,
        ends_early_s=place.early_s,
        loop=cue.loop,
        level=cue.level_lu if cue.level_db is None else cue.level_db,
        unit="LU" if in_lu else "dB",
        loudness_lufs=sound.loudness_lufs,
        gain_db=sound.gain_db,
        fade_in_s=cue.fade_in_s,
        fade_out_s=cue.fade_out_s,
        duck_db=sound.duck_db,
        ducked_s=sound.ducked_s,
    )
