"""fairtake.hours: hours of the day by the clock on the wall."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

import pytest

from fairtake.errors import SettingsInvalid
from fairtake.hours import parse_hours
from fairtake.service_settings import ServiceSettings
from fairtake.typed_file import parse_settings


def at(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-05-04T{text}")


@pytest.mark.parametrize(
    ("hours", "inside", "outside"),
    [
        ("", ["00:00", "12:00", "23:59:59"], []),
        ("09:00-17:30", ["09:00", "17:29:59"], ["08:59:59", "17:30", "00:00"]),
        ("22:00-06:00", ["22:00", "23:59:59", "00:00", "05:59:59"], ["06:00", "21:59:59"]),
        ("18:00-24:00", ["18:00", "23:59:59"], ["00:00", "17:59"]),
        ("22:00 - 6:00, 12:30-13:30,", ["12:30", "23:00", "05:00"], ["13:30", "12:29", "06:00"]),
    ],
)
def test_the_first_minute_is_inside_and_the_last_is_not(
    hours: str, inside: list[str], outside: list[str]
) -> None:
    """Over midnight, several, or all day. By algebra."""
    parsed = parse_hours(hours)
    assert all(parsed.hold(at(t)) and parsed.wait(at(t)) == "" for t in inside)
    assert not any(parsed.hold(at(t)) for t in outside)


def test_what_is_waited_for_is_the_next_begin() -> None:
    """The next one today, else the first tomorrow. By algebra."""
    hours = parse_hours("22:00-06:00,12:30-13:30")
    assert hours.wait(at("07:00")) == "its hours, from 12:30"
    assert hours.wait(at("13:30")) == "its hours, from 22:00"
    assert parse_hours("05:00-06:00").wait(at("23:00")) == "its hours, from 05:00"


@pytest.mark.parametrize("text", ["22-6", "22:00", "24:01-06:00", "22:60-06:00", "8:00-8:00", "x"])
def test_what_is_no_stretch_of_the_day_is_said(text: str) -> None:
    """With the line to mend. Design: the settings' fault."""
    with pytest.raises(SettingsInvalid) as e:
        data = f'settle_s = 1\nwork_hours = "{text}"\n'.encode()
        parse_settings(data, ServiceSettings, SettingsInvalid, "fairtake.toml")
    assert "line 2: work_hours: " in e.value.message and text in e.value.message


@pytest.fixture
def central_europe(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The rule of the zone in full, so that no table of zones is needed. POSIX, 8.3."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def minutes_inside(hours: str, begin: datetime, until: datetime) -> int:
    """Real minutes between two moments at which the local clock is inside."""
    hold: Callable[[datetime], bool] = parse_hours(hours).hold
    moments = range(round(begin.timestamp()), round(until.timestamp()), 60)
    return sum(hold(datetime.fromtimestamp(moment)) for moment in moments)


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="zones are set by POSIX means")
@pytest.mark.parametrize(
    ("month", "day", "night", "small_hour", "gap"),
    [(3, 28, 7, 1, 0), (10, 24, 9, 1, 2), (6, 1, 8, 1, 1)],
    ids=["spring", "autumn", "summer"],
)
def test_nights_in_which_the_clock_is_set(
    central_europe: None, month: int, day: int, night: int, small_hour: int, gap: int
) -> None:
    """22:00 to 06:00 is an hour less or more; the hour that is left out never comes, the one that
    is gone through twice counts twice. By algebra; EU rule, last Sundays of March and October 2026."""
    noon = datetime(2026, month, day, 12, tzinfo=UTC)
    next_noon = datetime.fromtimestamp(noon.timestamp() + 24 * 3600, UTC)
    assert minutes_inside("22:00-06:00", noon, next_noon) == night * 60
    assert minutes_inside("04:00-05:00", noon, next_noon) == small_hour * 60
    assert minutes_inside("02:00-03:00", noon, next_noon) == gap * 60
