"""Wake the service when something changes in the inbox. What changed, the scan finds out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from watchdog.observers.api import BaseObserver

#: Events that our own reading of the inbox causes.
_IDLE_EVENTS = ("opened", "closed_no_write")


def start_watching(inbox: Path, how: str, wake: Callable[[], None]) -> BaseObserver:
    """Call *wake* at every change below *inbox*; *how* is native or polling."""
    from watchdog.events import FileSystemEventHandler
    from watchdog.observers import Observer
    from watchdog.observers.polling import PollingObserver

    class Waker(FileSystemEventHandler):
        def on_any_event(self, event: Any) -> None:
            if event.event_type not in _IDLE_EVENTS:
                wake()

    observer = PollingObserver(timeout=1.0) if how == "polling" else Observer()
    observer.schedule(Waker(), str(inbox), recursive=True)
    observer.start()
    return observer
