"""README.md against the program: neither says what the other does not know."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from fairtake.cli import main
from fairtake.cues import Bed, Cues, Marker, Spot, Voice
from fairtake.errors import (
    CuesInvalid,
    FairtakeError,
    SettingsFault,
    SurroundingsFault,
    TakeFault,
    TitleInvalid,
    all_errors,
)
from fairtake.folders import Root
from fairtake.notice import Counts, Event, FinishedNote, Notice, QuarantinedNote
from fairtake.profile import Profile
from fairtake.receipt import Measures, Receipt
from fairtake.service_settings import ServiceSettings
from fairtake.serving.log import Action
from fairtake.serving.metrics import Metrics
from fairtake.serving.scan import is_companion
from fairtake.shipped import profile_files
from fairtake.sound.plan import STAGES
from fairtake.title import Title
from fairtake.typed_file import Settings, parse_settings

README = (Path(__file__).parents[1] / "README.md").read_text("utf-8")
KINDS = (TakeFault, SurroundingsFault, SettingsFault)
ERRORS = {error.code: error for error in all_errors() if error not in KINDS}


def section(heading: str) -> str:
    """The text under the heading that has the word *heading* in it."""
    for part in re.split(r"^#+ ", README, flags=re.MULTILINE)[1:]:
        title, _, text = part.partition("\n")
        if heading in title:
            return text
    raise AssertionError(f"README has no section '{heading}'")


def rows(text: str) -> list[list[str]]:
    """The cells of every table row in *text*."""
    lines = [line for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def in_backticks(text: str) -> set[str]:
    prose = re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE)
    return set(re.findall(r"`([^`\n]+)`", prose))


def test_every_command_is_documented_and_every_documented_command_exists() -> None:
    """Design: the docs against the program."""
    fenced = "".join(re.findall(r"^```sh$(.*?)^```$", README, re.DOTALL | re.MULTILINE))
    shown = [*in_backticks(README), *re.findall(r"^fairtake .*", fenced, re.MULTILINE)]
    said = {text.split()[1] for text in shown if re.match(r"fairtake [a-z]+( |$)", text)}
    assert said == set(main.commands)


def test_every_option_in_the_docs_exists() -> None:
    """An option that is promised can be given. Design: the docs against the program."""
    known = {o for c in (main, *main.commands.values()) for p in c.params for o in p.opts}
    said = {o for cell in in_backticks(section("commands")) for o in re.findall(r"--[a-z]+", cell)}
    assert said and said <= known


def test_every_code_has_its_row_and_every_row_its_code() -> None:
    """The table of reasons is the program's own list. Design: stable codes."""
    codes = [cells[0].strip("`") for cells in rows(section("Reasons")) if cells[0].startswith("`")]
    assert sorted(codes) == sorted(ERRORS)


@pytest.mark.parametrize("code", ERRORS)
def test_the_docs_say_what_the_reason_says(code: str) -> None:
    """One sentence in the docs, the log and the reason. Design: errors for people."""
    error: type[FairtakeError] = ERRORS[code]
    [row] = [cells for cells in rows(section("Reasons")) if cells[0] == f"`{code}`"]
    assert row[1:] == [error().message, error.advice]


def test_every_word_of_the_log_is_explained() -> None:
    """Who filters the log by a word finds it in the README, and no other. Design: stable codes."""
    explained = [in_backticks(cells[0]) for cells in rows(section("Unattended"))]
    assert set().union(*explained) == set(get_args(Action))


def test_every_shipped_profile_and_no_other_is_in_the_table() -> None:
    """Design: the profiles that ship."""
    first = {in_backticks(cells[0]).pop() for cells in rows(section("profiles")) if "`" in cells[0]}
    assert first == set(profile_files()) | set(STAGES)


@pytest.mark.parametrize("heading_and_model", [("receipt", Receipt), ("receipt", Measures)])
def test_every_key_is_explained(heading_and_model: tuple[str, type]) -> None:
    """Who reads a receipt finds each of its keys in the README. Design: the receipt."""
    heading, model = heading_and_model
    explained = in_backticks(section(heading))
    missing = set(model.model_fields) - {"schema_"} - explained  # type: ignore[attr-defined]
    assert missing == set()


def test_settings_named_in_the_text_exist() -> None:
    """`table.key` of a profile in an advice or the README is a setting. Design: the docs."""
    text = README + " ".join(error.advice for error in ERRORS.values())
    profile = Profile()
    tables = [name for name in Profile.model_fields if isinstance(getattr(profile, name), Settings)]
    for table, key in re.findall(rf"\b({'|'.join(tables)})\.([a-z_]+)\b", text):
        assert key in type(getattr(profile, table)).model_fields, f"{table}.{key}"


def test_the_example_title_toml_is_valid() -> None:
    """What people copy from the README works as it stands. Design: the docs."""
    [example] = re.findall(r"```toml\n(.*?)```", section("folders"), re.DOTALL)
    title = parse_settings(example.encode(), Title, TitleInvalid, "title.toml")
    assert title.cover and is_companion(title.cover)
    assert Profile().overridden(title.overrides, "title.toml") != Profile()


def test_the_example_cues_toml_is_valid() -> None:
    """As above, for mixes. Design: the docs."""
    [example] = re.findall(r"```toml\n(.*?)```", section("over a bed"), re.DOTALL)
    cues = parse_settings(example.encode(), Cues, CuesInvalid, "cues.toml")
    assert cues.bed and cues.spot


def test_every_key_of_a_cue_is_explained_and_every_explained_key_exists() -> None:
    """Who writes a cues.toml finds each of its keys in the README. Design: the docs."""
    models = (Voice, Bed, Spot, Marker)
    keys = {field.alias or name for model in models for name, field in model.model_fields.items()}
    table = [cells for cells in rows(section("over a bed")) if "`" in cells[0]]
    explained = set().union(*(in_backticks(cells[0]) for cells in table))
    said = in_backticks(section("over a bed"))
    assert explained <= keys | {"stems"} and keys <= explained | said


def test_every_key_of_a_notice_is_explained_and_its_example_is_one() -> None:
    """Who is told finds each key in the README, and an example by the schema. Design: the docs."""
    text = section("Being told")
    notice = Notice.model_validate_json(re.findall(r"```json\n(.*?)```", text, re.DOTALL)[0])
    models = (Notice, Counts, FinishedNote, QuarantinedNote)
    keys = {key for model in models for key in model.model_fields} - {"schema_"}
    assert keys <= in_backticks(text)
    assert notice.quarantined[0].message == ERRORS["cut-short"]().message
    assert set(get_args(Event)) <= in_backticks(text)
    assert set(type(ServiceSettings().notify).model_fields) <= set(re.findall(r"[a-z_]+", text))


def test_every_metric_is_explained_and_no_other(tmp_path: Path) -> None:
    """What an agent reads stands in the README. Design: the docs against the program."""
    written = Metrics(Root(tmp_path, ServiceSettings()))._text()
    named = {name for cells in rows(section("monitoring")) for name in in_backticks(cells[0])}
    assert named == set(re.findall(r"^# TYPE (\S+)", written, re.MULTILINE))
