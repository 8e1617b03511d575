"""What kind of sound file this is, and whether it is whole, told from its own bytes.

Libraries guess too kindly: half a WAV opens as a shorter WAV, a playlist named ``x.mp3`` makes a
decoder read its neighbours. So the first bytes are read here, and only what they name is opened,
by the one reader meant for it. Whole means: the file reaches the end that its own header gives.
Layouts: RIFF/RF64 after EBU Tech 3285 and ITU-R BS.2088; W64, AIFF, CAF, Ogg (RFC 3533),
ISO base media boxes and the MP3 Xing field after their public descriptions, from memory.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from fairtake.errors import Damaged, EmptyFile, NotAudio, UnsupportedEncoding
from fairtake.plain_file import open_plain

_UNKNOWN_SIZES = (0, 0xFFFFFFFF, 0x7FFFFFFF, 0xFFFFFFFFFFFFFFFF)
_W64_RIFF = bytes.fromhex("726966662e91cf11a5d628db04c10000")
_LAST_PAGE_REACH = 70_000
_MAGIC = (b"RIFF", b"RF64", b"BW64", b"FORM")
#: No recorder writes more; a file may hold a billion empty ones.
_MOST_CHUNKS = 65_536
#: Ways to code sound in a WAV that are read, and the common ones that are not, by their number.
_WAV_CODINGS, _WAV_EXTENSIBLE = (1, 3), 0xFFFE
_WAV_OTHERS = {
    2: "Microsoft ADPCM", 6: "A-Law", 7: "U-Law", 0x11: "IMA ADPCM", 0x31: "GSM 6.10",
    0x50: "MPEG layer 2", 0x55: "MPEG layer 3",
}  # fmt: skip


@dataclass(frozen=True)
class Container:
    """``name`` of the format; ``missing`` says what is not there yet, or is empty.

    ``counted`` is whether its header counts the samples; where not, only decoding tells. ``sound_at``
    is where the sound of a WAV begins and ``sound_bytes`` how long it is, 0 elsewhere. ``promised_s`` is
    how long the sound of a WAV or FLAC should last, None where its header does not tell.
    """

    name: str
    missing: str = ""
    counted: bool = True
    sound_at: int = 0
    sound_bytes: int = 0
    promised_s: float | None = None

    @property
    def whole(self) -> bool:
        return not self.missing


def sniff(path: Path) -> Container:
    """The container of the file at *path*.

    Reads little, whatever the file says of itself. Raises `EmptyFile`, `NotAFile`,
    `NotAudio`, `Damaged` and `UnsupportedEncoding`; an ``OSError`` passes through.
    """
    with open_plain(path) as file:
        size = os.fstat(file.fileno()).st_size
        if size == 0:
            raise EmptyFile()
        head = file.read(64)
        file.seek(0)
        for matches, read in _FORMATS:
            if matches(head):
                return read(file, size)
    if size < 12 and any(magic.startswith(head[:4]) for magic in _MAGIC):
        return Container("wav", "its header is not complete")
    raise NotAudio()


def _short(promised_end: int, size: int) -> str:
    if promised_end <= size:
        return ""
    return f"its header promises {promised_end:,} bytes, {size:,} are there"


# --- RIFF, RF64, W64, AIFF, CAF: chunks with sizes ---------------------------------------------


def _chunks(
    file: BinaryIO, at: int, size: int, head: struct.Struct
) -> Iterator[tuple[bytes, int, int]]:
    """(name, place of the content, size of the content) of each chunk from *at*."""
    for _ in range(_MOST_CHUNKS):
        if at + head.size > size:
            return
        file.seek(at)
        name, length = head.unpack(file.read(head.size))
        yield name, at + head.size, length
        at += head.size + length + length % 2
    raise Damaged("Its header does not end.")


def _wav(file: BinaryIO, size: int) -> Container:
    long_size, about = None, b""
    magic, promised = struct.unpack("<4sI", file.read(8))
    name = "wav" if magic == b"RIFF" else "rf64"
    for chunk, at, length in _chunks(file, 12, size, struct.Struct("<4sI")):
        if chunk == b"fmt ":
            file.seek(at)
            about = file.read(26)
            _refuse_coding(about)
        if chunk == b"ds64" and length >= 24 and at + 16 <= size:
            file.seek(at + 8)
            long_size = struct.unpack("<Q", file.read(8))[0]
        if chunk == b"data":
            if length == 0xFFFFFFFF and long_size is not None:
                length = long_size
            if length in _UNKNOWN_SIZES:
                # Written by a program that could not go back to fill it in. libsndfile takes a 0
                # at its word, and so do we where the rest of the header agrees.
                believed = length != 0 or promised + 8 == size
                return Container(name, "" if size > at else "no sound has arrived yet", believed)
            return Container(
                name, _short(at + length, size), sound_at=at, sound_bytes=length,
                promised_s=_wav_s(about, length),
            )  # fmt: skip
    return Container(name, "its header is not complete")


def _wav_s(about: bytes, sound_bytes: int) -> float | None:
    """How long so many bytes last by the WAV's format chunk."""
    if len(about) < 14:
        return None
    rate, frame_bytes = struct.unpack("<I", about[4:8])[0], struct.unpack("<H", about[12:14])[0]
    return sound_bytes / (rate * frame_bytes) if rate * frame_bytes else None


def _refuse_coding(about: bytes) -> None:
    """Keep from libsndfile what it need not decode. Raises `UnsupportedEncoding`."""
    if len(about) < 16:
        return  # still arriving
    coding = int.from_bytes(about[:2], "little")
    if coding == _WAV_EXTENSIBLE and len(about) == 26:
        coding = int.from_bytes(about[24:], "little")
    if coding not in (*_WAV_CODINGS, _WAV_EXTENSIBLE):
        name = _WAV_OTHERS.get(coding, f"coding {coding:#x}")
        raise UnsupportedEncoding(f"It is {name} in WAV.")


def _w64(file: BinaryIO, size: int) -> Container:
    if size < 24:
        return Container("w64", "its header is not complete")
    file.seek(16)
    promised = struct.unpack("<Q", file.read(8))[0]
    return Container("w64", "" if promised in _UNKNOWN_SIZES else _short(promised, size))


def _aiff(file: BinaryIO, size: int) -> Container:
    for chunk, at, length in _chunks(file, 12, size, struct.Struct(">4sI")):
        if chunk == b"SSND":
            return Container("aiff", _short(at + length, size))
    return Container("aiff", "its header is not complete")


def _caf(file: BinaryIO, size: int) -> Container:
    at = 8
    for _ in range(_MOST_CHUNKS):
        if at + 12 > size:
            break
        file.seek(at)
        chunk, length = struct.unpack(">4sq", file.read(12))
        if chunk == b"data":
            return Container("caf", "" if length < 0 else _short(at + 12 + length, size))
        at += 12 + max(length, 0)
    return Container("caf", "its header is not complete")


# --- the others ------------------------------------------------------------------------------


def _flac(file: BinaryIO, size: int) -> Container:
    # Its header counts samples, not bytes: only decoding tells, and it does.
    if size <= 42:
        return Container("flac", "its header is not complete")
    file.seek(18)
    packed = int.from_bytes(file.read(8), "big")
    rate, samples = packed >> 44, packed & 0xFFFFFFFFF
    lasts_s = samples / rate if rate and samples else None
    return Container("flac", counted=samples > 0, promised_s=lasts_s)


def _ogg(file: BinaryIO, size: int) -> Container:
    first = file.read(64)
    if len(first) == 64 and not first[28:].startswith((b"\x01vorbis", b"OpusHead")):
        raise UnsupportedEncoding("It is neither Vorbis nor Opus in Ogg.")
    file.seek(max(0, size - _LAST_PAGE_REACH))
    end = file.read()
    at = end.rfind(b"OggS")
    page = end[at:]
    if at < 0 or len(page) < 27 or len(page) < 27 + page[26]:
        return Container("ogg", "its last page is not complete")
    if len(page) < 27 + page[26] + sum(page[27 : 27 + page[26]]):
        return Container("ogg", "its last page is not complete")
    return Container("ogg", "" if page[5] & 4 else "its closing page has not arrived")


def _m4a(file: BinaryIO, size: int) -> Container:
    at, boxes = 0, set()
    for _ in range(_MOST_CHUNKS):
        if at + 8 > size:
            break
        file.seek(at)
        length, box = struct.unpack(">I4s", file.read(8))
        if length == 1 and at + 16 <= size:
            length = struct.unpack(">Q", file.read(8))[0]
        if length == 0:
            return Container("m4a")
        if length < 8:
            break
        boxes.add(box)
        if at + length > size:
            return Container("m4a", _short(at + length, size))
        at += length
    complete = {b"moov", b"mdat"} <= boxes and at == size
    return Container("m4a", "" if complete else "its index has not arrived")


def _mp3(file: BinaryIO, size: int) -> Container:
    head = file.read(10)
    if size < 10:
        return Container("mp3", "no sound has arrived yet")
    start = 10 + _syncsafe(head[6:10]) if head[:3] == b"ID3" else 0
    file.seek(start)
    frame = file.read(4096)
    if len(frame) < max(4, _mp3_frame_bytes(frame)):
        return Container("mp3", "no sound has arrived yet")
    if not _is_mp3_frame(frame):
        raise NotAudio("It begins like an MP3 and does not go on like one.")
    for tag in (b"Xing", b"Info"):
        at = frame.find(tag, 0, 200)
        if 0 < at <= len(frame) - 16 and frame[at + 7] & 2:
            counted = at + 8 + (4 if frame[at + 7] & 1 else 0)
            promised = struct.unpack(">I", frame[counted : counted + 4])[0]
            return Container("mp3", _short(start + promised, size))
    return Container("mp3", counted=False)


def _syncsafe(four: bytes) -> int:
    return sum((byte & 0x7F) << shift for byte, shift in zip(four, (21, 14, 7, 0), strict=True))


_KBPS_1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBPS_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_RATES = {3: (44100, 48000, 32000), 2: (22050, 24000, 16000), 0: (11025, 12000, 8000)}


def _is_mp3_frame(data: bytes) -> bool:
    """Whether *data* begins with a layer III frame and, as far as it reaches, a second one."""
    length = _mp3_frame_bytes(data)
    if not length:
        return False
    return len(data) < length + 4 or _mp3_frame_bytes(data[length:]) > 0


def _mp3_frame_bytes(data: bytes) -> int:
    if len(data) < 4 or data[0] != 0xFF or data[1] & 0xE6 != 0xE2:
        return 0
    version, rate, kbps = data[1] >> 3 & 3, data[2] >> 2 & 3, data[2] >> 4
    if version == 1 or rate == 3 or kbps in (0, 15):
        return 0
    per_frame, table = (144, _KBPS_1) if version == 3 else (72, _KBPS_2)
    return per_frame * table[kbps] * 1000 // _RATES[version][rate] + (data[2] >> 1 & 1)


def _aac(file: BinaryIO, size: int) -> Container:
    return Container("aac")


_FORMATS: tuple[tuple[Callable[[bytes], bool], Callable[[BinaryIO, int], Container]], ...] = (
    (lambda h: h[:4] in (b"RIFF", b"RF64", b"BW64") and h[8:12] == b"WAVE", _wav),
    (lambda h: h[:16] == _W64_RIFF, _w64),
    (lambda h: h[:4] == b"FORM" and h[8:12] in (b"AIFF", b"AIFC"), _aiff),
    (lambda h: h[:4] == b"caff", _caf),
    (lambda h: h[:4] == b"fLaC", _flac),
    (lambda h: h[:4] == b"OggS", _ogg),
    (lambda h: h[4:8] == b"ftyp", _m4a),
    (lambda h: h[:3] == b"ID3" or (h[:1] == b"\xff" and len(h) > 1 and h[1] & 0xE6 == 0xE2), _mp3),
    (lambda h: h[:1] == b"\xff" and len(h) > 1 and h[1] & 0xF6 == 0xF0, _aac),
)
