"""fairtake.folders.pages: pages are written whole, and over nothing that is not ours."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from fairtake.folders.pages import put_page

MARK = "<!-- ours -->"


def test_a_page_is_put_and_put_again(tmp_path: Path):
    """A page of ours is replaced, and nothing else is left behind."""
    assert put_page(tmp_path, "a.html", f"{MARK} one", MARK)
    assert put_page(tmp_path, "a.html", f"{MARK} two", MARK)
    assert (tmp_path / "a.html").read_text() == f"{MARK} two"
    assert [p.name for p in tmp_path.iterdir()] == ["a.html"]


@pytest.mark.parametrize("kind", ["file", "folder", "link", "pipe"])
def test_what_is_not_ours_stays(tmp_path: Path, kind: str):
    """Whatever else stands under a page's name stays as it is, a link to one of ours too."""
    page = tmp_path / "index.html"
    if kind == "file":
        page.write_text("my own start page")
    elif kind == "folder":
        page.mkdir()
    elif kind == "link":
        (tmp_path / "other.html").write_text(MARK)
        page.symlink_to("other.html")
    else:
        os.mkfifo(page)
    before = page.lstat()
    assert not put_page(tmp_path, "index.html", f"{MARK} ours", MARK)
    after = page.lstat()
    assert (after.st_ino, after.st_size) == (before.st_ino, before.st_size)
    if kind == "link":
        assert (tmp_path / "other.html").read_text() == MARK


def test_no_link_is_followed_on_the_way(tmp_path: Path):
    """A title's folder that became a link leads nowhere."""
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "outbox").mkdir()
    (tmp_path / "outbox" / "title").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OSError):
        put_page(tmp_path / "outbox", "title/index.html", MARK, MARK)
    assert not list((tmp_path / "elsewhere").iterdir())


def test_names_that_are_no_text(tmp_path: Path):
    """A page may stand under any name a file can have, and hold any letters."""
    name = os.fsdecode(b"caf\xe9 \xf0\x9f\x8e\x99.html")
    assert put_page(tmp_path, name, f"{MARK} \udce9", MARK)
    assert (tmp_path / name).read_bytes().startswith(MARK.encode())
