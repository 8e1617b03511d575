"""The pages in a real browser, opened from the folders that the real service filled."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from fairtake.folders import Root
from fairtake.serving.serve import Service
from pages.browsing import Browser, browser, needs_browser
from roots import new_root, until

pytestmark = needs_browser

SAMPLES = Path(__file__).parents[2] / "samples" / "Nine Lamps at Orrowmere"
TITLE = "Nine Lamps at Orrowmere"
BELL, SALT = "01 The Harbour Bell.wav", "02 A Letter in Salt.flac"
PAGED = "Paged.wav"
#: All that a file name can hold of what a page could take for its own.
HOSTILE = """x"'><img src=x onerror=window.evil=1><b>&amp;{{7*7}}.wav"""


def with_a_page_turned(path: Path) -> np.ndarray:
    """A take that begins with two rustles, a second and more before its first word."""
    samples, rate_hz = soundfile.read(path)
    assert rate_hz == 44_100
    rng = np.random.default_rng(3)
    before = rng.normal(0, 3e-4, int(3.0 * rate_hz))
    for at_s in (0.8, 1.1):
        rustle = rng.normal(0, 0.03, int(0.18 * rate_hz)) * np.hanning(int(0.18 * rate_hz))
        before[int(at_s * rate_hz) :][: len(rustle)] += rustle
    return np.concatenate([before, samples])


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Root:
    """A ROOT after a night: two chapters, a take with a hostile name, and one in quarantine."""
    root = new_root(tmp_path_factory.mktemp("night") / "root", settle_s=0.2, scan_s=0.5)
    folder = root.inbox / TITLE
    folder.mkdir()
    shutil.copy(SAMPLES / BELL, folder)
    shutil.copy(SAMPLES / SALT, folder)
    shutil.copy(SAMPLES / BELL, root.inbox / HOSTILE)
    shutil.copytree(SAMPLES.parent / "Trailer", root.inbox / "Trailer")
    soundfile.write(root.inbox / PAGED, with_a_page_turned(SAMPLES / BELL), 44_100, "PCM_24")
    (root.inbox / "<i>broken.wav").write_bytes(b"no sound at all, only words" * 50)
    Service(root, once=True).run()
    return root


@pytest.fixture(scope="module")
def window() -> Iterator[Browser]:
    with browser() as opened:
        yield opened


def sheet(root: Root, name: str = BELL) -> Path:
    return root.outbox / TITLE / f"{Path(name).stem}.html"


def hostile_sheet(root: Root) -> Path:
    known = ("index.html", f"{Path(PAGED).stem}.html")
    (page,) = [p for p in root.outbox.glob("*.html") if p.name not in known]
    return page


def pages(root: Root) -> dict[str, Path]:
    return {
        "sheet": sheet(root),
        "title": root.outbox / TITLE / "index.html",
        "index": root.outbox / "index.html",
        "hostile": hostile_sheet(root),
        "mix": root.outbox / "Trailer" / "Orrowmere Calls.html",
    }


def player(window: Browser) -> dict[str, Any]:
    """How the two players stand."""
    return window.run(
        "const of = (p) => ({at: p.currentTime, paused: p.paused, muted: p.muted, volume: p.volume,"
        " ready: p.readyState});"
        "return {finished: of(finished), original: of(original), begins: Number(document"
        ".getElementById('player').dataset.begins)};"
    )


#: Changes over where both run in step, and says where the silent one was before and behind it.
CHANGE = (
    "const begins = Number(document.getElementById('player').dataset.begins);"
    "if (Math.abs(original.currentTime - finished.currentTime - begins) >= arguments[1]) return null;"
    "const silent = arguments[0] === 'finished' ? finished : original, before = silent.currentTime;"
    "which.click(); return [before, silent.currentTime];"
)


def ready(window: Browser) -> None:
    until(lambda: all(player(window)[name]["ready"] >= 3 for name in ("finished", "original")))


@pytest.mark.parametrize("name", ["sheet", "title", "index", "hostile", "mix"])
def test_pages_ask_for_nothing_and_complain_of_nothing(root: Root, window: Browser, name: str):
    """A page opens from its folder without a complaint, and asks for nothing but its own files."""
    window.requests(), window.complaints()
    window.open(pages(root)[name])
    time.sleep(0.5)
    assert window.complaints() == []
    outside = [url for url in window.requests() if not url.startswith(("file:", "data:"))]
    assert outside == []
    assert window.run("return document.title")


@pytest.mark.parametrize("name", ["sheet", "title", "index", "hostile", "mix"])
@pytest.mark.parametrize(("scheme", "width"), [("light", 1200), ("dark", 1200), ("light", 380)])
def test_accessible(root: Root, window: Browser, name: str, scheme: str, width: int):
    """axe-core finds nothing serious, in light and dark, on a desk and on a phone; and on a phone
    nothing but tables is wider than the screen."""
    window.look(scheme, width)
    window.open(pages(root)[name])
    assert window.violations() == []
    assert window.run("return document.documentElement.scrollWidth") <= width
    window.look("light", 1200)


def test_player_plays_in_step_and_changes_without_a_gap(root: Root, window: Browser):
    """Both files run at once, the finished one where the cut says; a change only moves the mute."""
    window.open(sheet(root))
    ready(window)
    window.find("#play").click()
    until(lambda: player(window)["finished"]["at"] > 0.8)
    drift_s = 0.03  # further apart than this, and the silent one is moved to the other
    for heard, silent in (("finished", "original"), ("original", "finished")):
        until(lambda: abs(_apart(window)) < drift_s)
        now = player(window)
        assert not now[heard]["muted"] and now[silent]["muted"]
        assert not now[heard]["paused"] and not now[silent]["paused"]
        before, after = changed_over(window, silent, drift_s)
        assert after >= before  # it ran on, and was not started anew
    assert window.find("#which").get_attribute("aria-pressed") == "false"
    window.find("#play").click()
    assert player(window)["finished"]["paused"] and player(window)["original"]["paused"]


def changed_over(window: Browser, silent: str, drift_s: float) -> list[float]:
    """Where the silent one was before and behind a change, in one breath: between two readings it may be
    moved to the other."""
    found: list[list[float] | None] = [None]

    def changed() -> bool:
        found[0] = window.run(CHANGE, silent, drift_s)
        return found[0] is not None

    until(changed)
    assert found[0] is not None
    return found[0]


def _apart(window: Browser) -> float:
    now = player(window)
    return float(now["original"]["at"] - now["finished"]["at"] - now["begins"])


def test_the_louder_one_is_turned_down(root: Root, window: Browser):
    """Loudness is matched by the receipt's figures, by turning down alone; on request it is not."""
    from fairtake.redraw import read_receipt

    receipt = read_receipt(root.outbox / TITLE / f"{Path(BELL).stem}.receipt.json")
    apart_db = receipt.after.wav.loudness_lufs - receipt.before.loudness_lufs
    assert apart_db > 1
    window.open(sheet(root))
    now = player(window)
    assert now["original"]["volume"] == 1
    assert 20 * np.log10(now["finished"]["volume"]) == pytest.approx(-apart_db, abs=0.1)
    window.find("#equal").click()
    assert player(window)["finished"]["volume"] == 1


def test_what_was_cut_off_is_heard_at_a_press(root: Root, window: Browser):
    """The button beside a cut sound plays the original, from shortly before where the sound lies."""
    window.open(root.outbox / f"{Path(PAGED).stem}.html")
    ready(window)
    button = window.find("button.hear")
    at_s = float(button.get_attribute("data-at"))
    assert at_s == pytest.approx(0.9, abs=0.25)
    button.click()
    until(lambda: player(window)["original"]["at"] > at_s)
    now = player(window)
    assert not now["original"]["muted"] and not now["original"]["paused"]
    assert now["original"]["at"] < at_s + 1.0


def test_a_click_into_a_picture_and_the_keys_seek(root: Root, window: Browser):
    """A click in the middle goes to the middle of the time axis; arrows go 5 s; space plays and stops."""
    from selenium.webdriver import ActionChains, Keys

    window.open(sheet(root, SALT))
    ready(window)
    axis = window.run(
        "const d = document.getElementById('player').dataset; return [d.axisBegin, d.axisEnd]"
    )
    middle_s = (float(axis[0]) + float(axis[1])) / 2
    assert middle_s == pytest.approx(soundfile.info(SAMPLES / SALT).duration / 2, abs=1.0)
    ActionChains(window.driver).move_to_element(window.find(".chart.level .plot")).click().perform()
    until(lambda: abs(player(window)["original"]["at"] - middle_s) < 0.3)
    assert abs(_apart(window)) < 0.06
    body = window.find("body")
    body.send_keys(Keys.ARROW_LEFT)
    until(lambda: abs(player(window)["original"]["at"] - (middle_s - 5)) < 0.3)
    body.send_keys(Keys.SPACE)
    until(lambda: not player(window)["finished"]["paused"])
    body.send_keys("o")
    assert not player(window)["original"]["muted"]
    body.send_keys(Keys.SPACE)
    assert player(window)["original"]["paused"]


def test_all_controls_are_reached_by_keyboard(root: Root, window: Browser):
    """Tab goes through links, buttons and the box; Enter on the button plays."""
    from selenium.webdriver import Keys

    window.open(sheet(root))
    ready(window)
    seen = []
    for _ in range(9):
        window.driver.switch_to.active_element.send_keys(Keys.TAB)
        seen.append(
            window.run("return document.activeElement.id || document.activeElement.tagName")
        )
    assert [name for name in seen if name in ("play", "which", "equal")] == [
        "play",
        "which",
        "equal",
    ]
    window.run("document.getElementById('play').focus()")
    window.driver.switch_to.active_element.send_keys(Keys.ENTER)
    until(lambda: not player(window)["finished"]["paused"])


def shown_names(window: Browser) -> list[str]:
    return window.run(
        "return [...document.querySelectorAll('#list tbody tr')].filter((r) => !r.hidden)"
        ".map((r) => r.dataset.name)"
    )


def test_index_filters_sorts_and_remembers(root: Root, window: Browser):
    """Words and state filter, a column's head sorts both ways, and a reload forgets nothing."""
    from selenium.webdriver.support.ui import Select

    window.open(root.outbox / "index.html")
    assert sorted(shown_names(window)) == sorted(
        [BELL, SALT, HOSTILE, PAGED, "<i>broken.wav", "Orrowmere Calls.mix"]
    )
    window.find("#words").send_keys("lamps")
    assert sorted(shown_names(window)) == [BELL, SALT]
    head = window.find("[data-key='length']")
    head.click()
    assert shown_names(window) == [BELL, SALT]
    head.click()
    assert shown_names(window) == [SALT, BELL]
    assert window.run("return arguments[0].closest('th').ariaSort", head) == "descending"
    window.driver.refresh()
    assert shown_names(window) == [SALT, BELL]
    window.run(
        "const w = document.getElementById('words'); w.value = ''; w.dispatchEvent(new Event('input'))"
    )
    Select(window.find("#state")).select_by_visible_text("in quarantine")
    assert shown_names(window) == ["<i>broken.wav"]


def test_index_says_when_nobody_is_there(root: Root, window: Browser):
    """After the service was stopped the page says so, and an old page of a service that died says that."""
    window.open(root.outbox / "index.html")
    assert "stopped in good order" in window.find("#life").text
    old = root.path / "old.html"
    text = (root.outbox / "index.html").read_text("utf-8")
    told = text.split('data-at="')[1].split('"')[0]
    old.write_text(text.replace(f'data-at="{told}"', f'data-at="{int(told) - 7200}"').replace('data-ended="yes"', 'data-ended=""'), "utf-8")  # fmt: skip
    window.open(old)
    assert "has not been heard from for 2 h" in window.find("#life").text


def test_hostile_names_stay_text(root: Root, window: Browser):
    """Whatever a file is called, it is a word on the page and nothing else."""
    for page in (hostile_sheet(root), root.outbox / "index.html"):
        window.open(page)
        time.sleep(0.3)
        assert window.run("return window.evil") is None
        assert window.run("return document.querySelectorAll('img, b, i, table script').length") == 0
        assert "onerror=window.evil=1" in window.run("return document.body.textContent")
        assert "{{7*7}}" in window.run("return document.body.textContent")


def test_links_lead_to_the_files(root: Root, window: Browser):
    """Every link of the pages leads to something that is there."""
    for page in pages(root).values():
        window.open(page)
        for to in window.run("return [...document.links].map((a) => a.href)"):
            path = Path(_path(to))
            assert path.exists(), to


def _path(address: str) -> str:
    from urllib.parse import unquote, urlsplit

    return unquote(urlsplit(address).path)
