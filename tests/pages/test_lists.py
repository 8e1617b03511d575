"""The title's sheet and the index: order, likeness, figures for a spreadsheet, headlines."""

from __future__ import annotations

import csv
import io
import time
from dataclasses import replace

import pytest

from fairtake.pages.finished import FinishedTake, alike, in_order
from fairtake.pages.index import MOST_TAKES, Overview, headline, index_page, night_of
from fairtake.pages.title_sheet import CSV_HEAD, title_csv, title_page

TAKE = FinishedTake(
    place="Book/01", title="Book", name="01.wav", at=1_700_000_000.0, duration_s=60.0, level=-20.0,
    unit="dBFS RMS", peak_dbtp=-3.4, floor_dbfs=-70.0, range_lu=4.0, head_s=0.7, tail_s=2.1,
    profile="audiobook", checks=17, missed=(), has_sheet=True,
)  # fmt: skip


def takes(*names: str, **changes: object) -> list[FinishedTake]:
    return [replace(TAKE, name=f"{n}.wav", place=f"Book/{n}", **changes) for n in names]


def test_chapters_as_people_count():
    """Chapter 2 stands before chapter 10, whatever else the names hold."""
    names = ["10 End", "2 b", "1 a", "intro"]
    assert [t.name for t in in_order(takes(*names))] == [
        "1 a.wav",
        "2 b.wav",
        "10 End.wav",
        "intro.wav",
    ]


@pytest.mark.parametrize(
    ("figure", "value", "words"),
    [("level", -22.0, "level 2.0 dB under"), ("floor_dbfs", -55.0, "noise floor 15.0 dB over"),
     ("tail_s", 4.5, "tail 2.4 s over")],
)  # fmt: skip
def test_the_take_that_stands_out(figure, value, words):
    """One take among many alike is named with what sets it apart; by algebra."""
    many = [*takes("1", "2", "3", "4", "5"), *takes("6", **{figure: value})]
    assert alike(many).stands_out.startswith(f"6.wav: {words}".replace("-", "\u2212"))
    assert alike(many[:5]).stands_out == ""


def test_small_differences_stand_out_of_nothing():
    """However alike all others are, a tenth of a dB is nothing to point at."""
    many = [*takes("1", "2", "3", "4", "5"), *takes("6", level=-20.1)]
    assert alike(many).stands_out == ""
    assert alike(many).level == "0.1 dB"


@pytest.mark.parametrize("name", ["=HYPERLINK(1)", "+1", "-1", "@SUM(A1)", "\tx", "\rx"])
def test_no_text_is_a_formula(name):
    """A name that a spreadsheet would take for a formula begins with an apostrophe; figures stay
    figures, the negative ones too. Source: OWASP's page on CSV injection."""
    text = title_csv(takes(name))
    assert text.startswith(CSV_HEAD)
    (row,) = list(csv.DictReader(io.StringIO(text)))
    assert row["take"] == f"'{name}.wav"
    assert float(row["level"]) == -20.0 and float(row["noise floor dBFS"]) == -70.0


def test_names_of_any_bytes():
    """A name that is no UTF-8 gets a link that leads to it, and a mark in its place in the text."""
    page = title_page("Book", takes("caf\udce9"), "../index.html")
    assert "caf%E9.html" in page and "caf\ufffd.wav" in page
    page.encode("utf-8")


def test_night_ends_at_noon():
    """What is finished at three in the morning belongs to the night that began the day before."""
    begun = time.mktime((2026, 11, 25, 23, 0, 0, 0, 0, -1))
    early = time.mktime((2026, 11, 26, 3, 0, 0, 0, 0, -1))
    noon = time.mktime((2026, 11, 26, 13, 0, 0, 0, 0, -1))
    assert night_of(begun) == night_of(early) == "2026-11-25"
    assert night_of(noon) == "2026-11-26"


def test_headlines():
    """The first sentence names what wants a person, and says when nothing does."""
    good, bad = takes("1"), takes("2", missed=("level of the WAV",))
    assert headline(Overview(0.0)) == "Nothing here yet. Drop takes into the inbox."
    assert headline(Overview(0.0, finished=good)) == "1 take is ready."
    told = Overview(0.0, finished=[*good, *bad], waiting=[("x.wav", "settling")],
                    quarantined=[("y.wav", {})])  # fmt: skip
    assert (
        headline(told)
        == "1 in quarantine; 1 finished take misses a check; 1 take is ready; 1 still to come."
    )


def test_an_index_of_ten_thousand_stays_small():
    """The page lists the latest and counts the rest, so that it opens at once."""
    many = [replace(TAKE, at=float(n), place=f"Book/{n}", name=f"{n}.wav") for n in range(10_000)]
    page = index_page(Overview(10_000.0, finished=many))
    assert len(page) < 600_000
    assert "9999.wav" in page and f"{10_000 - MOST_TAKES} more are not listed" in page
