"""Clear out what was kept long enough, now and then, beside the service's own work."""

from __future__ import annotations

import threading

from fairtake.errors import FairtakeError
from fairtake.folders import Root
from fairtake.folders.drives import Drives
from fairtake.folders.retention import Deleted, Skipped, clear_out, is_on
from fairtake.serving.log import event
from fairtake.serving.making import described

EVERY_S = 6 * 3600.0


def clear_out_now(root: Root) -> None:
    """Delete what may go, a log line a file. A fault is logged, and ends it for this time. Raises nothing."""
    try:
        Drives(root).require()
        skipped = []
        for step in clear_out(root):
            if isinstance(step, Deleted):
                event("deleted", step.path, what=step.what, receipt=step.receipt)
            else:
                skipped.append(step)
        if skipped:
            event("fault", why=_said_of(skipped))
    except FairtakeError as e:
        event("fault", why=f"Nothing more is cleared out for now. {e.message}")
    except OSError as e:
        event("fault", why=f"Nothing more is cleared out for now: {e}.")
    except Exception as e:  # a bug of ours: the thread lives on, and the service ends as it should
        event("fault", why=f"Nothing more is cleared out for now: {described(e)}")


def _said_of(skipped: list[Skipped]) -> str:
    """In a sentence or two: there may be thousands, for one and the same reason."""
    first = skipped[0]
    return (
        f"{len(skipped)} finished takes were kept long enough, but may not be read or removed, and "
        f"stay. Mend the rights of their files. The first is {first.receipt}: {first.why}."
    )


def start_clearing_out(root: Root) -> None:
    """Clear out now and every few hours, on a thread that ends with the service."""
    if is_on(root):
        threading.Thread(target=_go_on, args=(root,), name="housekeeping", daemon=True).start()


def _go_on(root: Root) -> None:
    never = threading.Event()
    while True:
        clear_out_now(root)
        never.wait(EVERY_S)
