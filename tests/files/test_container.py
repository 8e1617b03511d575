"""The container told from a file's first bytes, and whether the file is whole."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from fairtake.errors import Damaged, EmptyFile, NotAudio, UnsupportedEncoding
from fairtake.files.container import Container, sniff
from files.making import chord, encode, run_encoder, write

SECOND = chord(44100, 1, 1.0)


def made(path: Path, name: str) -> Path:
    """One second of sound in the format *name*."""
    by_libsndfile = {
        "wav": ("WAV", "PCM_16"), "rf64": ("RF64", "PCM_16"), "w64": ("W64", "PCM_16"),
        "aiff": ("AIFF", "PCM_16"), "caf": ("CAF", "PCM_16"), "flac": ("FLAC", "PCM_16"),
        "ogg": ("OGG", "VORBIS"),
    }  # fmt: skip
    if name in by_libsndfile:
        kind, subtype = by_libsndfile[name]
        return write(path, SECOND, 44100, subtype, kind)
    how = {
        "m4a": ("-c:a", "aac", "-f", "ipod"),
        "m4a index first": ("-c:a", "aac", "-movflags", "+faststart", "-f", "ipod"),
        "mp3": ("-c:a", "libmp3lame", "-f", "mp3"),
        "mp3 no tags": ("-c:a", "libmp3lame", "-id3v2_version", "0", "-f", "mp3"),
        "aac": ("-c:a", "aac", "-f", "adts"),
    }[name]
    return encode(path, SECOND, 44100, *how)


ALL = ("wav", "rf64", "w64", "aiff", "caf", "flac", "ogg",
       "m4a", "m4a index first", "mp3", "mp3 no tags", "aac")  # fmt: skip


@pytest.mark.parametrize("name", ALL)
def test_known_by_bytes_not_by_name(tmp_path: Path, name: str) -> None:
    """A whole file is named by its bytes; what it is called does not count. By each format's magic."""
    found = sniff(made(tmp_path / "take", name))
    assert (found.name, found.whole) == (name.split()[0], True)


@pytest.mark.parametrize("name", [n for n in ALL if n not in ("flac", "aac")])
@pytest.mark.parametrize("share", [0.01, 0.5, 0.99, 1.0])
def test_a_part_is_never_whole(tmp_path: Path, name: str, share: float) -> None:
    """No part of a file, not even all but its last byte, counts as whole. By each header's own sizes.

    FLAC counts samples and ADTS nothing: there only decoding tells, see test_take.py.
    """
    data = made(tmp_path / "whole", name).read_bytes()
    part = tmp_path / "part"
    part.write_bytes(data[: min(int(len(data) * share), len(data) - 1)])
    try:
        assert not sniff(part).whole
    except NotAudio:
        assert share == 0.01


@pytest.mark.parametrize("name", ["wav", "rf64", "w64", "aiff", "caf", "ogg", "m4a", "mp3"])
def test_every_growing_length(tmp_path: Path, name: str) -> None:
    """While a file arrives, no length on the way crashes the sniffer or counts as whole."""
    data = made(tmp_path / "whole", name).read_bytes()
    part = tmp_path / "part"
    for length in [*range(1, 200), *range(200, len(data), len(data) // 40), len(data) - 1]:
        part.write_bytes(data[:length])
        try:
            assert not sniff(part).whole, length
        except (NotAudio, UnsupportedEncoding):
            assert length < 64, length


@pytest.mark.parametrize("magic", [b"RIFF", b"RIFF\0\0\0\0WA", b"RF64\xff", b"FORM\0\0"])
def test_the_first_bytes_of_a_chunked_file_are_not_yet_whole(tmp_path: Path, magic: bytes) -> None:
    """Fewer than twelve bytes of a WAV or AIFF mean: still arriving, and not: no audio."""
    part = tmp_path / "part"
    part.write_bytes(magic)
    assert not sniff(part).whole


@pytest.mark.parametrize(
    "data",
    [
        b"Dear reader,\n" * 40,
        b"\xff\xfeD\0e\0a\0r\0" * 40,
        b"\x89PNG\r\n\x1a\n" + bytes(200),
        b"\xff\xd8\xff\xe0\0\x10JFIF" + bytes(200),
        b"RIFF\x24\0\0\0AVI LIST" + bytes(200),
        b"FORM\0\0\0\x24ILBM" + bytes(200),
        b"ffconcat version 1.0\nfile other.wav\n",
        b"#EXTM3U\n#EXTINF:1,\nother.wav\n",
        b"v=0\no=- 0 0 IN IP4 127.0.0.1\nm=audio 5004 RTP/AVP 0\n",
        b"PK\x03\x04" + bytes(200),
        bytes(1000),
        b"ID3\x04\0\0\0\0\0\0" + b"\0" * 500,
        b"\xff\xfb\x00\x00" + bytes(500),
        b"\xff\xfb\x90\x00" + bytes(1000),
        b"\xff",
    ],
    ids=["text", "utf-16", "png", "jpeg", "avi", "picture-aiff", "ffconcat", "hls", "sdp", "zip",
         "zeros", "id3-alone", "free-format", "one-frame-only", "one-byte"],
)  # fmt: skip
def test_not_audio(tmp_path: Path, data: bytes) -> None:
    """What is no sound file is called so, however it is named."""
    path = tmp_path / "take.mp3"
    path.write_bytes(data)
    with pytest.raises(NotAudio):
        sniff(path)


def test_empty(tmp_path: Path) -> None:
    """A file of no bytes has its own error: the copy never began."""
    path = tmp_path / "take.wav"
    path.touch()
    with pytest.raises(EmptyFile):
        sniff(path)


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF, 0x7FFFFFFF])
def test_a_streamed_wav_is_whole_once_sound_is_there(tmp_path: Path, size: int) -> None:
    """A recorder that cannot seek leaves 0, 7FFFFFFF or FFFFFFFF as size. Common practice, no source."""
    head = b"RIFF\xff\xff\xff\xffWAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, 44100, 88200, 2, 16)
    path = tmp_path / "take"
    path.write_bytes(head + b"data" + struct.pack("<I", size))
    assert sniff(path).missing == "no sound has arrived yet"
    path.write_bytes(head + b"data" + struct.pack("<I", size) + bytes(1000))
    assert sniff(path) == Container("wav", counted=size != 0)


def test_an_empty_wav_is_not_a_streamed_one(tmp_path: Path) -> None:
    """A size of 0 is believed where the header's other size agrees: what follows is no sound."""
    head = b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, 44100, 88200, 2, 16) + b"data\0\0\0\0"
    body = head + b"LIST" + struct.pack("<I", 8) + b"INFOnote"
    path = tmp_path / "take"
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    assert sniff(path).counted


def test_chunks_behind_the_sound_may_be_missing(tmp_path: Path) -> None:
    """A WAV whose sound is whole is whole; a note behind it does not matter."""
    data = made(tmp_path / "whole", "wav").read_bytes()
    path = tmp_path / "take"
    path.write_bytes(data + b"LIST" + struct.pack("<I", 100) + b"INFO")
    assert sniff(path).whole


def test_odd_chunks_before_the_sound_are_padded(tmp_path: Path) -> None:
    """A chunk of odd length takes one byte more than it says. EBU Tech 3285, RIFF."""
    data = made(tmp_path / "whole", "wav").read_bytes()
    path = tmp_path / "take"
    path.write_bytes(data[:12] + b"note" + struct.pack("<I", 5) + b"hello\0" + data[12:])
    assert sniff(path).whole
    path.write_bytes(path.read_bytes()[:-1])
    assert not sniff(path).whole


def test_which_headers_count_their_samples(tmp_path: Path) -> None:
    """An MP3 without the Xing field and a FLAC from a pipe do not say how long they are."""
    bare = encode(tmp_path / "bare", SECOND, 44100, "-write_xing", "0", "-f", "mp3")
    piped = tmp_path / "piped"
    raw = ("-f", "f64le", "-ar", "44100", "-ac", "1", "-i", "-")
    piped.write_bytes(run_encoder(*raw, "-f", "flac", "-", data=SECOND.tobytes()))
    assert not sniff(bare).counted
    assert not sniff(piped).counted
    assert sniff(made(tmp_path / "mp3", "mp3")).counted
    assert sniff(made(tmp_path / "flac", "flac")).counted


def test_flac_in_ogg_is_refused_by_name(tmp_path: Path) -> None:
    """Ogg may carry what libsndfile only stumbles over: it is named instead. RFC 3533, RFC 9639."""
    path = encode(tmp_path / "take", SECOND, 44100, "-c:a", "flac", "-f", "ogg")
    with pytest.raises(UnsupportedEncoding):
        sniff(path)


@pytest.mark.parametrize("magic", [b"RIFF\xff\xff\xff\x7fWAVE", b"FORM\x7f\xff\xff\xffAIFF"])
def test_a_header_of_a_million_chunks_is_not_read_to_its_end(tmp_path: Path, magic: bytes) -> None:
    """The service looks at headers itself: none may keep it busy. Requirement 20: budgets."""
    path = tmp_path / "take"
    path.write_bytes(magic + b"junk\0\0\0\0" * 1_000_000)
    with pytest.raises(Damaged, match="does not end"):
        sniff(path)


@pytest.mark.parametrize("coding", [2, 0x11, 0x31, 0x55, 0x161])
def test_a_coding_that_is_not_read_is_refused_before_any_library_sees_it(
    tmp_path: Path, coding: int
) -> None:
    """The number in the format chunk decides. Source: the registry of WAVE_FORMAT numbers, from memory."""
    data = bytearray(made(tmp_path / "whole", "wav").read_bytes())
    data[20:22] = struct.pack("<H", coding)
    path = tmp_path / "take"
    path.write_bytes(data)
    with pytest.raises(UnsupportedEncoding):
        sniff(path)
