"""Paths that leave no room for what is made of a take: a real service, on folders as deep as can be."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from fairtake.folders import Root, claims
from fairtake.receipt import REASON_SUFFIX
from roots import (
    FAIRTAKE,
    Served,
    drop,
    files_below,
    is_finished,
    new_root,
    reason_of,
    spoken,
    without_pages,
)

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="how long a path may be is Linux'")
#: What a path may have without its closing zero: limits.h.
MOST_BYTES = 4095


def as_deep_as_can_be(root: Root) -> str:
    """A take in the inbox whose path is as long as the system lets it be."""
    room = MOST_BYTES - len(os.fsencode(root.inbox)) - len("/.arriving")
    folders = []
    while room > 0:
        folders.append("d" * min(room - 1, 170))
        room -= len(folders[-1]) + 1
        if room == 1:  # a slash alone is no folder
            folders[-1], room = folders[-1][:-1], 2
    return "/".join([*folders, "a.wav"])


@pytest.mark.parametrize("elsewhere", ["", "o" * 100])
def test_a_path_without_room_for_a_receipt_is_the_take_s_reason(
    tmp_path: Path, elsewhere: str
) -> None:
    """Found before the work: nothing is placed, the take is whole, the others go on. Where the outbox'
    own path is longer, not even its folder has room."""
    more = {name: str(tmp_path / elsewhere / name) for name in ("outbox", "originals") if elsewhere}
    root = new_root(tmp_path / "root", workers=1, settle_s=0.2, retry_s=0.2, retry_most_s=1, **more)
    deep = as_deep_as_can_be(root)
    long = drop(root, deep, spoken(tmp_path / "a.wav", 2, 2.8))
    good = drop(root, "z.wav", spoken(tmp_path / "z.wav", 2, 2.8, 0.9))
    with Served(root, "--once") as served:
        assert served.process.wait(60) == 1
    assert is_finished(root, "z.wav", good)
    reason = reason_of(root, "a.wav")
    assert reason is not None and reason.code == "path-too-long"
    assert f"{reason.take.title}/{reason.take.name}" == deep
    assert (root.quarantine / "a.wav").read_bytes() == long
    assert len(without_pages(files_below(root.outbox))) == 3 and claims(root) == []


def test_such_a_take_can_be_put_back_without_its_folders(tmp_path: Path) -> None:
    """Requeued it lies in the inbox itself, and is finished."""
    root = new_root(tmp_path / "root", settle_s=0.2)
    data = drop(root, as_deep_as_can_be(root), spoken(tmp_path / "a.wav", 2, 2.8))
    with Served(root, "--once") as served:
        assert served.process.wait(60) == 1
    subprocess.run([*FAIRTAKE, "requeue", str(root.path), "a.wav"], check=True, capture_output=True)
    assert not (root.quarantine / f"a.wav{REASON_SUFFIX}").exists()
    with Served(root, "--once") as served:
        assert served.process.wait(60) == 0
    assert is_finished(root, "a.wav", data)
