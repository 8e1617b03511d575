"""TOML into typed settings and back: every problem at once, each with its line."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from pydantic import Field

from fairtake.errors import ProfileInvalid, SettingsFault, SettingsInvalid
from fairtake.profile import Profile
from fairtake.title import Title
from fairtake.typed_file import (
    Settings,
    parse_settings,
    read_settings,
    settings_text,
    usable_settings,
)


class Inner(Settings):
    depth_db: float = Field(-6.0, ge=-20, le=0, description="How deep it goes.")
    "A setting in a table."


class Outer(Settings):
    name: str | None = Field(None, description="What it is called.")
    count: int = Field(3, ge=1, description="How many there are.")
    list_of: tuple[str, ...] = Field(("a", "b"), description="Some words.")
    inner: Inner = Inner()


def problems(text: str, model: type[Settings] = Outer) -> str:
    """What is said about *text*."""
    with pytest.raises(SettingsInvalid) as caught:
        parse_settings(text.encode(), model, SettingsInvalid, "x.toml")
    return caught.value.detail


def test_reads_what_is_there_and_fills_in_the_rest() -> None:
    """What the file does not set has its default."""
    found = parse_settings(b"count = 5\n[inner]\ndepth_db = -3\n", Outer, SettingsInvalid, "x")
    assert found == Outer(count=5, inner=Inner(depth_db=-3.0))


def test_every_problem_at_once_with_its_line() -> None:
    """Four problems are four sentences, each naming file, line and key. Design: errors."""
    said = problems(
        '# heading\ncount = 0\nnmae = "x"\n\n[inner]  # a table\ndepth_db = 3\nwrong = true\n'
    )
    assert "x.toml, line 2: count: " in said
    assert "x.toml, line 3: unknown key 'nmae', did you mean 'name'?" in said
    assert "x.toml, line 6: inner.depth_db: " in said
    assert "x.toml, line 7: unknown key 'inner.wrong', known here: depth_db." in said


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("inner.depth_db = 9", 1), ("inner = { depth_db = 9 }", 1), ("[inner]\n'depth_db' = 9", 2),
        ("[ inner ]\ndepth_db=9", 2), ("# depth_db = 1\n[inner]\n# depth_db = 2\ndepth_db = 9", 4),
    ],
)  # fmt: skip
def test_the_line_however_it_is_written(text: str, line: int) -> None:
    """Dotted keys, inline tables, quoted keys and comments lead to the same line. TOML 1.0."""
    assert f"x.toml, line {line}: inner.depth_db" in problems(text)


def test_a_problem_says_what_stands_there() -> None:
    """A person sees the value that was refused, and is spared a whole table of them."""
    assert "(it is 0)" in problems("count = 0")
    assert "{" not in problems("[delivery]\nlevel_low = -10\nlevel_high = -20", Profile)
    assert "level_low is above level_high" in problems(
        "[delivery]\nlevel_low = -10\nlevel_high = -20", Profile
    )


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", '"loud"', "[1]"])
def test_numbers_are_numbers(value: str) -> None:
    """TOML knows nan and inf; no setting does."""
    assert "inner.depth_db" in problems(f"[inner]\ndepth_db = {value}")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("count = " + "1" * 5000, "too many digits"),
        ("inner.depth_db = 0x" + "1" * 50_000, "inner.depth_db"),
        ("name = [{" + ".".join("a" * 1500) + " = 1}]", "line 1: name"),
        ("list_of = [1, '" + "x" * 100_000 + "']\ncount = '" + "x" * 100_000 + "'", "list_of"),
        ("".join(f"key{n} = 1\n" for n in range(500)), "There are 480 more."),
    ],
)
def test_what_is_wild_is_told_in_few_words(text: str, said: str) -> None:
    """Numbers without end, depths and thousands of mistakes are mistakes like any other, told shortly."""
    told = problems(text)
    assert said in told and len(told) < 3000


def test_not_toml() -> None:
    """A file that is no TOML names the place where it goes wrong."""
    assert "line 2" in problems("count = 1\ncount =\n")


def test_not_utf8() -> None:
    """Nor does another coding of the text end in a traceback."""
    with pytest.raises(SettingsInvalid, match="not UTF-8 text"):
        parse_settings(b'name = "caf\xe9"', Outer, SettingsInvalid, "x.toml")


def test_a_byte_order_mark_does_no_harm() -> None:
    """Some editors put one before everything."""
    assert parse_settings(b"\xef\xbb\xbfcount = 4", Outer, SettingsInvalid, "x").count == 4


def test_the_fault_is_the_callers(tmp_path: Path) -> None:
    """Whose file it is decides the code; a missing file is an OSError."""
    path = tmp_path / "p.toml"
    path.write_text("count = 0")
    with pytest.raises(ProfileInvalid, match=r"p\.toml"):
        read_settings(path, Outer, ProfileInvalid)
    with pytest.raises(FileNotFoundError):
        read_settings(tmp_path / "gone.toml", Outer, ProfileInvalid)
    assert issubclass(ProfileInvalid, SettingsFault)


@pytest.mark.parametrize("model", [Outer, Profile, Title])
def test_text_round_trips(model: type[Settings]) -> None:
    """Settings written as a file read back as the same settings. By algebra."""
    settings = model()
    text = settings_text(settings, "A heading\nof two lines.")
    assert text.startswith("# A heading\n# of two lines.\n")
    assert parse_settings(text.encode(), model, SettingsInvalid, "x") == settings


def test_text_round_trips_with_values() -> None:
    """Also where values differ from the defaults and hold quotes and line ends."""
    settings = Outer(name='a "b"\n\\ é', count=9, list_of=("x",), inner=Inner(depth_db=-1.5))
    assert parse_settings(settings_text(settings).encode(), Outer, SettingsInvalid, "x") == settings


def test_text_explains_every_setting() -> None:
    """Each setting stands under its own description, an unset one as a comment."""
    text = settings_text(Outer())
    assert "# What it is called.\n# name =\n" in text
    assert "# How many there are.\ncount = 3\n" in text
    assert "[inner]\n# How deep it goes.\ndepth_db = -6.0\n" in text


def test_every_setting_of_a_profile_has_a_description() -> None:
    """A starter file explains itself, so no setting may go without words."""

    def bare(model: type[Settings], where: str = "") -> list[str]:
        found = []
        for key, field in model.model_fields.items():
            kind = field.annotation
            if isinstance(kind, type) and issubclass(kind, Settings):
                found += bare(kind, f"{where}{key}.")
            elif not field.description:
                found.append(where + key)
        return found

    assert bare(Profile) == []
    assert bare(Title) == []


def test_starter_text_is_plain_toml() -> None:
    """What is written is TOML for any reader."""
    assert tomllib.loads(settings_text(Profile()))["sample_rate_hz"] == 44100


#: Files of up to 64 KiB that take the reader of TOML seconds to minutes, and what is said of them instead.
COSTLY = {
    "a key of very many parts": ("a" + ".a" * 31_999 + " = 1\n", "line 1: more than 1500 dots"),
    "with spaces": ("\n" + "a" + " . a" * 15_999 + " = 1\n", "line 2: more than 1500 dots"),
    "a table of very many parts": ("[a" + ".a" * 31_999 + "]\n", "line 1: more than 1500 dots"),
    "many keys of many parts": (
        "".join(f"k{n}{'.a' * 1499} = 1\n" for n in range(21)), "too many parts for so many lines",
    ),
    "many keys below a table of many parts": (
        f"[a{'.a' * 1499}]\n" + "".join(f"{n}=1\n" for n in range(8000)),
        "too many parts for so many lines",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", COSTLY)
def test_what_would_take_minutes_to_read_is_refused_unread(what: str) -> None:
    """Anybody may drop a title.toml or a cues.toml; a worker is not kept by one."""
    text, said = COSTLY[what]
    assert len(text) <= 64 * 1024 and said in problems(text)
    assert usable_settings(text.encode(), Outer) == Outer()


def test_dots_in_text_and_remarks_cost_nothing() -> None:
    """A long file of words is read; a line of dots behind a # is no key."""
    text = "# " + "." * 5000 + "\n" + f'name = "{"And so on. " * 100}"\n' + "# one. two.\n" * 4000
    assert parse_settings(text.encode(), Outer, SettingsInvalid, "x").count == 3
