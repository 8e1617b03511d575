"""fairtake.serving.status: everything about a ROOT that a person or a health check would ask."""

from __future__ import annotations

import json
import os
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from fairtake.check import problems
from fairtake.commands.status import _status_lines
from fairtake.errors import StateTaken
from fairtake.folders import Root, begin, claim, open_root, quarantine
from fairtake.receipt import RECEIPT_SUFFIX, Reason, TakeFacts
from fairtake.serving.clerk import Clerk
from fairtake.serving.heartbeat import beat
from fairtake.serving.serve import Service
from fairtake.serving.status import LATELY, status
from fairtake.terminal.screen import headline
from fairtake.writers import UNSEEN
from roots import drop, new_root, strict_json

HOSTILE = [
    "<img onerror=alert(1)>.wav", "=cmd|' !A0.wav", "new\nline.wav", "\x1b[31mred.wav",
    "\u202egnp.wav", os.fsdecode(b"\xff\xfe.wav"),
]  # fmt: skip


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


def lives(root: Root, **said: Any) -> None:
    """A word of a living service: this very process."""
    words = {"doing": [], "waiting": {}, "trouble": ""} | said
    beat(root.heartbeat, time.time(), **words)


def test_that_writers_cannot_be_seen_is_told_and_makes_nothing_unhealthy(root: Root) -> None:
    """It says so, and what to do, in the plain lines as well; takes only wait longer."""
    lives(root, writers=UNSEEN.format(60))
    said = status(root)
    assert said["healthy"] and "CAP_LEASE" in said["service"]["writers"]
    assert any("CAP_LEASE" in line for line in _status_lines(said))


def failed(root: Root, name: str) -> None:
    drop(root, name, os.fsencode(name))
    claimed = claim(root, name)
    assert claimed is not None
    facts = TakeFacts(name=claimed.name, title=claimed.title)
    reason = Reason(take=facts, code="silent", message="Silent.", advice="Speak.", made_by={})
    quarantine(root, claimed, reason)


def finished(root: Root, name: str, at: float, *checks: dict[str, Any]) -> None:
    receipt = root.outbox / (name + RECEIPT_SUFFIX)
    take = {"name": f"{name}.wav", "title": "", "sha256": name}
    receipt.write_text(json.dumps({"take": take, "checks": checks}))
    os.utime(receipt, (at, at))


def test_a_state_folder_is_that_of_one_root(tmp_path: Path) -> None:
    """Another that names the same one is told no foreign totals, nor that it lives, and is not served;
    check says so. One that was copied with its state, moved, or asked by another path, is its own."""
    first = new_root(tmp_path / "first", state=str(tmp_path / "state"), settle_s=0.2)
    drop(first, "cut.wav", b"RIFF")
    Service(first, once=True).run()
    lives(first)
    second = new_root(tmp_path / "second", state=str(tmp_path / "state"))
    told = status(second)
    assert told["totals"]["seen"] == 0 and not told["service"]["alive"]
    assert any(str(first.path) in problem for problem in told["problems"])
    assert any(str(first.path) in said for kind, said in problems(second.path) if kind == "bad")
    with pytest.raises(StateTaken):
        Service(second, once=True).run()
    assert status(first)["totals"]["seen"] == 1 and status(first)["service"]["alive"]
    (tmp_path / "link").symlink_to(first.path)
    assert status(open_root(tmp_path / "link"))["totals"]["seen"] == 1
    first.path.rename(tmp_path / "moved")
    assert status(open_root(tmp_path / "moved"))["totals"]["seen"] == 1
    Service(second, once=True).run()  # nobody else has it any more


def test_an_idle_service_on_an_empty_root_is_healthy(root: Root) -> None:
    """Nothing waits, nothing failed, it lives: a health check passes. Issue, part 9."""
    lives(root)
    said = status(root)
    assert said["healthy"] and said["problems"] == []
    assert said["totals"]["seen"] == 0
    assert {place["folder"]: place["trouble"] for place in said["places"]} == {
        "inbox": "", "outbox": "", "originals": "", "quarantine": "", "state": ""
    }  # fmt: skip
    assert all(place["free_bytes"] > 0 for place in said["places"])


def test_waiting_and_work_are_told_in_the_service_s_words(root: Root) -> None:
    """What waits and for what; verb, share and attempts of what is in work. Design: the commands."""
    drop(root, "one.wav", b"x")
    drop(root, "two.wav", b"y")
    claimed = claim(root, "two.wav")
    assert claimed is not None
    begin(claimed)
    doing = [{"job": claimed.job, "take": "two.wav", "verb": "render", "share": 0.5}]
    lives(root, doing=doing, waiting={"one.wav": "arriving"})
    said = status(root)
    assert said["waiting"] == [{"take": "one.wav", "for": "arriving"}]
    assert said["in_work"] == [{"take": "two.wav", "verb": "render", "share": 0.5, "attempts": 1}]
    assert said["healthy"]


def test_a_take_that_is_only_claimed_waits(root: Root) -> None:
    """It left the inbox a moment before its turn; it is in work as soon as the service says so."""
    drop(root, "one.wav", b"x")
    claimed = claim(root, "one.wav")
    assert claimed is not None
    lives(root, waiting={"one.wav": "its turn"})
    assert status(root)["waiting"] == [{"take": "one.wav", "for": "its turn"}]
    assert status(root)["in_work"] == []
    lives(root, doing=[{"job": claimed.job, "take": "one.wav", "verb": "start", "share": 0.0}])
    assert status(root)["waiting"] == []
    assert [take["verb"] for take in status(root)["in_work"]] == ["start"]


def test_without_a_service_takes_wait_for_it(root: Root) -> None:
    """Design: status says whether the service lives."""
    drop(root, "one.wav", b"x")
    said = status(root)
    assert said["waiting"] == [{"take": "one.wav", "for": "the service"}]
    assert not said["healthy"] and said["service"]["state"] == "never-ran"


@pytest.mark.parametrize("ill", ["stopped", "trouble", "quarantine", "folder"])
def test_what_makes_a_health_check_fail(root: Root, ill: str) -> None:
    """One sentence for each thing somebody has to look at. Issue, part 9."""
    lives(root, stopped=ill == "stopped", trouble="There is no room." if ill == "trouble" else "")
    if ill == "quarantine":
        failed(root, "bad.wav")
    if ill == "folder":
        root.outbox.rmdir()
    said = status(root)
    [problem] = said["problems"]
    word = {"stopped": "stopped", "trouble": "no room", "quarantine": "1 in quarantine",
            "folder": "outbox: it is not there"}[ill]  # fmt: skip
    assert not said["healthy"] and word in problem


NESTED = "[" * 200_000


def test_a_reason_that_is_none_hides_no_other(root: Root) -> None:
    """Whatever lies in quarantine under the name of a reason, its own take's apart. Requirement 24."""
    failed(root, "bad.wav")
    failed(root, "dropped.wav.reason.json")
    failed(root, "other.wav")
    (root.quarantine / "other.wav.reason.json").write_text(NESTED)
    (root.quarantine / "nobody.wav.reason.json").write_text(NESTED)
    lives(root)
    said = status(root)
    told = {take["take"]: take["message"] for take in said["quarantined"]}
    spoilt = {"other.wav": "Its reason cannot be read."}
    assert told == {"bad.wav": "Silent.", "dropped.wav.reason_.json": "Silent.", **spoilt}
    assert said["problems"] == ["3 in quarantine."]


@pytest.mark.parametrize(
    ("what", "asked"),
    [
        ("What waits", "scan"), ("What is in work", "_is_begun"),
        ("What lies in quarantine", "quarantined"), ("What was finished", "receipts"),
    ],
)  # fmt: skip
def test_a_list_that_cannot_be_told_is_no_empty_one(
    root: Root, monkeypatch: pytest.MonkeyPatch, what: str, asked: str
) -> None:
    """Whatever keeps it from being told, a bug of ours or a drive: it is not healthy, and it is said
    to programs and to people."""

    def broken(*_: object) -> Any:
        raise ArithmeticError("of no use")

    drop(root, "one.wav", b"x")
    claim(root, "one.wav")
    lives(root)
    monkeypatch.setattr(f"fairtake.serving.status.{asked}", broken)
    said = status(root)
    sentence = f"{what} cannot be told: ArithmeticError: of no use."
    assert not said["healthy"] and sentence in said["problems"]
    assert sentence in _status_lines(said)
    assert headline(said).plain.startswith("Not all can be told")


@pytest.mark.parametrize("text", [NESTED, '{"checks": [1, [2]]}', '{"checks": 7}'])
def test_a_receipt_that_is_none_hides_no_other(root: Root, text: str) -> None:
    finished(root, "one", time.time() - 9)
    finished(root, "two", time.time() - 8)
    (root.outbox / "two.receipt.json").write_text(text)
    lives(root)
    said = status(root)
    assert [take["take"] for take in said["finished_lately"]] == ["two", "one"]


def test_a_receipt_that_goes_meanwhile_is_no_fault(root: Root, monkeypatch: Any) -> None:
    """Its owner takes finished files away while the outbox is looked through."""
    finished(root, "one", time.time())
    lives(root)
    listed = [root.outbox / "gone.receipt.json", root.outbox / "one.receipt.json"]
    monkeypatch.setattr("fairtake.serving.status.receipts", lambda root: iter(listed))
    said = status(root)
    assert said["healthy"] and said["finished"] == 1


def test_the_last_finished_takes_and_what_they_miss(root: Root) -> None:
    """Newest first; a missed check is said and is no illness. Design: done, not failed."""
    for n in range(LATELY + 5):
        finished(root, f"{n:02}", time.time() - 1000 + n)
    good, bad = {"check": "peak", "file": "wav", "ok": True}, {"check": "noise floor", "file": "mp3", "ok": False}  # fmt: skip
    finished(root, "new", time.time() - 7, good, bad)
    lives(root)
    said = status(root)
    assert said["finished"] == LATELY + 6 and len(said["finished_lately"]) == LATELY
    first, second = said["finished_lately"][:2]
    assert first["take"] == "new" and first["missed_checks"] == ["noise floor of the mp3"]
    assert second["take"] == f"{LATELY + 4:02}" and second["missed_checks"] == []
    assert first["ago_s"] in range(7, 60) and said["healthy"]


def test_the_totals_balance_with_a_ledger_and_without(root: Root) -> None:
    """seen = published + quarantined + pending; a lost ledger is made up for. Requirement 25."""
    drop(root, "one.wav", b"x")
    failed(root, "bad.wav")
    finished(root, "done", time.time())
    expected = {"seen": 3, "published": 1, "quarantined": 1, "pending": 1}
    without = status(root)["totals"]
    assert without == {"from": "folders", **expected, "duplicates": None}
    clerk = Clerk(root)
    clerk.start()
    clerk.end()
    assert status(root)["totals"] == {"from": "ledger", **expected, "duplicates": 0}
    root.ledger.write_bytes(b"spoilt" * 1000)
    assert status(root)["totals"] == without


def test_hostile_names_are_valid_json_and_come_back(root: Root) -> None:
    """Programs read every name as it is, in plain ASCII. Requirement 23."""
    for name in HOSTILE:
        drop(root, name, b"x")
        failed(root, f"T/{name}")
    text = json.dumps(status(root), allow_nan=False)
    said = strict_json(text)
    assert text.isascii() and text.isprintable()
    assert {take["take"] for take in said["waiting"]} == set(HOSTILE)
    assert len(said["quarantined"]) == len(HOSTILE)


def test_a_drive_that_keeps_silent_holds_up_no_answer(root: Root, monkeypatch: Any) -> None:
    """status answers with what the service last said. Requirement 4: a hung share."""
    monkeypatch.setattr("fairtake.serving.status.PATIENCE_S", 0.3)
    there = threading.Event()
    monkeypatch.setattr("fairtake.serving.status.claims", lambda root: there.wait(60))
    lives(root, doing=[{"job": "job", "take": "one.wav", "verb": "render", "share": 0.5}])
    [job] = status(root)["in_work"]
    assert (job["take"], job["verb"], job["share"]) == ("one.wav", "render", 0.5)
    there.set()


def test_a_root_whose_folders_are_all_gone_is_told_as_such(root: Root) -> None:
    """status answers, whatever is missing. Requirement 3: the state says the share is offline."""
    for folder in root.folders:
        if folder.is_dir() and folder.parent == root.path:
            folder.rmdir()
    said = status(open_root(root.path))
    assert not said["healthy"] and said["finished"] == 0
    assert sum("it is not there" in problem for problem in said["problems"]) == 4
