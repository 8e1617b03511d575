"""Every step of a way hurt in turn, and what must be true afterwards. Runs in processes of its own.

The ways and steps are those of `crashing`. What is looked at is bytes in folders.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import tomli_w

import crashing
from crashing import DIED, FOREIGN, NAME, TAKE, WAYS, Steps, die, fail, finish_claimed
from fairtake import folders
from fairtake.folders import Root, claim, claims, drop_duplicate, open_root, recover, resume, sweep
from fairtake.receipt import RECEIPT_SUFFIX
from roots import drop, files_below, sha256

#: What any system call may say. Requirement 12.
FAULTS = (
    errno.EIO, errno.ENOSPC, errno.ESTALE, errno.EACCES, errno.EXDEV, errno.EMFILE,
)  # fmt: skip


@dataclass
class Scene:
    """One way through one ROOT, below *folder*; on two drives when *far* or *inbox* is given. The take is
    *owner*'s.

    Of its steps each *stride*-th is hurt.
    """

    way: str
    folder: Path
    far: Path | None
    model: str
    stride: int = 1
    inbox: Path | None = None
    owner: int | None = None

    def set_out(self) -> Root:
        """A fresh ROOT, the take where the way begins, and a stranger's file where it would end."""
        root = fresh_root(self.folder, self.far, self.inbox)
        drop(root, NAME, TAKE)
        if self.owner is not None:
            os.chown(root.inbox / NAME, self.owner, self.owner)
        if self.way == "requeue":
            crashing.fail_at_work(root, self.model)
            drop(root, NAME, FOREIGN)
            return root
        for folder in (root.outbox, root.originals, root.quarantine):
            (folder / "Tide").mkdir()
        (root.quarantine / NAME).write_bytes(FOREIGN)
        if self.way == "finish":
            (root.outbox / "Tide/one.wav").write_bytes(FOREIGN)
        return root

    def walk(self, root: Root) -> None:
        WAYS[self.way](root, self.model)

    def recover(self, root: Root) -> None:
        """What the next start does, and then the next worker."""
        sweep(root)
        for claimed in recover(root):
            if not resume(root, claimed):
                finish_claimed(root, claimed, self.model)

    def go_on(self, root: Root) -> None:
        """What the next service, or the person at the command, does next."""
        if self.way == "requeue":
            with contextlib.suppress(FileNotFoundError):
                self.walk(root)
        elif (root.originals / NAME).exists() and (root.inbox / NAME).exists():
            again = claim(root, NAME)
            asked = folders.asked_of(json.loads(crashing.receipt(self.model, 1).to_json()))
            assert again and folders.already_finished(root, again, asked) == "one"
            drop_duplicate(root, again)
        elif (root.inbox / NAME).exists() and self.way != "put_back":
            self.walk(root)


def deaths(scene: Scene, links_only: bool) -> None:
    """Die before each step in turn, and now and then once more while recovering."""
    steps = Steps(links_only)

    def hurt(root: Root, step: int) -> bool:
        died = in_fork(lambda: hurting_walk(scene, steps, root, step, die))
        if died and step % 3 == 0:
            in_fork(lambda: hurting_recovery(scene, steps, root, step // 3 % 15 + 1, die))
        return died

    every_step(scene, hurt)


def faults(scene: Scene, links_only: bool, happening: bool, always: bool, first: int) -> None:
    """Let each step in turn fail with one of `FAULTS`: before it, or after it has *happened*.

    With *always* every later step fails, too, as on a drive that is gone.
    """
    steps = Steps(links_only)

    def hurt(root: Root, step: int) -> bool:
        number = errno.EIO if happening else FAULTS[(step + first) % len(FAULTS)]
        act = fail(number)
        with contextlib.suppress(OSError):
            hurting_walk(scene, steps, root, step, act, happening, always)
        reached = steps.left <= 0
        if reached and not always:
            used = [c.attempts for c in claims(root) if not c.is_decided]
            assert not any(used), f"an attempt was used at step {step}"
        return reached

    every_step(scene, hurt)


def every_step(scene: Scene, hurt: Callable[[Root, int], bool]) -> None:
    """Hurt every step, or each *stride*-th, till the way is over."""
    for step in range(1 + len(scene.way) % scene.stride, 2000, scene.stride):
        root = scene.set_out()
        reached = hurt(root, step)
        where = f"{scene.way}, step {step}"
        assert places_of_the_take(root), f"lost: {where}"
        look_at_outputs(root)
        strangers = foreign(root)
        scene.recover(root)
        scene.go_on(root)
        look_at_the_end(root, scene.way, where)
        assert strangers <= foreign(root), f"overwritten: {where}"
        if not reached:
            assert step > 5, "the steps were not seen"
            return
    raise AssertionError("it never ends")


def hurting_walk(
    scene: Scene, steps: Steps, root: Root, step: int, act: Callable[[], None],
    happening: bool = False, always: bool = False,
) -> None:  # fmt: skip
    with steps.hurting(step, act, happening, always):
        scene.walk(root)


def hurting_recovery(
    scene: Scene, steps: Steps, root: Root, step: int, act: Callable[[], None]
) -> None:
    with steps.hurting(step, act):
        scene.recover(root)


def in_fork(work: Callable[[], None]) -> bool:
    """Do *work* in a fork; whether it died on the way."""
    child = os.fork()
    if child == 0:
        work()
        os._exit(0)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert status in (0, DIED)
    return status == DIED


def fresh_root(folder: Path, far: Path | None, inbox: Path | None = None) -> Root:
    """An empty ROOT; all but inbox and claims at *far*, or the inbox alone at *inbox*."""
    shutil.rmtree(folder / "root", ignore_errors=True)
    settings = {}
    if far is not None:
        shutil.rmtree(far, ignore_errors=True)
        settings = {
            kind: str(far / kind) for kind in ("outbox", "originals", "quarantine", "state")
        }
    (folder / "root").mkdir()
    if inbox is not None:
        shutil.rmtree(inbox, ignore_errors=True)
        inbox.mkdir()
        (folder / "root/inbox").symlink_to(inbox)
    (folder / "root/fairtake.toml").write_text(tomli_w.dumps(settings))
    root = open_root(folder / "root")
    root.make_folders()
    return root


# --- what must be true ---------------------------------------------------------------------------


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


def look_at_the_end(root: Root, way: str, where: str) -> None:
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
    assert places in allowed, f"{places}: {where}"
    homes = (root.inbox, root.outbox, root.originals, root.quarantine, root.claims, root.scratch)
    left = {p.name for p in files_below(*homes)}
    assert not any(name.startswith(".") for name in left), f"{left}: {where}"
    assert files_below(root.claims, root.scratch) == [], where
    assert {name.split(".")[0] for name in left} <= {"one", "one~2", "one~3"}
    if places == ["originals"]:
        assert len(list(root.outbox.rglob(f"*{RECEIPT_SUFFIX}"))) == 1, where


def foreign(root: Root) -> set[Path]:
    """Where somebody else's files stand."""
    homes = (root.inbox, root.outbox, root.originals, root.quarantine)
    return {p for p in files_below(*homes) if p.read_bytes() == FOREIGN}
