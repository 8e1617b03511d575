"""Wake whoever looks through the inbox when something changes there. What changed, the scan finds out.

Events are a courtesy: a folder may send none at all (a share sends those of this machine only), the
watch may die with the folder it was put on, the system may have no more watches to give. So the
watch proves itself with a canary, is looked at before each scan, and set anew when it is dead.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from fairtake.mounts import file_system, is_remote
from fairtake.serving.log import event
from fairtake.serving.scan import is_ignored

if TYPE_CHECKING:
    from watchdog.observers.api import BaseObserver

Watching = Literal["auto", "native", "polling"]
#: Hidden, so that it is no take; always the same, so that one left by a crash is taken away.
CANARY = ".fairtake-canary"
#: An event of the system's comes within milliseconds, or never.
CANARY_S = 2.0
POLL_S = 1.0
#: So many changes in a row of which no event told, and the watch is taken for deaf.
DEAF_AFTER = 3
#: Events that our own reading of the inbox causes.
_IDLE_EVENTS = ("opened", "closed_no_write")
#: What goes can wait, above all where we took it away ourselves, and what comes into a folder has an event
#: of its own: kinds of events, and whether they tell of a folder.
_WITHOUT_HURRY = {("deleted", False), ("deleted", True), ("modified", True)}
_IN_WORDS = {
    errno.ENOSPC: "the system has no more watches to give (fs.inotify.max_user_watches)",
    errno.EMFILE: "the system has no more watchers to give (fs.inotify.max_user_instances)",
}


class Watch:
    """Calls *wake* when something comes or changes below *folder*; ``how`` tells in which way it does at
    present."""

    def __init__(self, folder: Path, wanted: Watching, wake: Callable[[], None]) -> None:
        self.how: Literal["native", "polling", "none"] = "none"
        self._folder, self._wanted, self._wake = folder, wanted, wake
        self._observer: BaseObserver | None = None
        self._watched: tuple[int, int] | None = None
        self._recursive = True
        self._canary = threading.Event()
        self._misses, self._deaf = 0, False

    def mend(self, recursive: bool = True) -> None:
        """Start the watch, or set it anew when it is dead or looks at a folder that is gone.

        Not *recursive* where another drive lies below, which could make the system's walk hang.
        Raises ``OSError`` when the folder is not there.
        """
        status = os.stat(self._folder)
        here = status.st_dev, status.st_ino
        if self._alive() and (here, recursive) == (self._watched, self._recursive):
            return
        self.stop()
        self._watched, self._recursive = here, recursive
        why = self._start_best()
        event("watching", how=self.how, why=why)

    def missed(self) -> None:
        """A scan found a change of which no event told."""
        self._misses += 1
        if self._misses >= DEAF_AFTER and (self._wanted, self.how) == ("auto", "native"):
            self._deaf = True
            self.stop()

    def stop(self) -> None:
        if self._observer is not None:
            with contextlib.suppress(Exception):  # a watch on what is gone may stumble over that
                self._observer.stop()
                self._observer.join(POLL_S)
        self._observer, self.how = None, "none"

    def _alive(self) -> bool:
        """Every emitter lives: the observer itself says so even when all of them are dead."""
        observer = self._observer
        return (
            observer is not None
            and observer.is_alive()
            and bool(observer.emitters)
            and all(emitter.is_alive() for emitter in observer.emitters)
        )

    def _start_best(self) -> str:
        """The best way there is; why it is not the best one in the world, or ''."""
        why = "set so" if self._wanted == "polling" else ""
        if self._deaf:
            why = "files changed and no event told of it"
        elif self._wanted == "auto" and is_remote(kind := file_system(self._folder)):
            why = f"a network drive ({kind}) tells nothing of what other machines write"
        if not why:
            try:
                self._start("native")
            except OSError as e:
                why = _IN_WORDS.get(e.errno or 0, str(e.strerror or e))
            else:
                if self._wanted == "native" or self._canary_sings():
                    return ""
                why = "no event came for a file of our own"
                self.stop()
        try:
            self._start("polling")
        except OSError as e:
            why = f"{why}; {e.strerror or e}: every scan_s has to do"
        return why

    def _start(self, how: Literal["native", "polling"]) -> None:
        from watchdog.events import FileSystemEventHandler
        from watchdog.observers import Observer
        from watchdog.observers.polling import PollingObserver

        watch = self
        # Its own race, when a folder is made and filled at once; it would be a line in our log.
        warnings.filterwarnings("ignore", "Callback with id", RuntimeWarning)

        class Waker(FileSystemEventHandler):
            def on_any_event(self, event: Any) -> None:
                watch._heard(event)

        observer: Any = PollingObserver(timeout=POLL_S) if how == "polling" else Observer()
        observer.schedule(Waker(), str(self._folder), recursive=self._recursive)
        try:
            observer.start()
        except RecursionError:  # it walks through all of them, by calling itself
            said = "folders lie too deep in one another"
            raise OSError(errno.ENAMETOOLONG, said, str(self._folder)) from None
        self._observer, self.how = observer, how

    def _heard(self, event: Any) -> None:
        names = [os.path.basename(os.fsdecode(path)) for path in (event.src_path, event.dest_path)]
        if CANARY in names:
            self._canary.set()
        elif event.event_type not in _IDLE_EVENTS and not all(map(is_ignored, filter(None, names))):
            self._misses = 0
            if (event.event_type, event.is_directory) not in _WITHOUT_HURRY:
                self._wake()

    def _canary_sings(self) -> bool:
        """Whether a file of our own in the folder makes an event."""
        self._canary.clear()
        canary = self._folder / CANARY
        try:
            canary.write_bytes(b"")
            return self._canary.wait(CANARY_S)
        except OSError:
            return False
        finally:
            with contextlib.suppress(OSError):
                canary.unlink()
