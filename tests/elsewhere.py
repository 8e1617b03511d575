"""Runs fairtake as it would meet another system: ``python tests/elsewhere.py SYSTEM ARGUMENTS...``.

Only fairtake's own files are shown the other system; Python and the libraries go on in the true one.
To them ``sys.platform`` and ``os.name`` are those of darwin or win32, what these do not have is missing
from ``os`` and ``signal`` or cannot be imported, and calls that behave differently there do so here.
What the other systems do: Python's own documentation of os, signal and fcntl.
"""

from __future__ import annotations

import builtins
import errno
import fcntl
import importlib.abc
import importlib.machinery
import os
import stat
import sys
import types
from collections.abc import Sequence
from typing import Any

#: Where workers, which are started anew, read which system it is.
SYSTEM = "FAIRTAKE_TESTED_AS"
MISSING_MODULES = {
    "darwin": {"msvcrt", "winreg"},
    "win32": {"fcntl", "resource", "pwd", "grp", "termios", "tty", "pty", "syslog"},
}
MISSING = {
    ("darwin", "os"): ["O_PATH", "O_TMPFILE", "posix_fadvise", "posix_fallocate", "sched_getaffinity",
                       "memfd_create", "copy_file_range"],
    ("darwin", "signal"): ["SIGRTMIN", "SIGPOLL"],
    ("darwin", "fcntl"): ["F_SETLEASE", "F_GETLEASE", "F_NOTIFY"],
    ("win32", "os"): ["O_PATH", "O_TMPFILE", "O_NOFOLLOW", "O_DIRECTORY", "O_CLOEXEC", "O_NONBLOCK",
                      "posix_fadvise", "posix_fallocate", "sched_getaffinity", "memfd_create", "fork",
                      "forkpty", "killpg", "setpgid", "getpgid", "getpgrp", "tcgetpgrp", "setsid",
                      "sysconf", "getuid", "geteuid", "getgid", "getegid", "chown", "fchown", "lchown",
                      "fchmod", "statvfs", "mkfifo", "mknod", "WNOHANG", "nice", "getloadavg", "uname",
                      "copy_file_range", "sync", "initgroups", "setuid", "setgid", "chroot"],
    ("win32", "signal"): ["SIGKILL", "SIGHUP", "SIGQUIT", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGCHLD",
                          "SIGPIPE", "SIGSTOP", "SIGCONT", "SIGXCPU", "SIGXFSZ", "setitimer", "alarm"],
}  # fmt: skip


# --- calls that behave differently on Windows ----------------------------------------------------


def _only_whole_paths(call: Any) -> Any:
    """There are no descriptors of folders, so nothing is reached through one."""

    def checked(*given: Any, **named: Any) -> Any:
        if any(named.get(key) is not None for key in ("dir_fd", "src_dir_fd", "dst_dir_fd")):
            raise NotImplementedError("dir_fd unavailable on this platform")
        return call(*given, **named)

    return checked


def _open(path: Any, flags: int, *given: Any, **named: Any) -> int:
    if os.path.isdir(path):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
    return int(_only_whole_paths(os.open)(path, flags, *given, **named))


def _fsync(descriptor: int) -> None:
    if fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF))
    os.fsync(descriptor)


def _rename(source: Any, target: Any, **named: Any) -> None:
    if os.path.lexists(target):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
    _only_whole_paths(os.rename)(source, target, **named)


def _msvcrt() -> types.ModuleType:
    """Its locks of files, which a second process is refused at once."""

    def locking(descriptor: int, mode: int, count: int) -> None:
        try:
            fcntl.lockf(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB, count)
        except OSError:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES)) from None

    module = types.ModuleType("msvcrt")
    module.__dict__.update(locking=locking, LK_NBLCK=2)
    return module


class _Entry:
    """What is known of a file from listing its folder lacks its numbers."""

    def __init__(self, entry: os.DirEntry[str]) -> None:
        self._entry, self.name, self.path = entry, entry.name, entry.path

    def __fspath__(self) -> str:
        return self.path

    def __getattr__(self, name: str) -> Any:
        return getattr(self._entry, name)

    def stat(self, **named: Any) -> os.stat_result:
        known = list(self._entry.stat(**named))
        known[stat.ST_INO] = known[stat.ST_DEV] = known[stat.ST_NLINK] = 0
        return os.stat_result(known)


class _Listing:
    def __init__(self, path: Any) -> None:
        self._entries = os.scandir(path)

    def __enter__(self) -> Any:
        return (_Entry(entry) for entry in self._entries)

    def __exit__(self, *_: object) -> None:
        self._entries.close()


DIFFERENT: dict[tuple[str, str], dict[str, Any]] = {
    ("darwin", "os"): {},
    ("darwin", "sys"): {"platform": "darwin"},
    ("win32", "sys"): {"platform": "win32"},
    ("win32", "os"): {
        "name": "nt", "sep": os.sep, "O_BINARY": 0, "open": _open, "fsync": _fsync, "rename": _rename,
        "scandir": _Listing,
        **{name: _only_whole_paths(getattr(os, name))
           for name in ("stat", "lstat", "unlink", "replace", "access", "mkdir", "rmdir", "link")},
    },
}  # fmt: skip


# --- what fairtake's files get to see --------------------------------------------------------------


class _Seen(types.ModuleType):
    """A module of the true system as another system has it."""

    def __init__(self, true: types.ModuleType, system: str) -> None:
        super().__init__(true.__name__)
        key = system, true.__name__
        self._true, self._missing = true, frozenset(MISSING.get(key, ()))
        self.__dict__.update(DIFFERENT.get(key, {}))

    def __getattr__(self, name: str) -> Any:
        if name in self._missing:
            raise AttributeError(f"module '{self.__name__}' has no attribute '{name}'")
        return getattr(self._true, name)


class _Elsewhere(importlib.abc.MetaPathFinder):
    """Finds fairtake's files, and lets them import from another system."""

    def __init__(self, system: str) -> None:
        names = {name for on, name in (*MISSING, *DIFFERENT) if on == system}
        seen = {name: _Seen(importlib.import_module(name), system) for name in names}
        if system == "win32":
            seen["msvcrt"] = _msvcrt()
        missing = MISSING_MODULES[system]

        def import_(name: str, *given: Any) -> Any:
            if name in missing:
                raise ModuleNotFoundError(f"No module named '{name}'", name=name)
            return seen.get(name) or builtins.__import__(name, *given)

        self._builtins = {**vars(builtins), "__import__": import_}

    def find_spec(self, name: str, path: Sequence[str] | None, target: Any = None) -> Any:
        if name.split(".")[0] != "fairtake":
            return None
        spec = importlib.machinery.PathFinder.find_spec(name, path, target)
        if spec is not None and spec.loader is not None:
            run = spec.loader.exec_module

            def exec_module(module: types.ModuleType) -> None:
                module.__dict__["__builtins__"] = self._builtins
                run(module)

            spec.loader.exec_module = exec_module  # type: ignore[method-assign]
        return spec


def main() -> None:
    from fairtake.cli import main as fairtake

    fairtake(sys.argv[2:])


# Workers load this file anew, under another name, before they load anything of fairtake.
if __name__ == "__main__":
    os.environ[SYSTEM] = sys.argv[1]
if __name__ in ("__main__", "__mp_main__"):
    sys.meta_path.insert(0, _Elsewhere(os.environ[SYSTEM]))
if __name__ == "__main__":
    main()
