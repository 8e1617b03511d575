"""fairtake.serving.trials: what one take meets stops no other. Real services, on real folders."""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from fairtake.folders import Claim, Root, claim, claims
from fairtake.serving.status import status
from mixing.folders import VOICE
from roots import (
    Served,
    drop,
    drop_root_s_rights,
    files_below,
    is_finished,
    new_root,
    reason_of,
    spoken,
    until,
)

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0, reason="files of another account are made by root"
)
#: An account that need not exist.
ANOTHER = 65534


@pytest.fixture(scope="module")
def voice(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float], bytes]:
    path = tmp_path_factory.mktemp("voice") / "voice.wav"
    return lambda gain: spoken(path, 2, 2.8, gain)


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Root]:
    root = new_root(tmp_path / "root", workers=1, settle_s=0.2, retry_s=0.2, retry_most_s=3)
    yield root
    for folder in [root.inbox, *root.inbox.rglob("*")]:  # to be removed again
        os.chmod(folder, 0o755)


def honest(root: Root, voice: Callable[[float], bytes], many: int = 4) -> dict[str, bytes]:
    """Takes with which nothing is wrong, behind all others in the order of names."""
    return {f"z{n}.wav": drop(root, f"z{n}.wav", voice(1 - n / 50)) for n in range(many)}


def claimed_before(root: Root, path: str) -> Claim:
    """A take that an earlier service claimed, so that it comes before all others."""
    taken = claim(root, path)
    assert taken is not None
    return taken


def mix(root: Root, name: str, data: bytes) -> Path:
    folder = root.inbox / name
    (folder / "inner").mkdir(parents=True)
    (folder / "cues.toml").write_text(VOICE, "utf-8")
    (folder / "voice.wav").write_bytes(data)
    return folder


def waits_for(root: Root, path: str) -> str:
    """What the status says that a take waits for."""
    return {w["take"]: w["for"] for w in status(root)["waiting"]}.get(path, "")


def tries(log: str, path: str) -> list[float]:
    """How long a take was to wait, each time it met its fault."""
    lines = [line for line in log.splitlines() if f'"{path}"' in line]
    return [float(wait) for line in lines for wait in re.findall(r"retry_in_s: ([\d.]+)", line)]


def test_mixes_of_another_account_hold_up_no_take(
    root: Root, voice: Callable[[float], bytes]
) -> None:
    """Who may not write in a folder may not move it elsewhere. Each waits by itself, ever longer, and
    is finished once its rights are mended."""
    for name in ("a.mix", "b.mix"):
        folder = mix(root, name, voice(0.5 if name == "a.mix" else 0.6))
        os.chown(folder, ANOTHER, ANOTHER)
    takes = honest(root, voice)
    with Served(root, preexec_fn=drop_root_s_rights) as served:
        for name, data in takes.items():
            until(lambda n=name, d=data: is_finished(root, n, d))
        until(lambda: "may not write" in waits_for(root, "a.mix"))
        until(lambda: "may not write" in waits_for(root, "b.mix"))
        until(lambda: any("a.mix" in problem for problem in status(root)["problems"]))
        until(lambda: len(tries(served.log, "a.mix")) >= 4)
        os.chown(root.inbox / "a.mix", 0, 0)
        until(lambda: (root.outbox / "a.receipt.json").exists())
        assert tries(served.log, "a.mix")[:4] == [0.2, 0.4, 0.8, 1.6]
    assert (root.inbox / "b.mix/voice.wav").read_bytes() == voice(0.6)


def test_a_title_that_is_closed_after_the_claim_holds_up_no_take(
    root: Root, voice: Callable[[float], bytes]
) -> None:
    """Neither its title.toml can be read nor can the take be put back. The others go on, and so does
    it once its folder is open again."""
    shut = drop(root, "Shut/a.wav", voice(0.5))
    claimed_before(root, "Shut/a.wav")
    takes = honest(root, voice)
    (root.inbox / "Shut").chmod(0)
    with Served(root, preexec_fn=drop_root_s_rights) as served:
        for name, data in takes.items():
            until(lambda n=name, d=data: is_finished(root, n, d))
        until(lambda: len(tries(served.log, "Shut/a.wav")) >= 4)
        until(lambda: "may not write" in waits_for(root, "Shut/a.wav"))
        assert files_below(root.quarantine) == []
        (root.inbox / "Shut").chmod(0o755)
        until(lambda: is_finished(root, "Shut/a.wav", shut))
        until(lambda: not status(root)["service"]["trouble"])


def test_a_take_that_cannot_go_back_to_its_title_holds_up_no_take(
    root: Root, voice: Callable[[float], bytes]
) -> None:
    """Cut short, it is to wait in its folder for the rest, and that was closed meanwhile."""
    half = drop(root, "Shut/a.wav", voice(0.5)[:-1000])
    drop(root, "Shut/title.toml", b"")
    claimed_before(root, "Shut/a.wav")
    takes = honest(root, voice)
    (root.inbox / "Shut").chmod(0o555)
    with Served(root, preexec_fn=drop_root_s_rights) as served:
        for name, data in takes.items():
            until(lambda n=name, d=data: is_finished(root, n, d))
        until(lambda: "may not write" in waits_for(root, "Shut/a.wav"))
        until(lambda: served.log.count("may not write") >= 2)
        (root.inbox / "Shut").chmod(0o755)
        reason = until(lambda: reason_of(root, "Shut/a.wav"))
    assert reason.code == "cut-short"
    assert (root.quarantine / "Shut/a.wav").read_bytes() == half


def test_a_mix_that_is_closed_inside_goes_to_quarantine(
    root: Root, voice: Callable[[float], bytes]
) -> None:
    """Its own rights say whose fault it is, as those of a single file do; the others go on."""
    mix(root, "a.mix", voice(0.5))
    inner = claimed_before(root, "a.mix").take / "inner"
    takes = honest(root, voice)
    inner.chmod(0)
    with Served(root, preexec_fn=drop_root_s_rights):
        for name, data in takes.items():
            until(lambda n=name, d=data: is_finished(root, n, d))
        reason = until(lambda: reason_of(root, "a.mix"))
    assert reason.code == "unreadable" and "inner" in reason.message
    assert (root.quarantine / "a.mix/voice.wav").read_bytes() == voice(0.5)
    (root.quarantine / "a.mix/inner").chmod(0o755)


def failing_to_read(*takes: Path) -> tuple[str, ...]:
    """A tracer under which reading these takes fails, as from bad sectors."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    paths = [word for take in takes for word in ("-P", str(take))]
    fails = ("-e", "trace=read", "-e", "inject=read:error=EIO")
    return ("strace", "-D", "-f", "-qq", "-o", "/dev/null", *paths, *fails)


def test_a_take_that_the_drive_does_not_give_is_told_apart_and_quarantined(
    root: Root, voice: Callable[[float], bytes]
) -> None:
    """Its sectors are bad, and one worker is all there is: the others are finished between its tries,
    and then it goes, with what the drive said. Until then it waits ever longer."""
    bad = drop(root, "a.wav", voice(0.5))
    take = claimed_before(root, "a.wav").take
    takes = honest(root, voice, 3)
    with Served(root, under=failing_to_read(take)) as served:
        for name, data in takes.items():
            until(lambda n=name, d=data: is_finished(root, n, d))
        reason = until(lambda: reason_of(root, "a.wav"))
    assert reason.code == "fails-alone" and "Input/output error" in reason.message
    assert (root.quarantine / "a.wav").read_bytes() == bad
    assert claims(root) == [] and tries(served.log, "a.wav") == [0.2, 0.4]


def test_several_such_takes_are_told_apart_too(root: Root, voice: Callable[[float], bytes]) -> None:
    """Two in a row look like a drive that is gone, and all wait; but behind that wait the others are
    tried first."""
    bad = {name: drop(root, name, voice(0.5)) for name in ("a.wav", "b.wav", "c.wav")}
    failing = [claimed_before(root, name).take for name in bad]
    takes = honest(root, voice, 6)
    with Served(root, under=failing_to_read(*failing)):
        for name, data in takes.items():
            until(lambda n=name, d=data: is_finished(root, n, d))
        assert [until(lambda n=name: reason_of(root, n)).code for name in bad] == 3 * [
            "fails-alone"
        ]
    assert {name: (root.quarantine / name).read_bytes() for name in bad} == bad


def test_a_take_alone_is_not_told_apart(root: Root, voice: Callable[[float], bytes]) -> None:
    """With no other to try, whose fault it is cannot be told: it waits, and nothing is said against
    it. The first that comes is tried at once."""
    drop(root, "a.wav", voice(0.5))
    take = claimed_before(root, "a.wav").take
    with Served(root, under=failing_to_read(take)) as served:
        until(lambda: len(tries(served.log, "a.wav")) >= 5)
        assert files_below(root.quarantine) == []
        until(lambda: any("a.wav" in problem for problem in status(root)["problems"]))
        good = drop(root, "z.wav", voice(0.9))
        until(lambda: is_finished(root, "z.wav", good))


def test_once_leaves_a_take_that_fails_and_finishes_the_others(
    root: Root, voice: Callable[[float], bytes]
) -> None:
    """A run from cron tries it a few times, says so, and ends with 1."""
    os.chown(mix(root, "a.mix", voice(0.5)), ANOTHER, ANOTHER)
    takes = honest(root, voice, 2)
    with Served(root, "--once", preexec_fn=drop_root_s_rights) as served:
        assert served.process.wait(60) == 1
    assert all(is_finished(root, name, data) for name, data in takes.items())
    assert len(tries(served.log, "a.mix")) == 4 and "left" in served.log
    assert (root.inbox / "a.mix/voice.wav").read_bytes() == voice(0.5)
