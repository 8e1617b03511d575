"""fairtake.folders.names: any name comes in, a name for any drive comes out."""

from __future__ import annotations

import json
import os
import unicodedata
from pathlib import PurePosixPath

import pytest

from crashing import reason
from fairtake.folders import Root, claim, quarantine, quarantined, requeue
from fairtake.folders.names import key, portable
from fairtake.receipt import RECEIPT_SUFFIX
from fairtake.serving.scan import scan
from roots import drop, files_below, finish_one

ODD_NAMES = {
    "composed": "caf\u00e9.wav",
    "decomposed": "cafe\u0301.wav",
    "upper case": "CAFE.wav",
    "lower case": "cafe.wav",
    "newline": "one\ntwo.wav",
    "not UTF-8": os.fsdecode(b"one\xff\xfe.wav"),
    "255 bytes": "n" * 251 + ".wav",
    "255 bytes of wide letters": "\u00e9" * 125 + "n.wav",
    "colon": "a:b.wav",
    "device": "CON.wav",
    "no stem": "~2.wav",
    "two dots": "one.two.wav",
    "no suffix": "take",
    "quote": 'it\'s "one" <b>.wav',
}


def test_as_many_out_as_in_whatever_their_names(root: Root, model: str) -> None:
    """Takes with odd names all come out, none on another's place. Requirement 14: names."""
    for name in ODD_NAMES.values():
        drop(root, name, os.fsencode(name))
    for name in scan(root.inbox):
        finish_one(root, name, os.fsencode(name), model)
    assert len(list(root.outbox.glob(f"*{RECEIPT_SUFFIX}"))) == len(ODD_NAMES)
    assert {p.read_bytes() for p in root.originals.iterdir()} == set(
        map(os.fsencode, ODD_NAMES.values())
    )


def test_as_many_quarantined_as_dropped_whatever_their_names(root: Root) -> None:
    """A reason says the odd name verbatim, and the take can go back. Requirement 14: names."""
    for name in ODD_NAMES.values():
        drop(root, name, os.fsencode(name))
    for name in scan(root.inbox):
        claimed = claim(root, name)
        assert claimed is not None
        quarantine(root, claimed, reason(claimed.name, claimed.title))
    said = quarantined(root)
    assert {known["take"]["name"] for _, known in said} == set(ODD_NAMES.values())
    for path, _ in said:
        requeue(root, path)
    assert {p.read_bytes() for p in root.inbox.iterdir()} == set(
        map(os.fsencode, ODD_NAMES.values())
    )
