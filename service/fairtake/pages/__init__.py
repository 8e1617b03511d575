"""Receipts as pages: static HTML that opens from a folder in any browser and asks nobody for anything.

Every page is one file: its style and its script stand inside and are named by their hashes in a content
security policy, so nothing else runs. All that comes from outside goes through jinja2's escaping.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from importlib import resources
from typing import Any
from urllib.parse import quote

#: In the first lines of every page of ours; a page without it is somebody else's and stays as it is.
MARK = '<meta name="generator" content="fairtake">'


def page(template: str, script: str | None, **values: Any) -> str:
    """The page that *template* makes of *values*, with *script* in it."""
    style, code = _text("style.css"), _text(script) if script else ""
    return _environment().get_template(template).render(
        mark=MARK, policy=_policy(style, code), style=style, script=code, **values
    )  # fmt: skip


def sheet_name(stem: str) -> str:
    """The file of a take's page. A title's own page is its folder's index."""
    return f"{stem}.sheet.html" if stem.casefold() == "index" else f"{stem}.html"


def link(path: str) -> str:
    """A relative path as the address of a link. A name may hold anything, lone surrogates too."""
    return "./" + quote(path.encode("utf-8", "surrogateescape"))


def shown(text: str) -> str:
    """A name that can be written as UTF-8, whatever its bytes were."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def _policy(style: str, code: str) -> str:
    scripts = f"script-src {_hash(code)}" if code else "script-src 'none'"
    return (
        f"default-src 'none'; style-src {_hash(style)}; {scripts}; media-src 'self' file:; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@functools.cache
def _text(name: str) -> str:
    return (resources.files(__name__) / "templates" / name).read_text("utf-8").strip()


@functools.cache
def _environment() -> Any:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FunctionLoader(_text), autoescape=True, undefined=jinja2.StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
