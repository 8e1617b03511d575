"""fairtake.serving.confined and sandbox: a process that was taken over gets nowhere."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fairtake.serving.calls import filter_for, needed
from fairtake.serving.sandbox import _loader_of, landlock_version, missing
from roots import until
from serving.misdeeds import PROCESSES, TO_OTHERS, TO_RUN

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux confines processes")

PROGRAM = Path(__file__).with_name("misdeeds.py")
needs_landlock = pytest.mark.skipif(not landlock_version(), reason="this kernel has no Landlock")


@pytest.fixture
def folder() -> Iterator[Path]:
    """A take, a neighbour and an empty scratch, for every user: root is too mighty for one test."""
    made = Path(tempfile.mkdtemp(prefix="fairtake-test-"))
    (made / "scratch").mkdir()
    (made / "take").write_text("the take")
    (made / "neighbour").write_text("the neighbour")
    for path in (made, *made.iterdir()):
        path.chmod(0o777)
    yield made
    shutil.rmtree(made)


def started(folder: Path, *deeds: str) -> subprocess.Popen[str]:
    command = [sys.executable, str(PROGRAM), str(folder), *deeds]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )


def came_of(folder: Path, *deeds: str) -> Any:
    """What confined processes got by their *deeds*. Whatever is left of them goes with their group."""
    process = started(folder, *deeds)
    try:
        out, said = process.communicate(timeout=60)
    finally:
        end_group(process.pid)
    assert out, said
    return json.loads(out)


def end_group(group: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


def test_it_may_do_its_work(folder: Path) -> None:
    """It reads its take and writes into its scratch; nothing else of ours came along. Requirement 21."""
    assert came_of(folder, "read its take", "write into its scratch", "look around") == {
        "read its take": {"done": "'the take'"},
        "write into its scratch": {"done": "3"},
        "look around": {"done": "4"},  # the three standard ones, and the pipe it speaks through
    }


def test_waiting_for_its_encoder_is_no_silence(folder: Path) -> None:
    """It says again what it said last, as long as the encoder works."""
    told = came_of(folder, "encode silently")["encode silently"]
    assert told == {"done": "None", "said": ["work 0.5"]}


FILES = ("read a neighbour", "read /etc/shadow", "read its own process", "change its take",
         "write beside its scratch", "remove a neighbour", "link into its scratch", "hard link",
         "make a pipe", "start a shell")  # fmt: skip


@needs_landlock
def test_files_that_are_not_its_own_are_denied(folder: Path) -> None:
    """What it was not given does not open, not even for root. Requirement 21."""
    got = came_of(folder, *FILES)
    assert {deed for deed in FILES if set(got[deed]) != {"refused"}} == set()
    assert (folder / "neighbour").read_text() == "the neighbour"
    assert (folder / "take").read_text() == "the take"
    assert list((folder / "scratch").iterdir()) == []


def test_there_is_no_network_and_no_way_out_of_the_group(folder: Path) -> None:
    """No socket of any kind can be had, and ending the group ends everything. Requirements 16, 21."""
    deeds = ("connect", "send a datagram", "open a local socket", "leave its group",
             "move to another group")  # fmt: skip
    assert came_of(folder, *deeds) == {deed: {"refused": "PermissionError"} for deed in deeds}


@pytest.mark.parametrize("version", range(8))
def test_it_gets_at_no_other_process_and_no_attribute_of_a_file(folder: Path, version: int) -> None:
    """Call by call, whatever the kernel's Landlock can: rights, owners, times and lengths of files that
    it may only read, limits, ranks and signals of its worker, namespaces. Requirement 21."""
    got = came_of(folder, f"landlock={version}", *TO_OTHERS)
    assert {deed: came for deed, came in got.items() if set(came) != {"refused"}} == {}
    assert (folder / "neighbour").read_text() == "the neighbour"
    assert (folder / "take").read_text() == "the take"


@needs_landlock
@pytest.mark.parametrize("version", range(1, 8))
def test_it_runs_no_program_but_the_encoder(folder: Path, version: int) -> None:
    """Neither by its path, nor through the loader of libraries, nor from memory. Requirement 21."""
    got = came_of(folder, f"landlock={version}", *TO_RUN)
    assert {deed: came for deed, came in got.items() if set(came) != {"refused"}} == {}


def test_the_loader_is_run_only_where_the_encoder_needs_it() -> None:
    """An encoder that has all in it needs none; others name theirs. Source: elf(5), PT_INTERP."""
    named = _loader_of(Path(sys.executable))
    assert named is None or re.fullmatch(r"ld-[\w.-]+", named.name)
    assert _loader_of(Path("/bin/sh")) is not None, "no program of this system is linked at all"
    assert _loader_of(PROGRAM) is None


def test_no_call_gets_through_that_no_work_needs(folder: Path) -> None:
    """All that the kernel has beside the list, and the same under the numbers of x32. Requirement 21."""
    deed = "every other call"
    assert came_of(folder, deed) == {deed: {"done": "[]"}}


HEADERS = {
    "x86_64": Path("/usr/include/x86_64-linux-gnu/asm/unistd_64.h"),
    "aarch64": Path("/usr/include/asm-generic/unistd.h"),
}
#: The same call under the other name that the header for ARM has.
OTHERWISE = {"newfstatat": "fstatat"}


@pytest.mark.parametrize("machine", HEADERS)
def test_the_calls_have_the_numbers_of_the_kernel(machine: str) -> None:
    """A wrong number would allow something else. Source: the kernel's own headers."""
    if not HEADERS[machine].exists():
        pytest.skip("the kernel's headers are not here")
    defined = r"#define __NR(?:3264)?_(\w+) (\d+)"
    named = {n: int(number) for n, number in re.findall(defined, HEADERS[machine].read_text())}
    for number, name in needed(machine).items():
        assert named.get(name, named.get(OTHERWISE.get(name, ""))) == number, name


def answered(program: bytes, machine: int, number: int, *given: int) -> str:
    """What a filter answers to a call. Source: bpf_common.h and seccomp.h."""
    data = struct.pack("iIQ6Q", number, machine, 0, *[*given, *[0] * 6][:6])
    lines, at, held = list(struct.iter_unpack("HBBI", program)), 0, 0
    while True:
        code, yes, no, value = lines[at]
        at += 1
        match code:
            case 0x20:
                held = int.from_bytes(data[value : value + 4], "little")
            case 0x54:
                held &= value
            case 0x15 | 0x35:
                at += yes if (held == value if code == 0x15 else held >= value) else no
            case 0x06:
                return "allowed" if value == 0x7FFF0000 else errno.errorcode[value & 0xFFFF]


def test_the_filter_for_another_processor_is_as_strict() -> None:
    """Its program, followed line by line: the calls of ARM by their own numbers, a strange machine none.
    Source: the kernel's asm-generic/unistd.h."""
    arm, strange, us = 0xC00000B7, 0xC000003E, 1234
    program = filter_for("aarch64", us)
    asked = {
        "read": (63,), "openat": (56, 0, 0, 0o2000000), "fchmodat": (53,), "socket": (198,),
        "openat, emptied": (56, 0, 0, 0o1000), "openat, written": (56, 0, 0, 0o1101),
        "clone": (220, signal.SIGCHLD), "clone, own users": (220, 0x10000000 | signal.SIGCHLD),
        "clone3": (435,), "its own limits": (261, 0, 3), "another's": (261, 77, 3),
        "abort": (131, us, us, 6), "end another": (131, 77, 77, 9), "of x32": (0x40000000,),
    }  # fmt: skip
    allowed = {name for name, call in asked.items() if answered(program, arm, *call) == "allowed"}
    assert allowed == {"read", "openat", "openat, written", "clone", "its own limits", "abort"}
    assert answered(program, arm, 435) == answered(program, arm, 0x40000000) == "ENOSYS"
    assert answered(program, arm, 198) == answered(program, strange, 63) == "EPERM"
    assert filter_for("riscv64", us) == b""


ENDS = {
    "gain rights": {"done": "True"},  # prctl(2): PR_GET_NO_NEW_PRIVS gives 1
    "grow": {"refused": "MemoryError"},
    "fill the disk": {"refused": "OSError"},
    "spin": {"died": "The worker was ended by SIGXCPU."},
    "crash": {"died": "The worker was ended by SIGSEGV."},
    "abort": {"died": "The worker was ended by SIGABRT."},
    "give up": {"died": "The worker ended with status 3."},
    "talk nonsense": {"died": "The worker was ended by SIGKILL."},
    "leave something behind": {"died": "The worker left processes behind."},
}


def test_it_takes_down_only_itself(folder: Path) -> None:
    """Growing, filling, spinning, crashing end in words, with the signal named; no word of a process
    that was taken over is run. Requirement 15."""
    assert came_of(folder, *ENDS) == ENDS


def test_a_fork_bomb_goes_out(folder: Path) -> None:
    """The number of processes is limited, and all of them end with the group. Requirement 21."""
    process = started(folder, "multiply")
    try:
        out, said = process.communicate(timeout=60)
        assert "left processes behind" in out, said
        assert 1 < len(living(process.pid)) <= PROCESSES
    finally:
        end_group(process.pid)
    until(lambda: living(process.pid) == [], 1)


def living(group: int) -> list[int]:
    """The processes of a group that are not dead."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            state, _, its_group = (process / "stat").read_text().rsplit(")", 1)[1].split()[:3]
        except OSError:
            continue
        if int(its_group) == group and state not in "ZX":
            found.append(int(process.name))
    return found


@pytest.mark.parametrize("victim", ["worker", "confined"])
def test_nothing_is_orphaned(victim: str, folder: Path) -> None:
    """Whoever of the chain is killed, its encoder is gone within a second. Requirement 16."""
    process = started(folder, "encode")
    try:
        note = folder / "scratch/pid"
        confined, encoder = map(int, until(lambda: note.exists() and note.read_text().split()))
        assert living(process.pid) == sorted([process.pid, confined, encoder])
        os.kill(process.pid if victim == "worker" else confined, signal.SIGKILL)
        until(lambda: {confined, encoder}.isdisjoint(living(process.pid)), 1)
        out, _ = process.communicate(timeout=60)
        assert not out if victim == "worker" else "SIGKILL" in out
    finally:
        end_group(process.pid)


def test_check_says_what_the_system_lacks() -> None:
    """Each thing that is missing is a sentence for `fairtake check`. Requirement 21."""
    said = " ".join(missing())
    assert ("Landlock" in said) == (not landlock_version())
    assert ("root" in said) == (os.geteuid() == 0)
