"""Errors: one root, stable codes, and a sentence of advice for each."""

from __future__ import annotations

from collections import Counter

import pytest

from fairtake.errors import (
    FairtakeError,
    SettingsFault,
    SurroundingsFault,
    TakeFault,
    TooLong,
    all_errors,
)

KINDS = (TakeFault, SurroundingsFault, SettingsFault)
ERRORS = [e for e in all_errors() if e not in KINDS]


def test_codes_are_unique() -> None:
    """Programs tell errors apart by their codes. Issue: stable codes."""
    counted = Counter(error.code for error in [FairtakeError, *all_errors()])
    assert [code for code, times in counted.items() if times > 1] == []


@pytest.mark.parametrize("error", ERRORS, ids=lambda e: e.code)
def test_each_says_what_happened_and_what_to_do(error: type[FairtakeError]) -> None:
    """Its own docstring is the message, its own advice a sentence, its code words and hyphens."""
    assert error.__dict__.get("__doc__"), "a docstring of its own"
    assert {"code", "advice"} <= set(error.__dict__), "a code and advice of its own"
    assert error().message.endswith(".")
    assert error.advice.endswith(".") and error.advice[0].isupper()
    assert error.code == error.code.lower() and " " not in error.code


@pytest.mark.parametrize("error", ERRORS, ids=lambda e: e.code)
def test_each_is_the_fault_of_exactly_one(error: type[FairtakeError]) -> None:
    """Whose fault it is decides what happens to the take, so it must be one of the three."""
    assert sum(issubclass(error, kind) for kind in KINDS) == 1


def test_the_codes_that_others_rely_on() -> None:
    """A code, once given, stays: this list may grow and never shrink."""
    assert {e.code for e in ERRORS} >= {
        "not-audio", "empty", "header-only", "cut-short", "damaged", "unreadable", "silent",
        "no-speech", "too-short", "too-long", "not-finite", "too-many-channels",
        "encoding-unsupported", "sample-rate-unsupported", "target-unreachable", "worker-crashed",
        "worker-hung", "not-a-file", "second-name", "disk-full", "folder-gone", "not-permitted", "encoder-missing",
        "encoder-failed", "already-served", "settings-invalid", "profile-invalid",
        "profile-unknown", "title-invalid", "not-a-root",
    }  # fmt: skip


def test_message() -> None:
    """The class's sentence, then the detail of the case; no detail leaves no gap."""
    assert (
        TooLong("It lasts 3:00.").message
        == "The take is longer than its profile allows. It lasts 3:00."
    )
    assert str(TooLong()) == "The take is longer than its profile allows."
    assert TooLong("x").detail == "x"


def test_a_detail_taken_from_a_file_is_fit_to_be_shown() -> None:
    """A key of a title.toml may hold anything; no terminal, log or page may obey it. Requirement 23."""
    shown = TooLong("a\x1b[31m b\u202e c\n d\ud800").message
    assert shown.endswith(r"a\x1b[31m b\u202e c\n d\ud800") and shown.isprintable()
