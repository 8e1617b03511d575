"""The process of an errand: bound to the service, it looks after the owner's command, or makes a POST.

``python -m fairtake.serving.deliver run PARENT COMMAND...``
``python -m fairtake.serving.deliver post PARENT SECONDS``: the address is the first line of the input.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from http.client import HTTPException
from pathlib import Path
from typing import NoReturn
from urllib.error import HTTPError, URLError
from urllib.request import (
    HTTPDefaultErrorHandler,
    HTTPErrorProcessor,
    HTTPHandler,
    HTTPSHandler,
    OpenerDirector,
    ProxyHandler,
    Request,
    UnknownHandler,
)

from fairtake.lifeline import adopt_orphans, end_with


def _opener() -> OpenerDirector:
    """Speaks HTTP and HTTPS, through a proxy where the environment names one, and nothing else: it
    opens no file, and follows no redirect, which would make another request of a POST."""
    opener = OpenerDirector()
    for handler in (
        ProxyHandler(), HTTPHandler(), HTTPSHandler(), HTTPErrorProcessor(), HTTPDefaultErrorHandler(),
        UnknownHandler(),
    ):  # fmt: skip
        opener.add_handler(handler)
    return opener


def post(url: str, document: bytes, most_s: float) -> None:
    """POST a JSON *document*. Exits with a sentence when that fails; a redirect is a failure."""
    headers = {"Content-Type": "application/json", "User-Agent": "fairtake"}
    request = Request(url, document, headers, method="POST")
    try:
        _opener().open(request, timeout=most_s).close()  # type: ignore[union-attr]
    except HTTPError as e:
        hint = ", a redirect, which is not followed" if 300 <= e.code < 400 else ""
        sys.exit(f"the answer was {e.code} {e.reason}{hint}")
    except URLError as e:
        sys.exit(f"the address cannot be reached: {e.reason}")
    except (OSError, HTTPException) as e:
        sys.exit(f"no answer came: {type(e).__name__}: {e}")


def run(command: list[str], parent: int) -> NoReturn:
    """Run *command*, and end as it ends, when all that it started has ended too. Only on Linux.

    What leaves its session stays ours: it becomes a child of ours, and on SIGTERM, or when *parent* is
    gone, every child is killed.
    """
    signal.signal(signal.SIGTERM, _end_all)
    end_with(parent, by=signal.SIGTERM)
    adopt_orphans()
    child, status = _started(command), 0
    with contextlib.suppress(ChildProcessError):  # no child is left
        while True:
            ended, how = os.wait()
            status = how if ended == child else status
    _end_like(os.waitstatus_to_exitcode(status))


def _started(command: list[str]) -> int:
    keeper, child = os.getpid(), os.fork()
    if child:
        return child
    try:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # which Python ignores
        end_with(keeper)
        os.execvp(command[0], command)
    except OSError as e:
        print(f"{command[0]}: {e.strerror}", file=sys.stderr, flush=True)
    finally:
        os._exit(1)


def _end_all(*_: object) -> NoReturn:
    """Kill child after child; what a dead one leaves behind is a child of ours the next time."""
    with contextlib.suppress(ChildProcessError):
        while True:
            for child in _children():
                with contextlib.suppress(OSError):
                    os.kill(child, signal.SIGKILL)
            os.wait()
    os._exit(1)


def _children() -> Iterator[int]:
    us = str(os.getpid())
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if (process / "stat").read_text(errors="replace").rpartition(")")[2].split()[1] == us:
                yield int(process.name)


def _end_like(status: int) -> NoReturn:
    """End by the signal that ended the command, or with its *status*."""
    if status < 0:
        with contextlib.suppress(OSError):  # SIGKILL needs none, and takes none
            signal.signal(-status, signal.SIG_DFL)
        os.kill(os.getpid(), -status)
    sys.exit(status)


if __name__ == "__main__":
    way, parent, *rest = sys.argv[1:]
    if way == "run":
        run(rest, int(parent))
    end_with(int(parent))
    address = sys.stdin.buffer.readline().decode("ascii").strip()
    post(address, sys.stdin.buffer.read(), float(rest[0]))
