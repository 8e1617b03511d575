"""The service's pages: kept current, and never in the way of a take."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from fairtake.folders import Root
from fairtake.serving.pages import Pages
from fairtake.serving.serve import Service
from roots import Served, drop, is_finished, new_root, until

BELL = Path(__file__).parents[2] / "samples" / "Nine Lamps at Orrowmere" / "01 The Harbour Bell.wav"


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root", settle_s=0.2, scan_s=0.5)


def test_pages_of_a_night(root: Root):
    """After a night there is a page for each take, one for its title with figures, and the index."""
    drop(root, "Book/a.wav", BELL.read_bytes())
    drop(root, "b.wav", b"no sound" * 100)
    Service(root, once=True).run()
    made = {p.relative_to(root.outbox).as_posix() for p in root.outbox.rglob("*.html")}
    assert made == {"index.html", "Book/index.html", "Book/a.html"}
    assert "a.wav" in (root.outbox / "Book" / "figures.csv").read_text("utf-8")
    index = (root.outbox / "index.html").read_text("utf-8")
    assert "1 in quarantine" in index and "b.wav" in index and 'data-ended="yes"' in index


def test_pages_that_cannot_be_written_hold_back_no_take(root: Root):
    """Where every page's name is taken by somebody else, takes are finished all the same."""
    for name in ("index.html", "Book/a.html", "Book/index.html", "Book/figures.csv"):
        path = root.outbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("somebody else's")
    data = drop(root, "Book/a.wav", BELL.read_bytes())
    service = Service(root, once=True)
    service.run()
    assert is_finished(root, "Book/a.wav", data)
    for path in root.outbox.rglob("*.html"):
        assert path.read_text() == "somebody else's"
    assert (root.outbox / "Book" / "figures.csv").read_text() == "somebody else's"


def test_a_broken_sketch_is_no_crash(root: Root, monkeypatch: pytest.MonkeyPatch):
    """A fault in drawing is said, and the next page is drawn."""
    import fairtake.serving.pages as module

    said = []
    monkeypatch.setattr(module, "event", lambda kind, *_, why="": said.append(why))

    def broken(*_: object) -> str:
        raise ZeroDivisionError("a picture")

    with monkeypatch.context() as patch:
        patch.setattr(module, "sheet_page", broken)
        drop(root, "a.wav", BELL.read_bytes())
        Service(root, once=True).run()
    assert any("ZeroDivisionError" in why for why in said)
    assert not (root.outbox / "a.html").exists()
    drop(root, "b.wav", BELL.read_bytes() + b"\0")
    Service(root, once=True).run()
    assert (root.outbox / "b.html").exists()
    assert "b.wav" in (root.outbox / "index.html").read_text("utf-8")


def test_index_while_the_service_lives(root: Root):
    """While it serves, what waits stands on the page, and so does what was finished."""
    page = root.outbox / "index.html"
    with Served(root):
        until(page.exists)
        assert 'data-ended=""' in page.read_text("utf-8")
        drop(root, "a.wav", BELL.read_bytes())
        until(lambda: "a.html" in page.read_text("utf-8"))


def test_an_outbox_from_before_gets_its_pages(root: Root):
    """Takes that were finished before there were pages are on the index from the first start on."""
    drop(root, "Book/a.wav", BELL.read_bytes())
    Service(root, once=True).run()
    for page in root.outbox.rglob("*.html"):
        page.unlink()
    Service(root, once=True).run()
    assert (root.outbox / "Book" / "index.html").exists()
    assert "a.wav" in (root.outbox / "index.html").read_text("utf-8")


@pytest.mark.parametrize(
    ("change", "to"),
    [
        (("checks", 0), {"check": "x", "file": 3, "ok": False}), (("checks", 0), 7),
        (("outputs", "wav", "duration_s"), 10**400), (("after", "wav", "noise_floor_dbfs"), "low"),
        (("after", "wav", "head_s"), float("nan")), (("after", "wav"), None), (("take",), [1]),
    ],
    ids=["file of a check", "check", "large", "text", "not finite", "nothing", "list"],
)  # fmt: skip
def test_no_odd_receipt_or_reason_ends_the_pages(
    root: Root, change: tuple[Any, ...], to: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Anybody may write one: the pages of all others are kept, and no fault is said."""
    import fairtake.serving.pages as module

    drop(root, "T/a.wav", BELL.read_bytes())
    Service(root, once=True).run()
    (root.outbox / "index.html").unlink()
    spoilt = known = json.loads((root.outbox / "T/a.receipt.json").read_text())
    for step in change[:-1]:
        spoilt = spoilt[step]
    spoilt[change[-1]] = to
    (root.outbox / "T/odd.receipt.json").write_text(json.dumps(known))
    (root.quarantine / "odd.wav").write_bytes(b"x")
    (root.quarantine / "odd.wav.reason.json").write_text('{"take": [1], "message": {}, "code": 7}')
    said: list[str] = []
    monkeypatch.setattr(module, "event", lambda kind, *_, why="": said.append(why))
    pages = Pages(root)
    pages.start()
    pages.end()
    text = (root.outbox / "index.html").read_text("utf-8")
    assert not said and "a.wav" in text and "odd.wav" in text


def test_an_outbox_that_is_gone_is_said_once_and_forgets_nothing(
    root: Root, monkeypatch: pytest.MonkeyPatch
):
    """Pages are no reason to fill the log while a drive is away, nor to call it empty when it is back."""
    import fairtake.serving.pages as module

    drop(root, "Book/a.wav", BELL.read_bytes())
    Service(root, once=True).run()
    said = []
    monkeypatch.setattr(module, "event", lambda kind, *_, why="": said.append(why))
    away = root.path / "away"
    root.outbox.rename(away)
    pages = Pages(root)
    pages.start()
    try:
        until(lambda: said)
        time.sleep(2.5)
        assert len(said) == 1 and "outbox" in said[0]
        (away / "index.html").unlink()
        away.rename(root.outbox)
        until(lambda: (root.outbox / "index.html").exists())
        assert "a.wav" in (root.outbox / "index.html").read_text("utf-8")
    finally:
        pages.end()
