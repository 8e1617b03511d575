"""title.toml: tags are cleaned, covers stay beside it, file names give chapters."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fairtake.errors import TitleInvalid
from fairtake.title import LONGEST_TAG, Tags, Title, chapter_of, clean_text, mp3_tags
from fairtake.typed_file import parse_settings


def title(text: str) -> Title:
    return parse_settings(text.encode(), Title, TitleInvalid, "title.toml")


def test_all_of_it() -> None:
    """Every key of the issue is read."""
    found = title(
        'profile = "audiobook"\ncover = "cover.png"\n[tags]\ntitle = "Nine Lamps"\n'
        'author = "Ysbet Tarrowick"\nnarrator = "Oswin Pellacote"\nyear = 2024\n'
        'genre = "Audiobook"\n[overrides.limit]\nceiling_dbtp = -2.0\n'
    )
    assert (found.profile, found.cover, found.tags.year) == ("audiobook", "cover.png", 2024)
    assert found.overrides == {"limit": {"ceiling_dbtp": -2.0}}
    assert title("") == Title()


@pytest.mark.parametrize(
    "cover",
    ["../x.png", "/etc/x.png", "a/b.png", "C:\\\\x.png", "a\\\\b.png", ".hidden.png", "..", "x.gif",
     "x.svg", "", "http://a/b.png"],
)  # fmt: skip
def test_the_cover_lies_beside(cover: str) -> None:
    """No path leads out of the folder, and only pictures are pictures."""
    with pytest.raises(TitleInvalid, match="cover"):
        title(f'cover = "{cover}"')


@pytest.mark.parametrize("cover", ["cover.PNG", "x.jpeg", "Umschlag ü.jpg"])
def test_good_covers(cover: str) -> None:
    """Names are free, in any case of letters."""
    assert title(f'cover = "{cover}"').cover == cover


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        ("  a \n\t b  ", "a b"), ("a\0b\x1b[31m", "ab[31m"), ("a\u202eb\u2066", "ab"),
        ("a \u200b b", "a b"), ("a\u2028b", "a b"), ("\udce9x", "x"), ("e\u0301", "é"),
        ("第一章", "第一章"), ("x" * 600, "x" * 512), ("a" * 511 + " b", "a" * 511), ("\u00a0", ""),
    ],
)  # fmt: skip
def test_clean_text(text: str, clean: str) -> None:
    """One line, no controls, no hidden direction marks, composed, at most 512. Unicode categories."""
    assert clean_text(text) == clean


@given(st.text(max_size=700))
def test_clean_text_is_clean(text: str) -> None:
    """Whatever goes in, the result is short, on one line, encodable, and clean already. By algebra."""
    clean = clean_text(text)
    assert clean_text(clean) == clean
    assert len(clean) <= LONGEST_TAG
    assert clean.encode() and "\n" not in clean if clean else clean == ""
    assert not {unicodedata.category(c) for c in clean} & {"Cc", "Cf", "Cs", "Co"}


def test_tags_are_cleaned() -> None:
    """Cleaning is part of reading, so that no other part can forget it."""
    assert Tags(title=" a\nb ", author="x\u202ey").model_dump()["title"] == "a b"
    assert Tags(author="x\u202ey").author == "xy"


@pytest.mark.parametrize("year", ["0", "20244", '"soon"', "-1"])
def test_a_year_is_a_year(year: str) -> None:
    """Four digits."""
    with pytest.raises(TitleInvalid, match=r"line 2: tags\.year"):
        title(f"[tags]\nyear = {year}")


@pytest.mark.parametrize(
    ("stem", "chapter"),
    [
        ("03 The Ferry", ("The Ferry", 3)), ("03_The_Ferry", ("The Ferry", 3)),
        ("03 - The Ferry", ("The Ferry", 3)), ("3. The Ferry", ("The Ferry", 3)),
        ("012–The Ferry", ("The Ferry", 12)), ("The Ferry", ("The Ferry", None)),
        ("03", ("03", 3)), ("3D Sound", ("3D Sound", None)), ("The 3rd", ("The 3rd", None)),
        ("12345 x", ("12345 x", None)), ("", ("", None)), ("00 Opening", ("Opening", 0)),
    ],
)  # fmt: skip
def test_chapter_of(stem: str, chapter: tuple[str, int | None]) -> None:
    """The number before a name is the chapter's; common practice, no source."""
    assert chapter_of(stem) == chapter


def test_mp3_tags() -> None:
    """Author is the artist, the narrator takes their place when there is none; empty is left out."""
    tags = Tags(title="Nine Lamps", author="Ysbet", narrator="Oswin", year=2024, genre="Novel")
    assert mp3_tags(tags, "00 Opening") == {
        "title": "Opening", "album": "Nine Lamps", "artist": "Ysbet", "album_artist": "Ysbet",
        "composer": "Oswin", "genre": "Novel", "date": "2024", "track": "0",
    }  # fmt: skip
    assert mp3_tags(Tags(narrator="Oswin"), "x")["artist"] == "Oswin"
    assert mp3_tags(Tags(), "x") == {"title": "x"}
    assert mp3_tags(Tags(), "") == {}
