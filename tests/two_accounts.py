"""Other accounts than that of the tests, made by their numbers alone; for tests that run as root."""

from __future__ import annotations

import os
import shutil
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

#: The account of the service, and that of somebody who drops takes.
SERVICE, DROPPER = 12345, 65534
needs_root = pytest.mark.skipif(
    os.name != "posix" or os.geteuid() != 0, reason="only root can be other accounts"
)


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that every account may reach and write into."""
    folder = Path(tempfile.mkdtemp(prefix="fairtake-accounts-"))
    try:
        folder.chmod(0o777)
        yield folder
    finally:
        shutil.rmtree(folder)


def as_account(account: int, work: Callable[[], None]) -> None:
    """Do *work* in a process of that account, and fail where it fails."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            become(account)
            work()
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def become(account: int) -> None:
    os.setgroups([])
    os.setresgid(account, account, account)
    os.setresuid(account, account, account)
