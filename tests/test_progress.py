"""fairtake.progress: a bar that moves evenly, and the time left, on a clock of our own."""

from __future__ import annotations

import pytest

from fairtake.progress import FINISHING, LISTENING, Course

#: What a take says of itself in one round: it slows down, and only some verbs say how far they are.
ROUND = [("start", 0), ("listen", 0.6), ("listen", 0.65), ("listen", 0.9), ("plan", 0), ("render", 0.2), ("render", 1),
         ("prove", 0.1), ("prove", 0.5), ("encode", 0), ("prove", 0.5), ("prove", 0.9),
         ("publish", 0)]  # fmt: skip
AGAIN = ROUND[4:9]


class Clock:
    now = 100.0

    def __call__(self) -> float:
        return self.now


def told(course: Course, clock: Clock, words: list[tuple[str, float]]) -> list[float]:
    """The shares seen, twice a second, while *words* are said every two seconds."""
    seen = []
    for word in words:
        course.tell(*word)
        for _ in range(4):
            seen.append(course.share)
            clock.now += 0.5
    return seen


def test_the_bar_goes_from_nothing_to_the_whole_and_never_back() -> None:
    """One round, told as the work tells it. Design: a bar over the whole take."""
    clock = Clock()
    seen = told(Course(clock=clock), clock, ROUND)
    assert seen[0] == 0 and seen[-1] == 1
    assert seen == sorted(seen)


def test_another_round_slows_the_bar_and_is_said_with_the_verb() -> None:
    """What was rendered is rendered again: the bar still only grows, up to the whole. By algebra:
    it stood at 0.46, and the rest, 0.12 to 1, is laid over what is left."""
    clock = Clock()
    course = Course(clock=clock)
    seen = told(course, clock, ROUND[:9])
    assert (course.verb, seen[-1]) == ("prove", FINISHING["prove"][1])
    course.tell("plan", 0)
    assert course.verb == "plan again" and course.share == pytest.approx(0.46)
    course.tell("render", 1)
    assert course.verb == "render again"
    assert course.share == pytest.approx(0.46 + 0.54 * (0.38 - 0.12) / 0.88)
    seen += told(course, clock, AGAIN[1:])
    course.tell("encode", 0)
    assert course.verb == "encode"  # for the first time
    seen += told(course, clock, ROUND[9:])
    assert seen == sorted(seen) and seen[-1] == pytest.approx(1)


def test_the_bar_goes_on_while_nothing_is_said_and_not_past_what_is_known() -> None:
    """Encoding says nothing while it lasts. By algebra: 0.46 of the way took 46 s."""
    clock = Clock()
    course = Course(clock=clock)
    course.tell("start", 0)
    clock.now += 46
    course.tell("encode", 0)
    assert course.share == pytest.approx(0.46)
    assert course.left_s == pytest.approx(54)
    clock.now += 10
    course.tell("encode", 0)  # the same word again is no news
    assert course.share == pytest.approx(0.56)
    assert course.left_s == pytest.approx(44)
    clock.now += 1000
    assert course.share == pytest.approx(FINISHING["encode"][1])


def test_who_joins_on_the_way_tells_no_time_it_cannot_know() -> None:
    """A status screen sees a take half done: what was before is not taken for its pace. By algebra:
    0.14 of the way, from 0.24 to 0.38, took 14 s."""
    clock = Clock()
    course = Course(clock=clock)
    course.tell("render", 0)
    assert course.share == pytest.approx(0.24) and course.left_s is None
    clock.now += 14
    course.tell("render", 1)
    assert course.left_s == pytest.approx(62)


def test_the_time_left_of_a_file_that_is_only_heard() -> None:
    """`measure` has one verb. By algebra: a quarter took 5 s."""
    clock = Clock()
    course = Course(LISTENING, clock)
    course.tell("listen", 0)
    clock.now += 5
    course.tell("listen", 0.25)
    assert (course.share, course.left_s) == (0.25, pytest.approx(15))


def test_a_word_nobody_knows_is_shown_and_moves_nothing() -> None:
    """A claim that nobody works on says 'waiting'. Design: the status screen."""
    course = Course()
    course.tell("waiting", 0.7)
    assert (course.verb, course.share) == ("waiting", 0)
