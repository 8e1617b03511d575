"""title.toml: what a folder of takes is called, by whom, and how it is finished."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from pathlib import PurePath
from typing import Any

from pydantic import Field, field_validator

from fairtake.typed_file import Settings

TITLE_FILE = "title.toml"
#: Nobody writes a larger one by hand.
MOST_TITLE_BYTES = 64 * 1024
LONGEST_TAG = 512
COVER_SUFFIXES = (".jpg", ".jpeg", ".png")


def is_title_file(name: str) -> bool:
    """Whether a file of this name is title.toml, in whatever case somebody or some system wrote it."""
    return name.casefold() == TITLE_FILE


def title_name(names: Iterable[str]) -> str:
    """The one of *names* that is title.toml; of several the one that is written just so."""
    found = filter(is_title_file, names)
    return min(found, key=lambda name: (name != TITLE_FILE, name), default=TITLE_FILE)


def clean_text(text: str) -> str:
    """*text* on one line, without control and direction characters, at most `LONGEST_TAG` long."""
    # Cc, Cf, Cs, Co: controls, invisible direction marks, half surrogates, private use.
    hidden = ("Cc", "Cf", "Cs", "Co")
    kept = (c for c in text if c.isspace() or unicodedata.category(c) not in hidden)
    whole = unicodedata.normalize("NFC", "".join(kept))
    return " ".join(whole.split())[:LONGEST_TAG].strip()


class Tags(Settings):
    title: str = Field("", description="Title of the book, series or course.")
    author: str = Field("", description="Who wrote it.")
    narrator: str = Field("", description="Who speaks.")
    year: int | None = Field(None, ge=1000, le=9999, description="Year of publication.")
    genre: str = Field("", description="For instance: Audiobook.")
    comment: str = Field("", description="Anything else.")

    @field_validator("title", "author", "narrator", "genre", "comment")
    @classmethod
    def _clean(cls, text: str) -> str:
        return clean_text(text)


class Title(Settings):
    """What a title.toml may hold; all of it is optional."""

    profile: str | None = Field(
        None, description="Name of the profile for the takes of this folder."
    )
    cover: str | None = Field(None, description="A picture beside this file, JPEG or PNG.")
    tags: Tags = Tags()
    overrides: dict[str, Any] = Field(
        default_factory=dict, description="Settings laid over the profile."
    )

    @field_validator("cover")
    @classmethod
    def _cover_is_beside(cls, cover: str | None) -> str | None:
        if cover is None:
            return None
        if PurePath(cover).name != cover or "\\" in cover or cover.startswith("."):
            raise ValueError("the cover must lie in the same folder, so give its name alone")
        if not cover.lower().endswith(COVER_SUFFIXES):
            raise ValueError("the cover must be a .jpg or .png file")
        return cover


def chapter_of(stem: str) -> tuple[str, int | None]:
    """The title and the number that a take's file name carries: ``03 The Ferry`` is 3, The Ferry."""
    name = clean_text(stem.replace("_", " "))
    match = re.match(r"^(\d{1,4})(?:\s*[-.–]\s*|\s+)(\S.*)$", name)
    if match:
        return match[2], int(match[1])
    return name, int(name) if re.fullmatch(r"\d{1,4}", name) else None


def mp3_tags(tags: Tags, stem: str) -> dict[str, str]:
    """The tags of the MP3 of the take called *stem*, under the encoder's names for them."""
    chapter, number = chapter_of(stem)
    found = {
        "title": chapter,
        "album": tags.title,
        "artist": tags.author or tags.narrator,
        "album_artist": tags.author,
        "composer": tags.narrator,
        "genre": tags.genre,
        "comment": tags.comment,
        "date": str(tags.year) if tags.year else "",
        "track": str(number) if number is not None else "",
    }
    return {key: value for key, value in found.items() if value}


def loudness_tags(loudness_lufs: float | None, sample_peak_dbfs: float | None) -> dict[str, str]:
    """ReplayGain 2.0 tags: the gain to -18 LUFS, and the linear peak."""
    tags = {}
    if loudness_lufs is not None:
        tags["REPLAYGAIN_TRACK_GAIN"] = f"{-18 - loudness_lufs:+.2f} dB"
    if sample_peak_dbfs is not None:
        tags["REPLAYGAIN_TRACK_PEAK"] = f"{10 ** (sample_peak_dbfs / 20):.6f}"
    return tags
