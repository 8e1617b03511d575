"""fairtake.redraw: a take's page once more."""

from __future__ import annotations

import functools
import json
import operator
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from fairtake.cli import main
from fairtake.errors import ReceiptInvalid
from fairtake.redraw import redraw
from fairtake.serving.serve import Service
from roots import new_root

BELL = (
    Path(__file__).parent.parent / "samples" / "Nine Lamps at Orrowmere" / "01 The Harbour Bell.wav"
)


@pytest.fixture
def receipt(tmp_path: Path) -> Path:
    """The receipt of a take that the service finished, with its page."""
    root = new_root(tmp_path / "root", settle_s=0.2, scan_s=0.5, default_profile="speech")
    (root.inbox / "Book").mkdir()
    shutil.copy(BELL, root.inbox / "Book" / "a.wav")
    Service(root, once=True).run()
    return root.outbox / "Book" / "a.receipt.json"


def test_the_same_page_again(receipt: Path):
    """Heard and planned again, the page is the one that mastering made, to a unit of its pictures."""
    page = receipt.with_name("a.html")
    first = page.read_text("utf-8")
    page.unlink()
    made, written = redraw(receipt)
    assert written and made == page
    again = page.read_text("utf-8")
    numbers = re.compile(r"\d+")
    assert numbers.sub("0", again) == numbers.sub("0", first)
    differing = sum(
        a != b for a, b in zip(numbers.findall(first), numbers.findall(again), strict=True)
    )
    assert differing < 0.02 * len(numbers.findall(first))


def test_the_page_of_a_mix_again(tmp_path: Path):
    """Voices are finished and laid once more: the same layers, the same ducking, and peaks limited at
    the same places."""
    root = new_root(tmp_path / "root", settle_s=0.2, scan_s=0.5)
    shutil.copytree(BELL.parent.parent / "Trailer", root.inbox / "Trailer")
    Service(root, once=True).run()
    receipt = root.outbox / "Trailer" / "Orrowmere Calls.receipt.json"
    page = receipt.with_name("Orrowmere Calls.html")
    first = page.read_text("utf-8")
    page.unlink()
    assert redraw(receipt) == (page, True)
    again = page.read_text("utf-8")
    for name in ("Voice", "Bed", "Single sounds", "The mix", "duck"):
        drawn = [re.search(rf">{name}.*?</svg>", text, re.DOTALL) for text in (first, again)]
        assert all(drawn), name
        paths = [re.findall(r' d="([^"]*)"', found.group()) for found in drawn if found]
        assert paths[0] == paths[1] and any(paths[0]), name
    assert all(len(re.findall(r"limit <small>gain", text)) == 1 for text in (first, again))
    limited = [re.search(r">Peaks limited.*?</svg>", text, re.DOTALL) for text in (first, again)]
    spans = [found.group().count("M") for found in limited if found]
    assert len(spans) == 2 and spans[0] == spans[1] > 0


def test_without_the_original_half_of_it(receipt: Path):
    """Where the original is gone, the finished file is still drawn."""
    shutil.rmtree(receipt.parents[2] / "originals")
    page, written = redraw(receipt)
    text = page.read_text("utf-8")
    assert written and "<svg" in text and 'id="original"' not in text
    assert "nowhere" not in text and "Peaks limited" not in text and "--original" in text


def test_another_recording_is_refused(receipt: Path, tmp_path: Path):
    """Only the recording itself is drawn as what it was before."""
    other = tmp_path / "other.wav"
    other.write_bytes(BELL.read_bytes()[:-2] + b"xx")
    with pytest.raises(ReceiptInvalid):
        redraw(receipt, other)


def test_on_the_command_line(receipt: Path, tmp_path: Path):
    """`fairtake sheet` says where it wrote; what is no receipt, or no page of ours, ends with 1."""
    run = CliRunner()
    said = run.invoke(main, ["sheet", str(receipt)])
    assert said.exit_code == 0 and "a.html" in said.output
    receipt.with_name("a.html").write_text("a page of my own")
    said = run.invoke(main, ["sheet", str(receipt)])
    assert said.exit_code == 1 and "no page of ours" in said.output
    assert receipt.with_name("a.html").read_text() == "a page of my own"
    bad = tmp_path / "b.receipt.json"
    bad.write_text("{}")
    said = run.invoke(main, ["sheet", str(bad)])
    assert said.exit_code == 1 and "no receipt" in said.output


#: What may be damaged in a receipt, and with what, so that its form is still that of a receipt.
DAMAGED = [
    (("profile", "settings"), {}),
    (("profile", "settings", "normalise"), "x"),
    (("profile", "settings", "limit"), None),
    (("stages", 0, "did"), {"seconds": "x", "greatest_db": []}),
    (("stages", 1, "did", "lowest_pitch_hz"), 10**400),
    (("made_by", "encoder"), "\ud800"),
    (("outputs", "wav", "file"), "a\0b"),
    (("outputs", "mp3", "file"), "\ud800"),
    (("take", "name"), "\ud800/../"),
]


def test_a_damaged_receipt_is_told_and_the_next_is_drawn(receipt: Path):
    """In one sentence each, whatever is damaged in it. Design: errors for people."""
    whole = receipt.read_text()
    for path, value in DAMAGED:
        known = json.loads(whole)
        *way, last = path
        functools.reduce(operator.getitem, way, known)[last] = value
        damaged = receipt.with_name("damaged.receipt.json")
        damaged.write_text(json.dumps(known))
        original = receipt.parents[2] / "originals/Book/a.wav"
        for options in ([], ["--original", str(original)]):
            said = CliRunner().invoke(main, ["sheet", str(damaged), *options])
            assert isinstance(said.exception, SystemExit | None), (path, said.exception)
            assert said.exit_code == 0 or said.output.startswith("damaged.receipt.json"), path
    said = CliRunner().invoke(main, ["sheet", str(damaged), str(receipt)])
    assert f"wrote {receipt.with_name('a.html')}" in said.output
