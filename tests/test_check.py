"""fairtake.check: every problem of a ROOT at once."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from fairtake import check
from fairtake.check import problems
from fairtake.folders import SETTINGS_FILE, Root
from roots import drop, new_root
from two_accounts import DROPPER, SERVICE, needs_root


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


def bad(root: Root) -> list[str]:
    return [sentence for kind, sentence in problems(root.path) if kind == "bad"]


@needs_root
def test_takes_whose_writers_cannot_be_seen_are_noted(root: Root) -> None:
    """Whoever asks: what counts is the account that has the claims. And what to do is said."""
    drop(root, "a.wav", b"x")
    os.chown(root.claims, SERVICE, SERVICE)
    os.chown(root.inbox / "a.wav", SERVICE, SERVICE)
    assert not any("CAP_LEASE" in sentence for _, sentence in problems(root.path))
    os.chown(root.inbox / "a.wav", DROPPER, DROPPER)
    [(kind, said)] = [found for found in problems(root.path) if "CAP_LEASE" in found[1]]
    assert kind == "note" and "still for 60 s" in said and "force user" in said
    os.chown(root.claims, 0, 0)
    assert not any("CAP_LEASE" in sentence for _, sentence in problems(root.path))


TITLES = {
    "Typo": (b'profil = "stream"\n', "Typo/title.toml, line 1: unknown key 'profil', did you mean"),
    "Unknown": (b'profile = "podcats"\n', "Unknown/title.toml: There is no profile"),
    "Deep/er": (b"[overrides.trim]\nhead_s = 99\n", "Deep/er/title.toml, line 2: overrides.trim"),
    "No TOML": (b"profile = \n", "No TOML/title.toml: not valid TOML"),
    "No text": (b"\xff\xfe", "No text/title.toml: not UTF-8"),
    "Nested": (b"a = " + b"[" * 5000, "Nested/title.toml"),
    "podcast": (b"[overrides.limit]\nceiling_dbtp = 9\n", "podcast/title.toml, line 2"),
}


def test_every_title_toml_is_looked_into(root: Root) -> None:
    """What would send takes to quarantine is told before they come. Issue, part 9."""
    for title, (text, _) in TITLES.items():
        drop(root, f"{title}/title.toml", text)
    drop(root, "Case/Title.TOML", b"profil = 1\n")
    drop(root, "Good/title.toml", b'profile = "speech"\n[tags]\nauthor = "A"\n')
    found = bad(root)
    for words in ("Case/Title.TOML, line 1", *(words for _, words in TITLES.values())):
        assert sum(words in sentence for sentence in found) == 1, words
    assert len(found) == len(TITLES) + 1


def test_a_cover_that_is_not_there_is_noted(root: Root) -> None:
    """The takes are finished without it, so it need not be mended. Design: title.toml."""
    drop(root, "T/title.toml", b'cover = "cover.jpg"\n')
    said = "the cover 'cover.jpg' is not beside it: without it the title's takes end in quarantine."
    assert ("note", f"T/title.toml: {said}") in problems(root.path)
    drop(root, "T/cover.jpg", b"x")
    assert not any("cover" in sentence for _, sentence in problems(root.path))


@pytest.mark.parametrize(
    "broken", ["settle = 3\nworkers = -1\noutbox = 'elsewhere'\n", "settle_s = \n"]
)
def test_broken_settings_hide_no_other_problem(root: Root, broken: str) -> None:
    """Settings, a title, a profile and a folder are wrong, and all of it is told at once."""
    (root.path / SETTINGS_FILE).write_text(broken)
    drop(root, "T/title.toml", b'profil = "stream"\n')
    (root.profiles / "own.toml").write_text("chain = [\n")
    root.originals.rmdir()
    found = bad(root)
    for words in (SETTINGS_FILE, "T/title.toml", "own.toml", str(root.originals)):
        assert sum(words in sentence for sentence in found) == 1, words
    # What could be read of the settings is heeded: the outbox was meant to lie elsewhere.
    assert any(str(root.path / "elsewhere") in s for s in found) == ("elsewhere" in broken)


def test_a_title_toml_that_is_a_link_or_a_folder_is_passed_over(root: Root, tmp_path: Path) -> None:
    """As the service passes it over. Requirement 22: links are never followed."""
    (tmp_path / "secret").write_text("a secret\n")
    for title in ("L", "F"):
        (root.inbox / title).mkdir()
    (root.inbox / "L/title.toml").symlink_to(tmp_path / "secret")
    (root.inbox / "F/title.toml").mkdir()
    assert bad(root) == []


def test_a_title_toml_without_end_is_told_unread(root: Root) -> None:
    """Anybody may drop one: a sparse terabyte, or keys that take the reader of TOML minutes."""
    drop(root, "A/title.toml", b"")
    os.truncate(root.inbox / "A/title.toml", 2**40)
    drop(root, "B/title.toml", b"[a" + b".a" * 30_000 + b"]")
    large, costly = bad(root)
    assert "A/title.toml: it is larger than 64 KiB" in large
    assert "B/title.toml, line 1: more than 1500 dots" in costly


def test_what_would_keep_the_owner_from_being_told(tmp_path: Path) -> None:
    """A command that is not there, and settings with a command that everybody may write."""
    root = new_root(tmp_path / "root", notify={"command": ["/no/such/teller", "now"]})
    [sentence] = bad(root)
    assert "notify.command: '/no/such/teller' cannot be run" in sentence
    root = new_root(tmp_path / "open", notify={"command": [sys.executable]})
    assert bad(root) == []
    (root.path / SETTINGS_FILE).chmod(0o666)
    [sentence] = bad(root)
    assert "may be written by everybody" in sentence


@pytest.mark.parametrize("compiled", [True, False])
def test_it_says_where_the_loops_in_c_are_missing(
    root: Root, monkeypatch: pytest.MonkeyPatch, compiled: bool
) -> None:
    """A compiler that was not there when fairtake was installed is felt with every take."""
    monkeypatch.setattr(check, "COMPILED", compiled)
    assert (("note", check.SLOW) in problems(root.path)) == (not compiled)
