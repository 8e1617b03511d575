"""fairtake.serving.job and making: real workers on what was dropped to do harm."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import signal
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile

from fairtake import pulse
from fairtake.errors import Damaged, Silent
from fairtake.folders import Claim, Root, begin, claim, scratch_of
from fairtake.serving.job import Condemned, Outcome, fault_of, put_in_place, work
from fairtake.serving.workers import Task, Worker, Workers
from roots import (
    BELL,
    Served,
    drop,
    files_below,
    is_finished,
    new_root,
    processes_of,
    sha256,
    spoken,
    until,
)

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux confines workers")

RATE = 44100
SECRET = b"the neighbour's secret"


@pytest.fixture(scope="module")
def voice(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A short honest take."""
    return spoken(tmp_path_factory.mktemp("voice") / "a.wav")


@pytest.fixture(scope="module")
def long_voice() -> bytes:
    """One over which the encoder takes its time."""
    sound, rate = soundfile.read(BELL)
    file = io.BytesIO()
    soundfile.write(file, np.tile(sound, 10), rate, format="WAV", subtype="PCM_16")
    return file.getvalue()


@pytest.fixture(scope="module")
def workers() -> Iterator[Workers]:
    workers = Workers(1)
    yield workers
    workers.end_all()


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


@pytest.fixture
def hand(root: Root, workers: Workers) -> Callable[..., tuple[Claim, Worker]]:
    """Drops a take, claims it and hands it to the worker; *swap* may change it in between."""

    def to_worker(
        name: str, data: bytes, swap: Callable[[Path], None] = lambda take: None, over: bool = True
    ) -> tuple[Claim, Worker]:
        drop(root, name, data)
        claimed = claim(root, name)
        assert claimed is not None
        begin(claimed)
        swap(claimed.take)
        return claimed, workers.hand(claimed, Task(root.path, claimed.folder, over))

    return to_worker


@pytest.fixture
def ending(
    workers: Workers, hand: Callable[..., tuple[Claim, Worker]]
) -> Callable[..., tuple[str, str]]:
    """How the work on a take ends, and the code."""

    def of(*arguments: object, **more: object) -> tuple[str, str]:
        _, worker = hand(*arguments, **more)
        outcome = heard(workers, worker)
        assert outcome.ending != "crashed", outcome.message
        return outcome.ending, outcome.code

    return of


def heard(workers: Workers, worker: Worker) -> Outcome:
    return until(lambda: list(workers.heard(worker)))[0]


def wav(samples: np.ndarray, subtype: str = "PCM_16", kind: str = "WAV") -> bytes:
    file = io.BytesIO()
    soundfile.write(file, samples, RATE, format=kind, subtype=subtype)
    return file.getvalue()


def hiss(channels: int = 1) -> np.ndarray:
    return np.random.default_rng(1).normal(0, 0.1, (RATE, channels)).clip(-1, 1)


def not_a_number() -> np.ndarray:
    samples = hiss()
    samples[1000] = np.nan
    return samples


def lying_flac() -> bytes:
    """RFC 9639, section 8.2: the last 36 bits before the checksum count the samples."""
    data = bytearray(wav(hiss(), kind="FLAC"))
    data[21] |= 0x0F
    data[22:26] = b"\xff" * 4
    return bytes(data)


def at_one_hertz() -> bytes:
    data = bytearray(wav(hiss()))
    data[24:28] = struct.pack("<I", 1)
    return bytes(data)


#: Contents that must not be worked on, and the code each ends with. Requirements 19 and 20.
HOSTILE = {
    "concat.mp3": (lambda: b"ffconcat version 1.0\nfile 'secret.wav'\n", "not-audio"),
    "hls.m4a": (lambda: b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n#EXT-X-ENDLIST\n", "not-audio"),
    "sdp.mp3": (
        lambda: b"v=0\no=- 0 0 IN IP4 127.0.0.1\nc=IN IP4 127.0.0.1\nm=audio 9 RTP/AVP 0\n",
        "not-audio",
    ),
    "2^36 samples.flac": (lying_flac, "too-long"),
    "1 Hz.wav": (at_one_hertz, "sample-rate-unsupported"),
    "1024 channels.wav": (lambda: wav(np.zeros((10, 1024))), "too-many-channels"),
    "nan.wav": (lambda: wav(not_a_number(), "FLOAT"), "not-finite"),
    "adpcm.wav": (lambda: wav(hiss(), "IMA_ADPCM"), "encoding-unsupported"),
    "silence.flac": (lambda: wav(np.zeros((300 * RATE, 1), np.int16), kind="FLAC"), "silent"),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_what_cannot_be_finished_has_its_code(
    name: str, root: Root, ending: Callable[..., tuple[str, str]]
) -> None:
    """Bombs and playlists end in quarantine, by their code, in a worker of little memory."""
    make, code = HOSTILE[name]
    assert ending(name, make()) == ("quarantined", code)


@pytest.mark.parametrize("name", ["http:x.wav", "concat:a|b.wav", "-y"])
def test_a_name_is_only_a_name(
    name: str, root: Root, voice: bytes, ending: Callable[..., tuple[str, str]]
) -> None:
    """Names that an encoder would take for an address or an option are finished. Requirement 19."""
    assert ending(name, voice) == ("finished", "")


@pytest.mark.parametrize("way", ["gone on with", "condemned elsewhere"])
def test_what_moves_bytes_is_not_silent(
    way: str, root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever listens hears what was said last, again and again: else a slow drive is a worker that
    hangs, is ended, and begins the same anew."""
    monkeypatch.setattr(pulse, "EVERY_S", 0.0)
    take = drop(root, "a.wav", bytes(2**23))
    claimed = claim(root, "a.wav")
    assert claimed is not None
    told: list[tuple[str, float]] = []

    def progress(verb: str, share: float) -> None:
        told.append((verb, share))

    if way == "gone on with":
        (root.originals / "a.wav").write_bytes(take)  # it got so far, and is asked for its hash
        (scratch_of(root, claimed) / "receipt.json").write_bytes(b"{}")
        files = [["receipt.json", "a.receipt.json", sha256(b"{}")]]
        claimed.decide("publish", {"files": files, "original": "a.wav", "sha256": sha256(take)})
        outcome = work(root, claimed, True, progress)
        assert outcome.ending == "finished" and told.count(("start", 0.0)) >= 8
    else:
        outcome = put_in_place(root, claimed, Condemned(Silent(), "listen"), progress)
        assert outcome.ending == "quarantined" and told.count(("publish", 0.0)) >= 8


def test_a_confined_process_begins_warm(tmp_path: Path, voice: bytes) -> None:
    """What a process had to import it would import again for each take: a second of work.
    Design: budgets, overhead a take."""
    (tmp_path / "take").write_bytes(voice)
    program = (
        "import sys; from pathlib import Path; from fairtake.master import Job, finish\n"
        "from fairtake.profile import Profile; from fairtake.serving.making import get_warm\n"
        f"folder = Path({str(tmp_path)!r}); get_warm(); before = set(sys.modules)\n"
        "finish(Job(folder / 'take', 'a.wav', 'a', 'own', Profile()), folder)\n"
        "print(*set(sys.modules) - before)\n"
    )
    out = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True).stdout
    assert len(out.split()) < 5, out


# --- links ----------------------------------------------------------------------------------------


def becomes_a_link(take: Path) -> None:
    secret = take.parents[3] / "secret.wav"
    secret.write_bytes(SECRET)
    take.unlink()
    take.symlink_to(secret)


def becomes_a_pipe(take: Path) -> None:
    take.unlink()
    os.mkfifo(take)


@pytest.mark.parametrize("swap", [becomes_a_link, becomes_a_pipe])
def test_what_was_swapped_after_the_scan_goes_back(
    swap: Callable[[Path], None], root: Root, voice: bytes, ending: Callable[..., tuple[str, str]]
) -> None:
    """A link is not followed, a pipe not waited for; the scan passes them over. Requirement 22."""
    assert ending("swapped.wav", voice, swap)[0] == "changed"
    assert files_below(root.outbox, root.originals, root.quarantine) == []


def test_a_hard_link_waits_and_is_then_refused(
    root: Root, voice: bytes, tmp_path: Path, ending: Callable[..., tuple[str, str]]
) -> None:
    """By its other name a take could change after it was finished. Requirement 22."""
    link = lambda take: os.link(take, tmp_path / f"other {take.parent.name}")  # noqa: E731
    assert ending("early.wav", voice, link, over=False) == ("not-whole", "second-name")
    assert ending("late.wav", voice, link) == ("quarantined", "second-name")


def test_a_title_leads_nowhere(
    root: Root, voice: bytes, tmp_path: Path, ending: Callable[..., tuple[str, str]]
) -> None:
    """Neither title.toml nor cover may be a link or name another place. Requirement 22."""
    outside = tmp_path / "outside.png"
    outside.write_bytes(b"\x89PNG\r\n\x1a\n" + SECRET)
    titles = {
        "above": 'cover = "../outside.png"\n',
        "absolute": f'cover = "{outside}"\n',
        "linked": 'cover = "link.png"\n',
        "profile": 'profile = "../../../etc/passwd"\n',
        "deep": "a = " + "[" * 20_000,
        "huge": "#" * 100_000,
    }
    for name, text in titles.items():
        (root.inbox / name).mkdir()
        (root.inbox / name / "title.toml").write_text(text)
        (root.inbox / name / "link.png").symlink_to(outside)
        code = "profile-unknown" if name == "profile" else "title-invalid"
        assert ending(f"{name}/a.wav", voice) == ("quarantined", code), name
    (root.inbox / "itself").mkdir()
    (root.inbox / "itself/title.toml").symlink_to(root.inbox / "above/title.toml")
    assert ending("itself/a.wav", voice)[0] == "finished"  # as if there were none


def test_a_take_whose_drive_fails_is_not_condemned(
    root: Root, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A decoder calls damaged what it was not given. Asked once more, the drive says whose fault it is."""
    drop(root, "a.wav", b"no sound")
    claimed = claim(root, "a.wav")
    assert claimed is not None

    def fails(path: Path) -> str:
        raise OSError(errno.EIO, "Input/output error", str(path))

    with monkeypatch.context() as patched:
        patched.setattr("fairtake.files.take.take_hash", fails)
        outcome = put_in_place(root, claimed, Condemned(Damaged(), "listen"), lambda *_: None)
    assert (outcome.ending, outcome.code) == ("surroundings", "folder-gone")
    assert files_below(root.quarantine) == [] and claimed.take.exists() and not claimed.is_decided
    outcome = put_in_place(root, claimed, Condemned(Damaged(), "listen"), lambda *_: None)
    assert outcome.ending == "quarantined"


def test_a_title_is_found_in_any_case(
    root: Root, voice: bytes, ending: Callable[..., tuple[str, str]]
) -> None:
    """Some systems write Title.toml and know no difference; the one written just so goes before it."""
    (root.inbox / "T").mkdir()
    (root.inbox / "T/TITLE.toml").write_text('profile = "none of this name"\n')
    assert ending("T/a.wav", voice) == ("quarantined", "profile-unknown")
    (root.inbox / "T/title.toml").write_text('profile = "podcast"\n')
    assert ending("T/b.wav", voice)[0] == "finished"


# --- the surroundings -----------------------------------------------------------------------------

#: What the system says, and the code of the fault it is. Anything unknown is a drive's.
CODES = {
    "ENOSPC": "disk-full", "EDQUOT": "disk-full", "EROFS": "not-permitted",
    "EACCES": "not-permitted", "EMFILE": "out-of-handles", "ENFILE": "out-of-handles",
    "ENOENT": "folder-gone", "ESTALE": "folder-gone", "EIO": "folder-gone",
    "ENOMEM": "surroundings", "EAGAIN": "surroundings",
}  # fmt: skip


@pytest.mark.parametrize("name", CODES)
def test_what_the_system_says_has_its_code(name: str) -> None:
    """The sentence names the thing to mend, and the place. Requirement 12."""
    number = getattr(errno, name)
    fault = fault_of(OSError(number, os.strerror(number), "/a/place"))
    assert fault.code == CODES[name]
    assert os.strerror(number) in fault.message and "/a/place" in fault.message


@pytest.mark.parametrize("size_kb", [600, 1400, 1700, 1880, 1920, 1960])
def test_a_disk_that_fills_up_while_the_mp3_is_encoded_is_full(
    size_kb: int, root: Root, voice: bytes, workers: Workers,
    hand: Callable[..., tuple[Claim, Worker]],
) -> None:  # fmt: skip
    """Whoever met it, the encoder too, it has one code. Requirement 13."""
    disk = ["mount", "-t", "tmpfs", "-o", f"size={size_kb}k", "tmpfs", str(root.scratch)]
    if subprocess.run(disk, capture_output=True).returncode:
        pytest.skip("this account may not mount a file system")
    try:
        _, worker = hand("good.wav", voice)
        outcome = heard(workers, worker)
    finally:
        subprocess.run(["umount", "-l", str(root.scratch)], check=True)
    assert (outcome.ending, outcome.code) == ("surroundings", "disk-full"), outcome.message


# --- death ----------------------------------------------------------------------------------------


def children(process: int) -> list[int]:
    with contextlib.suppress(OSError):
        found = Path(f"/proc/{process}/task/{process}/children").read_text().split()
        return list(map(int, found))
    return []


def encoders(root: Root) -> list[int]:
    """The encoders at work on files of *root*."""
    found = []
    for process in processes_of(root):
        with contextlib.suppress(OSError):
            if os.readlink(f"/proc/{process}/exe") == os.path.realpath(ENCODER):
                found.append(process)
    return found


ENCODER = imageio_ffmpeg.get_ffmpeg_exe()


def test_what_a_take_does_to_its_process_is_named(
    root: Root, long_voice: bytes, voice: bytes, workers: Workers,
    hand: Callable[..., tuple[Claim, Worker]], ending: Callable[..., tuple[str, str]],
) -> None:  # fmt: skip
    """The death of the process that opened a take is the take's; the next take is finished.
    Requirement 15."""
    _, worker = hand("poison.wav", long_voice)
    assert worker.process.pid is not None
    confined = until(lambda: children(worker.process.pid or 0))[0]
    until(lambda: list(workers.heard(worker)) or worker.verb == "listen")
    os.kill(confined, signal.SIGSEGV)
    outcome = heard(workers, worker)
    assert outcome.ending == "crashed"
    assert outcome.message == "The worker was ended by SIGSEGV."
    assert ending("good.wav", voice) == ("finished", "")


def test_a_frozen_process_ends_with_its_worker(
    root: Root, long_voice: bytes, workers: Workers, hand: Callable[..., tuple[Claim, Worker]]
) -> None:
    """What hangs is not asked to end, it is ended. Requirements 15 and 16."""
    _, worker = hand("frozen.wav", long_voice)
    confined = until(lambda: children(worker.process.pid or 0))[0]
    os.kill(confined, signal.SIGSTOP)
    workers.drop(worker)
    until(lambda: processes_of(root) == [], 1)


@pytest.mark.parametrize("victim", ["worker", "service"])
def test_no_encoder_is_orphaned(victim: str, root: Root, long_voice: bytes) -> None:
    """Whoever is killed while the encoder runs, it is gone within a second, and the next start
    sweeps and finishes. Requirement 16."""
    drop(root, "long.wav", long_voice)
    with Served(root) as served:
        encoder = until(lambda: encoders(root))[0]
        worker = children(served.process.pid)
        if victim == "worker":
            [worker] = [process for process in worker if children(process)]
            os.kill(worker, signal.SIGKILL)
            until(lambda: encoder not in processes_of(root), 1)
            until(lambda: "crashed" in served.log)
            return
        served.end(signal.SIGKILL)
        until(lambda: processes_of(root) == [], 1)
    with Served(root, "--once") as served:
        assert served.process.wait(120) == 0
    assert is_finished(root, "long.wav", long_voice)
    assert files_below(root.scratch, root.claims) == []
