"""fairtake.folders.names: any name comes in, a name for any drive comes out."""

from __future__ import annotations

import json
import os
import unicodedata
from pathlib import Path, PurePosixPath

import pytest

from crashing import reason
from fairtake.folders import Root, claim, quarantine, quarantined, requeue
from fairtake.folders.names import portable
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
    "old device": "com1.part.wav",
    "superscript device": "LPT\u00b9.wav",
    "blank at the end": "end .wav",
    "dot at the end": "end..wav",
    "a line of its own": "a\u2028b.wav",
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
    said = [
        json.loads(p.read_text())["take"]["name"] for p in root.outbox.glob(f"*{RECEIPT_SUFFIX}")
    ]
    assert sorted(said) == sorted(ODD_NAMES.values())
    look_portable(root.outbox, root.originals)


def look_portable(*homes: Path) -> None:
    """No two names are one on a drive that folds case or Unicode forms, and none is refused."""
    for home in homes:
        names = [p.name for p in files_below(home)]
        assert len({name.casefold() for name in names}) == len(names)
        for name in names:
            assert name.encode() and len(name.encode()) <= 255  # text, and short enough
            assert not set(name) & set('<>:"/\\|?*') and name.isprintable()
            assert unicodedata.is_normalized("NFC", name) and name == name.rstrip(" .")
            assert name.split(".")[0].casefold() not in ("con", "nul", "com1", "lpt\u00b9")


def test_as_many_quarantined_as_dropped_whatever_their_names(root: Root) -> None:
    """A reason says the odd name verbatim, and the take can go back. Requirement 14: names."""
    for name in ODD_NAMES.values():
        drop(root, name, os.fsencode(name))
    for name in scan(root.inbox):
        claimed = claim(root, name)
        assert claimed is not None
        quarantine(root, claimed, reason(claimed.name, claimed.title))
    said = quarantined(root)
    look_portable(root.quarantine)
    assert {known["take"]["name"] for _, known in said} == set(ODD_NAMES.values())
    for path, known in said:
        assert requeue(root, path) == known["take"]["name"]
    assert {p.read_bytes() for p in root.inbox.iterdir()} == set(
        map(os.fsencode, ODD_NAMES.values())
    )


PORTABLE = {
    "plain.wav": "plain.wav",
    "Tide/Part 1/one.wav": "Tide/Part 1/one.wav",
    "a:b.wav": "a_b.wav",
    "CON.wav": "_CON.wav",
    "con/aux.x.wav": "_con/_aux.x.wav",
    "end. /one .wav": "end/one.wav",
    "cafe\u0301.wav": "caf\u00e9.wav",
    os.fsdecode(b"one\xff.wav"): "one_.wav",
    "..wav ": "_.wav",
    "n" * 251 + ".wav": "n" * 150 + ".wav",
    "\u00e9" * 125 + ".wav": "\u00e9" * 75 + ".wav",
    "../x": "_/x",
    "one.wav.reason.json": "one.wav.reason_.json",
    "one.wav.Reason.JSON ": "one.wav.Reason_.JSON",
    "n" * 143 + ".reason.json": "n" * 143 + ".reason_.json",
    ".reason.json": ".reason_.json",
    "one.receipt.json": "one.receipt.json",  # none is looked for where takes and originals lie
}


@pytest.mark.parametrize("name", PORTABLE, ids=ascii)
def test_a_portable_name_stays_as_near_as_may_be(name: str) -> None:
    """Only what a drive may refuse is changed, and only once. Reserved words: common practice."""
    assert portable(name) == PORTABLE[name]
    assert portable(portable(name)) == portable(name)


def test_a_folder_and_a_file_of_one_name_both_come_out(root: Root, model: str) -> None:
    """A folder called x.wav and a take x.wav want the same name. Requirement 14: N in, N out."""
    for names in (("x.wav", "x.wav/one.wav"), ("y.wav/one.wav", "y.wav")):
        data = {name: name.encode() for name in names}
        for name in names:
            if (root.inbox / name).is_dir():
                (root.inbox / name).rmdir()
            drop(root, name, data[name])
            finish_one(root, name, data[name], model)
            if "/" in name:
                (root.inbox / PurePosixPath(name).parent).rmdir()
    kept = {p.read_bytes() for p in files_below(root.originals)}
    assert kept == {b"x.wav", b"x.wav/one.wav", b"y.wav", b"y.wav/one.wav"}


def test_what_is_dropped_is_no_word_about_another_take(root: Root) -> None:
    """Nobody looks after the take x.wav in quarantine but its own reason; a dropped file of such a name
    stands there under another one, and goes back under its own. Requirement 14."""
    (root.quarantine / "x.wav").write_bytes(b"put there by hand")
    name, forged = "x.wav.reason.json", b'{"code": "forged", "take": {"name": "x.wav"}}'
    drop(root, name, forged)
    claimed = claim(root, name)
    assert claimed is not None
    path = quarantine(root, claimed, reason(claimed.name, claimed.title))
    [(listed, known)] = quarantined(root)
    assert listed == path == "x.wav.reason_.json" and known["take"]["name"] == name
    assert requeue(root, path) == name and (root.inbox / name).read_bytes() == forged


@pytest.mark.parametrize("said", ["../x.wav", "/etc/x.wav", "other.wav", "a\0b"])
def test_a_reason_cannot_send_a_take_elsewhere(root: Root, said: str) -> None:
    """Anybody may have written it: it is believed only for a name that fits. Requirement 7, paths."""
    (root.quarantine / "_").mkdir()
    (root.quarantine / "_/x.wav").write_bytes(b"raw")
    folder, _, name = said.rpartition("/")
    text = json.dumps({"take": {"title": folder or "/", "name": name}})
    (root.quarantine / "_/x.wav.reason.json").write_text(text)
    assert requeue(root, "_/x.wav") == "_/x.wav"
    assert [p.relative_to(root.inbox).as_posix() for p in files_below(root.inbox)] == ["_/x.wav"]
