"""The finished WAV's chunks: Broadcast Wave loudness, and growth past 4 GiB."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fairtake.files.encoder import encoder
from fairtake.files.wav import RIFF_MOST_BYTES, Loudness, WavWriter, write_loudness

LOUDNESS = Loudness(-18.029, 5.3, -1.0, None, -15.004)


def chunks(data: bytes) -> dict[bytes, bytes]:
    """Every chunk of a RIFF file, read by its own arithmetic."""
    found, at = {}, 12
    while at + 8 <= len(data):
        name, size = struct.unpack("<4sI", data[at : at + 8])
        found[name] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    return found


def a_wav(path: Path, samples: int = 1001, bits: int = 24, channels: int = 1) -> Path:
    kind = np.int16 if bits == 16 else np.int32
    noise = np.random.default_rng(1).integers(
        -(2 ** (bits - 1)), 2 ** (bits - 1), (samples, channels)
    )
    with WavWriter(path, 44_100, channels, bits, "The Ferry") as wav:
        wav.write(noise.astype(kind))
    write_loudness(path, LOUDNESS)
    return path


def test_loudness_stands_where_the_standard_puts_it(tmp_path: Path) -> None:
    """EBU Tech 3285 v2: version at 346, figures from 412 as round(100 x value), 7FFFh where unused."""
    bext = chunks(a_wav(tmp_path / "a.wav").read_bytes())[b"bext"]
    assert struct.unpack("<H", bext[346:348]) == (2,)
    assert struct.unpack("<5h", bext[412:422]) == (-1803, 530, -100, 0x7FFF, -1500)
    assert bext[422:602] == bytes(180)


def test_texts_stand_where_the_standard_puts_them(tmp_path: Path) -> None:
    """EBU Tech 3285 v2: description, originator; coding history in lines that end with CR LF."""
    bext = chunks(a_wav(tmp_path / "a.wav").read_bytes())[b"bext"]
    assert bext[:256].rstrip(b"\0") == b"The Ferry"
    assert bext[256:288].rstrip(b"\0") == b"fairtake"
    assert bext[602:] == b"A=PCM,F=44100,W=24,M=mono,T=fairtake\r\n"


def test_another_reader_finds_the_chunk(tmp_path: Path) -> None:
    """The encoder's own WAV reader tells the texts of the chunk."""
    wav = a_wav(tmp_path / "a.wav", channels=2, bits=16)
    command = [encoder(), "-v", "error", "-i", str(wav), "-f", "ffmetadata", "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert "encoded_by=fairtake" in said
    assert "comment=The Ferry" in said
    assert "coding_history=A\\=PCM,F\\=44100,W\\=16,M\\=stereo" in said


@pytest.mark.parametrize(("bits", "channels"), [(16, 1), (16, 2), (24, 1), (24, 2)])
def test_sizes_fit_the_file(tmp_path: Path, bits: int, channels: int) -> None:
    """RIFF: the size of the whole is the file's less 8, and odd data is padded to even."""
    data = a_wav(tmp_path / "a.wav", 1001, bits, channels).read_bytes()
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    assert len(data) % 2 == 0
    assert len(chunks(data)[b"data"]) == 1001 * channels * bits // 8


def test_four_gibibytes_and_more(tmp_path: Path) -> None:
    """A file of really more than 4 GiB (sparse on the disk) is RF64, whole, and read to its last sample.

    ITU-R BS.2088 and EBU Tech 3306.
    """
    wav = WavWriter(tmp_path / "big.wav", 48_000, 1, 24, "")
    block = np.zeros((48_000, 1), np.int32)
    with wav as writer:
        writer.write(block + 7)
        skipped = RIFF_MOST_BYTES // 3 // 48_000
        writer._file.seek(skipped * 48_000 * 3, 1)
        writer._data_bytes += skipped * 48_000 * 3
        writer.write(block + 9)
    write_loudness(tmp_path / "big.wav", LOUDNESS)
    info = soundfile.info(tmp_path / "big.wav")
    assert (info.format, info.frames) == ("RF64", (skipped + 2) * 48_000)
    with soundfile.SoundFile(tmp_path / "big.wav") as file:
        assert (file.read(10, dtype="int32") >> 8 == 7).all()
        file.seek(info.frames - 10)
        assert (file.read(dtype="int32") >> 8 == 9).all()
