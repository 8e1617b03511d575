"""Run a function in a process of its own that may do no more than it must.

The process is forked, so that it begins warm, and lives for this one call. What it says is text, a
line of JSON at a time: a process that was taken over by the file it read can lie, but no word of
its is ever run. It ends with the process that called.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from typing import Any

from fairtake.lifeline import adopt_orphans, end_with
from fairtake.pulse import felt_by
from fairtake.serving.sandbox import Rights, confine

#: Nothing that is said is longer; a receipt is a few dozen kilobytes.
_MOST_SAID_BYTES = 16 * 2**20

Say = Callable[[str, float], None]


class Died(Exception):
    """The process ended without an answer. Its text says how."""


def can_confine() -> bool:
    """Whether processes are confined here at all."""
    return sys.platform == "linux"


def confined(work: Callable[[Say], dict[str, Any]], rights: Rights, said: Say) -> dict[str, Any]:
    """What *work* answers. It is called in the new process; *said* hears here what it says there.

    Raises `Died`.
    """
    adopt_orphans()
    ours, theirs = multiprocessing.Pipe(duplex=False)
    parent, process = os.getpid(), os.fork()
    if process == 0:
        _live(work, rights, theirs, parent)
    theirs.close()
    try:
        answer = _heard(ours, said)
    finally:
        ours.close()
        os.kill(process, signal.SIGKILL)  # it has nothing more to do, and is not yet waited for
        status = os.waitpid(process, 0)[1]
    if answer is None:
        raise Died(ended(os.waitstatus_to_exitcode(status)))
    if _left_behind():
        raise Died("The worker left processes behind.")
    return answer


def ended(status: int) -> str:
    """The end of a process in words."""
    if status < 0:
        try:
            return f"The worker was ended by {signal.Signals(-status).name}."
        except ValueError:
            pass
    return f"The worker ended with status {status}."


def _heard(pipe: Connection, said: Say) -> dict[str, Any] | None:
    """The answer; None when the process ends without one, or says what makes no sense."""
    for word in _words(pipe):
        match word:
            case {"answer": dict(answer)}:
                return answer
            case {"verb": str(verb), "share": int() | float() as share} if verb.isalpha():
                said(verb[:20], min(max(float(share), 0.0), 1.0))
            case _:
                return None
    return None


def _words(pipe: Connection) -> Iterator[Any]:
    while True:
        try:
            yield json.loads(pipe.recv_bytes(_MOST_SAID_BYTES))
        except (EOFError, OSError, ValueError, RecursionError):
            return


def _left_behind() -> bool:
    """Whether anything that the process started has outlived it."""
    try:
        os.waitpid(-1, os.WNOHANG)
    except ChildProcessError:
        return False
    return True


def _live(
    work: Callable[[Say], dict[str, Any]], rights: Rights, pipe: Connection, parent: int
) -> None:
    """The life of the new process. Does not return."""
    status = 1
    try:
        end_with(parent)
        _let_go_of_all_but(pipe.fileno())
        confine(rights)

        last = ("start", 0.0)

        def say(verb: str, share: float) -> None:
            nonlocal last
            last = verb, share
            pipe.send_bytes(json.dumps({"verb": verb, "share": share}).encode())

        with felt_by(lambda: say(*last)):
            answer = work(say)
        pipe.send_bytes(json.dumps({"answer": answer}).encode())
        status = 0
    finally:
        os._exit(status)


def _let_go_of_all_but(kept: int) -> None:
    """Close what was inherited: pipes to other workers, the service's files, its log."""
    nothing = os.open(os.devnull, os.O_RDWR)
    for standard in (0, 1, 2):
        os.dup2(nothing, standard)
    most = os.sysconf("SC_OPEN_MAX")
    os.closerange(3, kept)
    os.closerange(kept + 1, min(most, 2**20) if most > 0 else 2**20)
