"""fairtake.folders: folders that others may write, swapped for links while takes move."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from test_steps import in_child

import hurting
from crashing import FOREIGN, NAME, TAKE, WAYS, Steps, finish_claimed
from fairtake.check import problems
from fairtake.folders import Root, claim, claims, recover, resume, strangers, unclaim
from hurting import Scene
from roots import drop, files_below, sha256

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the children are forks")

#: Each way, and the folders that others may write into which it moves something, or out of which.
HOMES = {
    "finish": ("outbox", "originals"),
    "finish_taken": ("outbox", "originals"),
    "fail": ("quarantine",),
    "put_back": ("inbox",),
    "requeue": ("inbox", "quarantine"),
}


@pytest.mark.parametrize("where", ["one drive", "inbox apart", "other drive"])
@pytest.mark.parametrize(("way", "home"), [(way, home) for way in HOMES for home in HOMES[way]])
def test_a_folder_swapped_for_a_link_at_any_step_leads_nothing_outside(
    way: str, home: str, where: str, ram: Path, model: str, request: pytest.FixtureRequest
) -> None:
    """However the race ends, all stays below the folders of the ROOT, and the take is not lost."""
    assert set(HOMES) == set(WAYS)
    far = request.getfixturevalue("other_drive") if where == "other drive" else None
    inbox = request.getfixturevalue("other_drive") if where == "inbox apart" else None
    in_child(swapping, Scene(way, ram, far, model, inbox=inbox), home, ram / "outside")


def swapping(scene: Scene, home: str, outside: Path) -> None:
    """Swap the title's folder in *home* at every step of the way in turn."""
    steps, swapped = Steps(), 0
    for step in range(1, 2000):
        shutil.rmtree(outside, ignore_errors=True)
        outside.mkdir()
        root = scene.set_out()

        def swap(root: Root = root) -> None:
            with contextlib.suppress(FileNotFoundError):
                os.rename(getattr(root, home) / "Tide", getattr(root, home) / "Was")
                os.symlink(outside, getattr(root, home) / "Tide")

        with contextlib.suppress(OSError), steps.hurting(step, swap):
            scene.walk(root)
        reached = steps.left <= 0
        swapped += (getattr(root, home) / "Tide").is_symlink()
        scene.recover(root)
        moved = [p for p in outside.rglob("*") if p.is_dir() or p.read_bytes() != FOREIGN]
        assert moved == [], f"moved outside at step {step}"
        assert hurting.places_of_the_take(root), f"lost at step {step}"
        assert files_below(root.claims) == [], f"left in a claim at step {step}"
        if not reached:
            assert swapped > 5, f"hardly anything was swapped of {NAME}"
            return
    raise AssertionError("it never ends")


# --- claims that are none of ours -----------------------------------------------------------------

JOB = "18f0a1b2c3d4e5f6-0a1b2c"


def forged(root: Root, name: str = JOB, owner: int = 65534) -> Path:
    """A folder among the claims, made by *owner*, that would have another's original moved."""
    folder = root.claims / name
    folder.mkdir()
    (folder / "claim.json").write_text(json.dumps({"path": "a.wav", "place": "a"}))
    (folder / "take").write_bytes(FOREIGN)
    publish = {"files": [["../../../originals/T/a.wav", "b.wav", sha256(TAKE)]] * 2}
    plan = {**publish, "original": "b.wav", "sha256": sha256(FOREIGN)}
    (folder / "publish.json").write_text(json.dumps(plan))
    if owner:
        for path in (*folder.iterdir(), folder):
            os.chown(path, owner, owner)
    return folder


@pytest.fixture
def another_s(root: Root) -> Path:
    """An original of somebody else's."""
    path = root.originals / "T/a.wav"
    path.parent.mkdir()
    path.write_bytes(TAKE)
    return path


@pytest.mark.parametrize("doubt", ["owner", "name", "link"])
def test_a_claim_is_believed_only_by_owner_and_name(
    root: Root, another_s: Path, doubt: str, tmp_path: Path
) -> None:
    """A mix that was led among the claims is left alone as it is, and told of."""
    if doubt == "owner" and os.geteuid():
        pytest.skip("only root can make another account's folder")
    folder = forged(root, *{"owner": (), "name": ("My.mix", 0), "link": (JOB, 0)}[doubt])
    if doubt == "link":
        folder.rename(tmp_path / "elsewhere")
        folder.symlink_to(tmp_path / "elsewhere")
    before = files_below(folder)
    assert claims(root) == [] and recover(root) == [] and strangers(root) == [folder]
    assert files_below(folder) == before and another_s.read_bytes() == TAKE
    assert any(str(folder) in sentence for _, sentence in problems(root.path))


@pytest.mark.parametrize(
    ("what", "plan"),
    [
        ("publish", {"files": [["../../../originals/T/a.wav", "b.wav", sha256(TAKE)]] * 2}),
        ("publish", {"files": [["a", "../../b.wav", sha256(TAKE)]] * 2}),
        ("publish", {"files": [["a", "/b.wav", sha256(TAKE)]] * 2}),
        ("publish", {"files": [["a", "b.wav", sha256(TAKE)]] * 2, "original": "../c.wav"}),
        ("publish", {"files": []}),
        ("publish", {"files": [["a", "b.wav"]]}),
        ("publish", {"files": 3}),
        ("quarantine", {"path": "../b.wav", "reason": "{}"}),
        ("quarantine", {"path": "/b.wav", "reason": "{}"}),
        ("quarantine", {"path": "", "reason": "{}"}),
        ("quarantine", {"reason": "{}"}),
    ],
)
def test_a_plan_that_leads_outside_is_none(
    root: Root, another_s: Path, model: str, what: str, plan: dict[str, Any]
) -> None:
    """Whoever wrote it: the take is worked on as if nothing had been decided."""
    drop(root, NAME, TAKE)
    claimed = claim(root, NAME)
    assert claimed is not None
    claimed.decide(what, {"original": "b.wav", "sha256": sha256(TAKE)} | plan)
    [found] = recover(root)
    assert not found.is_decided and not resume(root, found)
    finish_claimed(root, found, model)
    assert another_s.read_bytes() == TAKE
    assert {p.parent for p in files_below(root.path) if p.name in ("b.wav", "c.wav")} == set()


@pytest.mark.parametrize("path", ["../a.wav", "/a.wav", "", "a\0.wav"])
def test_a_claim_from_outside_goes_on_under_its_own_name(root: Root, path: str) -> None:
    """As one whose ``claim.json`` was lost: back into the inbox, nowhere else."""
    drop(root, NAME, TAKE)
    claimed = claim(root, NAME)
    assert claimed is not None
    (claimed.folder / "claim.json").write_text(json.dumps({"path": path, "place": path}))
    [found] = recover(root)
    assert unclaim(root, found) == claimed.job
    assert (root.inbox / claimed.job).read_bytes() == TAKE
