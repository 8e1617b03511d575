"""The system calls that a confined process has: those that decoding and encoding need, and no others.

Of what is not listed nothing works, so that no call has to be thought of that could do harm: rights,
owners, times and attributes of files, other processes and their limits, sockets, namespaces, memory that
is run as a program. A call that does several things is allowed by what it is asked for.

Numbers are those of the kernel's own headers: unistd_64.h for x86-64, asm-generic/unistd.h for ARM,
and seccomp.h, bpf_common.h, audit.h, fcntl.h, sched.h, prctl.h.
"""

from __future__ import annotations

import errno
import signal
import struct
from collections.abc import Iterator

#: Each call with its number on x86-64 and on ARM, where it has one.
_CALLS = """
    read 0 63  write 1 64  readv 19 65  writev 20 66  pread64 17 67  pwrite64 18 68  lseek 8 62
    close 3 57  close_range 436 436  fstat 5 80  stat 4 -  lstat 6 -  newfstatat 262 79
    statfs 137 43  fstatfs 138 44  statx 332 291  access 21 -  faccessat 269 48  faccessat2 439 439
    readlink 89 -  readlinkat 267 78
    getdents64 217 61  getcwd 79 17  unlink 87 -  unlinkat 263 35  dup 32 23  dup2 33 -  dup3 292 24
    pipe 22 -  pipe2 293 59  ftruncate 77 46  fsync 74 82  fdatasync 75 83  fadvise64 221 223
    poll 7 -  ppoll 271 73  select 23 -  pselect6 270 72  sendfile 40 71  copy_file_range 326 285
    mmap 9 222  munmap 11 215  mprotect 10 226  mremap 25 216  brk 12 214  madvise 28 233
    fork 57 -  vfork 58 -  execve 59 221  exit 60 93  exit_group 231 94  wait4 61 260  waitid 247 95
    futex 202 98  set_robust_list 273 99  set_tid_address 218 96  rseq 334 293  sched_yield 24 124
    sched_getaffinity 204 123  membarrier 324 283  arch_prctl 158 -  getrlimit 97 163  getrusage 98 165
    rt_sigaction 13 134  rt_sigprocmask 14 135  rt_sigreturn 15 139  sigaltstack 131 132
    restart_syscall 219 128  clock_gettime 228 113  clock_getres 229 114  clock_nanosleep 230 115
    nanosleep 35 101  gettimeofday 96 169  time 201 -  times 100 153  getpid 39 172  gettid 186 178
    getppid 110 173  getpgid 121 155  getuid 102 174  geteuid 107 175  getgid 104 176  getegid 108 177
    uname 63 160  sysinfo 99 179  getrandom 318 278  getcpu 309 168  umask 95 166
    open 2 -  openat 257 56  fcntl 72 25  ioctl 16 29  prctl 157 167  prlimit64 302 261  clone 56 220
    tgkill 234 131
"""
_MACHINES = {"x86_64": (0xC000003E, 1), "aarch64": (0xC00000B7, 2)}

#: Bits of an argument, which is counted from 0, and what they have to be.
Bits = tuple[int, int, int]
_ALL = 0xFFFFFFFF
_EMPTIES, _ACCESS, _WRITES, _READS_AND_WRITES = 0o1000, 0o3, 0o1, 0o2
#: Copies of descriptors and their flags: no leases, no owner of signals, no notices.
_FCNTL = (0, 1, 2, 3, 4, 1030)
#: Whether it is a terminal, its size, and whether it is closed at execve.
_IOCTL = (0x5401, 0x802C542A, 0x5413, 0x5450, 0x5451)
#: The signal at a parent's death, a thread's name, whether new rights can be had.
_SET_DEATH_SIGNAL, _PRCTL = 1, (2, 15, 16, 39)
#: Every kind of namespace, and a child that is not ours but our parent's.
_APART = 0x7E000000 | 0x20000 | 0x8000
#: Libraries do without calls as young as this where a kernel says that it does not know them.
_YOUNG = 424

_LOAD, _AND, _IF_EQUAL, _IF_AT_LEAST, _RETURN = 0x20, 0x54, 0x15, 0x35, 0x06
_ALLOW, _FAIL = 0x7FFF0000, 0x00050000
_NUMBER_AT, _MACHINE_AT, _ARGUMENTS_AT = 0, 4, 16

Line = tuple[int, int, int, int]


def needed(machine: str) -> dict[int, str]:
    """The calls by their numbers on a *machine*; none where it is not known."""
    if machine not in _MACHINES:
        return {}
    words, column = _CALLS.split(), _MACHINES[machine][1]
    named = zip(words[column::3], words[::3], strict=True)
    return {int(number): name for number, name in named if number != "-"}


def _asked(process: int) -> dict[str, list[tuple[Bits, ...]]]:
    """What may be asked of the calls that do several things, a row for each way."""

    def opened(flags: int) -> list[tuple[Bits, ...]]:
        # Before its version 3, Landlock lets a file be emptied that is opened to be read.
        writes = [((flags, _ACCESS, how),) for how in (_WRITES, _READS_AND_WRITES)]
        return [((flags, _EMPTIES, 0),), *writes]

    bound = ((0, _ALL, _SET_DEATH_SIGNAL), (1, _ALL, int(signal.SIGKILL)))
    return {
        "open": opened(1),
        "openat": opened(2),
        "fcntl": [((1, _ALL, what),) for what in _FCNTL],
        "ioctl": [((1, _ALL, what),) for what in _IOCTL],
        "prctl": [bound, *(((0, _ALL, what),) for what in _PRCTL)],
        "prlimit64": [((0, _ALL, 0),)],  # its own
        "clone": [((0, _APART, 0),)],
        "tgkill": [((0, _ALL, process),)],  # itself, which is how it aborts
    }


def filter_for(machine: str, process: int) -> bytes:
    """The program for seccomp that leaves *process* and its children the calls they need.

    b"" for a *machine* that is not known.
    """
    if machine not in _MACHINES:
        return b""
    code: list[Line] = [
        (_LOAD, 0, 0, _MACHINE_AT),
        (_IF_EQUAL, 1, 0, _MACHINES[machine][0]),
        (_RETURN, 0, 0, _FAIL | errno.EPERM),
    ]
    asked = _asked(process)
    for number, name in needed(machine).items():
        for bits in asked.get(name, [()]):
            code += _allowed(number, bits)
    code += [
        (_LOAD, 0, 0, _NUMBER_AT),
        (_IF_AT_LEAST, 0, 1, _YOUNG),
        (_RETURN, 0, 0, _FAIL | errno.ENOSYS),
        (_RETURN, 0, 0, _FAIL | errno.EPERM),
    ]
    return b"".join(struct.pack("HBBI", *line) for line in code)


def _allowed(number: int, bits: tuple[Bits, ...]) -> Iterator[Line]:
    """Allow one call with these *bits*; with others, or another call, the program goes on behind."""
    left = 1 + 3 * len(bits)  # lines behind the one that compares
    yield (_LOAD, 0, 0, _NUMBER_AT)
    yield (_IF_EQUAL, 0, left, number)
    for argument, mask, value in bits:
        left -= 3
        yield (_LOAD, 0, 0, _ARGUMENTS_AT + 8 * argument)
        yield (_AND, 0, 0, mask)
        yield (_IF_EQUAL, 0, left, value)
    yield (_RETURN, 0, 0, _ALLOW)
