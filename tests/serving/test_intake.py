"""fairtake.serving.intake: real threads on real folders, from the copy to the claim."""

from __future__ import annotations

import contextlib
import mmap
import os
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fairtake.folders import Claim, Root
from fairtake.folders.drives import Drives
from fairtake.serving import part
from fairtake.serving.intake import Intake
from fairtake.serving.part import HeldUp, PutBack, Refused, Taken
from frozen import frozen_drive
from roots import CUT, new_root, spoken, until

SETTLE_S = 0.5


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return spoken(tmp_path_factory.mktemp("take") / "take.wav", 2, 2.6)


class Way:
    """An intake on a ROOT, and what it gave."""

    def __init__(self, root: Root, want: int) -> None:
        self.root, self.news = root, []
        drives = Drives(root)
        drives.remember()
        self.intake = Intake(root, drives, lambda: None, once=False)
        self.intake.start()
        self.intake.want(want)

    def hear(self) -> list[Any]:
        self.intake.mind_mounts()
        self.news += self.intake.news()
        return self.news

    def taken(self) -> dict[str, Claim]:
        """The takes claimed so far and not put back."""
        found: dict[str, Claim] = {}
        for news in self.hear():
            if isinstance(news, Taken):
                assert news.claimed.path not in found, "claimed twice"
                found[news.claimed.path] = news.claimed
            elif isinstance(news, PutBack):
                found.pop(news.claimed.path, None)
        return found

    def takes(self, *names: str, deadline_s: float = 20) -> None:
        until(lambda: set(names) <= self.taken().keys(), deadline_s)


@contextlib.contextmanager
def taking_in(root: Root, want: int = 99) -> Iterator[Way]:
    way = Way(root, want)
    try:
        yield way
    finally:
        way.intake.stop()


def quick(path: Path, **settings: Any) -> Root:
    defaults = {"settle_s": SETTLE_S, "scan_s": 0.5, "incomplete_grace_s": 3}
    return new_root(path, **(defaults | settings))


# --- every way a copy can be made --------------------------------------------------------------------


def at_once(path: Path, data: bytes) -> None:
    path.write_bytes(data)


def slowly(path: Path, data: bytes) -> None:
    with open(path, "wb") as file:
        for at in range(0, len(data), len(data) // 9):
            file.write(data[at : at + len(data) // 9])
            file.flush()
            time.sleep(0.2)


def after_a_pause_at_nothing(path: Path, data: bytes) -> None:
    path.touch()
    time.sleep(3 * SETTLE_S)
    path.write_bytes(data)


def into_its_full_size(path: Path, data: bytes) -> None:
    path.write_bytes(bytes(len(data)))
    for at in range(0, len(data), len(data) // 8):
        time.sleep(0.25)
        with open(path, "r+b") as file:
            file.seek(at)
            file.write(data[at : at + len(data) // 8])


def with_the_time_of_its_source(path: Path, data: bytes) -> None:
    for end in (len(data) // 2, len(data)):
        path.write_bytes(data[:end])
        os.utime(path, (1_000_000, 1_000_000))
        time.sleep(0.3)


def opened_again(path: Path, data: bytes) -> None:
    path.write_bytes(data[:-50])
    time.sleep(0.7 * SETTLE_S)
    with open(path, "ab") as file:
        file.write(data[-50:])


def held_open(path: Path, data: bytes) -> None:
    with open(path, "wb") as file:
        file.write(data)
        file.flush()
        time.sleep(3 * SETTLE_S)
        file.seek(100)
        file.write(data[100:200])


def under_a_working_name(path: Path, data: bytes) -> None:
    part = path.with_name(path.name + ".part")
    slowly(part, data)
    os.rename(part, path)


def as_rsync_does(path: Path, data: bytes) -> None:
    part = path.with_name(f".{path.name}.Xy12Zq")
    slowly(part, data)
    os.utime(part, (1_000_000, 1_000_000))
    os.rename(part, path)


def by_link_and_unlink(path: Path, data: bytes) -> None:
    part = path.with_name(f"{path.name}.filepart")
    slowly(part, data)
    os.link(part, path)
    os.unlink(part)


def as_a_whole_folder(path: Path, data: bytes) -> None:
    folder = path.parents[3] / f"{path.stem} on its way"
    folder.mkdir()
    (folder / path.name).write_bytes(data)
    os.rename(folder, path.parent / "moved in")


def beside_its_side_file(path: Path, data: bytes) -> None:
    path.with_name(f"._{path.name}").write_bytes(b"\0" * 4096)
    path.write_bytes(data)


COPIES: list[Callable[[Path, bytes], None]] = [
    at_once, slowly, after_a_pause_at_nothing, into_its_full_size, with_the_time_of_its_source,
    opened_again, held_open, under_a_working_name, as_rsync_does, by_link_and_unlink,
    as_a_whole_folder, beside_its_side_file,
]  # fmt: skip


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory, take: bytes) -> dict[str, bytes]:
    """Every way of copying, all at the same time; the bytes under each name that was claimed."""
    root = quick(tmp_path_factory.mktemp("copies") / "root")
    with taking_in(root) as way:
        threads = []
        for copy in COPIES:
            folder = root.inbox / copy.__name__
            folder.mkdir()
            (folder / "title.toml").touch()
            threads.append(threading.Thread(target=copy, args=(folder / "take.wav", take)))
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        until(lambda: len(way.taken()) >= len(COPIES), 20)
        time.sleep(3 * SETTLE_S)  # whatever else would come
        return {path: claimed.take.read_bytes() for path, claimed in way.taken().items()}


@pytest.mark.parametrize("copy", COPIES, ids=lambda copy: copy.__name__)
def test_however_a_copy_is_made_it_is_one_take_of_its_final_bytes(
    copied: dict[str, bytes], take: bytes, copy: Callable[[Path, bytes], None]
) -> None:
    """One gate for every way of writing and of finishing a copy. Requirements 5 and 7."""
    if copy is held_open and sys.platform != "linux":
        pytest.skip("only Linux tells who has a file open")
    assert [data for path, data in copied.items() if path.startswith(f"{copy.__name__}/")] == [take]


def test_a_restart_midway_begins_the_settling_anew(tmp_path: Path, take: bytes) -> None:
    """Start-up is no shortcut: what was half written then is not taken. Requirement 5."""
    root = quick(tmp_path / "root", incomplete_grace_s=60)
    writer = threading.Thread(target=slowly, args=(root.inbox / "take.wav", take))
    writer.start()
    for _ in range(3):
        with taking_in(root) as way:
            time.sleep(0.3)
            assert way.taken() == {}
    writer.join()
    with taking_in(root) as way:
        way.takes("take.wav")
        assert way.taken()["take.wav"].take.read_bytes() == take


@pytest.mark.skipif(sys.platform != "linux", reason="the descriptor is opened anew through /proc")
def test_a_writer_that_outlives_the_claim_is_waited_for(tmp_path: Path, take: bytes) -> None:
    """Put back, the take settles again, as its writer leaves it. Requirement 8."""
    root = quick(tmp_path / "root")
    (root.inbox / "take.wav").write_bytes(take[:-99])
    with open(root.inbox / "take.wav", "rb") as held, taking_in(root) as way:
        way.takes("take.wav")
        with open(f"/proc/self/fd/{held.fileno()}", "ab") as writer:
            way.intake.put_back(way.taken()["take.wav"], "it changed", False)
            until(lambda: any(isinstance(news, PutBack) for news in way.hear()))
            time.sleep(2 * SETTLE_S)
            assert way.taken() == {}
            writer.write(take[-99:])
        way.takes("take.wav")
        assert way.taken()["take.wav"].take.read_bytes() == take


def test_no_more_is_claimed_than_asked_for(tmp_path: Path, take: bytes) -> None:
    """What no worker is free for stays in the inbox, and says so. Design: the folders."""
    root = quick(tmp_path / "root")
    for number in range(5):
        (root.inbox / f"{number}.wav").write_bytes(take)
    with taking_in(root, want=2) as way:
        way.takes("0.wav", "1.wav")
        until(lambda: set(way.intake.reasons.values()) == {"its turn"})
        assert len(way.taken()) == 2 and len(way.intake.reasons) == 3


def test_no_more_is_claimed_when_none_is_wanted_any_more(
    tmp_path: Path, take: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Work stands still while a take is being claimed: that one is told of, and no other follows."""
    root, claiming = quick(tmp_path / "root"), part.claim

    def claimed_while_none_is_wanted(*given: Any) -> Claim | None:
        way.intake.want(0)
        return claiming(*given)

    for number in range(5):
        (root.inbox / f"{number}.wav").write_bytes(take)
    with taking_in(root, want=0) as way:
        until(lambda: set(way.intake.reasons.values()) == {"its turn"})
        monkeypatch.setattr(part, "claim", claimed_while_none_is_wanted)
        way.intake.want(2)
        until(way.taken)
        time.sleep(SETTLE_S)
        assert len(way.taken()) == 1 and len(way.intake.reasons) == 4


def test_a_take_that_cannot_be_claimed_is_left_and_said(tmp_path: Path, take: bytes) -> None:
    """The fault is the surroundings': the take stays where it is. Issue, part 4."""
    root = quick(tmp_path / "root")
    (root.inbox / "take.wav").write_bytes(take)
    with taking_in(root) as way:
        shutil.rmtree(root.claims)
        root.claims.write_bytes(b"")
        until(lambda: any(isinstance(news, Refused) for news in way.hear()))
        assert (root.inbox / "take.wav").read_bytes() == take
        os.unlink(root.claims)
        root.claims.mkdir()
        way.intake.want(1)
        way.takes("take.wav")


def test_a_claim_that_somebody_removed_is_said_and_holds_up_nobody(
    tmp_path: Path, take: bytes
) -> None:
    """Whoever tidies up among the claims loses that take, and no other."""
    root = quick(tmp_path / "root")
    (root.inbox / "one.wav").write_bytes(take)
    with taking_in(root, want=1) as way:
        way.takes("one.wav")
        claimed = way.taken()["one.wav"]
        shutil.rmtree(claimed.folder)
        way.intake.put_back(claimed, "somebody still writes it", patiently=False)
        until(
            lambda: [
                n for n in way.hear() if isinstance(n, HeldUp) and "claim is gone" in n.message
            ]
        )
        assert way.intake.returning == []
        (root.inbox / "two.wav").write_bytes(take)
        way.intake.want(1)
        until(lambda: any(isinstance(n, Taken) and n.claimed.path == "two.wav" for n in way.hear()))
        assert way.intake.trouble == ""


def test_half_a_take_is_taken_when_its_grace_is_over(tmp_path: Path) -> None:
    """It says what is missing till then, and is taken to be quarantined. Requirement 6."""
    root = quick(tmp_path / "root", incomplete_grace_s=1)
    shutil.copyfile(CUT, root.inbox / "half.wav")
    with taking_in(root) as way:
        until(lambda: "bytes are missing" in way.intake.reasons.get("half.wav", ""))
        assert way.taken() == {}
        way.takes("half.wav")
        assert [news.grace_over for news in way.news if isinstance(news, Taken)] == [True]


# --- the watch ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("watch", ["auto", "native", "polling"])
def test_a_change_wakes_before_the_next_scan(tmp_path: Path, take: bytes, watch: str) -> None:
    """Whatever the way, no scan has to be waited for. Requirement 1; settled to claimed: 1 s."""
    root = quick(tmp_path / "root", scan_s=600, watch=watch)
    with taking_in(root) as way:
        until(lambda: way.intake.first is not None)
        (root.inbox / "take.wav").write_bytes(take)
        way.takes("take.wav", deadline_s=10)
    assert list(root.inbox.iterdir()) == [], "the canary is gone, too"


def test_without_events_the_scan_does_it_all(tmp_path: Path, take: bytes) -> None:
    """The scan is the truth: a watch on nothing loses nothing. Requirement 1: events switched off."""
    root = quick(tmp_path / "root")
    with taking_in(root) as way:
        until(lambda: way.intake.first is not None)
        way.intake._main._watch.stop()
        way.intake._main._watch._alive = lambda: True  # type: ignore[method-assign]
        (root.inbox / "take.wav").write_bytes(take)
        way.takes("take.wav")


@pytest.mark.skipif(sys.platform != "linux", reason="a mapped file is written without an event")
def test_a_deaf_watch_is_found_out(tmp_path: Path, take: bytes) -> None:
    """What changes without an event, again and again, makes auto poll. Requirement 2."""
    root = quick(tmp_path / "root")
    with taking_in(root, want=0) as way:
        (root.inbox / "take.wav").write_bytes(take)
        until(lambda: "take.wav" in way.intake.reasons)
        with open(root.inbox / "take.wav", "r+b") as file:
            mapped = mmap.mmap(file.fileno(), 0)
        assert way.intake._main._watch.how == "native"

        def polls() -> bool:
            mapped[100] ^= 1
            mapped.flush()
            time.sleep(0.3)
            return way.intake._main._watch.how == "polling"

        until(polls, 10)


def renamed_away_and_back(root: Root) -> None:
    os.rename(root.path, root.path.with_name("away"))
    time.sleep(1.2)
    os.rename(root.path.with_name("away"), root.path)


def deleted_and_made_again(root: Root) -> None:
    shutil.rmtree(root.inbox)
    time.sleep(1.2)
    root.inbox.mkdir()


def replaced_at_once(root: Root) -> None:
    os.rename(root.inbox, root.path / "old inbox")
    root.inbox.mkdir()


@pytest.mark.parametrize(
    ("hurt", "watch"),
    [
        (renamed_away_and_back, "native"),
        (renamed_away_and_back, "polling"),
        (deleted_and_made_again, "native"),
        (replaced_at_once, "native"),
    ],
)
def test_the_watch_mends_itself(
    tmp_path: Path, take: bytes, hurt: Callable[[Root], None], watch: str
) -> None:
    """After the folder was gone, events wake again, not only scans. Requirement 2."""
    root = quick(tmp_path / "root", watch=watch)
    with taking_in(root) as way:
        until(lambda: way.intake.first is not None)
        hurt(root)
        until(lambda: not way.intake.trouble)
        (root.inbox / "one.wav").write_bytes(take)
        way.takes("one.wav", deadline_s=5)
        root.settings = root.settings.model_copy(update={"scan_s": 600})
        time.sleep(0.6)
        (root.inbox / "two.wav").write_bytes(take)
        way.takes("two.wav", deadline_s=5)


# --- drives ----------------------------------------------------------------------------------------


def test_an_inbox_that_is_gone_is_said_and_comes_back(tmp_path: Path, take: bytes) -> None:
    """No takes are forgotten for it. Requirement 3."""
    root = quick(tmp_path / "root")
    with taking_in(root) as way:
        until(lambda: way.intake.first is not None)
        os.rename(root.inbox, root.path / "away")
        until(lambda: way.intake.trouble)
        assert "inbox" in way.intake.trouble
        os.rename(root.path / "away", root.inbox)
        until(lambda: not way.intake.trouble, 3)
        (root.inbox / "take.wav").write_bytes(take)
        way.takes("take.wav")


def test_a_drive_that_hangs_holds_up_nobody_else(
    tmp_path: Path, take: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rest of the inbox goes on, the loop is never kept, and it thaws. Requirement 4."""
    monkeypatch.setattr("fairtake.serving.part.SILENT_S", 1.0)
    monkeypatch.setattr("fairtake.serving.intake.ASK_EVERY_S", 0.2)
    root = quick(tmp_path / "root")
    (root.inbox / "share").mkdir()
    with frozen_drive(root.inbox / "share") as drive, taking_in(root) as way:
        until(lambda: way.intake.first is not None)
        drive.freeze()
        until(lambda: way.hear() or way.intake.troubles_of_parts)
        assert "share does not answer" in way.intake.troubles_of_parts[0]
        assert not way.intake.trouble
        (root.inbox / "local.wav").write_bytes(take)
        way.takes("local.wav", deadline_s=5)
        drive.thaw()
        until(lambda: not way.intake.troubles_of_parts, 5)


def test_a_drive_in_the_inbox_that_is_gone_is_said_and_not_written_to(
    tmp_path: Path, take: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A take of it is not put into the bare folder that stays behind. Requirement 3."""
    monkeypatch.setattr("fairtake.serving.intake.ASK_EVERY_S", 0.2)
    root = quick(tmp_path / "root")
    (root.inbox / "share").mkdir()
    with contextlib.ExitStack() as mounted:
        mounted.enter_context(frozen_drive(root.inbox / "share"))
        with taking_in(root) as way:
            until(lambda: way.intake.first is not None)
            mounted.close()
            until(lambda: way.hear() or way.intake.troubles_of_parts)
            assert "share is not there" in way.intake.troubles_of_parts[0]
            assert not way.intake.reaches("share/take.wav") and way.intake.reaches("take.wav")
            assert list((root.inbox / "share").iterdir()) == []
