"""A voice of a mix: through the profile's chain by itself, but for limiter and level, which come to the
sum."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fairtake.correct import sparing
from fairtake.files.take import Take
from fairtake.files.write import write_float_wav
from fairtake.master import refuse_silence, voice_of
from fairtake.mixing.workbench import Workbench, of_file
from fairtake.profile import Profile
from fairtake.receipt import Measures, StageNote
from fairtake.rounds import MOST_PLANS
from fairtake.sound.advice import advice
from fairtake.sound.layout import Length
from fairtake.sound.levels import Levels, begin_s
from fairtake.sound.measures import measures
from fairtake.sound.plan import LAST, Chained, Correction, chained
from fairtake.sound.proof import prove_speech
from fairtake.sound.render import staged, staged_frames
from fairtake.sound.runs import Mask
from fairtake.sound.source import Source


@dataclass(frozen=True)
class Voice:
    """A finished voice: its samples, in which of its rows somebody speaks, what it measured before
    and after, what the stages did, and advice. ``cut_s`` of the recording lie before its beginning."""

    file: Path
    source: Take
    spoken: Mask
    before: Measures
    after: Measures
    stages: list[StageNote]
    said: list[str]
    cut_s: float

    @property
    def length(self) -> Length:
        return Length(self.source.frames, self.source.sample_rate_hz, self.cut_s)


def finished_voice(bench: Workbench, file: Path) -> Voice:
    """Finish the voice recorded in *file*. Raises as `fairtake.master.finish`, and names the file."""
    profile = bench.job.profile
    take = bench.open(file, file.name)
    with of_file(file.name):
        whole = bench.hear(take, blemishes=True)
        before = measures(whole)
        source, heard = voice_of(take, whole, profile)
        refuse_silence(heard, before if heard is whole else measures(heard))
    with bench.stopwatch.timing("plan"):
        done = speech_kept(heard.levels, profile)
    ready = bench.open(_written(bench, source, done), file.name)
    after = measures(bench.hear(ready))
    notes = [StageNote(stage=n, did=done.notes[n]) for n in profile.chain if n not in LAST]
    said = advice(before, whole.sides, profile.channels == "mono", done.notes)
    return Voice(file, ready, done.levels.kept, before, after, notes, said, begin_s(done.pieces))


def speech_kept(levels: Levels, profile: Profile) -> Chained:
    """The chain, which does nothing where its own proof of the speech finds harm."""
    used = Correction()
    for left in range(MOST_PLANS, 0, -1):
        done = chained(levels, profile, used)
        if done.gain_db is None or left == 1:
            break
        proof = prove_speech(done.spoken, done.gain_db)
        wanted = sparing(used, proof, proof)
        if wanted == used:
            break
        used = wanted
    return done


def _written(bench: Workbench, source: Source, done: Chained) -> Path:
    """As floats: what is still to be turned up or down must not be rounded, nor hit full scale."""
    path = bench.new_place("voice.wav")
    with bench.stopwatch.timing("render"):
        frames = staged_frames(source, done, bench.rate)
        stream = staged(source, done, bench.rate, frames)
        write_float_wav(path, bench.told(stream, frames), bench.rate, source.channels)
    return path
