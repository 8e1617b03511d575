"""Files that are large and hold nothing: told by their headers and sizes, before they are hashed."""

from __future__ import annotations

import os
import struct
import sys
from pathlib import Path

import pytest

from fairtake.folders import Root
from mixing.folders import VOICE
from roots import Served, drop, is_finished, new_root, reason_of, spoken

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the files are sparse")
#: No processor hashes that in the time a test has.
HUGE_BYTES = 2 * 10**12


def rf64(sound_bytes: int) -> bytes:
    """A header after ITU-R BS.2088 that promises so much sound, 24 bit, mono, 48 kHz."""
    told = struct.pack("<QQQI", 80 + sound_bytes, sound_bytes, sound_bytes // 3, 0)
    about = struct.pack("<HHIIHH", 1, 1, 48_000, 144_000, 3, 24)
    chunks = b"ds64" + struct.pack("<I", 28) + told + b"fmt " + struct.pack("<I", 16) + about
    return b"RF64\xff\xff\xff\xffWAVE" + chunks + b"data\xff\xff\xff\xff"


def flac(samples: int) -> bytes:
    """RFC 9639, section 8.2: 48 kHz, mono, 24 bit, so many samples; nothing of them follows."""
    packed = 48_000 << 44 | 0 << 41 | 23 << 36 | samples
    return b"fLaC\x80\x00\x00\x22" + struct.pack(">HH", 4096, 4096) + bytes(6) + packed.to_bytes(8, "big") + bytes(2000)  # fmt: skip


def sparse(root: Root, name: str, head: bytes = b"") -> None:
    drop(root, name, head)
    os.truncate(root.inbox / name, HUGE_BYTES)


def test_files_of_terabytes_keep_no_worker(tmp_path: Path) -> None:
    """Each has its reason in a moment, by what it says of itself or by its size alone, and the others
    go on."""
    root = new_root(tmp_path / "root", workers=2, settle_s=0.2)
    promised = HUGE_BYTES - len(rf64(0))
    sparse(root, "a.wav", rf64(promised - promised % 3))
    sparse(root, "b.wav")
    sparse(root, "c.flac", flac(48_000 * 60))
    sparse(root, "d.mix/voice.wav", rf64(promised))
    drop(root, "d.mix/cues.toml", VOICE.encode())
    good = drop(root, "z.wav", spoken(tmp_path / "z.wav", 2, 2.8))
    with Served(root, "--once") as served:
        assert served.process.wait(60) == 1
    assert is_finished(root, "z.wav", good)
    reasons = {name: reason_of(root, name) for name in ("a.wav", "b.wav", "c.flac", "d.mix")}
    codes = {name: reason and reason.code for name, reason in reasons.items()}
    assert codes == {"a.wav": "too-long", "b.wav": "not-audio", "c.flac": "too-long", "d.mix": "too-long"}  # fmt: skip
    assert os.path.getsize(root.quarantine / "a.wav") == HUGE_BYTES
    a = reasons["a.wav"]
    assert a is not None and "It lasts" in a.message and a.take.bytes == HUGE_BYTES
