"""Wakes the service's loop from another thread or a signal."""

from __future__ import annotations

import threading
from multiprocessing.connection import Pipe


class Waker:
    """``pipe`` has something to read once `wake` was called, until `sleep` is."""

    def __init__(self) -> None:
        self.pipe, self._end = Pipe(duplex=False)
        self._waking = threading.Lock()

    def wake(self, *_: object) -> None:
        # One waiting word is enough; a full pipe would block whoever writes to it.
        if self._waking.acquire(blocking=False):
            try:
                if not self.pipe.poll():
                    self._end.send(True)
            finally:
                self._waking.release()

    def sleep(self) -> None:
        while self.pipe.poll():
            self.pipe.recv()
