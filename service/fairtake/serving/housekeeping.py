"""Clear out what was kept long enough, now and then, beside the service's own work."""

from __future__ import annotations

import threading

from fairtake.errors import FairtakeError
from fairtake.folders import Root
from fairtake.folders.drives import Drives
from fairtake.folders.retention import clear_out, is_on
from fairtake.serving.log import event
from fairtake.serving.making import described

EVERY_S = 6 * 3600.0


def clear_out_now(root: Root) -> None:
    """Delete what may go, a log line a file. A fault is logged, and ends it for this time. Raises nothing."""
    try:
        Drives(root).require()
        for deleted in clear_out(root):
            event("deleted", deleted.path, what=deleted.what, receipt=deleted.receipt)
    except FairtakeError as e:
        event("fault", why=f"Nothing more is cleared out for now. {e.message}")
    except OSError as e:
        event("fault", why=f"Nothing more is cleared out for now: {e}.")
    except Exception as e:  # a bug of ours: the thread lives on, and the service ends as it should
        event("fault", why=f"Nothing more is cleared out for now: {described(e)}")


def start_clearing_out(root: Root) -> None:
    """Clear out now and every few hours, on a thread that ends with the service."""
    if is_on(root):
        threading.Thread(target=_go_on, args=(root,), name="housekeeping", daemon=True).start()


def _go_on(root: Root) -> None:
    never = threading.Event()
    while True:
        clear_out_now(root)
        never.wait(EVERY_S)
