"""fairtake.serving.shelf: takes that wait for a quarantine that cannot be written."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest

from fairtake.folders import Claim, Root, claim, claims
from fairtake.serving.heartbeat import last_beat
from fairtake.serving.shelf import Shelf
from roots import Served, drop, new_root, reason_of, until

FIRST_S, MOST_S = 0.2, 0.5


@pytest.fixture
def claimed(tmp_path: Path) -> list[Claim]:
    """Three takes in their claims."""
    root = new_root(tmp_path / "root")
    taken = []
    for name in ("a.wav", "b.wav", "c.wav"):
        drop(root, name, name.encode())
        taken.append(claim(root, name))
    return [one for one in taken if one]


def shelf_with(claimed: list[Claim]) -> Shelf:
    shelf = Shelf(FIRST_S, MOST_S)
    for one in claimed:
        shelf.put(one, "It is full.")
    return shelf


def test_a_take_waits_before_it_is_tried_again(claimed: list[Claim]) -> None:
    """Not earlier than it was said, and all that lies there is known meanwhile."""
    shelf = shelf_with(claimed)
    assert shelf.take_down() == [] and shelf.claims == claimed
    assert shelf.trouble == "It is full."
    time.sleep(FIRST_S)
    assert shelf.take_down() == claimed[:1]


def test_one_take_tries_the_way_for_all(claimed: list[Claim]) -> None:
    """While the way is not free they are tried one at a time, each in its turn."""
    shelf = Shelf(FIRST_S, FIRST_S)
    wait_s = max(shelf.put(one, "It is full.") for one in claimed)
    for one in [*claimed, claimed[0]]:
        time.sleep(wait_s)
        assert shelf.take_down() == [one]
        wait_s = shelf.put(one, "It is full.")
        assert shelf.take_down() == []


def test_the_wait_doubles_up_to_its_most(claimed: list[Claim]) -> None:
    """Each failure in a row lengthens it; takes that fail together count once."""
    shelf = Shelf(FIRST_S, MOST_S)
    waits = []
    for _ in range(4):
        waits.append(shelf.put(claimed[0], "It is full."))
        assert shelf.put(claimed[1], "It is full.") <= waits[-1]
        time.sleep(waits[-1])
    assert waits == pytest.approx([FIRST_S, 2 * FIRST_S, MOST_S, MOST_S])
    assert shelf.tries == 4


def test_when_the_way_is_free_all_go_at_once(claimed: list[Claim]) -> None:
    """No wait is left, no trouble is said, and the next one begins with the first wait."""
    shelf = shelf_with(claimed)
    shelf.quarantined()
    assert (shelf.trouble, shelf.tries) == ("", 0)
    assert shelf.take_down() == claimed and shelf.take_down() == []
    assert shelf.put(claimed[0], "It is full.") == pytest.approx(FIRST_S)


def test_with_room_again_every_take_comes_to_its_place(tmp_path: Path) -> None:
    """Until then they lie in their claims, and the heartbeat says why."""
    root = new_root(tmp_path / "root", retry_s=0.2, retry_most_s=1, settle_s=0.2, workers=1)
    small = ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", str(root.quarantine)]
    if subprocess.run(small, capture_output=True).returncode:
        pytest.skip("this account may not mount a drive")
    try:
        takes = {f"{n}.wav": drop(root, f"{n}.wav", b"no sound %d\n" % n * 5000) for n in range(2)}
        with Served(root) as served:
            until(lambda: served.log.count("waiting") >= 4)
            assert {c.take.read_bytes() for c in claims_of(root)} == set(takes.values())
            assert "no space" in until(lambda: said_trouble(root)).lower()
            make_room = ["mount", "-o", "remount,size=1m", str(root.quarantine)]
            subprocess.run(make_room, check=True)
            until(lambda: all(reason_of(root, name) for name in takes))
            until(lambda: claims_of(root) == [])
        assert {name: (root.quarantine / name).read_bytes() for name in takes} == takes
    finally:
        subprocess.run(["umount", "-l", root.quarantine], check=True)


def claims_of(root: Root) -> list[Claim]:
    return list(claims(root))


def said_trouble(root: Root) -> str:
    beat = last_beat(root.heartbeat)
    return beat["trouble"] if beat else ""
