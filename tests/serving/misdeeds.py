"""Run as a program: does bad things, each in a confined process, and prints what came of them as JSON.

``python misdeeds.py FOLDER DEED...`` finds in FOLDER a take, a neighbour and an empty scratch. With
``landlock=N`` for the first deed, the kernel is taken for one that has no later version of Landlock.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import json
import os
import resource
import signal
import socket
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fairtake import pulse
from fairtake.files.encoder import BoundPopen, encoder
from fairtake.serving import sandbox
from fairtake.serving.confined import Died, Say, confined
from fairtake.serving.sandbox import Rights

MEMORY_BYTES, FILE_BYTES, CPU_S, PROCESSES = 2**28, 2**20, 1, 24
NOBODY = 65534


def rights(folder: Path, name: str) -> Rights:
    programs = (Path(encoder()),) if "encode" in name else ()
    return Rights(
        (folder / "take",), folder / "scratch", programs,
        MEMORY_BYTES, FILE_BYTES, CPU_S, PROCESSES,
    )  # fmt: skip


def connect(folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        socket.create_connection(server.getsockname())


def grow(folder: Path) -> None:
    kept = []
    while True:
        kept.append(bytearray(2**24))


def multiply(folder: Path) -> None:
    """A fork bomb, slowed down by nothing but the system."""
    for _ in range(4 * PROCESSES):
        if os.fork() == 0:
            time.sleep(60)


def spin(folder: Path) -> None:
    while True:
        pass


def fill(folder: Path) -> None:
    with open(folder / "scratch/big", "wb") as file:
        while True:
            file.write(bytes(2**16))
            file.flush()


def descriptors() -> list[int]:
    """Those that came along."""
    found = []
    for number in range(256):
        try:
            os.fstat(number)
            found.append(number)
        except OSError:
            continue
    return found


def talk_nonsense(folder: Path) -> None:
    os.write(descriptors()[-1], b"\0\0\0\x04nope")
    time.sleep(60)


def encode(folder: Path) -> None:
    """Start the encoder on something long, say so, and wait."""
    command = [encoder(), "-v", "error", "-re", "-f", "lavfi", "-i", "anullsrc", "-f", "null", "-"]
    running = BoundPopen(command)
    (folder / "scratch/pid").write_text(f"{os.getpid()} {running.pid}")
    running.wait()


def encode_silently(folder: Path) -> None:
    """Encode for two seconds, and wait for it."""
    pulse.EVERY_S = 0.05
    command = [encoder(), "-v", "error", "-re", "-f", "lavfi", "-i", "anullsrc", "-t", "2", "-f", "s16le", str(folder / "scratch/out")]  # fmt: skip
    BoundPopen(command).communicate()


def call(name: str | int, *given: Any) -> Any:
    """A function of the C library, or a system call by its number, told as Python tells its own."""
    libc = ctypes.CDLL(None, use_errno=True)
    got = libc.syscall(name, *given) if isinstance(name, int) else getattr(libc, name)(*given)
    if got == -1:
        raise OSError(ctypes.get_errno(), "")
    return got


def new_user_space(of_three: bool) -> None:
    """A child with a user namespace of its own, by clone or by clone3."""
    user, clone = 0x10000000, 56 if os.uname().machine == "x86_64" else 220
    wanted = (ctypes.c_uint64 * 8)(user, 0, 0, 0, signal.SIGCHLD)
    child = call(435, wanted, 64) if of_three else call(clone, user | signal.SIGCHLD, 0, 0, 0, 0)
    if child == 0:
        os._exit(0)
    os.waitpid(child, 0)


def run_from_memory(folder: Path) -> None:
    """A program that stands in no folder."""
    memory = os.memfd_create("program")
    os.write(memory, Path("/bin/true").read_bytes() if os.path.exists("/bin/true") else b"")
    os.execve(memory, ["true"], {})


def own_a_signal(folder: Path) -> None:
    """Have the system signal the worker on our behalf."""
    with open(folder / "take") as take:
        fcntl.fcntl(take, fcntl.F_SETOWN, os.getppid())


def lease(folder: Path) -> None:
    """Hold up whoever would write the take."""
    with open(folder / "take") as take:
        fcntl.fcntl(take, fcntl.F_SETLEASE, fcntl.F_RDLCK)


LOADER = next((str(path) for path in Path("/").glob("lib*/ld-linux*")), "/none")


#: What a process may do to others of its account and to their files, without opening any of them.
TO_OTHERS: dict[str, Callable[[Path], Any]] = {
    "chmod": lambda folder: (folder / "neighbour").chmod(0o666),
    "fchmod": lambda folder: os.fchmod(os.open(folder / "take", os.O_RDONLY), 0o666),
    "fchmodat2": lambda folder: call(452, -100, bytes(folder / "neighbour"), 0o666, 0),
    "chown": lambda folder: os.chown(folder / "neighbour", os.geteuid(), -1),
    "fchown": lambda folder: os.chown(os.open(folder / "take", os.O_RDONLY), os.geteuid(), -1),
    "lchown": lambda folder: os.lchown(folder / "neighbour", os.geteuid(), -1),
    "utime": lambda folder: os.utime(folder / "neighbour", (1, 1)),
    "futime": lambda folder: os.utime(os.open(folder / "take", os.O_RDONLY), (1, 1)),
    "setxattr": lambda folder: os.setxattr(folder / "neighbour", "user.x", b"x"),
    "fsetxattr": lambda folder: os.setxattr(os.open(folder / "take", os.O_RDONLY), "user.x", b"x"),
    "removexattr": lambda folder: os.removexattr(folder / "take", "user.kept"),
    "truncate": lambda folder: os.truncate(folder / "neighbour", 0),
    "truncate while reading": lambda folder: os.open(folder / "take", os.O_RDONLY | os.O_TRUNC),
    "limit its worker": lambda folder: resource.prlimit(os.getppid(), resource.RLIMIT_CORE, (0, 0)),
    "look at its limits": lambda folder: resource.prlimit(os.getppid(), resource.RLIMIT_CORE),
    "renice its worker": lambda folder: os.setpriority(os.PRIO_PROCESS, os.getppid(), 5),
    "renice its group": lambda folder: os.setpriority(os.PRIO_PGRP, 0, 5),
    "schedule its worker": lambda folder: os.sched_setscheduler(
        os.getppid(), os.SCHED_BATCH, os.sched_param(0)
    ),
    "bind its worker": lambda folder: os.sched_setaffinity(os.getppid(), os.sched_getaffinity(0)),
    "signal its worker": lambda folder: os.kill(os.getppid(), signal.SIGCONT),
    "signal its group": lambda folder: os.killpg(0, signal.SIGCONT),
    "signal a thread": lambda folder: call("tgkill", os.getppid(), os.getppid(), signal.SIGCONT),
    "queue a signal": lambda folder: call("sigqueue", os.getppid(), signal.SIGCONT, None),
    "signal by descriptor": lambda folder: signal.pidfd_send_signal(
        os.pidfd_open(os.getppid()), signal.SIGCONT
    ),
    "own a signal": own_a_signal,
    "lease": lease,
    "trace its worker": lambda folder: call("ptrace", 0x4206, os.getppid(), 0, 0),  # PTRACE_SEIZE
    "read its worker's memory": lambda folder: call("process_vm_readv", os.getppid(), 0, 0, 0, 0, 0),
    "a user namespace": lambda folder: call("unshare", 0x10000000),
    "a user namespace by clone": lambda folder: new_user_space(False),
    "a user namespace by clone3": lambda folder: new_user_space(True),
    "outlive its worker": lambda folder: call("prctl", 1, 0, 0, 0, 0),
    "a ring of calls": lambda folder: call(425, 8, (ctypes.c_char * 120)()),
    "memory as a file": lambda folder: os.memfd_create("program"),
}  # fmt: skip
#: Programs that it was not given, in the ways round the path to them.
TO_RUN: dict[str, Callable[[Path], Any]] = {
    "start a shell": lambda folder: os.execv("/bin/sh", ["sh", "-c", "true"]),
    "start through the loader": lambda folder: os.execv(LOADER, [LOADER, "/bin/true"]),
    "start from memory": run_from_memory,
}


def other_calls(folder: Path) -> list[int]:
    """The numbers of the calls that get through though no work needs them."""
    from fairtake.serving.calls import needed

    through, libc = [], ctypes.CDLL(None, use_errno=True)
    # Two that no filter sees: the kernel's own probes, which end whoever else calls them.
    probes = {335, 336} if os.uname().machine == "x86_64" else set()
    for number in set(range(600)) - set(needed(os.uname().machine)) - probes:
        for asked in (number, number | 0x40000000):  # as x32 has it
            got = libc.syscall(asked, -1, -1, -1, -1, -1, -1)
            if got != -1 or ctypes.get_errno() not in (errno.EPERM, errno.ENOSYS):
                through.append(asked)
    return through


DEEDS: dict[str, Callable[[Path], Any]] = {
    **TO_OTHERS,
    **TO_RUN,
    "every other call": other_calls,
    "read its take": lambda folder: (folder / "take").read_text(),
    "write into its scratch": lambda folder: (folder / "scratch/new").write_text("new"),
    "look around": lambda folder: len(descriptors()),
    "encode": encode,
    "encode silently": encode_silently,
    "read a neighbour": lambda folder: (folder / "neighbour").read_text(),
    "read /etc/shadow": lambda folder: Path("/etc/shadow").read_bytes(),
    "read its own process": lambda folder: Path("/proc/self/environ").read_bytes(),
    "change its take": lambda folder: (folder / "take").write_text("other"),
    "write beside its scratch": lambda folder: (folder / "new").write_text("new"),
    "remove a neighbour": lambda folder: (folder / "neighbour").unlink(),
    "link into its scratch": lambda folder: (folder / "scratch/l").symlink_to(folder / "neighbour"),
    "hard link": lambda folder: os.link(folder / "neighbour", folder / "scratch/l"),
    "make a pipe": lambda folder: os.mkfifo(folder / "scratch/fifo"),
    "connect": connect,
    "send a datagram": lambda folder: socket.socket(socket.AF_INET, socket.SOCK_DGRAM),
    "open a local socket": lambda folder: socket.socket(socket.AF_UNIX),
    "leave its group": lambda folder: os.setsid(),
    "move to another group": lambda folder: os.setpgid(0, 0),
    "gain rights": lambda folder: ctypes.CDLL(None).prctl(39, 0, 0, 0, 0) == 1 or 1 / 0,
    "grow": grow,
    "multiply": multiply,
    "fill the disk": fill,
    "spin": spin,
    "crash": lambda folder: ctypes.string_at(0),
    "abort": lambda folder: os.abort(),
    "give up": lambda folder: os._exit(3),
    "leave something behind": lambda folder: os.fork() or time.sleep(60),
    "talk nonsense": talk_nonsense,
}


def deed(folder: Path, name: str) -> dict[str, Any]:
    said: list[str] = []

    def work(say: Say) -> dict[str, Any]:
        say("work", 0.5)
        try:
            return {"done": repr(DEEDS[name](folder))}
        except (OSError, MemoryError) as e:
            return {"refused": type(e).__name__}

    try:
        answer = confined(
            work, rights(folder, name), lambda verb, share: said.append(f"{verb} {share}")
        )
        return {**answer, "said": sorted(set(said))} if len(said) > 1 else answer
    except Died as e:
        return {"died": str(e)}


if __name__ == "__main__":
    folder, *names = sys.argv[1:]
    if names[0].startswith("landlock="):
        version = min(int(names.pop(0).partition("=")[2]), sandbox.landlock_version())
        sandbox.landlock_version = lambda: version  # type: ignore[assignment]
    with contextlib.suppress(OSError):  # not on every drive
        os.setxattr(Path(folder) / "take", "user.kept", b"kept")
    if os.geteuid() == 0 and "multiply" in names:
        os.setgid(NOBODY)  # no limit counts the processes of root
        os.setuid(NOBODY)
    print(json.dumps({name: deed(Path(folder), name) for name in names}))
