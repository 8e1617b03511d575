"""fairtake.serving.log: one line an event."""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Iterator

import pytest

from fairtake.serving.log import event, start_log

HOSTILE = [
    "two\nlines.wav", "carriage\rreturn", "escape \x1b[31mred", "bidi \u202egnp", "null \0",
    "next \u2028 line", "=cmd|' /C calc'!A0", "tag \u2066\u200f", "half \ud83d", os.fsdecode(b"\xff\xfe"), '"quoted"', "<img onerror=1>",
]  # fmt: skip


@pytest.fixture(autouse=True)
def own_log() -> Iterator[None]:
    """Leaves the logger as it was."""
    log = logging.getLogger("fairtake")
    before = log.handlers[:], log.level, log.propagate
    yield
    log.handlers[:], log.level, log.propagate = before


@pytest.mark.parametrize("name", HOSTILE, ids=ascii)
@pytest.mark.parametrize("form", ["plain", "json"])
def test_a_hostile_name_stays_on_its_line(
    form: str, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """No name begins a line or reaches the terminal raw. Requirement 23: one log line."""
    start_log(form)
    event("claimed", name, why=name)
    said = capsys.readouterr().err
    assert said.endswith("\n") and len(said.splitlines()) == 1
    assert said[:-1].isprintable()


@pytest.mark.parametrize("name", HOSTILE, ids=ascii)
def test_json_gives_the_name_back(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Programs get the name verbatim. Design: the log."""
    start_log("json")
    event("quarantined", name, code="silent", failed_checks=())
    said = json.loads(capsys.readouterr().err)
    assert (said["action"], said["take"], said["code"]) == ("quarantined", name, "silent")
    assert "failed_checks" not in said and "at" in said


def test_plain_lines_read_like_sentences(capsys: pytest.CaptureFixture[str]) -> None:
    """Time, what, which take, the rest; empty things are left out. Design: the log."""
    start_log("plain")
    event(
        "published", "T/one.wav", place="T/one", failed_checks=("noise of the wav", "peak"), code=""
    )
    said = capsys.readouterr().err
    assert '  published    "T/one.wav"  place: T/one  failed_checks: noise of the wav, peak' in said
    assert "code" not in said


def test_a_name_cannot_pass_for_another_field(capsys: pytest.CaptureFixture[str]) -> None:
    """Who reads plain lines by their two blanks is not fooled by a name. Requirement 23."""
    start_log("plain")
    event("published", "x", place="T/one  code: silent")
    assert '  place: "T/one  code: silent"' in capsys.readouterr().err
