"""Whether somebody on this machine has a file open for writing, as far as the system tells.

Linux tells it by a lease, of the account's own files alone: for those of others it takes CAP_LEASE. Of
these the tables of open files may tell, where they may be read. They never tell that nobody writes:
processes may be hidden, or live in another container.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import signal
import sys
from pathlib import Path

#: Said where takes of other accounts are dropped, with how long they have to be still.
UNSEEN = (
    "Whether somebody still writes a take of another account cannot be seen here, so that it has to be "
    "still for {:.0f} s (unseen_s). Have the share write as the account of the service (Samba: force "
    "user), or give the service the right CAP_LEASE."
)


def open_for_writing(path: Path) -> bool | None:
    """Whether somebody has the file open for writing; None: it is another account's, so that nobody
    tells us. False where a system never tells."""
    if sys.platform != "linux":
        return False
    import fcntl

    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        # A writer who comes before it is given back is told by a signal: SIGIO would be our end, and
        # this one nobody minds.
        fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
        # A read lease is granted only while no writer has the file open.
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as e:
        if e.errno == errno.EACCES:
            return _in_tables(os.fstat(descriptor)) or None
        return e.errno == errno.EAGAIN
    finally:
        os.close(descriptor)
    return False


def _in_tables(file: os.stat_result) -> bool:
    """Whether the table of open files of some process that we may look into shows a writer."""
    for process in filter(str.isdigit, os.listdir("/proc")):
        with contextlib.suppress(OSError):  # it ended, or is not for us to see
            for number in os.listdir(f"/proc/{process}/fd"):
                if _writes(process, number, file):
                    return True
    return False


def _writes(process: str, number: str, file: os.stat_result) -> bool:
    with contextlib.suppress(OSError):
        if os.path.samestat(os.stat(f"/proc/{process}/fd/{number}"), file):
            said = Path(f"/proc/{process}/fdinfo/{number}").read_text()
            flags = re.search(r"^flags:\s*([0-7]+)$", said, re.MULTILINE)
            return flags is not None and int(flags[1], 8) & os.O_ACCMODE != os.O_RDONLY
    return False
