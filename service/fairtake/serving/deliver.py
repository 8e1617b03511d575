"""The process of an errand: bound to the service, it becomes the owner's command, or makes a POST.

``python -m fairtake.serving.deliver run PARENT COMMAND...``
``python -m fairtake.serving.deliver post PARENT SECONDS``: the address is the first line of the input.
"""

from __future__ import annotations

import os
import sys
from http.client import HTTPException
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

from fairtake.lifeline import end_with


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


def run(command: list[str]) -> NoReturn:
    """Become *command*."""
    try:
        os.execvp(command[0], command)
    except OSError as e:
        sys.exit(f"{command[0]}: {e.strerror}")


if __name__ == "__main__":
    way, parent, *rest = sys.argv[1:]
    end_with(int(parent))
    if way == "run":
        run(rest)
    address = sys.stdin.buffer.readline().decode("ascii").strip()
    post(address, sys.stdin.buffer.read(), float(rest[0]))
