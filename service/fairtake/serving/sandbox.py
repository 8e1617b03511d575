"""What a process that opens strangers' files may do: little, and never again more than that.

Limits hold memory, file size, processor time and the number of processes. Landlock (Linux 5.13 and
later) lets it read, write and run only what it was given; a seccomp filter leaves it only the system
calls that its work needs (`calls.py`). None of them needs rights of its own. Where the system has one
of them not, the others hold, and `missing` says so for `fairtake check`.

Numbers are those of the kernel's own headers: landlock.h, prctl.h, elf.h.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import os
import platform
import struct
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from fairtake.serving.calls import filter_for, needed

if sys.platform != "win32":
    import resource


#: The tasks of a user are counted anew after so long: looking at every process takes its time.
COUNTED_S = 5.0


@functools.lru_cache(maxsize=1)
def _tasks_of_user(moment: float) -> int:
    """Processes and threads of this user, which the limit counts all together; the same all *moment*."""
    user, count = os.getuid(), 0
    for process in os.scandir("/proc"):
        try:
            if process.name.isdigit() and process.stat().st_uid == user:
                count += len(os.listdir(f"/proc/{process.name}/task"))
        except OSError:
            continue  # it has ended
    return count


@dataclass(frozen=True)
class Rights:
    """What a confined process may do; it may read Python and the system's libraries besides.

    ``memory_bytes`` come on top of what it has when it begins, ``processes`` on top of the ``tasks``
    of its user.
    """

    read: tuple[Path, ...]
    write: Path
    run: tuple[Path, ...]
    memory_bytes: int
    file_bytes: int
    cpu_s: int
    processes: int = 64 + 4 * (os.cpu_count() or 1)  # an encoder starts a few threads a core
    tasks: int = field(default_factory=lambda: _tasks_of_user(time.monotonic() // COUNTED_S))


def confine(rights: Rights) -> None:
    """Hold this process, and all it will start, to *rights*. There is no way back."""
    if sys.platform != "linux":
        return
    _limit(rights)
    _libc().prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    if landlock_version():
        _landlock(rights)
    _only_needed_calls()


def missing() -> Iterator[str]:
    """What this system cannot keep a worker from, in sentences."""
    if sys.platform != "linux":
        yield "This system cannot confine the workers: a file that breaks a decoder is stopped by nothing."
        return
    if not landlock_version():
        yield "This kernel has no Landlock: a worker may read, write and run whatever the service may."
    if not needed(_machine()):
        yield "This processor is not known to the filter of system calls: a worker may use the network, and change files and processes of the service's account."
    if os.geteuid() == 0:
        yield "The service would run as root, whose processes the system does not count: use an account of its own."


@functools.cache
def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


# --- limits ------------------------------------------------------------------------------------


def _limit(rights: Rights) -> None:
    page = resource.getpagesize()
    has = int(Path("/proc/self/statm").read_text().split()[5]) * page
    for limit, value in (
        (resource.RLIMIT_DATA, has + rights.memory_bytes),
        (resource.RLIMIT_FSIZE, rights.file_bytes),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_NOFILE, 256),
        (resource.RLIMIT_NPROC, rights.tasks + rights.processes),
    ):
        most = resource.getrlimit(limit)[1]
        value = value if most == resource.RLIM_INFINITY else min(value, most)
        resource.setrlimit(limit, (value, value))

    most = resource.getrlimit(resource.RLIMIT_CPU)[1]
    # Two of them: at the first its end bears the name SIGXCPU.
    more = rights.cpu_s + 5 if most == resource.RLIM_INFINITY else most
    resource.setrlimit(resource.RLIMIT_CPU, (min(rights.cpu_s, more), more))


# --- Landlock ----------------------------------------------------------------------------------

_PR_SET_NO_NEW_PRIVS = 38
_CREATE_RULESET, _ADD_RULE, _RESTRICT_SELF = 444, 445, 446
_EXECUTE, _WRITE_FILE, _READ_FILE, _READ_DIR = 1 << 0, 1 << 1, 1 << 2, 1 << 3
_REMOVE_FILE, _MAKE_FILE, _TRUNCATE = 1 << 5, 1 << 8, 1 << 14
_OF_FILES = _EXECUTE | _WRITE_FILE | _READ_FILE | _TRUNCATE
_READ = _READ_FILE | _READ_DIR
#: No links, pipes, sockets or devices can be made, and nothing be linked in from elsewhere.
_WRITE = _READ | _WRITE_FILE | _TRUNCATE | _MAKE_FILE | _REMOVE_FILE
_PT_INTERP = 3
#: How many of the rights each version of Landlock knows, from the first bit on.
_KNOWN_BITS = {1: 13, 2: 14, 3: 15, 4: 15}
_SYSTEM = ("/lib", "/lib64", "/usr", "/etc/ld.so.cache")


@functools.cache
def landlock_version() -> int:
    """The version of Landlock this kernel offers, 0 for none."""
    if sys.platform != "linux":
        return 0
    return max(int(_libc().syscall(_CREATE_RULESET, None, 0, 1)), 0)


def _landlock(rights: Rights) -> None:
    version = landlock_version()
    handled = (1 << _KNOWN_BITS.get(version, 16)) - 1
    tcp = 3 if version >= 4 else 0
    apart = 3 if version >= 6 else 0  # no signals and no abstract sockets to processes outside
    attributes = struct.pack("QQQ", handled, tcp, apart)[: 24 if apart else 16 if tcp else 8]
    rules = _libc().syscall(_CREATE_RULESET, attributes, len(attributes), 0)
    if rules < 0:
        return
    for path, access in _accesses(rights):
        _allow(rules, path, access & handled)
    _libc().syscall(_RESTRICT_SELF, rules, 0)
    os.close(rules)


def _accesses(rights: Rights) -> Iterator[tuple[Path, int]]:
    for path in rights.read:
        yield path, _READ
    yield rights.write, _WRITE
    for path in rights.run:
        yield path.resolve(), _EXECUTE | _READ
        if loader := _loader_of(path):
            yield loader.resolve(), _EXECUTE | _READ
    yield from places_of_system()


@functools.cache
def places_of_system() -> tuple[tuple[Path, int], ...]:
    """What every process here needs: Python, the system's libraries, nothing."""
    read = [(path.resolve(), _READ) for path in (*_python(), *map(Path, _SYSTEM))]
    return (*read, (Path(os.devnull), _READ_FILE | _WRITE_FILE | _TRUNCATE))


def _loader_of(program: Path) -> Path | None:
    """What the system starts in a *program*'s stead to bring its libraries; None where it has all in it.

    It would start any program that can be read, so that nothing else may be run by it.
    """
    with contextlib.suppress(OSError, struct.error), open(program, "rb") as file:
        head = file.read(64)
        if head[:5] == b"\x7fELF\x02":
            begin, size, count = struct.unpack("=32xQ14xHH6x", head)
            for number in range(count):
                file.seek(begin + number * size)
                kind, _, place, _, _, length = struct.unpack("=IIQQQQ", file.read(40))
                if kind == _PT_INTERP:
                    file.seek(place)
                    return Path(os.fsdecode(file.read(length).rstrip(b"\0")))
    return None


def _python() -> set[Path]:
    """Where Python's modules and ours are read from."""
    installed = {Path(p) for p in sys.path if p.endswith(("site-packages", "dist-packages"))}
    return {*installed, Path(os.__file__).parent, Path(__file__).parents[1]}


def _allow(rules: int, path: Path, access: int) -> None:
    try:
        descriptor = os.open(path, os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError:
        return  # not on this system
    try:
        access &= ~0 if os.path.isdir(path) else _OF_FILES
        rule = struct.pack("=Qi", access, descriptor)
        _libc().syscall(_ADD_RULE, rules, 1, rule, 0)
    finally:
        os.close(descriptor)


# --- seccomp -----------------------------------------------------------------------------------

_PR_SET_SECCOMP, _FILTERED = 22, 2


class _Program(ctypes.Structure):
    _fields_ = (("length", ctypes.c_ushort), ("code", ctypes.c_char_p))


def _machine() -> str:
    return platform.machine() if sys.maxsize > 2**32 else ""


def _only_needed_calls() -> None:
    code = filter_for(_machine(), os.getpid())
    if code:
        program = _Program(len(code) // 8, code)
        _libc().prctl(_PR_SET_SECCOMP, _FILTERED, ctypes.byref(program), 0, 0)
