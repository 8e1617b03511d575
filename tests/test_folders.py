"""fairtake.folders: a take's way through the folders, and death at every step of it."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import tomli_w

import crashing
from crashing import DIED, FOREIGN, NAME, TAKE, WAYS, finish_claimed, reason
from fairtake import folders
from fairtake.errors import NotARoot
from fairtake.folders import (
    Root,
    claim,
    drop_duplicate,
    open_root,
    quarantine,
    quarantined,
    recover,
    requeue,
    unclaim,
)
from fairtake.master import Job, finish
from fairtake.profile import Profile
from fairtake.receipt import RECEIPT_SUFFIX
from fairtake.serving.scan import scan
from roots import drop, files_below, new_root, sha256, spoken


@pytest.fixture(scope="session")
def model(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A real receipt of a real, short take."""
    folder = tmp_path_factory.mktemp("model")
    take = folder / "take.wav"
    spoken(take)
    return finish(Job(take, take.name, "take", "custom", Profile()), folder).receipt.to_json()


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


@pytest.fixture
def ram(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: syncing to it costs nothing."""
    shm = Path("/dev/shm")
    if not shm.is_dir():
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=shm) as folder:
        yield Path(folder)


@pytest.fixture
def other_drive(tmp_path: Path, ram: Path) -> Path:
    """A folder on another file system than `ram`."""
    if tmp_path.stat().st_dev == ram.stat().st_dev:
        pytest.skip("there is no second file system at /dev/shm")
    return tmp_path / "far"


def finish_one(root: Root, name: str, data: bytes, model: str) -> str:
    """Finish `inbox/NAME` with made-up sound; the stem it got."""
    claimed = claim(root, name)
    assert claimed is not None and claimed.take.read_bytes() == data
    scratch = folders.scratch_of(root, claimed)
    wav, mp3 = scratch / "finished.wav", scratch / "finished.mp3"
    wav.write_bytes(b"wav of " + data)
    mp3.write_bytes(b"mp3 of " + data)
    receipt = crashing.receipt(model, 1)
    receipt.take.sha256 = sha256(data)
    return folders.publish(root, claimed, wav, mp3, receipt)


# --- one way at a time -------------------------------------------------------------------------


def test_a_finished_take_stands_where_the_folders_promise(root: Root, model: str) -> None:
    """Outputs and original mirror the inbox, byte for byte. Design: the folders of a ROOT."""
    data = drop(root, "Tide/Part 1/one.wav", b"raw")
    assert finish_one(root, "Tide/Part 1/one.wav", data, model) == "one"
    folder = root.outbox / "Tide/Part 1"
    assert {p.name for p in folder.iterdir()} == {"one.wav", "one.mp3", "one.receipt.json"}
    assert (folder / "one.wav").read_bytes() == b"wav of raw"
    assert (root.originals / "Tide/Part 1/one.wav").read_bytes() == b"raw"
    said = json.loads((folder / "one.receipt.json").read_text())
    assert (said["outputs"]["wav"]["file"], said["outputs"]["mp3"]["file"]) == (
        "one.wav",
        "one.mp3",
    )
    assert files_below(root.inbox, root.claims, root.scratch) == []


def test_nothing_is_overwritten(root: Root, model: str) -> None:
    """Other takes of the same name get ~2, ~3. Requirement 14: nothing is overwritten."""
    for number, stem in enumerate(("one", "one~2", "one~3")):
        data = drop(root, "one.wav", b"raw %d" % number)
        assert finish_one(root, "one.wav", data, model) == stem
    for number, stem in enumerate(("one", "one~2", "one~3")):
        assert (root.outbox / f"{stem}.mp3").read_bytes() == b"mp3 of raw %d" % number
        assert (root.originals / f"{stem}.wav").read_bytes() == b"raw %d" % number


def test_the_same_name_in_another_format_is_another_take(root: Root, model: str) -> None:
    """one.wav and one.flac share no output and keep both originals. Requirement 14."""
    assert finish_one(root, "one.wav", drop(root, "one.wav", b"a"), model) == "one"
    assert finish_one(root, "one.flac", drop(root, "one.flac", b"b"), model) == "one~2"
    assert (root.originals / "one~2.flac").read_bytes() == b"b"


def test_a_claimed_take_keeps_its_stem_for_itself(root: Root) -> None:
    """Two takes in work at once never aim at one name. Requirement 14."""
    drop(root, "one.wav", b"a")
    drop(root, "one.flac", b"b")
    first, second = claim(root, "one.wav"), claim(root, "one.flac")
    assert first is not None and second is not None
    assert (first.stem, second.stem) == ("one", "one~2")


def test_a_take_that_is_gone_is_not_claimed(root: Root) -> None:
    """Whoever loses the race for a take gets nothing and leaves nothing. Requirement 9."""
    assert claim(root, "one.wav") is None
    assert list(root.claims.iterdir()) == []


def test_a_claim_that_fails_leaves_no_promise(root: Root, monkeypatch: pytest.MonkeyPatch) -> None:
    """A refused rename leaves no claim, so the next try gets the same name. Requirement 12."""
    drop(root, "one.wav", b"a")
    with monkeypatch.context() as patched:
        patched.setattr(os, "rename", _refuse)
        with pytest.raises(PermissionError):
            claim(root, "one.wav")
    assert list(root.claims.iterdir()) == []
    claimed = claim(root, "one.wav")
    assert claimed is not None and claimed.stem == "one"


def _refuse(*_: object) -> None:
    raise PermissionError(13, "Permission denied")


def test_a_rename_that_happened_in_spite_of_its_error_is_a_claim(
    root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share may rename and then report an error. Requirement 9: checked by stat."""
    drop(root, "one.wav", b"a")
    rename = os.rename

    def rename_and_fail(source: Path, target: Path) -> None:
        rename(source, target)
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "rename", rename_and_fail)
    claimed = claim(root, "one.wav")
    assert claimed is not None and claimed.take.read_bytes() == b"a"


def test_unclaim_never_replaces_a_newer_take(root: Root) -> None:
    """A take that goes back finds its name taken and stands beside it. Requirement 14."""
    drop(root, "one.wav", b"old")
    claimed = claim(root, "one.wav")
    assert claimed is not None
    drop(root, "one.wav", b"new")
    unclaim(root, claimed)
    assert (root.inbox / "one.wav").read_bytes() == b"new"
    assert (root.inbox / "one~2.wav").read_bytes() == b"old"
    assert list(root.claims.iterdir()) == []


def test_quarantine_keeps_both_takes_and_both_reasons(root: Root) -> None:
    """A second failed take of the same name stands beside the first. Requirement 14."""
    for data in (b"a", b"b"):
        drop(root, "Tide/one.wav", data)
        claimed = claim(root, "Tide/one.wav")
        assert claimed is not None
        quarantine(root, claimed, reason(claimed.name))
    assert [path for path, _ in quarantined(root)] == ["Tide/one.wav", "Tide/one~2.wav"]
    assert (root.quarantine / "Tide/one~2.wav").read_bytes() == b"b"


def test_two_claims_of_one_name_fail_side_by_side(root: Root) -> None:
    """Workers that quarantine at the same time keep each its reason. Requirement 14."""
    made = []
    for data in (b"a", b"b"):
        drop(root, "one.wav", data)
        claimed = claim(root, "one.wav")
        assert claimed is not None
        claimed.quarantine = {"path": "one.wav", "reason": f'{{"code": "{data.decode()}"}}'}
        claimed.save()
        made.append(claimed)
    assert recover(root) == []
    there = {
        (root.quarantine / path).read_bytes(): known["code"] for path, known in quarantined(root)
    }
    assert there == {b"a": "a", b"b": "b"}


def test_requeue_puts_back_and_takes_the_reason_away(root: Root) -> None:
    """A requeued take lies in the inbox under a free name. Design: the commands."""
    drop(root, "Tide/one.wav", b"bad")
    claimed = claim(root, "Tide/one.wav")
    assert claimed is not None
    quarantine(root, claimed, reason(claimed.name))
    drop(root, "Tide/one.wav", b"other")
    assert requeue(root, "Tide/one.wav") == "Tide/one~2.wav"
    assert (root.inbox / "Tide/one~2.wav").read_bytes() == b"bad"
    assert files_below(root.quarantine) == []


@pytest.mark.parametrize("name", ["../fairtake.toml", "gone.wav", "/etc/hostname", ""])
def test_requeue_reaches_only_into_quarantine(root: Root, name: str) -> None:
    """Names that point elsewhere move nothing. Requirement 22: hostile objects."""
    with pytest.raises(FileNotFoundError):
        requeue(root, name)
    assert (root.path / "fairtake.toml").is_file()


def test_a_duplicate_is_known_by_take_and_settings(root: Root, model: str) -> None:
    """The same bytes with the same settings are finished once. Requirement 18."""
    receipt = crashing.receipt(model, 1)
    finish_claimed_in(root, model)
    drop(root, NAME, TAKE)
    again = claim(root, NAME)
    assert again is not None
    asked = folders.asked_of(json.loads(receipt.to_json()))
    assert folders.already_finished(root, again, asked) == "one"
    for key in asked:
        assert folders.already_finished(root, again, asked | {key: "another"}) is None
    (root.outbox / "Tide/one.mp3").write_bytes(b"spoilt")
    assert folders.already_finished(root, again, asked) is None
    drop_duplicate(root, again)
    assert files_below(root.inbox, root.claims) == []


def finish_claimed_in(root: Root, model: str) -> None:
    drop(root, NAME, TAKE)
    claimed = claim(root, NAME)
    assert claimed is not None
    finish_claimed(root, claimed, model)


def test_a_root_is_known_by_its_settings(tmp_path: Path) -> None:
    """A folder without fairtake.toml is refused. Design: the folders of a ROOT."""
    with pytest.raises(NotARoot):
        open_root(tmp_path)


# --- names ---------------------------------------------------------------------------------------

ODD_NAMES = {
    "composed": "caf\u00e9.wav",
    "decomposed": "cafe\u0301.wav",
    "upper case": "CAFE.wav",
    "lower case": "cafe.wav",
    "newline": "one\ntwo.wav",
    "not UTF-8": os.fsdecode(b"one\xff\xfe.wav"),
    "255 bytes": "n" * 251 + ".wav",
    "255 bytes of wide letters": "\u00e9" * 125 + "n.wav",
    "colon": "a:b.wav",
    "device": "CON.wav",
    "no stem": "~2.wav",
    "two dots": "one.two.wav",
    "no suffix": "take",
    "quote": 'it\'s "one" <b>.wav',
}


def test_as_many_out_as_in_whatever_their_names(root: Root, model: str) -> None:
    """Takes with odd names all come out, none on another's place. Requirement 14: names."""
    for name in ODD_NAMES.values():
        drop(root, name, os.fsencode(name))
    for name in scan(root.inbox):
        finish_one(root, name, os.fsencode(name), model)
    assert len(list(root.outbox.glob(f"*{RECEIPT_SUFFIX}"))) == len(ODD_NAMES)
    assert {p.read_bytes() for p in root.originals.iterdir()} == set(
        map(os.fsencode, ODD_NAMES.values())
    )


def test_as_many_quarantined_as_dropped_whatever_their_names(root: Root) -> None:
    """A reason says the odd name verbatim, and the take can go back. Requirement 14: names."""
    for name in ODD_NAMES.values():
        drop(root, name, os.fsencode(name))
    for name in scan(root.inbox):
        claimed = claim(root, name)
        assert claimed is not None
        quarantine(root, claimed, reason(claimed.name))
    said = quarantined(root)
    assert {known["take"]["name"] for _, known in said} == set(ODD_NAMES.values())
    for path, _ in said:
        requeue(root, path)
    assert {p.read_bytes() for p in root.inbox.iterdir()} == set(
        map(os.fsencode, ODD_NAMES.values())
    )


# --- death at every step ---------------------------------------------------------------------------

WHERE = ("rename", "link", "other drive")


def test_what_is_renamed_was_synced_and_its_folder_is_afterwards(
    tmp_path: Path, model: str
) -> None:
    """File, rename, folder, for every final name, the receipt last. Requirement 10: from a trace."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    root = fresh_root(tmp_path, None)
    drop(root, NAME, TAKE)
    (tmp_path / "model").write_text(model)
    trace, code = tmp_path / "trace", "import sys, pathlib, crashing, fairtake.folders as f; "
    code += "r = f.open_root(pathlib.Path(sys.argv[1])); "
    code += "crashing.finish(r, pathlib.Path(sys.argv[2]).read_text())"
    traced = ["strace", "-f", "-y", "-s", "999", "-o", str(trace), "-e", "trace=fsync,/rename"]
    subprocess.run(
        [*traced, sys.executable, "-c", code, str(root.path), str(tmp_path / "model")],
        check=True, cwd=Path(__file__).parent,
    )  # fmt: skip
    calls = trace.read_text().splitlines()
    placed = [
        (at, *re.findall(r'"([^"]+)"', call))
        for at, call in enumerate(calls)
        if "renameat2" in call
    ]
    for at, source, target in placed:
        assert any(f"<{source}>" in call for call in calls[:at] if "fsync" in call)
        folder = f"<{Path(target).parent}>"
        assert any(folder in call for call in calls[at:] if "fsync" in call)
    names = [Path(target).relative_to(root.path).as_posix() for _, _, target in placed]
    assert names[-2:] == [f"originals/{NAME}", f"outbox/Tide/one{RECEIPT_SUFFIX}"]
    assert len(names) == 4


@pytest.mark.parametrize("where", WHERE)
@pytest.mark.parametrize("way", WAYS)
def test_death_at_every_step_loses_and_spoils_nothing(
    way: str, where: str, ram: Path, model: str, request: pytest.FixtureRequest
) -> None:
    """Die before each step, recover, go on: whole and once. Requirement 11: any step."""
    far = request.getfixturevalue("other_drive") if where == "other drive" else None
    for step in range(1, 1000):
        root = fresh_root(ram, far)
        set_out(root, way)
        died = in_child(crashing.walk_and_die, way, root.path, model, step, where == "link")
        assert places_of_the_take(root), f"lost at step {step}"
        look_at_outputs(root)
        strangers = foreign(root)
        if step % 3 == 0:  # and now and then die once more, while recovering
            in_child(crashing.recover_and_die, root.path, step // 3 % 12 + 1)
        for claimed in recover(root):
            finish_claimed(root, claimed, model)
        go_on(root, way, model)
        look_at_the_end(root, way, step)
        assert strangers <= foreign(root), f"overwritten after step {step}"
        if not died:
            break
    assert step > 10, "the steps were not seen"


def fresh_root(folder: Path, far: Path | None) -> Root:
    """An empty ROOT; on two drives when *far* is given."""
    shutil.rmtree(folder / "root", ignore_errors=True)
    settings = {}
    if far is not None:
        shutil.rmtree(far, ignore_errors=True)
        settings = {
            kind: str(far / kind) for kind in ("outbox", "originals", "quarantine", "state")
        }
    (folder / "root").mkdir()
    (folder / "root/fairtake.toml").write_text(tomli_w.dumps(settings))
    root = open_root(folder / "root")
    root.make_folders()
    return root


def set_out(root: Root, way: str) -> None:
    """The take where *way* begins, and a stranger's file where it would end."""
    if way == "requeue":
        drop(root, NAME, TAKE)
        crashing.fail(root, "")
        drop(root, NAME, FOREIGN)
        return
    drop(root, NAME, TAKE)
    for folder in (root.outbox, root.originals, root.quarantine):
        (folder / "Tide").mkdir()
    (root.quarantine / NAME).write_bytes(FOREIGN)
    if way == "finish":
        (root.outbox / "Tide/one.wav").write_bytes(FOREIGN)


def go_on(root: Root, way: str, model: str) -> None:
    """What the next service, or the person at the command, does next."""
    if way == "requeue":
        with contextlib.suppress(FileNotFoundError):
            requeue(root, NAME)
    elif (root.originals / NAME).exists() and (root.inbox / NAME).exists():
        again = claim(root, NAME)
        asked = folders.asked_of(json.loads(crashing.receipt(model, 1).to_json()))
        assert again and folders.already_finished(root, again, asked) == "one"
        drop_duplicate(root, again)
    elif (root.inbox / NAME).exists() and way != "put_back":
        WAYS[way](root, model)


def in_child(target: Callable[..., None], *arguments: Any) -> bool:
    """Run *target* in a process of its own; whether it died on the way."""
    child = CHILDREN.Process(target=target, args=arguments)
    child.start()
    child.join()
    assert child.exitcode in (0, DIED)
    return child.exitcode == DIED


CHILDREN = multiprocessing.get_context("forkserver")
CHILDREN.set_forkserver_preload(["fairtake.folders"])


def places_of_the_take(root: Root) -> list[str]:
    """Which folders hold the take's bytes."""
    homes = (root.inbox, root.claims, root.originals, root.quarantine)
    return [home.name for home in homes for p in files_below(home) if p.read_bytes() == TAKE]


def look_at_outputs(root: Root) -> None:
    """Every file under a final name is whole, and a receipt stands only where the take is done."""
    for path in files_below(root.outbox):
        whole = {".wav": b"wav of " + TAKE, ".mp3": b"mp3 of " + TAKE}.get(path.suffix)
        if not path.name.startswith(".") and whole is not None:
            assert path.read_bytes() in (whole, FOREIGN)
    for path in root.outbox.rglob(f"*{RECEIPT_SUFFIX}"):
        said = json.loads(path.read_text())
        for output in said["outputs"].values():
            assert sha256((path.parent / output["file"]).read_bytes()) == output["sha256"]
        stem = path.name.removesuffix(RECEIPT_SUFFIX)
        assert (root.originals / "Tide" / f"{stem}.wav").read_bytes() == TAKE


def look_at_the_end(root: Root, way: str, step: int) -> None:
    """The take is in one place, alone, and nothing is left of the way there."""
    look_at_outputs(root)
    places = places_of_the_take(root)
    allowed = {
        "finish": (["originals"],),
        "finish_taken": (["originals"],),
        "fail": (["quarantine"], ["originals"]),  # claimed and not begun: it is worked on
        "put_back": (["inbox"], ["originals"]),
        "requeue": (["inbox"],),
    }[way]
    assert places in allowed, f"step {step}: {places}"
    homes = (root.inbox, root.outbox, root.originals, root.quarantine, root.claims, root.scratch)
    left = {p.name for p in files_below(*homes)}
    stems = {name.split(".")[0] for name in left}
    assert not any(name.startswith(".") for name in left), f"step {step}: {left}"
    assert files_below(root.claims, root.scratch) == []
    assert stems <= {"one", "one~2", "one~3"}
    if places == ["originals"]:
        assert len(list(root.outbox.rglob(f"*{RECEIPT_SUFFIX}"))) == 1


def foreign(root: Root) -> set[Path]:
    """Where somebody else's files stand."""
    homes = (root.inbox, root.outbox, root.originals, root.quarantine)
    return {p for p in files_below(*homes) if p.read_bytes() == FOREIGN}
