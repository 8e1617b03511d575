"""Where the sounds of a mix lie: its cues and the lengths of its files in, places in samples out.

Conventions: the axis begins with the earliest sound, so that no place on it is negative; places are
samples at the rate of the axis. Until then, and in words, they are told from the finished voice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from fairtake.cues import Bed, Cue, Cues
from fairtake.errors import CuesInvalid

#: What is looped is no shorter: at its seams it would be a tone.
LEAST_LOOP_S = 0.1


@dataclass(frozen=True)
class Length:
    """How long a file is. ``cut_s`` is how much later than the recording the finished voice begins."""

    frames: int
    sample_rate_hz: int
    cut_s: float = 0.0

    @property
    def seconds(self) -> float:
        return self.frames / self.sample_rate_hz


@dataclass(frozen=True)
class Place:
    """A cue's place: *frames* of the axis from *begin* on, filled by ``part`` of its file, which is
    in the file's own samples. ``early_s`` is how long before its asked end it ends, for want of sound."""

    cue: Cue
    begin: int
    frames: int
    part: tuple[int, int]
    early_s: float = 0.0

    @property
    def end(self) -> int:
        return self.begin + self.frames


@dataclass(frozen=True)
class Layout:
    """The whole axis: where each voice begins, and each cue's place, beds first."""

    sample_rate_hz: int
    voices: tuple[int, ...]
    places: tuple[Place, ...]
    frames: int


def layout(
    cues: Cues, voices: Sequence[Length], files: Mapping[str, Length], sample_rate_hz: int
) -> Layout:
    """Lay everything on one axis.

    *voices* are the finished voices, at the rate of the axis; *files* the sounds that cues name.
    Raises `CuesInvalid` with every problem at once.
    """
    begins: list[int] = []
    end = 0
    for voice, length in zip(cues.voice, voices, strict=True):
        begins.append(end + round(voice.after_s * sample_rate_hz))
        end = begins[-1] + length.frames
    named = _named(cues, voices, begins, end, sample_rate_hz)
    problems: list[str] = []
    places = [
        place
        for cue in (*cues.bed, *cues.spot)
        if (place := _place(cue, files[cue.file], named, sample_rate_hz, problems)) is not None
    ]
    problems += _twice_at_once(places)
    if problems:
        raise CuesInvalid(" ".join(problems))
    first = min([0, *(place.begin for place in places)])
    moved = tuple(replace(place, begin=place.begin - first) for place in places)
    return Layout(
        sample_rate_hz, tuple(begin - first for begin in begins), moved,
        max([end - first, *(place.end for place in moved)]),
    )  # fmt: skip


def _named(
    cues: Cues, voices: Sequence[Length], begins: Sequence[int], end: int, rate: int
) -> dict[str, int]:
    """The sample of each named place."""
    named = {"start": 0, "end": end}
    told_in = {
        voice.file: begin - round(length.cut_s * rate)
        for voice, length, begin in zip(cues.voice, voices, begins, strict=True)
    }
    for marker in cues.marker:
        zero = told_in[marker.file] if marker.file is not None else 0
        named[marker.name] = zero + round(marker.at * rate)
    return named


def _place(
    cue: Cue, file: Length, named: Mapping[str, int], rate: int, problems: list[str]
) -> Place | None:
    """The cue's place on the voice's axis; None where there is none, told in *problems*."""
    part_s = cue.part or (0.0, file.seconds)
    if part_s[1] > file.seconds + 0.5 / file.sample_rate_hz:
        problems.append(
            f"'{cue.file}' lasts {_time(file.seconds)}, and its part ends at {_time(part_s[1])}."
        )
        return None
    begin = _sample(cue.begins, named, rate)
    if cue.begins != "end" and not 0 <= begin <= named["end"]:
        problems.append(
            f"'{cue.file}' is to begin at {_said(begin, rate)}, and the voice lasts from 0:00 to "
            f'{_time(named["end"] / rate)}: for what comes behind it, write from = "end".'
        )
        return None
    begin += round(cue.later_s * rate)
    part = (round(part_s[0] * file.sample_rate_hz), round(part_s[1] * file.sample_rate_hz))
    frames = there = round((part[1] - part[0]) * rate / file.sample_rate_hz)
    if not frames:
        problems.append(f"'{cue.file}' has not one sample in the part that is used.")
        return None
    if cue.loop and frames < LEAST_LOOP_S * rate:
        problems.append(
            f"'{cue.file}' is looped, and what is played again and again lasts "
            f"{frames / rate:.3f} s: {LEAST_LOOP_S:g} s is the least."
        )
        return None
    if cue.until is not None:
        asked = _sample(cue.until, named, rate) + round(cue.until_later_s * rate) - begin
        if asked <= 0:
            problems.append(
                f"'{cue.file}' is to end at {_said(begin + asked, rate)}, and begins at "
                f"{_said(begin, rate)}."
            )
            return None
        frames = asked if cue.loop else min(asked, there)
        there = asked
    if _fades_overlap(cue, frames / rate):
        problems.append(
            f"'{cue.file}' sounds for {frames / rate:.2f} s, and its fades take "
            f"{cue.fade_in_s:g} and {cue.fade_out_s:g} s."
        )
        return None
    return Place(cue, begin, frames, part, max(there - frames, 0) / rate)


def _fades_overlap(cue: Cue, seconds: float) -> bool:
    """Whether fades that were asked for are longer than the sound; usual ones share it."""
    asked = {"fade_in_s", "fade_out_s"} & cue.model_fields_set
    return bool(asked) and sum(getattr(cue, name) for name in asked) > seconds


def _sample(place: float | str, named: Mapping[str, int], rate: int) -> int:
    return named[place] if isinstance(place, str) else round(place * rate)


def _said(sample: int, rate: int) -> str:
    return f"{'-' if sample < 0 else ''}{_time(abs(sample) / rate)}"


def _time(seconds: float) -> str:
    """As it is written in cues, to the tenth: ``1:23.5``."""
    minutes, tenths = divmod(round(10 * seconds), 600)
    return f"{minutes}:{tenths / 10:04.1f}"


def _twice_at_once(places: Sequence[Place]) -> list[str]:
    """A bed that overlaps itself is a mistake: it would sound as an echo."""
    ordered = sorted(
        (p for p in places if isinstance(p.cue, Bed)), key=lambda p: (p.cue.file, p.begin)
    )
    return [
        f"'{one.cue.file}' is named by two beds that overlap."
        for one, next_one in pairwise(ordered)
        if one.cue.file == next_one.cue.file and next_one.begin < one.end
    ]
