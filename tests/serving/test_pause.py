"""fairtake.serving.pause: how long the service waits, and what it says meanwhile."""

from __future__ import annotations

import logging
from typing import Any

import pytest

from fairtake.serving import pause as module
from fairtake.serving.pause import QUIET_S, Pause
from fairtake.serving.waits import wait_s


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.now = 1000.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(module, "time", clock)
    return clock


@pytest.fixture
def said(caplog: pytest.LogCaptureFixture) -> Any:
    """The words of the log so far, with the wait where one is told."""
    caplog.set_level(logging.INFO, "fairtake")
    return lambda: [(r.getMessage(), r.__dict__["more"].get("retry_in_s")) for r in caplog.records]


def test_the_wait_doubles_up_to_the_longest() -> None:
    """However often: a fault of months is no overflow. Requirement 13."""
    assert [wait_s(5, 30, tries) for tries in (0, 1, 2, 3, 5000)] == [5, 10, 20, 30, 30]


def test_a_fault_that_comes_back_at_once_is_waited_for_longer(clock: Clock, said: Any) -> None:
    """Even where it seemed to be over in between: only a take that goes through counts."""
    pause = Pause(5, 30)
    for _ in range(4):
        pause.begin("The disk is full.", "a.wav")
        clock.now += pause.left_s + QUIET_S
        pause.settle()
        assert pause.trouble == ""
    assert [wait for word, wait in said() if word == "waiting"] == [5, 10, 20, 30]
    pause.went_through()
    pause.begin("The disk is full.", "a.wav")
    assert pause.left_s == 5


def test_nothing_is_over_before_it_was_tried(clock: Clock, said: Any) -> None:
    """The end of the wait is no news; a fault met again then is one line, not three."""
    pause = Pause(5, 30)
    pause.begin("The disk is full.")
    clock.now += 5.1
    pause.settle()
    pause.begin("The disk is full.")
    assert said() == [("waiting", 5), ("waiting", 10)]


def test_what_was_tried_together_is_one_try(clock: Clock, said: Any) -> None:
    """Eight workers that meet a full disk do not make the wait 128 times as long; a line a take."""
    pause = Pause(5, 300)
    for number in range(8):
        pause.begin("The disk is full.", f"{number}.wav")
        pause.begin("The disk is full.", f"{number}.wav")
    assert (pause.tries, pause.left_s, len(said())) == (1, 5, 8)


def test_an_inbox_that_comes_and_goes_does_not_fill_the_log(clock: Clock, said: Any) -> None:
    """The first time work goes on at once; a drive that flaps is given ever more time."""
    pause = Pause(5, 30)
    for _ in range(600):  # gone and there again each second
        pause.begin("The inbox is gone.")
        pause.lift()
        clock.now += 1
        if not pause.lasts:
            pause.settle()
    assert said()[:2] == [("waiting", 5), ("resumed", None)]
    assert len(said()) < 60


def test_a_long_outage_does_not_lengthen_the_next_wait(clock: Clock, said: Any) -> None:
    """Looking whether the drive is there again is no try with a take."""
    pause = Pause(5, 300)
    for _ in range(8):
        pause.begin("The inbox is gone.")
        clock.now += pause.left_s
    pause.begin("The inbox is gone.")
    pause.lift()
    assert not pause.lasts and pause.trouble == ""
    pause.begin("The disk is full.")
    assert pause.left_s == 10


def test_after_a_long_quiet_a_fault_is_a_new_one(clock: Clock) -> None:
    """Where no take came for a while, none could go through."""
    pause = Pause(5, 30)
    for _ in range(4):
        pause.begin("The disk is full.")
        clock.now += pause.left_s
    clock.now += 31
    pause.begin("The disk is full.")
    assert pause.left_s == 5
