"""fairtake.folders with a mix: a folder goes its way as one take, through death and faults at any step.

Every so-many-th step is hurt here; with FAIRTAKE_EVERY_STEP=1 in the environment, each one.
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

import pytest

import crashing
import hurting
from crashing import Steps, die, fail
from fairtake.files.hashing import take_hash
from fairtake.folders import (
    Root,
    begin,
    claim,
    claims,
    publish,
    quarantine,
    recover,
    requeue,
    resume,
    scratch_of,
    sweep,
    unclaim,
)
from fairtake.receipt import RECEIPT_SUFFIX, Receipt
from folders.test_steps import in_child

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the children are forks")

NAME = "Tide/one.mix"
FILES = {"cues.toml": b"the cues", "voice.wav": b"the voice" * 99, "sea.flac": b"the sea"}
SOUND = {".wav": b"wav", ".mp3": b"mp3", ".voice.wav": b"voice alone", ".bed.wav": b"bed alone"}


def drop_mix(root: Root, files: dict[str, bytes] = FILES) -> None:
    folder = root.inbox / NAME
    folder.mkdir(parents=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)


def homes(root: Root) -> list[str]:
    """Where the mix stands whole under its own name, or in its claim."""
    places = [
        *(root.inbox / "Tide", root.originals / "Tide", root.quarantine / "Tide"),
        *(root.claims / c.job for c in claims(root)),
    ]
    found = []
    for place in places:
        for folder in place.iterdir() if place.is_dir() else ():
            if folder.is_dir() and not folder.name.startswith("."):
                held = {p.name: p.read_bytes() for p in folder.iterdir()}
                if not held:
                    continue  # holds the name, where a rename alone cannot keep from replacing
                assert held == FILES, f"{folder} holds {sorted(held)}"
                found.append(place.parent.name)
    return found


def finish(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is None:
        return
    begin(claimed)
    finish_claimed(root, claimed, model)


def finish_claimed(root: Root, claimed: object, model: str) -> None:
    scratch = scratch_of(root, claimed)
    made = {suffix: scratch / f"made{suffix}" for suffix in SOUND}
    for suffix, path in made.items():
        path.write_bytes(SOUND[suffix])
    receipt = Receipt.model_validate_json(model)
    receipt.take.name, receipt.take.sha256 = "one.mix", take_hash(claimed.take)
    outputs = {k: receipt.outputs.wav.model_copy() for k in ("voice", "bed")}
    receipt.mix = {"voices": [], "cues": [], "voice_over_bed_lu": None,
                   "least_voice_over_bed_lu": None, "unnamed_files": [], "stems": outputs}  # fmt: skip
    receipt = Receipt.model_validate(receipt.model_dump(by_alias=True, warnings=False))
    for suffix, output in receipt.files.items():
        output.sha256 = crashing.sha256(SOUND[suffix])
    publish(root, claimed, made, receipt)


def fail_at_work(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is not None:
        begin(claimed)
        quarantine(root, claimed, crashing.reason("one.mix", "Tide"))


def put_back(root: Root, model: str) -> None:
    claimed = claim(root, NAME)
    if claimed is not None:
        unclaim(root, claimed)


def take_again(root: Root, model: str) -> None:
    requeue(root, NAME)


WAYS = {"finish": finish, "fail": fail_at_work, "put_back": put_back, "requeue": take_again}
ENDS = {
    "finish": ("originals",),
    "fail": ("quarantine", "originals"),
    "put_back": ("inbox", "originals"),
    "requeue": ("inbox",),
}


def every_step(way: str, folder: Path, far: Path | None, model: str, deadly: bool) -> None:
    """Hurt each step in turn; recover, go on, and look where the mix is."""
    steps = Steps(links_only=deadly and way == "finish")
    stride = 1 if "FAIRTAKE_EVERY_STEP" in os.environ else 19
    for step in range(1, 3000, stride):
        root = hurting.fresh_root(folder, far)
        drop_mix(root)
        if way == "requeue":
            fail_at_work(root, model)
        act = die if deadly else fail(hurting.FAULTS[step % len(hurting.FAULTS)])

        def walk(root: Root = root, step: int = step, act: object = act) -> None:
            with steps.hurting(step, act):
                WAYS[way](root, model)

        if deadly:
            reached = hurting.in_fork(walk)
        else:
            with contextlib.suppress(OSError):
                walk()
            reached = steps.left <= 0
        assert homes(root), f"lost: {way}, step {step}"
        sweep(root)
        for claimed in recover(root):
            if not resume(root, claimed):
                finish_claimed(root, claimed, model)
        with contextlib.suppress(FileNotFoundError):
            if way == "requeue" or ((root.inbox / NAME).exists() and way != "put_back"):
                WAYS[way](root, model)
        where = homes(root)
        assert len(where) == 1 and where[0] in ENDS[way], f"{where}: {way}, step {step}"
        left = [p.name for p in hurting.files_below(root.path, *((far,) if far else ()))]
        assert not [name for name in left if name.startswith(".")], left
        if where == ["originals"]:
            for suffix in SOUND:
                stem = next((root.outbox / "Tide").glob(f"*{RECEIPT_SUFFIX}")).name
                stem = stem.removesuffix(RECEIPT_SUFFIX)
                assert (root.outbox / "Tide" / f"{stem}{suffix}").read_bytes() == SOUND[suffix]
        if not reached:
            assert step > 5, "the steps were not seen"
            return
    raise AssertionError("it never ends")


@pytest.mark.parametrize("deadly", [True, False], ids=["death", "fault"])
@pytest.mark.parametrize("where", ["one drive", "other drive"])
@pytest.mark.parametrize("way", WAYS)
def test_a_mix_goes_its_way_as_one(
    request, way: str, where: str, deadly: bool, ram: Path, model: str
):
    """Whole and once, in the inbox, in its claim, in originals or in quarantine; never half of it.

    Requirements 11 and 12: a kill and a fault at any step.
    """
    far = request.getfixturevalue("other_drive") if where == "other drive" else None
    in_child(every_step, way, ram, far, model, deadly)


def test_a_mix_gets_the_next_name_where_its_own_is_taken(ram: Path, model: str):
    """Nothing is replaced: another mix of the same name gets ``~2``, the same one is known again."""
    root = hurting.fresh_root(ram, None)
    drop_mix(root)
    finish(root, model)
    drop_mix(root, {**FILES, "sea.flac": b"another sea"})
    finish(root, model)
    kept = sorted(p.name for p in (root.originals / "Tide").iterdir())
    assert kept == ["one.mix", "one~2.mix"]
    assert (root.originals / "Tide/one~2.mix/sea.flac").read_bytes() == b"another sea"
    assert (root.outbox / "Tide/one~2.voice.wav").is_file()


def test_a_mix_on_another_drive_is_not_claimed(ram: Path, other_drive: Path):
    """It cannot be claimed in one step from there: it stays, and the reason is told."""
    root = hurting.fresh_root(ram, None)
    (root.inbox / "far").mkdir()
    real = os.rename

    def elsewhere(source, target, **named):
        if str(source).endswith(".mix"):
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        return real(source, target, **named)

    drop_mix(root)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "rename", elsewhere)
        with pytest.raises(OSError, match="inbox's own drive"):
            claim(root, NAME)
    assert homes(root) == ["inbox"] and not list(claims(root))
