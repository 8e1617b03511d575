"""A take's page: what it says, what it holds back, and how large it gets."""

from __future__ import annotations

import html
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from fairtake.pages.sheet import Links, sheet_page, verdict
from fairtake.receipt import Receipt, SparedPlace
from fairtake.sketch import MOST_REPAIRS, MOST_STEPS, Curve, Outline, Sketch
from files.making import voice, write

LINKS = Links(wav="a.wav", mp3="a.mp3", receipt="a.receipt.json", original="../originals/a.wav")


@pytest.fixture(scope="module")
def receipt(tmp_path_factory: pytest.TempPathFactory) -> Receipt:
    from fairtake.api import master

    folder = tmp_path_factory.mktemp("take")
    return master(write(folder / "a.wav", voice(44100, 4.0), 44100), folder / "out")


def outline(start_s: float, step_s: float, steps: int) -> Outline:
    values = [-20.0 - n % 7 for n in range(steps)]
    return Outline(start_s=start_s, step_s=step_s, peak_dbfs=values, rms_dbfs=values,
                   momentary_lufs=values, short_term_lufs=values)  # fmt: skip


def sketch(seconds: float, stages: tuple[str, ...] = ("gate",), clicks: int = 2) -> Sketch:
    step_s = seconds / MOST_STEPS
    wild = [-(n * 37 % 240) / 10 for n in range(MOST_STEPS)]
    curve = Curve(start_s=0.0, step_s=step_s, low=wild, mean=wild, high=wild)
    return Sketch(before=outline(0.0, step_s, MOST_STEPS), after=outline(1.0, step_s, MOST_STEPS),
                  gains=dict.fromkeys(stages, curve), clicks_s=[n * seconds / clicks for n in range(clicks)],
                  clipped_s=[])  # fmt: skip


def test_a_page_of_three_hours_is_small(receipt: Receipt):
    """The busiest take of three hours makes a page under 2 MB."""
    stages = (
        "repair",
        "rumble",
        "trim",
        "gate",
        "breath",
        "ride",
        "compress",
        "deess",
        "tone",
        "limit",
    )
    full = sketch(10_800.0, stages, clicks=MOST_REPAIRS)
    assert len(sheet_page(receipt, full, LINKS).encode()) < 2_000_000


def test_without_pictures_there_is_still_a_page(receipt: Receipt):
    """Verdict, figures and links stand there without a sketch; without the original, half the pictures."""
    page = sheet_page(receipt, None, LINKS)
    assert verdict(receipt) in page and "<svg" not in page and "fairtake sheet" in page
    half = sketch(60.0).model_copy(update={"before": None})
    assert "<svg" in sheet_page(receipt, half, LINKS) and 'class="name">Before' not in sheet_page(
        receipt, half, LINKS
    )


def test_every_word_is_escaped(receipt: Receipt):
    """Names, advice and notes of any kind are text: no tag of theirs gets into the page."""
    evil = """</script><script>alert(1)</script>"'>"""
    said = json.loads(receipt.to_json().replace("a.wav", "b.wav"))
    said["take"]["name"] = said["take"]["title"] = said["profile"]["name"] = evil
    said["advice"] = [evil]
    said["stages"][0]["did"] = {evil: evil}
    said["made_by"] = {evil: evil}
    page = sheet_page(Receipt.model_validate(said), sketch(60.0), LINKS)
    assert "<script>alert" not in page
    assert page.count("<script>") == 1
    assert html.escape("</script><script>alert(1)</script>") in page


def test_the_policy_allows_what_stands_there_and_nothing_else(receipt: Receipt):
    """Style and script are named by their hashes; nothing inline, nothing from elsewhere. Source: W3C,
    Content Security Policy Level 3."""
    import base64
    import hashlib

    page = sheet_page(receipt, sketch(60.0), LINKS)
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', page)[1]
    for tag, name in (("style", "style-src"), ("script", "script-src")):
        inside = re.search(f"<{tag}>(.*?)</{tag}>", page, re.DOTALL)[1]
        told = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{name} 'sha256-{told}'" in html.unescape(policy)
    assert policy.startswith("default-src &#39;none&#39;") and "unsafe" not in policy
    assert " style=" not in page and not re.search(r"\son\w+=", page)
    assert not re.search(r"https?://", page)


def test_verdicts(receipt: Receipt):
    """One sentence: ready, or what to look at."""
    good = receipt.model_copy(deep=True)
    for check in good.checks:
        check.ok = True
    assert verdict(good).startswith("Ready. All ")
    bad = good.model_copy(deep=True)
    bad.checks[0].ok = False
    assert f"{bad.checks[0].check} of the {bad.checks[0].file.upper()}" in verdict(bad)
    assert verdict(bad).startswith("Look at it: 1 of ")


def test_a_page_named_index(tmp_path: Path):
    """A take called index does not take the place of a title's own page."""
    from fairtake.pages import sheet_name

    assert sheet_name("Index") == "Index.sheet.html" and sheet_name("x") == "x.html"


def with_cut(receipt: Receipt) -> Receipt:
    """The same take, from whose beginning a breath and a page were cut, and a place spared."""
    changed = receipt.model_copy(deep=True)
    trim = next(note for note in changed.stages if note.stage == "trim")
    trim.did["sounds_cut"] = [
        {"sound": "noise", "from_s": 0.5, "to_s": 0.9},
        {"sound": "breath", "from_s": 61.25, "to_s": 61.5},
    ]
    changed.speech.spared = [SparedPlace(from_s=2.0, to_s=2.1, by="pauses")]
    return changed


def test_what_was_cut_is_told_and_can_be_heard(receipt: Receipt):
    """Each sound that was cut off at the ends has its name, its place and a button; so has no other take."""
    page = sheet_page(with_cut(receipt), sketch(4.0), LINKS)
    assert "a noise at 0:00.5" in page and "a breath at 1:01" in page
    assert re.findall(r'class="hear" data-at="([\d.]+)"', page) == ["0.5", "61.25"]
    assert "Cut off at the ends" not in sheet_page(receipt, sketch(4.0), LINKS)


def test_without_the_original_there_is_nothing_to_hear(receipt: Receipt):
    """No button that looks as if it played and is silent."""
    page = sheet_page(with_cut(receipt), sketch(4.0), replace(LINKS, original=None))
    assert "a noise at 0:00.5" in page
    assert 'class="hear"' not in page


def test_places_that_were_spared_are_told(receipt: Receipt):
    """Where a word would have been harmed, the page says that the place was left, and by what."""
    assert "pauses and breaths at 0:02.0" in sheet_page(with_cut(receipt), sketch(4.0), LINKS)
