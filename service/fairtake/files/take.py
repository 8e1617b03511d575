"""Open a take, whatever it is recorded as, as one stream of samples."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile

from fairtake.below import all_below
from fairtake.errors import (
    CutShort,
    Damaged,
    HeaderOnly,
    NoRoom,
    NotAFile,
    TooLong,
    TooManyChannels,
    Unreadable,
    UnsupportedEncoding,
    UnsupportedRate,
)
from fairtake.files.container import Container, sniff
from fairtake.files.encoder import decode_to_wav, decoded_bytes
from fairtake.files.hashing import take_hash
from fairtake.files.packed import Packed24
from fairtake.files.room import require_room
from fairtake.plain_file import is_closed_to_us
from fairtake.pulse import beat
from fairtake.receipt import TakeFacts
from fairtake.sound.source import BLOCK_S, Samples
from fairtake.units import clock

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 16_000, 192_000
MOST_CHANNELS = 2
#: Of a sample in a take.
MOST_SAMPLE_BYTES = 8
#: Read through in a moment; and what may lie in a file beside its sound.
READ_AT_ONCE_BYTES = 2**30
#: A take that is not finished is hashed for its reason up to this size: 12 hours of floats of 96 kHz.
MOST_HASHED_BYTES = 2**35
#: Of a sample as it is decoded.
FLOAT_BYTES = 4
#: The longest that any profile may allow; what a header claims beyond is no take.
LONGEST_S = 172_800
#: What is read; anything else libsndfile would open is refused by name.
ENCODINGS = {
    "PCM_S8": "8 bit", "PCM_U8": "8 bit", "PCM_16": "16 bit", "PCM_24": "24 bit",
    "PCM_32": "32 bit", "FLOAT": "32 bit float", "DOUBLE": "64 bit float",
    "ALAC_16": "ALAC 16 bit", "ALAC_20": "ALAC 20 bit", "ALAC_24": "ALAC 24 bit",
    "ALAC_32": "ALAC 32 bit", "VORBIS": "Vorbis", "OPUS": "Opus", "MPEG_LAYER_III": "MP3",
}  # fmt: skip
#: What is decoded into a float WAV before it is read.
DECODED_ENCODINGS = {
    "m4a": "AAC or ALAC", "aac": "AAC", "mp3": "MP3", "flac": "FLAC", "wav": "PCM", "rf64": "PCM",
}  # fmt: skip
#: Where seeking may land beside the sample asked for.
_SEEKS_LOOSELY = ("mp3", "ogg")
#: libsndfile's word for whatever the system refuses; which error it was, it does not say.
_SYSTEM_ERROR = 2


class Take:
    """A sound file as a `fairtake.sound.listen.Source`. Made by `open_take`."""

    def __init__(
        self, path: Path, container: Container, encoding: str, info: soundfile.SoundFile
    ) -> None:
        self._path, self.container, self.encoding = path, container.name, encoding
        self.sample_rate_hz: int = info.samplerate
        self.channels: int = info.channels
        self.frames: int = info.frames
        whole = self.frames * self.channels * 3 == container.sound_bytes
        self._packed_at = container.sound_at if info.subtype == "PCM_24" and whole else 0

    def _open(self) -> soundfile.SoundFile | Packed24:
        if self._packed_at:
            return Packed24(self._path, self._packed_at, self.frames, self.channels)
        return _opened(self._path)

    @property
    def duration_s(self) -> float:
        return self.frames / self.sample_rate_hz

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[Samples]:
        """Samples *start* up to *stop*, in blocks of `BLOCK_S`, shape (samples, channels).

        Raises `CutShort` where the file holds fewer than it declares, `Damaged` where it
        cannot be decoded.
        """
        stop = self.frames if stop is None else stop
        with self._open() as file:
            at = self._go_to(file, start)
            while at < stop:
                block = _read(file, min(BLOCK_S * self.sample_rate_hz, stop - at))
                if not len(block):
                    raise CutShort(
                        f"It declares {clock(self.duration_s)} of sound, {clock(at / self.sample_rate_hz)} are there."
                    )
                at += len(block)
                beat()
                yield block

    def read(self, start: int, stop: int) -> Samples:
        """A short stretch; near it where the format does not seek exactly."""
        with self._open() as file:
            file.seek(start)
            block = _read(file, stop - start)
        return np.pad(block, ((0, stop - start - len(block)), (0, 0)))

    def _go_to(self, file: soundfile.SoundFile | Packed24, start: int) -> int:
        """Stand exactly at *start*."""
        if start and self.container not in _SEEKS_LOOSELY:
            file.seek(start)
        elif start:
            left = start
            while left:
                passed = len(_read(file, min(BLOCK_S * self.sample_rate_hz, left)))
                if not passed:
                    break
                left -= passed
        return start


#: Why a take itself is not read: it is gone, its rights, links, or folders of a mix too deep in one
#: another. Any other number is the drive's.
_OF_THE_TAKE = (errno.ENOENT, errno.EACCES, errno.EPERM, errno.ELOOP, errno.ENAMETOOLONG)


@contextmanager
def open_take(
    path: Path, scratch: Path, longest_s: float = LONGEST_S, decoded_as: str = "decoded.wav"
) -> Iterator[Take]:
    """The sound file at *path*; *scratch* is a folder for what has to be decoded first, under the name
    *decoded_as*, so that several may be open at once.

    Raises a `TakeFault` that says what is wrong with it. Only its header has been read then, or,
    where the header does not count the sound, *longest_s* of it have been decoded.
    """
    try:
        container = sniff(path)
    except PermissionError as e:
        if not is_closed_to_us(path):
            raise
        raise Unreadable() from e
    if not container.whole:
        if container.missing == "no sound has arrived yet":
            raise HeaderOnly()
        raise CutShort(f"{container.missing[:1].upper()}{container.missing[1:]}.")
    decoded = None
    try:
        if container.name in ("m4a", "aac") or not container.counted:
            decoded = scratch / decoded_as
            _require_room_to_decode(path, container.name, scratch, longest_s + 1)
            decode_to_wav(path, container.name, decoded, longest_s + 1)
        with _opened(decoded or path) as file:
            encoding = DECODED_ENCODINGS[container.name] if decoded else _encoding(file, container)
            take = Take(decoded or path, container, encoding, file)
        _refuse_unusable(take)
        if take.duration_s > longest_s:
            lasts = f"more than {clock(longest_s)}" if decoded else clock(take.duration_s)
            raise TooLong(f"It lasts {lasts}; {clock(longest_s)} are allowed.")
        yield take
    finally:
        if decoded:
            decoded.unlink(missing_ok=True)


def refuse_too_long(path: Path, longest_s: float) -> None:
    """Of the take at *path* reads its header, where reading all of it would take more than a moment.

    Raises `TooLong` where that, or its size alone, or the size of all files of a mix, says that it is
    longer than *longest_s*; besides what `sniff` raises.
    """
    is_mix = path.is_dir()
    size = bytes_in(path) if is_mix else path.lstat().st_size
    if size <= READ_AT_ONCE_BYTES:
        return
    lasts_s = 0.0 if is_mix else sniff(path).promised_s or 0.0
    if lasts_s > longest_s:
        raise TooLong(f"It lasts {clock(lasts_s)}; {clock(longest_s)} are allowed.")
    most = longest_s * HIGHEST_RATE_HZ * MOST_CHANNELS * MOST_SAMPLE_BYTES + READ_AT_ONCE_BYTES
    if size > most:
        raise TooLong(
            f"It has {size / 1e9:,.0f} GB; {clock(longest_s)} have {most / 1e9:,.0f} at most."
        )


def _require_room_to_decode(path: Path, container: str, scratch: Path, most_s: float) -> None:
    """Raises `NoRoom`. Only where the longest take would not fit is this one measured, which is decoding it."""
    try:
        require_room(scratch, int(most_s * HIGHEST_RATE_HZ) * MOST_CHANNELS * FLOAT_BYTES)
    except NoRoom:
        require_room(scratch, decoded_bytes(path, container, most_s))


def _encoding(file: soundfile.SoundFile, container: Container) -> str:
    """The coding of the sound in words, where it is one that is read."""
    mp3_inside = file.subtype == "MPEG_LAYER_III" and container.name != "mp3"
    if file.subtype not in ENCODINGS or mp3_inside:
        raise UnsupportedEncoding(f"It is {file.subtype_info} in {file.format}.")
    return ENCODINGS[file.subtype]


def _refuse_unusable(take: Take) -> None:
    if take.frames <= 0:
        raise HeaderOnly()
    if take.channels > MOST_CHANNELS:
        raise TooManyChannels(f"It has {take.channels}.")
    if not LOWEST_RATE_HZ <= take.sample_rate_hz <= HIGHEST_RATE_HZ:
        raise UnsupportedRate(f"It is {take.sample_rate_hz} Hz.")


def _opened(path: Path) -> soundfile.SoundFile:
    try:
        return soundfile.SoundFile(os.fsencode(path))
    except soundfile.LibsndfileError as e:
        _raise_if_gone(path)
        if e.code != _SYSTEM_ERROR:
            raise _damaged(e) from None
    try:  # the drive or the machine refused, and no longer does
        return soundfile.SoundFile(os.fsencode(path))
    except soundfile.LibsndfileError as e:
        raise _damaged(e) from None


def _read(file: soundfile.SoundFile | Packed24, frames: int) -> Samples:
    if isinstance(file, Packed24):
        return file.read(frames)
    # The MP3 decoder makes floats of 32 bits: asked for more, it takes a third longer for the same.
    made = "float32" if file.subtype == "MPEG_LAYER_III" else "float64"
    try:
        return file.read(frames, dtype=made, always_2d=True).astype(np.float64, copy=False)  # type: ignore[no-any-return]
    except soundfile.LibsndfileError as e:
        if e.code == _SYSTEM_ERROR:
            raise OSError(errno.EIO, "The take could not be read") from None
        raise _damaged(e) from None


def _damaged(error: soundfile.LibsndfileError) -> Damaged:
    return Damaged(f"{error.error_string.rstrip('.')}.")


def _raise_if_gone(path: Path) -> None:
    """Let an ``OSError`` speak for itself where the file cannot even be opened."""
    with open(path, "rb"):
        pass


def bytes_in(folder: Path) -> int:
    """The bytes of all files of a mix."""
    return sum(file.lstat().st_size for file in all_below(folder) if not file.is_dir())


def facts_of(path: Path, name: str, title: str, take: Take | None = None) -> TakeFacts:
    """What can be said of the take at *path*, as far as it may be read; of a very large one that was not
    opened no hash.

    Raises ``OSError`` where the drive does not give it: then nothing that was said of it is sure.
    """
    facts = TakeFacts(name=name, title=title)
    try:
        facts.bytes = path.lstat().st_size
        if path.is_dir():
            facts.bytes, facts.container = bytes_in(path), "mix"
        if take is None and facts.bytes > MOST_HASHED_BYTES:
            return facts
        facts.sha256 = take_hash(path)
    except (NotAFile, RecursionError):
        return facts
    except OSError as e:
        if e.errno not in _OF_THE_TAKE:
            raise
        return facts
    if take is not None:
        facts.container, facts.encoding = take.container, take.encoding
        facts.sample_rate_hz, facts.channels = take.sample_rate_hz, take.channels
        facts.duration_s = round(take.duration_s, 3)
    return facts
