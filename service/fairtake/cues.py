"""cues.toml: what a mix is made of, and where each part of it lies.

Times are seconds, or text as ``"1:23.5"``. Places on the time axis are told from the finished voice:
its first sample is at 0, whatever the bed does before it. A marker may be told in the own time of a
recording instead, before its edges were cut.
"""

from __future__ import annotations

import re
from pathlib import PurePath
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from fairtake.typed_file import Settings

CUES_FILE = "cues.toml"
#: More cues than this are no mix but a mistake; each costs an open file.
MOST_CUES = 200
#: No time on the axis lies further out than this.
LONGEST_S = 43_200.0

Shape = Literal["smooth", "straight"]
#: Behind a colon stands at most 59: "1:90" is a slip.
_CLOCK = re.compile(r"\d+(:[0-5]?\d){0,2}(\.\d+)?")


def _seconds(value: Any) -> Any:
    """``"1:02:03.5"`` and ``"2:03"`` as seconds; numbers as they are."""
    if not isinstance(value, str):
        return value
    if not _CLOCK.fullmatch(value):
        raise ValueError("a time is a number of seconds, or text as '1:23.5'")
    total = 0.0
    for part in value.split(":"):
        total = 60 * total + float(part)
    return total


Time = Annotated[float, BeforeValidator(_seconds), Field(ge=0, le=LONGEST_S)]
Name = Annotated[str, Field(min_length=1, max_length=64)]


def _place(value: Any) -> Any:
    """A time in seconds, or the name of a place. One check for both: two would tell of one mistake
    twice, and in the words of a library."""
    if isinstance(value, str) and not _CLOCK.fullmatch(value):
        if not 0 < len(value) <= 64:
            raise ValueError("the name of a place has 1 to 64 letters")
        return value
    seconds = _seconds(value)
    if isinstance(seconds, bool) or not isinstance(seconds, int | float):
        raise ValueError("a place is a time, 'start', 'end' or the name of a marker")
    if not 0 <= seconds <= LONGEST_S:
        raise ValueError(
            "a place is a time from 0 to 12 hours: what lies before is told by later_s"
        )
    return float(seconds)


Place = Annotated[float | str, BeforeValidator(_place)]


def _beside(name: str) -> str:
    if PurePath(name).name != name or "\\" in name or name.startswith(".") or "\0" in name:
        raise ValueError("the file must lie in the mix's own folder, so give its name alone")
    if not 0 < len(name) <= 255:
        raise ValueError("the name of a file has 1 to 255 letters")
    return name


File = Annotated[str, BeforeValidator(lambda v: _beside(v) if isinstance(v, str) else v)]


class Voice(Settings):
    """Somebody who speaks. Several follow one another in the order of the file."""

    file: File = Field(description="The recording, beside this file.")
    after_s: Time = Field(0.0, description="Pause between the voice before it and this one.")


class Marker(Settings):
    """A name for a place."""

    name: Name = Field(description="What cues call it.")
    at: Time = Field(description="Where it lies, from the beginning of the finished voice.")
    file: File | None = Field(
        None, description="Of which recording of a voice the time is, where it is that of one."
    )


class Cue(Settings):
    """What lies under or beside the voice."""

    file: File = Field(description="The sound, beside this file.")
    begins: Place = Field(
        "start", alias="from", description="Where it begins: a time, 'start', 'end' or a marker."
    )
    later_s: float = Field(
        0.0, ge=-LONGEST_S, le=LONGEST_S, description="So much later than that; less than 0: earlier."
    )  # fmt: skip
    until: Place | None = Field(
        None, description="Where it ends: a time, 'start', 'end' or a marker."
    )
    until_later_s: float = Field(
        0.0, ge=-LONGEST_S, le=LONGEST_S, description="So much later than that; less than 0: earlier."
    )  # fmt: skip
    part: tuple[Time, Time] | None = Field(
        None, description="From where to where the file is used, in its own time."
    )
    level_lu: float = Field(-18.0, ge=-60, le=20, description="Level against the voice, in LU.")
    level_db: float | None = Field(
        None, ge=-60, le=20, description="Instead of level_lu: its RMS against the voice's, in dB."
    )
    loop: bool = Field(False, description="Whether it is played again and again until its end.")
    fade_in_s: Time = Field(1.5, description="How long it fades in.")
    fade_out_s: Time = Field(1.5, description="How long it fades out.")
    fade: Shape = Field("smooth", description="The fades' shape: smooth or straight.")

    @model_validator(mode="after")
    def _makes_sense(self) -> Cue:
        if {"level_lu", "level_db"} <= self.model_fields_set:
            raise ValueError("a level is in LU or in dB, not both")
        if self.part is not None and self.part[1] <= self.part[0]:
            raise ValueError("the part of the file that is used ends before it begins")
        if self.until is None and self.until_later_s:
            raise ValueError("'until_later_s' needs an 'until'")
        if self.loop and self.until is None:
            raise ValueError("what is looped needs an end: give it 'until'")
        return self


class Bed(Cue):
    """Music or a place, under the voice for a while."""

    duck_db: float = Field(
        12.0, ge=0, le=60, description="How far it goes down while somebody speaks, in dB."
    )
    duck_fall_s: float = Field(
        0.4, ge=0.01, le=10, description="How fast: it is down before the first syllable."
    )
    duck_rise_s: float = Field(
        1.2, ge=0.01, le=30, description="How fast it comes back behind the last."
    )
    duck_hold_s: float = Field(
        1.5, ge=0, le=60, description="It stays down through pauses shorter than this."
    )


class Spot(Cue):
    """A single sound."""

    level_lu: float = Field(-13.0, ge=-60, le=20, description="Level against the voice, in LU.")
    fade_in_s: Time = Field(0.0, description="How long it fades in.")
    fade_out_s: Time = Field(0.0, description="How long it fades out.")


class Cues(Settings):
    """A whole mix."""

    voice: tuple[Voice, ...] = Field(min_length=1, max_length=MOST_CUES)
    bed: tuple[Bed, ...] = Field((), max_length=MOST_CUES)
    spot: tuple[Spot, ...] = Field((), max_length=MOST_CUES)
    marker: tuple[Marker, ...] = Field((), max_length=MOST_CUES)
    stems: bool = Field(
        False, description="Whether the voice alone and the rest alone are written, too."
    )

    @model_validator(mode="after")
    def _markers_exist(self) -> Cues:
        if len(self.voice) + len(self.bed) + len(self.spot) > MOST_CUES:
            raise ValueError(f"more than {MOST_CUES} sounds are named")
        names = [marker.name for marker in self.marker]
        known = {"start", "end", *names}
        if len(set(names)) < len(names) or {"start", "end"} & set(names):
            raise ValueError("two markers have one name, or one is called 'start' or 'end'")
        voices = [voice.file for voice in self.voice]
        for marker in self.marker:
            if marker.file is not None and voices.count(marker.file) != 1:
                raise ValueError(
                    f"the marker '{marker.name}' is told in the time of '{marker.file}', "
                    "which is not one of the voices, or is one twice"
                )
        unknown = [
            f"'{place}' of '{cue.file}'"
            for cue in (*self.bed, *self.spot)
            for place in (cue.begins, cue.until)
            if isinstance(place, str) and place not in known
        ]
        if unknown:
            raise ValueError(
                f"neither a time, as '1:23.5', nor a place that is known "
                f"({', '.join(sorted(known))}): {', '.join(unknown)}"
            )
        return self

    @property
    def files(self) -> tuple[str, ...]:
        """Every file that is named, once."""
        named = [
            *(voice.file for voice in self.voice),
            *(bed.file for bed in self.bed),
            *(spot.file for spot in self.spot),
        ]
        return tuple(dict.fromkeys(named))
