"""fairtake.serving, whole: real services on real folders, from dropped takes to finished files."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from fairtake.folders import Root, claims, open_root
from fairtake.receipt import REASON_SUFFIX, RECEIPT_SUFFIX
from fairtake.serving.status import status
from files.making import run_encoder
from roots import (
    BELL,
    CUT,
    FAIRTAKE,
    SAMPLES,
    Served,
    drop,
    drop_root_s_rights,
    files_below,
    is_finished,
    new_root,
    processes_of,
    reason_of,
    receipt_of,
    spoken,
    until,
    without_pages,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="services are ended by POSIX signals")

RATE = 44100


def wav(samples: np.ndarray, subtype: str = "PCM_16") -> bytes:
    file = io.BytesIO()
    soundfile.write(file, samples, RATE, format="WAV", subtype=subtype)
    return file.getvalue()


def hiss(seconds: float, level_db: float, channels: int = 1) -> np.ndarray:
    noise = np.random.default_rng(1).normal(
        0, 10 ** (level_db / 20), (round(seconds * RATE), channels)
    )
    return np.clip(noise, -1, 1)


def click() -> np.ndarray:
    samples = hiss(3, -70)
    time = np.arange(600)
    samples[RATE : RATE + 600, 0] += (
        0.5 * np.sin(2 * np.pi * 2000 * time / RATE) * np.exp(-time / 100)
    )
    return samples


def broken(samples: np.ndarray) -> np.ndarray:
    samples[RATE // 2] = np.nan
    return samples


#: Takes that cannot be finished, each with its stable code.
BAD: dict[str, tuple[str, Callable[[], bytes]]] = {
    "text.wav": ("not-audio", lambda: b"Dear diary, today I recorded nothing.\n"),
    "playlist.mp3": ("not-audio", lambda: b"ffconcat version 1.0\nfile 'silence.wav'\n"),
    "nothing.wav": ("empty", lambda: b""),
    "header.wav": ("header-only", lambda: wav(hiss(0, -60))),
    "cut.wav": ("cut-short", CUT.read_bytes),
    "silence.wav": ("silent", lambda: wav(np.zeros((2 * RATE, 1)))),
    "room.wav": ("no-speech", lambda: wav(hiss(3, -62))),
    "click.wav": ("no-speech", lambda: wav(click())),
    "blip.wav": ("too-short", lambda: wav(hiss(0.3, -20))),
    "nan.wav": ("not-finite", lambda: wav(broken(hiss(2, -20)), "FLOAT")),
    "three.wav": ("too-many-channels", lambda: wav(hiss(2, -20, channels=3))),
    "slow.wav": ("sample-rate-unsupported", lambda: wav(hiss(2, -20)).replace(
        RATE.to_bytes(4, "little"), (8000).to_bytes(4, "little"), 1)),
    "adpcm.wav": ("encoding-unsupported", lambda: wav(hiss(2, -20), "IMA_ADPCM")),
}  # fmt: skip
ODD = (
    "two\nlines.wav",
    os.fsdecode(b"not utf-8 \xff.wav"),
    "n" * 251 + ".wav",
    "http:x.wav",
    "-y.wav",
)


@dataclass
class Day:
    """What a service did in a day, and what was dropped."""

    root: Root
    log: str = ""
    dropped: dict[str, bytes] = field(default_factory=dict)
    exit_status: int | None = None
    status: dict[str, Any] = field(default_factory=dict)

    def drop(self, name: str, data: bytes) -> bytes:
        self.dropped[name] = drop(self.root, name, data)
        return data


@pytest.fixture(scope="module")
def voice(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float], bytes]:
    """A short spoken take; every gain gives another one."""
    path = tmp_path_factory.mktemp("voice") / "voice.wav"
    return lambda gain=1.0: spoken(path, gain=gain)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory, voice: Callable[[float], bytes]) -> Day:
    """One service, takes of every kind. The tests below look at what came of them."""
    day = Day(new_root(tmp_path_factory.mktemp("day") / "root"))
    root = day.root
    shutil.copytree(SAMPLES, root.inbox / SAMPLES.name)
    day.dropped |= {f"{SAMPLES.name}/{p.name}": p.read_bytes() for p in SAMPLES.iterdir() if p.suffix in (".wav", ".flac")}  # fmt: skip
    for name, (_, make) in BAD.items():
        day.drop(f"Bad/{name}", make())
    for name in ODD:
        day.drop(f"Odd/{name}", voice(0.8 - ODD.index(name) / 100))
    day.drop("podcast/one.wav", voice(0.9))
    for title, text in TITLES.items():
        drop(root, f"{title}/title.toml", text.encode())
        day.drop(f"{title}/one.wav", voice(0.95))
    with Served(root) as served:
        day.drop("same.wav", voice(0.7))
        slow = threading.Thread(target=write_slowly, args=(root.inbox / "slow.wav", voice(0.65)))
        slow.start()
        day.dropped["slow.wav"] = voice(0.65)
        until(lambda: is_finished(root, "same.wav", voice(0.7)))
        day.drop("same.wav", voice(0.7))
        until(lambda: "duplicate" in served.log)
        drop(root, "same.wav", voice(0.6))
        slow.join()
        drop(root, "Mended/title.toml", b'profile = "speech"\n')
        until(lambda: reason_of(root, "Mended/one.wav"))
        run("requeue", str(root.path), "Mended/one.wav")
        until(lambda: not list(root.inbox.rglob("*.wav")) and not claims(root), 120)
        day.status = until(lambda: (s := status(root))["service"]["alive"] and s)
        day.exit_status = served.end(signal.SIGTERM)
        day.log = served.log
    return day


TITLES = {
    "By title": 'profile = "stream"\n',
    "Overridden": "[overrides.wav]\nbits = 16\n",
    "Unknown": 'profile = "podcats"\n',
    "Broken": '[tags]\nauthor = "A"\n\n[overrides.limit]\nceiling_dbpt = -2\n',
    "Mended": "profile = \n",
    "Long": "[overrides.delivery]\nlongest_s = 2\n",
}


def write_slowly(path: Path, data: bytes) -> None:
    """As a slow network does: in pieces, opened anew for each, with pauses within the settle time."""
    for at in range(0, len(data), len(data) // 12 + 1):
        with open(path, "ab") as file:
            file.write(data[at : at + len(data) // 12 + 1])
        time.sleep(0.3)


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*FAIRTAKE, *arguments], capture_output=True, text=True)


# --- a day in the life -------------------------------------------------------------------------------


def test_dropped_takes_are_finished_with_receipt_and_original(day: Day) -> None:
    """A title dropped while the service was down comes out whole. Requirement 5: start-up included."""
    for name in ("01 The Harbour Bell.wav", "02 A Letter in Salt.flac", "03 The Ninth Lamp.flac"):
        assert is_finished(
            day.root, f"{SAMPLES.name}/{name}", day.dropped[f"{SAMPLES.name}/{name}"]
        )
    receipt = receipt_of(day.root, f"{SAMPLES.name}/01 The Harbour Bell")
    assert receipt is not None and all(check.ok for check in receipt.checks)
    assert receipt.take.title == SAMPLES.name


def test_the_broken_sample_lies_in_quarantine_and_its_neighbours_do_not(day: Day) -> None:
    """One bad chapter holds up nobody. Design: a take's fault is quarantined now."""
    reason = reason_of(day.root, f"{SAMPLES.name}/{CUT.name}")
    assert reason is not None and reason.code == "cut-short"
    assert (day.root.quarantine / SAMPLES.name / CUT.name).read_bytes() == CUT.read_bytes()


@pytest.mark.parametrize("name", BAD)
def test_a_bad_take_gets_its_code_and_keeps_its_bytes(day: Day, name: str) -> None:
    """Every kind of unusable file has a stable code and advice. Requirement 20 and 25."""
    reason = reason_of(day.root, f"Bad/{name}")
    assert reason is not None and reason.code == BAD[name][0]
    assert reason.message and reason.advice and reason.take.name == name
    assert (day.root.quarantine / "Bad" / name).read_bytes() == day.dropped[f"Bad/{name}"]


@pytest.mark.parametrize("name", ODD, ids=ascii)
def test_an_odd_name_is_finished_like_any_other(day: Day, name: str) -> None:
    """Line ends, bytes that are no text, 255 bytes, words of protocols. Requirements 14 and 19."""
    data = day.dropped[f"Odd/{name}"]
    assert data in [p.read_bytes() for p in (day.root.originals / "Odd").iterdir()]
    receipts = (day.root.outbox / "Odd").glob(f"*{RECEIPT_SUFFIX}")
    assert name in [json.loads(path.read_text())["take"]["name"] for path in receipts]


def test_a_folder_and_a_title_choose_the_profile(day: Day) -> None:
    """A top folder's name, or title.toml, chooses. Design: the folders of a ROOT."""
    used = {
        name: receipt.profile.name
        for name in ("podcast/one", "By title/one", "same", "Mended/one")
        if (receipt := receipt_of(day.root, name))
    }
    assert used == {
        "podcast/one": "podcast",
        "By title/one": "stream",
        "same": "audiobook",
        "Mended/one": "speech",
    }


def test_overrides_are_used_and_receipted(day: Day) -> None:
    """title.toml lays settings over the profile. Design: the folders of a ROOT."""
    receipt = receipt_of(day.root, "Overridden/one")
    assert receipt is not None and receipt.profile.settings["wav"]["bits"] == 16
    assert soundfile.info(day.root.outbox / "Overridden/one.wav").subtype == "PCM_16"


def test_a_broken_title_toml_quarantines_with_the_line_to_mend(day: Day) -> None:
    """Settings that came with the take are the take's affair. Design: errors."""
    reason = reason_of(day.root, "Broken/one.wav")
    assert reason is not None and reason.code == "title-invalid"
    assert "line 5" in reason.message and "did you mean 'ceiling_dbtp'" in reason.message
    unknown = reason_of(day.root, "Unknown/one.wav")
    assert unknown is not None and unknown.code == "profile-unknown"
    assert "did you mean 'podcast'" in unknown.message


def test_too_long_is_said_in_the_profile_s_terms(day: Day) -> None:
    """A take past delivery.longest_s is refused by its code. Design: the profiles that ship."""
    reason = reason_of(day.root, "Long/one.wav")
    assert reason is not None and reason.code == "too-long"


def test_a_requeued_take_is_finished_once_its_cause_is_mended(day: Day) -> None:
    """requeue, after title.toml was mended, ends with the take finished. Design: the commands."""
    assert is_finished(day.root, "Mended/one.wav", day.dropped["Mended/one.wav"])
    assert not (day.root.quarantine / f"Mended/one.wav{REASON_SUFFIX}").exists()


def test_the_same_bytes_are_finished_once_and_other_bytes_beside_them(
    day: Day, voice: Callable[[float], bytes]
) -> None:
    """Dropped twice: one output, and the log says so. Another take: ~2. Requirements 14 and 18."""
    names = sorted(p.name for p in day.root.outbox.glob("same*") if p.suffix != ".html")
    assert names == [f"same{n}{s}" for n in ("", "~2") for s in (".mp3", RECEIPT_SUFFIX, ".wav")]
    assert is_finished(day.root, "same~2.wav", voice(0.6))
    assert len(re.findall(r'duplicate +"same.wav"', day.log)) == 1


def test_a_slow_writer_is_waited_for(day: Day) -> None:
    """What was finished is the whole of it. Requirement 5: the hash mastered is the final one."""
    assert is_finished(day.root, "slow.wav", day.dropped["slow.wav"])


def test_the_books_balance(day: Day) -> None:
    """Every take dropped is finished, quarantined, or the duplicate of one. Requirement 25."""
    root = day.root
    receipts = list(root.outbox.rglob(f"*{RECEIPT_SUFFIX}"))
    reasons = list(root.quarantine.rglob(f"*{REASON_SUFFIX}"))
    assert len(receipts) + len(reasons) == len(day.dropped) + 1  # same~2; the duplicate has no name
    kept = [p.read_bytes() for p in files_below(root.originals, root.quarantine)]
    assert all(data in kept for data in day.dropped.values())
    assert files_below(root.claims, root.scratch) == []
    assert day.status["finished"] == len(receipts)
    assert len(day.status["quarantined"]) == len(reasons)


def test_every_log_line_is_one_event(day: Day) -> None:
    """Whatever a take is called, a line is a line. Requirement 23: one log line."""
    assert all(
        re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d  [a-z-]+ ", line) for line in day.log.splitlines()
    )
    assert day.log.splitlines()[0].split()[2] == "started"
    assert day.exit_status == 0 and day.log.splitlines()[-1].split()[2] == "stopped"


# --- ended in the middle --------------------------------------------------------------------------


@pytest.fixture
def long_take() -> bytes:
    """Some minutes: time enough to be interrupted."""
    sound, rate = soundfile.read(BELL)
    file = io.BytesIO()
    soundfile.write(file, np.tile(sound, 40), rate, format="WAV", subtype="PCM_24")
    return file.getvalue()


def test_a_service_ended_at_work_leaves_the_take_as_it_was(
    tmp_path: Path, long_take: bytes
) -> None:
    """SIGTERM puts it back; SIGKILL leaves no process; the next one finishes. Requirement 16."""
    root = new_root(tmp_path / "root")
    drop(root, "long.wav", long_take)
    with Served(root) as served:
        until(served.is_working)
        assert served.end(signal.SIGTERM) == 0
    assert (root.inbox / "long.wav").read_bytes() == long_take
    left = files_below(root.outbox, root.claims, root.scratch, root.originals)
    assert without_pages(left) == []
    assert not status(root)["service"]["alive"]

    with Served(root) as served:
        until(served.is_working)
        second = run("serve", str(root.path))
        assert second.returncode == 1 and "already serves" in second.stderr
        served.end(signal.SIGKILL)
    until(lambda: not processes_of(root), 10)
    [claimed] = claims(root)
    assert claimed.take.read_bytes() == long_take and claimed.attempts == 1

    with Served(root, "--once") as served:
        assert served.process.wait(120) == 0
    assert is_finished(root, "long.wav", long_take)
    assert files_below(root.inbox, root.claims, root.scratch) == []


def workers_of(served: Served) -> list[int]:
    found = []
    for proc in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((proc / "stat").read_text().rsplit(")", 1)[1].split()[1])
            if parent == served.process.pid and b"spawn_main" in (proc / "cmdline").read_bytes():
                found.append(int(proc.name))
        except OSError:
            continue
    return found


def test_a_take_whose_worker_dies_twice_is_quarantined(
    tmp_path: Path, long_take: bytes, voice: Callable[[float], bytes]
) -> None:
    """Attempts are counted before the work, the signal is named, neighbours finish. Requirement 15."""
    root = new_root(tmp_path / "root", workers=1)
    drop(root, "a poison.wav", long_take)
    good = drop(root, "b good.wav", voice(1.0))
    with Served(root) as served:
        since = 0.0
        for attempt in (1, 2):
            until(lambda t=since: served.is_working(t))
            assert claims(root)[0].attempts == attempt
            os.kill(until(lambda: workers_of(served))[0], signal.SIGKILL)
            until(lambda n=attempt: served.log.count("crashed") >= n)
            since = time.time()
        reason = until(lambda: reason_of(root, "a poison.wav"))
        until(lambda: is_finished(root, "b good.wav", good))
    assert (reason.code, reason.attempts) == ("worker-crashed", 2)
    assert "SIGKILL" in reason.message
    assert (root.quarantine / "a poison.wav").read_bytes() == long_take


def test_a_take_whose_worker_dies_at_the_very_start_is_quarantined(
    tmp_path: Path, voice: Callable[[float], bytes]
) -> None:
    """Killed before its first word on the second take: the attempt stays. Requirement 15."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    root = new_root(tmp_path / "root", workers=1, most_attempts=1)
    good = drop(root, "a.wav", voice(1.0))
    poison = drop(root, "b.wav", voice(0.9))
    settings = str(root.path / "fairtake.toml")  # a worker reads it first, for each take anew
    inject = "inject=openat:signal=KILL:when=2"
    trace = ("strace", "-f", "-qq", "-o", "/dev/null", "-P", settings, "-e", "trace=openat", "-e", inject)  # fmt: skip
    with Served(root, "--once", under=trace) as served:
        assert served.process.wait(120) == 1
    assert is_finished(root, "a.wav", good)
    reason = reason_of(root, "b.wav")
    assert reason is not None and (reason.code, reason.attempts) == ("worker-crashed", 1)
    assert (root.quarantine / "b.wav").read_bytes() == poison


def test_a_take_on_which_the_encoder_fails_is_quarantined(
    tmp_path: Path, voice: Callable[[float], bytes]
) -> None:
    """After its attempts, with what the encoder said; it holds up nobody. Requirement 15."""
    root = new_root(tmp_path / "root", workers=1)
    drop(root, "Wide/title.toml", b'cover = "wide.png"\n')
    run_encoder(
        "-f", "lavfi", "-i", "color=teal:size=70000x1", "-frames:v", "1",
        str(root.inbox / "Wide/wide.png"),
    )  # fmt: skip
    bad = drop(root, "Wide/a.wav", voice(1.0))
    good = drop(root, "b.wav", voice(0.9))
    with Served(root, "--once") as served:
        assert served.process.wait(120) == 1
    assert is_finished(root, "b.wav", good)
    reason = reason_of(root, "Wide/a.wav")
    assert reason is not None and (reason.code, reason.attempts) == ("encoder-failed", 2)
    assert "65500" in reason.message and "cover" in reason.advice
    assert (root.quarantine / "Wide/a.wav").read_bytes() == bad
    assert served.log.count("crashed") == 2 and "waiting" not in served.log


@pytest.mark.parametrize("step", [2, 3, 4])
def test_a_worker_that_dies_while_it_publishes_is_followed_by_one_that_ends_it(
    step: int, tmp_path: Path, voice: Callable[[float], bytes]
) -> None:
    """Killed before the MP3, the original, the receipt is placed. Requirement 11: a kill at any step."""
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    root = new_root(tmp_path / "root", workers=1, most_attempts=1)
    data = drop(root, "one.wav", voice(1.0))
    inject = f"inject=renameat2:signal=KILL:when={step}"
    trace = ("strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=renameat2", "-e", inject)
    with Served(root, "--once", under=trace) as served:
        assert served.process.wait(120) == 0
    assert "crashed" in served.log
    assert is_finished(root, "one.wav", data)
    assert files_below(root.inbox, root.claims, root.scratch, root.quarantine) == []


# --- the surroundings -------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A scratch with room for no finished take."""
    disk = new_root(tmp_path / "root", most_attempts=1).scratch
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", disk], capture_output=True
    )
    if made.returncode:
        pytest.skip("this account may not mount a file system")
    yield disk
    subprocess.run(["umount", "-l", disk], check=True)


def test_a_full_disk_is_waited_out(
    tmp_path: Path, small_disk: Path, voice: Callable[[float], bytes]
) -> None:
    """No attempt is used, the take is kept, and all is done once there is room. Requirement 13."""
    root = open_root(tmp_path / "root")
    takes = {f"{gain}.wav": drop(root, f"{gain}.wav", voice(gain)) for gain in (1.0, 0.9)}
    with Served(root) as served:
        until(lambda: served.log.count("waiting") >= 3)
        assert "no room left" in served.log and "quarantined" not in served.log
        assert {c.take.read_bytes() for c in claims(root)} <= set(takes.values())
        until(lambda: status(root)["service"]["trouble"])
        subprocess.run(["mount", "-o", "remount,size=64m", small_disk], check=True)
        for name, data in takes.items():
            until(lambda n=name, d=data: is_finished(root, n, d))
        until(lambda: "resumed" in served.log)
    assert files_below(root.quarantine, root.inbox) == []


def test_once_does_not_wait_for_room_for_ever(
    tmp_path: Path, small_disk: Path, voice: Callable[[float], bytes]
) -> None:
    """A run from cron tries a few times, ends with 1, and the take waits for the next run."""
    root = open_root(tmp_path / "root")
    data = drop(root, "take.wav", voice(1.0))
    command = [sys.executable, "-m", "fairtake", "serve", str(root.path), "--once"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    assert "gave-up" in done.stderr
    assert data in [
        path.read_bytes() for path in (*files_below(root.inbox), *(c.take for c in claims(root)))
    ]
    subprocess.run(["mount", "-o", "remount,size=64m", small_disk], check=True)
    assert subprocess.run(command, capture_output=True, timeout=120).returncode == 0
    assert is_finished(root, "take.wav", data)


def test_a_fault_that_comes_back_is_waited_for_ever_longer(
    tmp_path: Path, voice: Callable[[float], bytes]
) -> None:
    """No claim can be made for want of inodes: one line a try, none that it is over. Requirement 13."""
    disk = tmp_path / "disk"
    disk.mkdir()
    small = ["mount", "-t", "tmpfs", "-o", "size=64m,nr_inodes=300", "tmpfs", disk]
    if subprocess.run(small, capture_output=True).returncode:
        pytest.skip("this account may not mount a file system")
    try:
        root = new_root(disk / "root", state=str(tmp_path / "state"), retry_s=0.3, retry_most_s=2)
        with Served(root) as served:
            until(lambda: "watching" in served.log)
            data = drop(root, "take.wav", voice(1.0))
            with contextlib.suppress(OSError):
                for number in range(300):
                    (disk / f"ballast {number}").touch()
            until(lambda: served.log.count("waiting") >= 6)
            assert "resumed" not in served.log and "no room left" in served.log
            for ballast in disk.glob("ballast *"):
                ballast.unlink()
            until(lambda: is_finished(root, "take.wav", data))
            log = until(lambda: "resumed" in served.log and served.log)
    finally:
        subprocess.run(["umount", "-l", disk], check=True)
    waits = [float(wait) for wait in re.findall(r"retry_in_s: ([\d.]+)", log)]
    assert waits[:6] == [0.3, 0.6, 1.2, 2.0, 2.0, 2.0]


@pytest.mark.skipif(sys.platform != "linux", reason="limits of a running process are Linux'")
def test_without_file_handles_takes_wait_and_the_limit_is_named(
    tmp_path: Path, voice: Callable[[float], bytes]
) -> None:
    """EMFILE is no drive that is gone. Requirement 12."""
    import resource

    root = new_root(tmp_path / "root")
    with Served(root) as served:
        pid = served.process.pid
        until(lambda: "watching" in served.log)
        most = resource.prlimit(pid, resource.RLIMIT_NOFILE)
        resource.prlimit(pid, resource.RLIMIT_NOFILE, (3, most[1]))
        data = drop(root, "take.wav", voice(1.0))
        until(lambda: "waiting" in served.log)
        assert "Too many files are open at once" in served.log
        assert "cannot be reached" not in served.log
        resource.prlimit(pid, resource.RLIMIT_NOFILE, most)
        until(lambda: is_finished(root, "take.wav", data))
    assert files_below(root.quarantine) == []


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux can take a right away from root")
def test_an_unreadable_take_is_quarantined_unread(
    tmp_path: Path, voice: Callable[[float], bytes]
) -> None:
    """A take nobody may read has its code, and holds up nobody. Design: the take's fault."""
    root = new_root(tmp_path / "root")
    secret = drop(root, "secret.wav", voice(1.0))
    (root.inbox / "secret.wav").chmod(0)
    good = drop(root, "good.wav", voice(0.9))
    with Served(root, "--once", preexec_fn=drop_root_s_rights) as served:
        assert served.process.wait(60) == 1
    assert is_finished(root, "good.wav", good)
    reason = reason_of(root, "secret.wav")
    assert reason is not None and reason.code == "unreadable"
    (root.quarantine / "secret.wav").chmod(0o600)
    assert (root.quarantine / "secret.wav").read_bytes() == secret


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux can take a right away from root")
@pytest.mark.parametrize("options", [(), ("--once",)])
def test_a_title_that_is_closed_to_the_service_holds_up_no_other(
    tmp_path: Path, voice: Callable[[float], bytes], options: tuple[str, ...]
) -> None:
    """Copied in by another account, its folder lets nothing be taken out. Design: surroundings."""
    root = new_root(tmp_path / "root")
    closed = drop(root, "A Title/one.wav", voice(1.0))
    good = drop(root, "B Title/two.wav", voice(0.9))
    (root.inbox / "A Title").chmod(0o555)
    with Served(root, *options, preexec_fn=drop_root_s_rights) as served:
        until(lambda: is_finished(root, "B Title/two.wav", good))
        if options:
            assert served.process.wait(60) == 1
            assert "left" in served.log and "may not write" in served.log
        else:
            (root.inbox / "A Title").chmod(0o755)
            until(lambda: is_finished(root, "A Title/one.wav", closed))
    (root.inbox / "A Title").chmod(0o755)
    assert (root.inbox / "A Title/one.wav").exists() == bool(options)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux can take a right away from root")
@pytest.mark.parametrize("options", [(), ("--once",)])
@pytest.mark.parametrize(
    ("closed", "mode"), [("A Title", 0), ("A Title", 0o444), ("A Title/Talk.mix/sounds", 0)]
)
def test_a_folder_that_the_service_cannot_look_into_is_told(
    tmp_path: Path,
    voice: Callable[[float], bytes],
    closed: str,
    mode: int,
    options: tuple[str, ...],
) -> None:
    """What lies in it nobody sees: where, why and what to do stand in log and status, which is not
    healthy, and others go on. Design: errors for the person at two in the morning."""
    root = new_root(tmp_path / "root")
    hidden = drop(root, "A Title/one.wav", voice(1.0))
    drop(root, "A Title/Talk.mix/cues.toml", b'[[voice]]\nfile = "none.wav"\n')
    drop(root, "A Title/Talk.mix/sounds/x.txt", b"x")
    good = drop(root, "B Title/two.wav", voice(0.9))
    (root.inbox / closed).chmod(mode)
    try:
        with Served(root, *options, preexec_fn=drop_root_s_rights) as served:
            until(lambda: is_finished(root, "B Title/two.wav", good))
            if options:
                assert served.process.wait(60) == 1
            else:
                said = until(lambda: next(iter(status(root)["problems"]), ""))
                assert str(root.inbox / closed) in said and "closed to the account" in said
                (root.inbox / closed).chmod(0o755)
                until(lambda: is_finished(root, "A Title/one.wav", hidden))
                until(lambda: "closed to" not in str(status(root)["problems"]))
        assert served.log.count(f"{root.inbox / closed} is closed to the account") == 1
    finally:
        with contextlib.suppress(FileNotFoundError):  # the mix was taken away meanwhile, incomplete
            (root.inbox / closed).chmod(0o755)


# --- once, and what keeps it from starting ------------------------------------------------------------


def test_once_ends_by_itself_and_says_whether_all_was_finished(
    tmp_path: Path, voice: Callable[[float], bytes]
) -> None:
    """Status 0 when all is well, 1 when a take was quarantined. Design: the commands."""
    root = new_root(tmp_path / "root", log="json")
    good = drop(root, "good.wav", voice(1.0))
    with Served(root, "--once") as served:
        assert served.process.wait(60) == 0
    assert is_finished(root, "good.wav", good)
    drop(root, "bad.wav", b"no sound")
    with Served(root, "--once") as served:
        assert served.process.wait(60) == 1
    events = [json.loads(line) for line in served.log.splitlines()]
    assert [e["code"] for e in events if e["action"] == "quarantined"] == ["not-audio"]


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("fairtake.toml", "settle = 3\nworkers = -1\n", "did you mean 'settle_s'"),
        ("profiles/audiobook.toml", "[trim]\nhead_s = 99\n", "trim.head_s"),
        ("fairtake.toml", 'default_profile = "audiobok"\n', "did you mean 'audiobook'"),
    ],
)
def test_a_service_with_wrong_settings_does_not_start(
    tmp_path: Path, file: str, text: str, said: str
) -> None:
    """Wrong settings end with status 2 and the lines to mend. Design: the settings' fault."""
    root = new_root(tmp_path / "root")
    drop(root, "one.wav", b"raw")
    (root.path / file).write_text(text)
    done = run("serve", str(root.path))
    assert done.returncode == 2 and said in done.stderr and "Traceback" not in done.stderr
    assert (root.inbox / "one.wav").read_bytes() == b"raw"


def test_settings_broken_under_a_running_service_blame_no_take(
    tmp_path: Path, voice: Callable[[float], bytes]
) -> None:
    """A typo made while the service runs makes takes wait, named in status; mended, they are done."""
    root = new_root(tmp_path / "root", retry_s=0.5)
    settings = root.path / "fairtake.toml"
    good = settings.read_text("utf-8")
    with Served(root) as served:
        until(lambda: "started" in served.log)
        settings.write_text(good.replace('watch = "auto"', 'watch = "magic"'), "utf-8")
        data = drop(root, "take.wav", voice(1.0))
        until(lambda: "waiting" in served.log)
        assert "quarantined" not in served.log
        settings.write_text(good, "utf-8")
        until(lambda: is_finished(root, "take.wav", data))
