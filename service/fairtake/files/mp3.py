"""Encode the MP3 through pydub, with its tags and cover."""

from __future__ import annotations

import errno
import mmap
import re
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fairtake.errors import EncoderFailed
from fairtake.files.encoder import (
    bound_processes,
    encoder,
    fault_of_machine,
    fault_of_start,
    first_words,
    require_working,
)

#: The encoder lowers constant bit rates below 256 kb/s, by these factors. Source: scale table in
#: LAME's libmp3lame/presets.c, measured again in the tests.
_SCALE = {160: 0.95, 192: 0.97, 224: 0.98}
_PICTURES = {b"\x89PNG\r\n\x1a\n": ".png", b"\xff\xd8\xff": ".jpg"}
#: It says nothing but what went wrong, and adds no tags of its own.
_TO_THE_POINT = ("-v", "error", "-map_metadata", "-1")
MOST_COVER_BYTES = 20_000_000


def level_loss_db(bitrate_kbps: int) -> float:
    """By how many dB the encoder lowers what it encodes, 0 or more."""
    import math

    scale = next((s for kbps, s in sorted(_SCALE.items()) if bitrate_kbps <= kbps), 1.0)
    return -20 * math.log10(scale)


def encode_mp3(
    copy: Path,
    mp3: Path,
    sample_rate_hz: int,
    channels: int,
    bitrate_kbps: int,
    tags: dict[str, str],
    cover: Path | None,
) -> None:
    """Encode bare 16-bit samples at *copy* into *mp3*, at a constant bit rate.

    pydub looks at the copy as a whole; it is the one thing here that does.
    Raises `EncoderFailed` where the encoder works and fails on this, `EncoderMissing` where it does
    not work at all, and an ``OSError`` where disk or machine are short of something.
    """
    with open(copy, "rb") as file:
        samples = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    segment_type, failed = _pydub(lambda: _out_of_memory(samples))
    segment = segment_type(
        data=samples, sample_width=2, frame_rate=sample_rate_hz, channels=channels
    )
    _export(segment, failed, mp3, sample_rate_hz, bitrate_kbps, tags, cover)
    samples.close()  # after a fault, what looks into it still lives: then it is closed with that


def _out_of_memory(samples: mmap.mmap) -> None:
    """The encoder reads from a file of its own: the copy need not stay beside the MP3."""
    if hasattr(mmap, "MADV_DONTNEED"):
        samples.madvise(mmap.MADV_DONTNEED)


def _export(
    segment: Any,
    failed: type[Exception],
    mp3: Path,
    sample_rate_hz: int,
    bitrate_kbps: int,
    tags: dict[str, str],
    cover: Path | None,
) -> None:
    before = tempfile.tempdir
    tempfile.tempdir = str(mp3.parent)  # pydub's own temporary files go where ours do
    try:
        with open(mp3, "wb+") as file:
            segment.export(
                file,
                format="mp3",
                codec="libmp3lame",
                bitrate=f"{bitrate_kbps}k",
                tags=tags,
                cover=str(cover) if cover else None,
                parameters=[*_TO_THE_POINT, "-ar", str(sample_rate_hz), "-write_xing", "1"],
            )
        if "comment" in tags:
            _comment_as_comment(mp3)
    except failed as e:
        raise _fault(str(e), mp3) from None
    except OSError as e:
        raise fault_of_start(e) from None
    finally:
        tempfile.tempdir = before


def _fault(said: str, mp3: Path) -> Exception:
    """Whose fault it was, by pydub's report of an encoder that failed. Raises `EncoderMissing`."""
    found = re.match(r"Encoding failed\. .* error code: (-?\d+)\n", said)
    status = int(found[1]) if found else 1
    # What it read and wrote was ours: an error of input or output is the drive's, too.
    short = fault_of_machine(status, mp3, errno.EIO)
    if short is not None:
        return short
    require_working()
    return EncoderFailed(first_words(said.rpartition("Output from ffmpeg/avlib:")[2], status))


def _comment_as_comment(mp3: Path) -> None:
    """Turn the encoder's ``TXXX:comment`` frame into the ``COMM`` frame that players read.

    Both bodies get the same length, so nothing else moves: three letters of language, an empty
    description and three spaces take the place of the word and its end. ID3v2.4, from memory.
    """
    frame, found = b"COMM", b"\x03comment\0"
    with open(mp3, "r+b") as file:
        head = file.read(2**16)
        at = head.find(found)
        if head[:3] != b"ID3" or at < 20 or head[at - 10 : at - 6] != b"TXXX":
            return
        size = sum(
            (byte & 0x7F) << shift
            for byte, shift in zip(head[at - 6 : at - 2], (21, 14, 7, 0), strict=True)
        )
        text = head[at + len(found) : at + size]
        if len(text) != size - len(found):
            return  # longer than what was read: leave it as it is
        body = b"\x03eng\0" + text.rstrip(b"\0")
        file.seek(at - 10)
        file.write(frame + head[at - 6 : at] + body.ljust(size))


def get_ready() -> None:
    """Load what encoding needs. Raises `EncoderMissing`."""
    _pydub()


def picture_suffix(picture: bytes) -> str | None:
    """``.png`` or ``.jpg`` by the first bytes, None when it is no such picture."""
    return next((suffix for magic, suffix in _PICTURES.items() if picture.startswith(magic)), None)


def _pydub(begun: Callable[[], None] = lambda: None) -> tuple[Any, type[Exception]]:
    """pydub's segment type and its error, with our encoder in place; *begun* as of `bound_processes`."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it looks for an encoder on the PATH, and need not
        from pydub import AudioSegment, audio_segment
        from pydub.exceptions import CouldntEncodeError
    AudioSegment.converter = encoder()
    # pydub lets nobody say how its encoder is started, and an encoder must not outlive us.
    audio_segment.subprocess = bound_processes(begun)
    return AudioSegment, CouldntEncodeError
