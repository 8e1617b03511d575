"""A ROOT to test with, a real service on it, and patience."""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import soundfile
import tomli_w

from fairtake.folders import SETTINGS_FILE, Root, claim, open_root, publish, scratch_of
from fairtake.receipt import REASON_SUFFIX, RECEIPT_SUFFIX, Reason, Receipt
from fairtake.root import make_root

SAMPLES = Path(__file__).parents[1] / "samples" / "Nine Lamps at Orrowmere"
BELL = SAMPLES / "01 The Harbour Bell.wav"
CUT = SAMPLES / "04 Low Water.wav"
FAIRTAKE = (sys.executable, "-m", "fairtake")
#: Quick, but still a settle time and a scan.
QUICK = {"settle_s": 0.5, "scan_s": 0.5, "incomplete_grace_s": 1, "workers": 2, "retry_s": 0.5}


def until(condition: Callable[[], Any], deadline_s: float = 60) -> Any:
    """Wait for *condition* to hold and give what it gave."""
    end = time.monotonic() + deadline_s
    while not (held := condition()):
        assert time.monotonic() < end, "it never came about"
        time.sleep(0.05)
    return held


def new_root(path: Path, **settings: Any) -> Root:
    """A ROOT at *path*, quick unless *settings* say otherwise."""
    make_root(path)
    file = path / SETTINGS_FILE
    file.write_text(tomli_w.dumps(tomllib.loads(file.read_text()) | QUICK | settings))
    root = open_root(path)
    root.make_folders()
    return root


def drop(root: Root, name: str, data: bytes) -> bytes:
    """*data* as ``inbox/NAME``, in one step as a careful program does it."""
    target = root.inbox / name
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(".arriving")
    part.write_bytes(data)
    os.rename(part, target)
    return data


def spoken(path: Path, start_s: float = 1.6, stop_s: float = 4.8, gain: float = 1.0) -> bytes:
    """A stretch of the first sample as a WAV; another *gain* makes other bytes of it."""
    with soundfile.SoundFile(BELL) as file:
        file.seek(round(start_s * file.samplerate))
        sound = file.read(round((stop_s - start_s) * file.samplerate))
        soundfile.write(os.fsencode(path), sound * gain, file.samplerate, subtype="PCM_24")
    return path.read_bytes()


def finish_one(root: Root, name: str, data: bytes, model: str) -> str:
    """Finish `inbox/NAME` with made-up sound; the stem it got."""
    claimed = claim(root, name)
    assert claimed is not None and claimed.take.read_bytes() == data
    scratch = scratch_of(root, claimed)
    wav, mp3 = scratch / "finished.wav", scratch / "finished.mp3"
    wav.write_bytes(b"wav of " + data)
    mp3.write_bytes(b"mp3 of " + data)
    receipt = Receipt.model_validate_json(model)
    receipt.take.name, receipt.take.title = claimed.name, claimed.title
    receipt.take.sha256 = sha256(data)
    receipt.outputs.wav.sha256 = sha256(wav.read_bytes())
    receipt.outputs.mp3.sha256 = sha256(mp3.read_bytes())
    return publish(root, claimed, {".wav": wav, ".mp3": mp3}, receipt)


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def files_below(*folders: Path) -> list[Path]:
    """Every file, hidden ones too."""
    return sorted(p for folder in folders for p in folder.rglob("*") if p.is_file())


def without_pages(files: list[Path]) -> list[Path]:
    """*files* but for what the service writes to be looked at: it comes and goes with the hour."""
    return [path for path in files if path.suffix not in (".html", ".csv")]


def strict_json(text: str) -> Any:
    """JSON as the standard has it: no NaN, no Infinity."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in JSON")

    return json.loads(text, parse_constant=refuse)


def receipt_of(root: Root, stem: str) -> Receipt | None:
    """The receipt of ``outbox/STEM``, or None while there is none."""
    path = root.outbox / (stem + RECEIPT_SUFFIX)
    return Receipt.model_validate(strict_json(path.read_text())) if path.exists() else None


def reason_of(root: Root, name: str) -> Reason | None:
    """The reason of ``quarantine/NAME``, or None while the take is not there."""
    path = root.quarantine / (name + REASON_SUFFIX)
    there = path.exists() and (root.quarantine / name).exists()
    return Reason.model_validate(strict_json(path.read_text())) if there else None


def is_finished(root: Root, name: str, data: bytes) -> bool:
    """Whether WAV, MP3 and receipt of ``inbox/NAME`` stand, and *data* in originals.

    Once the receipt is there, everything it speaks of has to be.
    """
    stem = name.rsplit(".", 1)[0]
    receipt = receipt_of(root, stem)
    if receipt is None:
        return False
    folder = (root.outbox / name).parent
    for output in (receipt.outputs.wav, receipt.outputs.mp3):
        written = (folder / output.file).read_bytes()
        assert (len(written), sha256(written)) == (output.bytes, output.sha256)
    assert (root.originals / name).read_bytes() == data
    assert receipt.take.sha256 == sha256(data)
    return True


class Served:
    """A real ``fairtake serve`` on a ROOT. Ended at the end of the block, whatever happens."""

    def __init__(
        self, root: Root, *options: str, under: tuple[str, ...] = (),
        program: tuple[str, ...] = FAIRTAKE, **popen: Any,
    ) -> None:  # fmt: skip
        self.root = root
        self._command = (*under, *program, "serve", str(root.path), *options)
        self._log = root.path / "log"
        self._popen = popen

    def __enter__(self) -> Served:
        with open(self._log, "ab") as log:
            self.process = subprocess.Popen(
                self._command, stderr=log, stdout=log, stdin=subprocess.DEVNULL, **self._popen
            )
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.end(signal.SIGTERM)

    def end(self, number: int) -> int:
        """Send the signal and wait; the exit status."""
        self.process.send_signal(number)
        return self.process.wait(60)

    @property
    def log(self) -> str:
        return self._log.read_text()

    def is_working(self, since: float = 0.0) -> bool:
        """Whether a take was claimed and its worker has begun to write, *since* then."""
        assert self.process.poll() is None, self.log
        with contextlib.suppress(FileNotFoundError):
            return any(f.stat().st_mtime > since for f in self.root.scratch.glob("*/*"))
        return False


def processes_of(root: Root) -> list[int]:
    """The processes that have a file of *root* open, or its path in their command line."""
    found = []
    for proc in Path("/proc").glob("[0-9]*"):
        try:
            said = (proc / "cmdline").read_bytes()
            held = [os.readlink(fd) for fd in (proc / "fd").iterdir()]
        except OSError:
            continue
        if os.fsencode(root.path) in said or any(str(root.path) in name for name in held):
            found.append(int(proc.name))
    return [pid for pid in found if pid != os.getpid()]


def drop_root_s_rights() -> None:
    """Let even root be refused by a file's mode, as everybody else is."""
    bounding_set_drop, dac_override, dac_read_search = 24, 1, 2
    for right in (dac_override, dac_read_search):
        ctypes.CDLL(None).prctl(bounding_set_drop, right, 0, 0, 0)
