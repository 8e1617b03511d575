"""One log line an event, plain or JSON: when, what, which take, and the rest."""

from __future__ import annotations

import json
import logging
import sys
from datetime import datetime
from typing import Any, Literal

from fairtake.text import one_line

_log = logging.getLogger("fairtake")

#: The words a line may begin with. They are stable; README.md says what each one means.
Action = Literal[
    "started", "watching", "seen", "claimed", "began", "recovered", "published", "duplicate",
    "quarantined", "unclaimed", "crashed", "waiting", "resumed", "fault", "left", "gave-up",
    "deleted", "stopped",
]  # fmt: skip


#: What says no more than that a service is there.
_FRAME = ("started", "watching", "stopped")


def start_log(form: str, handler: logging.Handler | None = None, quiet: bool = False) -> None:
    """Log to standard error, or through *handler*, as *form* plain or json.

    A *quiet* log begins with the first line about anything but the service's own coming and going,
    so that a run with nothing to do says nothing.
    """
    handler = handler or logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Json() if form == "json" else _Plain())
    handler.filters[:] = [_Quiet(handler)] if quiet else []
    _log.handlers[:] = [handler]
    _log.setLevel(logging.INFO)
    _log.propagate = False
    logging.getLogger("watchdog").setLevel(logging.CRITICAL)  # it warns of its own way to stop


def event(action: Action, take: str = "", **more: Any) -> None:
    """Log that *action* happened to *take*."""
    _log.info(
        action,
        extra={"take": take, "more": {k: v for k, v in more.items() if v not in ("", None, ())}},
    )


class _Quiet(logging.Filter):
    """Keeps lines of the frame back until there is another line for it to hold."""

    def __init__(self, handler: logging.Handler) -> None:
        super().__init__()
        self._handler = handler
        self._kept: list[logging.LogRecord] | None = []

    def filter(self, record: logging.LogRecord) -> bool:
        if self._kept is not None and record.getMessage() in _FRAME:
            self._kept.append(record)
            return False
        kept, self._kept = self._kept, None
        for one in kept or ():
            self._handler.handle(one)
        return True


class _Plain(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created).isoformat(" ", "seconds")
        take, more = record.__dict__["take"], record.__dict__["more"]
        said = [
            at,
            record.getMessage().ljust(11),
            *([json.dumps(take, ensure_ascii=False)] if take else []),
            *(f"{key}: {_text(value)}" for key, value in more.items()),
        ]
        return one_line("  ".join(said))


class _Json(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created).astimezone().isoformat()
        take = {"take": record.__dict__["take"]} if record.__dict__["take"] else {}
        return json.dumps(
            {"at": at, "action": record.getMessage(), **take, **record.__dict__["more"]}
        )


def _text(value: Any) -> str:
    text = ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else str(value)
    # Two blanks end a value: a name that holds them must not begin another one.
    return json.dumps(text, ensure_ascii=False) if "  " in text else text
