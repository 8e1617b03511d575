"""The finished WAV: integers as they are, its loudness in a Broadcast Wave chunk. Also WAV of 32-bit
floats, for what is worked on further, or elsewhere, and may be louder than full scale.

Written here because the library that reads takes writes no ``bext`` chunk. Layouts, little-endian:
``bext`` version 2 after EBU Tech 3285 v2 (602 bytes and the coding history; loudness as
round(100 x value) in 16 bits, 7FFFh where there is none); RF64 after EBU Tech 3306 and ITU-R BS.2088:
a ``JUNK`` chunk holds the place of ``ds64`` in every file, so that any file may grow past 4 GiB.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from fairtake.sound.integers import Integers
from fairtake.sound.source import Samples

_UNUSED = 0x7FFF
_IN_DS64 = 0xFFFFFFFF
#: The most bytes that a size of 32 bits counts; past it the file becomes RF64.
RIFF_MOST_BYTES = 0xFFFFFFFF
_DS64_BYTES = 28
_BEXT_FIXED_BYTES = 602
_LOUDNESS_AT = 412
_TYPES = {16: "<i2", 24: "<i4", 32: "<f4"}
_FORMAT_PCM, _FORMAT_FLOAT = 1, 3


@dataclass(frozen=True)
class Loudness:
    """The five figures of a ``bext`` chunk, None where there is none."""

    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    momentary_lufs: float | None
    short_term_lufs: float | None

    def packed(self) -> bytes:
        """The figures as they stand in the chunk."""
        figures = (self.integrated_lufs, self.range_lu, self.true_peak_dbtp,
                   self.momentary_lufs, self.short_term_lufs)  # fmt: skip
        return struct.pack("<5h", *map(_hundredths, figures))


NO_LOUDNESS = Loudness(None, None, None, None, None)


def _hundredths(value: float | None) -> int:
    if value is None or not -327 < value < 327:
        return _UNUSED
    return round(100 * value)


class WavWriter:
    """Writes a WAV of *bits* bits: 16 or 24 for integers, those of `fairtake.sound.integers`, and 32
    for floats."""

    def __init__(
        self, path: Path, sample_rate_hz: int, channels: int, bits: int, description: str
    ) -> None:
        self._bits, self._frame_bytes = bits, channels * bits // 8
        self._data_bytes = 0
        bext = _bext(description, sample_rate_hz, channels, bits)
        fmt = struct.pack(
            "<HHIIHH", _FORMAT_FLOAT if bits == 32 else _FORMAT_PCM, channels, sample_rate_hz,
            sample_rate_hz * self._frame_bytes, self._frame_bytes, bits,
        )  # fmt: skip
        # What is no PCM says how long its own settings are, here none.
        fmt += struct.pack("<H", 0) if bits == 32 else b""
        self._head = [(b"JUNK", bytes(_DS64_BYTES)), (b"bext", bext), (b"fmt ", fmt)]
        self._file: BinaryIO = open(path, "wb")  # noqa: SIM115 - closed by __exit__
        self._file.write(self._header())

    def __enter__(self) -> WavWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._file:
            if kind is None:
                if self._data_bytes % 2:
                    self._file.write(b"\0")
                self._file.seek(0)
                self._file.write(self._header())

    def write(self, samples: Integers | Samples) -> None:
        """Add integers, or floats, of shape (samples, channels)."""
        little = np.ascontiguousarray(samples, _TYPES[self._bits])
        if self._bits == 24:
            self._file.write(_three_bytes(little).data)
        else:
            self._file.write(little.tobytes())
        self._data_bytes += samples.shape[0] * self._frame_bytes

    def _header(self) -> bytes:
        chunks = list(self._head)
        samples = self._data_bytes // self._frame_bytes
        if self._bits == 32:  # what is no PCM tells its length in samples, too
            chunks.append((b"fact", struct.pack("<I", min(samples, _IN_DS64))))
        head_bytes = 12 + sum(8 + len(content) + len(content) % 2 for _, content in chunks) + 8
        riff_bytes = head_bytes - 8 + self._data_bytes + self._data_bytes % 2
        name, riff, data = b"RIFF", riff_bytes, self._data_bytes
        if riff_bytes > RIFF_MOST_BYTES:
            name, riff, data = b"RF64", _IN_DS64, _IN_DS64
            chunks[0] = (b"ds64", struct.pack("<QQQI", riff_bytes, self._data_bytes, samples, 0))
        packed = b"".join(
            chunk + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)
            for chunk, content in chunks
        )
        return name + struct.pack("<I", riff) + b"WAVE" + packed + b"data" + struct.pack("<I", data)


def _three_bytes(little: npt.NDArray[np.int32]) -> npt.NDArray[np.uint8]:
    """The lower three bytes of each integer. One byte at a time: a copy of threes takes eight times
    as long."""
    four = little.view(np.uint8).reshape(-1, 4)
    three = np.empty((len(four), 3), np.uint8)
    for n in range(3):
        three[:, n] = four[:, n]
    return three


def _bext(description: str, rate: int, channels: int, bits: int) -> bytes:
    """A ``bext`` chunk without loudness. No date: the same take has to give the same bytes."""
    mode = "mono" if channels == 1 else "stereo"
    history = f"A=PCM,F={rate},W={bits},M={mode},T=fairtake\r\n".encode("ascii")
    fixed = struct.pack(
        "<256s32s32s10s8sQH64s", _ascii(description, 256), b"fairtake", b"", b"", b"", 0, 2, b""
    ) + NO_LOUDNESS.packed()  # fmt: skip
    return fixed.ljust(_BEXT_FIXED_BYTES, b"\0") + history


def _ascii(text: str, most: int) -> bytes:
    return text.encode("ascii", "replace")[:most]


def write_loudness(path: Path, loudness: Loudness) -> None:
    """Put the measured loudness into the ``bext`` chunk of a WAV made by `WavWriter`."""
    with open(path, "r+b") as file:
        file.seek(12 + 8 + _DS64_BYTES)
        name, _ = struct.unpack("<4sI", file.read(8))
        if name != b"bext":
            raise ValueError(f"{path.name} was not written by this module")
        file.seek(_LOUDNESS_AT, 1)
        file.write(loudness.packed())
