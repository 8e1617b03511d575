"""Files made to do harm, dropped together with honest ones, by names and by contents.

Each has to end in quarantine with a stable code, or be left alone when it is no plain file; nothing
outside ROOT may be read or written, the log stays one line an event, and the neighbours finish.
"""

from __future__ import annotations

import io
import os
import re
import socket
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from books import Books, Wrong
from live import live
from scenes import fresh, good, put
from steps import Found

SECRET = b"the secret beside the drive"
LOG_LINE = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d  [a-z-]+( |$)")
MOST_SECONDS = 1200.0


def wav(
    samples: np.ndarray, rate: int = 44100, subtype: str = "PCM_16", kind: str = "WAV"
) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, samples, rate, format=kind, subtype=subtype)
    return file.getvalue()


def hiss(seconds: float = 1.0, channels: int = 1, level: float = 0.1) -> np.ndarray:
    frames = round(seconds * 44100)
    return np.random.default_rng(1).normal(0, level, (frames, channels)).clip(-1, 1)


def riff(format_chunk: bytes, data: bytes = bytes(4000), size: int | None = None) -> bytes:
    """A WAV of any format chunk, true or not."""
    body = b"WAVEfmt " + struct.pack("<I", len(format_chunk)) + format_chunk
    body += b"data" + struct.pack("<I", len(data) if size is None else size) + data
    return b"RIFF" + struct.pack("<I", len(body)) + body


def pcm(rate: int = 44100, channels: int = 1, bits: int = 16, tag: int = 1) -> bytes:
    frame = channels * bits // 8
    return struct.pack(
        "<HHIIHH", tag, channels & 0xFFFF, rate, (rate * frame) & 0xFFFFFFFF, frame & 0xFFFF, bits
    )


def lying_flac(frames: int) -> bytes:
    """A FLAC whose header claims so many frames."""
    data = bytearray(wav(hiss(), subtype="PCM_16", kind="FLAC"))
    packed = int.from_bytes(data[18:26], "big")
    data[18:26] = (packed & ~(2**36 - 1) | frames).to_bytes(8, "big")
    return bytes(data)


def spoilt(value: float) -> bytes:
    samples = hiss()
    samples[1000] = value
    return wav(samples, subtype="FLOAT")


def nested_chunks() -> bytes:
    chunk = b"LIST" + struct.pack("<I", 4) + b"INFO"
    return b"RIFF" + struct.pack("<I", 4 + 12 * 20000) + b"WAVE" + chunk * 20000


#: Contents that cannot be finished.
CONTENTS = {
    "playlist ffconcat.mp3": b"ffconcat version 1.0\nfile secret.wav\n",
    "playlist absolute.wav": b"ffconcat version 1.0\nfile '/etc/passwd'\n",
    "playlist hls.mp3": b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n#EXT-X-ENDLIST\n",
    "playlist hls net.m4a": b"#EXTM3U\n#EXTINF:1,\nhttp://127.0.0.1:9/x.ts\n#EXT-X-ENDLIST\n",
    "sdp.mp3": b"v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nm=audio 9 RTP/AVP 0\n",
    "pls.wav": b"[playlist]\nFile1=secret.wav\nNumberOfEntries=1\n",
    "cue.flac": b'FILE "secret.wav" WAVE\n TRACK 01 AUDIO\n  INDEX 01 00:00:00\n',
    "svg.wav": b'<svg xmlns="http://www.w3.org/2000/svg"><image href="secret.wav"/></svg>',
    "script.wav": b"#!/bin/sh\ntouch was-here\n",
    "elf.wav": b"\x7fELF" + bytes(500),
    "zip.wav": b"PK\x03\x04" + zlib.compress(bytes(10**6)),
    "gzip.flac": b"\x1f\x8b\x08" + zlib.compress(bytes(10**7)),
    "empty.wav": b"",
    "one byte.wav": b"R",
    "riff alone.wav": b"RIFF",
    "zeros.wav": bytes(100_000),
    "random.mp3": np.random.default_rng(2).bytes(50_000),
    "flac 2^36.flac": lying_flac(2**36 - 1),
    "flac 2^30.flac": lying_flac(2**30),
    "1 Hz.wav": riff(pcm(rate=1)),
    "0 Hz.wav": riff(pcm(rate=0)),
    "2^31 Hz.wav": riff(pcm(rate=2**31 - 1)),
    "1024 channels.wav": riff(pcm(channels=1024), bytes(20480)),
    "65535 channels.wav": riff(pcm(channels=65535), bytes(131070)),
    "0 channels.wav": riff(pcm(channels=0)),
    "0 bits.wav": riff(pcm(bits=0)),
    "adpcm.wav": wav(hiss(), subtype="IMA_ADPCM"),
    "ms adpcm.wav": wav(hiss(), subtype="MS_ADPCM"),
    "gsm.wav": wav(hiss(), subtype="GSM610"),
    "crooked adpcm.wav": riff(pcm(tag=0x11, bits=4) + struct.pack("<HH", 2, 65535)),
    "nan.wav": spoilt(float("nan")),
    "infinite.wav": spoilt(float("inf")),
    "huge.wav": spoilt(1e30),
    "silence.wav": wav(np.zeros((44100, 1))),
    "an hour of silence.flac": wav(np.zeros((44100 * 3600, 1), np.int16), kind="FLAC"),
    "size 4 GB.wav": riff(pcm(), size=0xFFFFFFF0),
    "long format.wav": riff(pcm() + bytes(60_000)),
    "20000 chunks.wav": nested_chunks(),
    "id3 256 MB.mp3": b"ID3\x04\x00\x00\x7f\x7f\x7f\x7f" + bytes(3000),
    "id3 of id3.mp3": (b"ID3\x04\x00\x00\x00\x00\x00\x0a" + bytes(10)) * 1000,
    "ogg.wav": b"OggS" + bytes(2000),
    "moov.m4a": b"\x00\x00\x00\x18ftypM4A " + bytes(12) + b"\xff\xff\xff\xffmoov" + bytes(100),
    "ftyp 64 bits.m4a": b"\x00\x00\x00\x01ftyp" + b"\xff" * 8 + bytes(100),
    "rf64.wav": b"RF64\xff\xff\xff\xffWAVEds64" + struct.pack("<IQQQI", 28, 2**62, 2**62, 2**62, 0),
    "aiff.wav": b"FORM\x7f\xff\xff\xffAIFFCOMM\x00\x00\x00\x12" + b"\xff" * 18,
}

#: Names that mean something to somebody; honest takes.
NAMES = (
    "line\nend.wav", "escape\x1b[31mred\x1b]0;t\x07.wav", "bidi\u202egnp.wav", "-y.wav",
    "http:x.wav", "concat:a|b.wav", "$(touch x).wav", "=cmd|' '!A0.wav", "<img onerror=x>.wav",
    "up\\..\\x.wav", "CON.wav", "trailing. .wav", os.fsdecode(b"bytes \xff\xfe.wav"),
    "\u0065\u0301.wav", "\u00e9.wav", "CASE.wav", "case.wav", "n" * 251 + ".wav", "%s%n.wav",
)  # fmt: skip

#: Settings files that came with a take and want what is not theirs.
TITLES = {
    "cover outside": 'cover = "../../secret.jpg"\n',
    "cover absolute": 'cover = "/etc/passwd"\n',
    "profile outside": 'profile = "../../../etc/passwd"\n',
    "overrides nested": "[overrides" + ".a" * 500 + "]\nb = 1\n",
    "overrides of very many parts": "[overrides" + ".a" * 30_000 + "]\nb = 1\n",
    "huge": "# " + "x" * 5_000_000,
    "not text": "\x00\x01\x02",
    "deep": "a = " + "[" * 5000 + "]" * 5000 + "\n",
    "infinite": "[overrides.limit]\nceiling_dbtp = nan\n",
}


def special_files(inbox: Path, outside: Path) -> list[Path]:
    """Things in the inbox that are no takes and have to be left alone."""
    os.mkfifo(inbox / "fifo.wav")
    (inbox / "link to secret.wav").symlink_to(outside)
    (inbox / "link to folder").symlink_to(outside.parent)
    (inbox / "link to itself.wav").symlink_to(inbox / "link to itself.wav")
    (inbox / "link to device.wav").symlink_to("/dev/zero")
    (inbox / "a folder.wav").mkdir()
    here = Path.cwd()
    os.chdir(inbox)  # the name of a socket has little room
    try:
        with socket.socket(socket.AF_UNIX) as bound:
            bound.bind("socket.wav")
    finally:
        os.chdir(here)
    return [path for path in inbox.iterdir() if path.is_symlink() or not path.is_file()]


def attack(folder: Path) -> Found:
    """Everything at once."""
    found = Found("hostile files", hit=True)
    folder.mkdir(exist_ok=True)
    outside = folder / "secret.wav"
    outside.write_bytes(SECRET)
    books = fresh(folder / "root", workers=2, most_attempts=2, hang_s=60)
    (books.root / "inbox/bad").mkdir()
    (books.root / "inbox/bad/title.toml").write_text("")
    left_alone = special_files(books.root / "inbox", outside)
    for name, data in CONTENTS.items():
        put(books, f"bad/{name}", data, bad=True)
    for number, name in enumerate(NAMES):
        put(books, name, good(0.95 - number / 50))
    for number, (name, text) in enumerate(TITLES.items()):
        (books.root / "inbox" / name).mkdir()
        (books.root / "inbox" / name / "title.toml").write_text(text)
        put(books, f"{name}/a.wav", good(0.4 - number / 50), bad=True)
    with live(books.root, "--once") as service:
        found.wrong += service.ended(MOST_SECONDS)
        found.log = service.log
    found.wrong += [*books.wrong_at_the_end(), *_trespasses(books, outside, left_alone)]
    broken = [line for line in found.log.splitlines() if not LOG_LINE.match(line)]
    found.wrong += [Wrong("broke down", f"no log line: {line}") for line in broken[:3]]
    found.checked, found.faults = books.checked + len(left_alone) + 2, COUNT
    return found


def _trespasses(books: Books, outside: Path, left_alone: list[Path]) -> Iterator[Wrong]:
    if outside.read_bytes() != SECRET:
        yield Wrong("overwritten", "the secret outside ROOT")
    for path in left_alone:
        if not (path.is_symlink() or path.exists()):
            yield Wrong("lost", f"{path.name!r} was not left alone")
    inside = [p.name for p in outside.parent.iterdir()]
    if sorted(inside) != sorted(["root", "root.log", "secret.wav"]):
        yield Wrong("overwritten", f"something new beside ROOT: {inside}")


COUNT = len(CONTENTS) + len(NAMES) + len(TITLES) + 7
