"""The encoder binary that imageio-ffmpeg brings, and how it is run."""

from __future__ import annotations

import errno
import functools
import os
import re
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from fairtake import pulse
from fairtake.errors import CutShort, Damaged, EncoderMissing, TakeFault, UnsupportedEncoding
from fairtake.files.hashing import hash_of
from fairtake.lifeline import bound_to_us

_PCM = "pcm_u8,pcm_s16le,pcm_s24le,pcm_s32le,pcm_f32le,pcm_f64le"
#: Demuxer and decoders for what libsndfile does not read, and for what it reads only by guessing
#: at the length. Nothing else may be opened.
_PINNED = {
    "m4a": ("mov", "aac,alac"), "aac": ("aac", "aac"),
    "mp3": ("mp3", "mp3float,mp3"), "flac": ("flac", "flac"),
    "wav": ("wav", _PCM), "rf64": ("wav", _PCM),
}  # fmt: skip


#: Why a program does not start at all: what it is, not what the machine has left.
_NO_PROGRAM = (errno.ENOENT, errno.ENOTDIR, errno.EACCES, errno.EPERM, errno.ENOEXEC)
#: What the machine or the drive may be short of. The encoder ends with 256 minus the number.
_OF_THE_MACHINE = (
    errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ESTALE, errno.EMFILE, errno.ENFILE,
)  # fmt: skip


@functools.cache
def encoder() -> str:
    """Path of the encoder. Raises `EncoderMissing`."""
    import imageio_ffmpeg

    # Where nobody named another. Asked for it, the package runs it to try it, once for good: killed in that
    # moment it would be missing, or another one be taken, for as long as we live.
    if not os.environ.get("IMAGEIO_FFMPEG_EXE"):
        for brought in sorted(Path(imageio_ffmpeg.__file__).parent.glob("binaries/ffmpeg*")):
            if os.access(brought, os.X_OK):
                return str(brought)
    try:
        return imageio_ffmpeg.get_ffmpeg_exe()
    except (RuntimeError, OSError) as e:
        raise EncoderMissing(str(e)) from None


@functools.cache
def encoder_version() -> str:
    """The encoder's own word for its version. Raises `EncoderMissing`."""
    try:
        said = subprocess.run(
            [encoder(), "-version"],
            capture_output=True,
            text=True,
            check=True,
            stdin=subprocess.DEVNULL,
        )
    except OSError as e:
        raise fault_of_start(e) from None
    except subprocess.CalledProcessError as e:
        raise EncoderMissing(str(e)) from None
    return said.stdout.split("\n", 1)[0].removeprefix("ffmpeg version ").split(" Copyright")[0]


class BoundPopen(subprocess.Popen[Any]):
    """As ``subprocess.Popen``; the process ends when we do, however we end.

    Waiting for it is no silence (`fairtake.pulse`) as long as the file grows that it writes, the last
    word of its command. One that only keeps the processor busy may be caught in a file made to do so.
    """

    def __init__(self, command: list[str], **how: Any) -> None:
        self._writes = command[-1].removeprefix("file:")
        super().__init__(command, preexec_fn=bound_to_us(), **how)

    def communicate(self, input: Any = None, timeout: float | None = None) -> tuple[Any, Any]:
        if timeout is not None:
            return super().communicate(input, timeout)
        size = 0
        while True:
            try:
                return super().communicate(input, pulse.EVERY_S)
            except subprocess.TimeoutExpired:
                input = None  # it has that
            before, size = size, self._written_bytes()
            if size > before:
                pulse.beat()

    def _written_bytes(self) -> int:
        try:
            return os.stat(self._writes).st_size
        except (OSError, ValueError):
            return 0


def bound_processes(begun: Callable[[], None] = lambda: None) -> SimpleNamespace:
    """What stands in for the module ``subprocess`` where others start the encoder for us.

    *begun* is called as soon as it runs.
    """

    def popen(*command: Any, **how: Any) -> Any:
        process = BoundPopen(*command, **how)
        begun()
        return process

    return SimpleNamespace(Popen=popen, PIPE=subprocess.PIPE)


def _run(command: list[str]) -> subprocess.CompletedProcess[str]:
    """Run to the end, bound to us; what it says is kept."""
    pipe = subprocess.PIPE
    with BoundPopen(command, stdout=pipe, stderr=pipe, text=True, errors="replace") as process:
        said, complained = process.communicate()
    return subprocess.CompletedProcess(command, process.returncode, said, complained)


def fault_of_start(error: OSError) -> Exception:
    """`EncoderMissing` where *error* says that the encoder is no program, else *error* itself."""
    is_no_program = error.errno in _NO_PROGRAM and error.filename == encoder()
    return EncoderMissing(f"{error.strerror} ({error.filename}).") if is_no_program else error


def fault_of_machine(status: int, place: Path, *more: int) -> OSError | None:
    """What the machine was short of when the encoder ended with *status*, writing at *place*.

    *more* are numbers that mean the same here. None when it was something else.
    """
    number = 256 - status
    if number not in (*_OF_THE_MACHINE, *more):
        return None
    return OSError(number, os.strerror(number), str(place))


def first_words(said: str, status: int) -> str:
    """The encoder's own sentence for what went wrong, or how it ended."""
    lines = said.strip().splitlines()
    if lines:
        return f"{lines[0].split('] ')[-1][:300].rstrip('.')}."
    if status < 0:
        return f"It was ended by {signal.Signals(-status).name}."
    return f"It ended with status {status}."


def require_working() -> None:
    """Encode a moment of silence into nothing. Raises `EncoderMissing` where even that fails."""
    command = [
        encoder(), "-nostdin", "-v", "error", "-f", "lavfi", "-i", "anullsrc=r=44100:cl=mono",
        "-t", "0.1", "-c:a", "libmp3lame", "-f", "null", "-",
    ]  # fmt: skip
    try:
        done = _run(command)
    except OSError as e:
        raise fault_of_start(e) from None
    if done.returncode:
        raise EncoderMissing(first_words(done.stderr, done.returncode))


def decode_to_wav(take: Path, container: str, wav: Path, most_s: float | None = None) -> None:
    """Decode a *take* in one of the pinned formats into a float WAV at *wav*, *most_s* at most.

    Raises `CutShort`, `Damaged`, `UnsupportedEncoding`, `EncoderMissing`, and an ``OSError`` where the
    drive or the machine is at fault.
    """
    try:
        _decode(take, container, wav, most_s)
    except TakeFault:
        # Where the drive fails on the way, the decoder says of the take whatever it makes of the rest.
        # Read through, an OSError is the drive's own.
        hash_of(take)
        # It can be read now. Perhaps it could not just then; if it could, the same is said again.
        _decode(take, container, wav, most_s)


def decoded_bytes(take: Path, container: str, most_s: float) -> int:
    """How large the WAV of `decode_to_wav` will be, by decoding into nothing. Raises as that does."""
    nowhere = Path(os.devnull)
    try:
        said = _decode(take, container, nowhere, most_s)
    except TakeFault:
        hash_of(take)
        said = _decode(take, container, nowhere, most_s)
    sizes: list[str] = re.findall(r"^total_size=(\d+)$", said, re.MULTILINE)
    return int(sizes[-1])


def _decode(take: Path, container: str, wav: Path, most_s: float | None) -> str:
    """As `decode_to_wav`, but a drive that fails while the take is read is told as a fault of the take.
    What the encoder said of its progress, last of all how many bytes there are.

    The demuxer and the decoders are pinned and only files may be opened, so that a disguised
    playlist reads nothing.
    """
    demuxer, decoders = _PINNED[container]
    # The last packet of a WAV of unknown length is rarely full, and PCM cannot be damaged.
    strictly = () if demuxer == "wav" else ("-xerror",)
    command = [
        encoder(), "-nostdin", "-hide_banner", "-v", "error", "-progress", "pipe:1", *strictly,
        "-protocol_whitelist", "file", "-f", demuxer, "-codec_whitelist", decoders,
        "-vn", "-sn", "-dn", "-i", f"file:{take.absolute()}",
        "-map", "0:a:0", "-map_metadata", "-1", "-c:a", "pcm_f32le", "-rf64", "auto",
        *(() if most_s is None else ("-t", f"{most_s:.3f}")),
        "-f", "f32le" if wav == Path(os.devnull) else "wav", "-y", f"file:{wav.absolute()}",
    ]  # fmt: skip
    try:
        done = _run(command)
    except OSError as e:
        raise fault_of_start(e) from None
    if done.returncode < 0:
        # Not said of the take at once: it may have been ended for want of memory.
        raise RuntimeError(f"The decoder was ended by {signal.Signals(-done.returncode).name}")
    # Where not every fault ends it, it ends well even when it could read no further.
    if done.returncode or "Error during demuxing" in done.stderr:
        if short := fault_of_machine(done.returncode, wav):
            raise short
        first = first_words(done.stderr, done.returncode)
        if "partial file" in done.stderr or "moov atom not found" in done.stderr:
            raise CutShort()
        if "not on whitelist" in first:
            raise UnsupportedEncoding(f"{first.split(' not on')[0]} in {container.upper()}.")
        raise Damaged(first)
    return done.stdout


def decodes(picture: Path) -> bool:
    """Whether the encoder can read the PNG or JPEG at *picture*, a name of ours."""
    kind = {".png": ("png_pipe", "png"), ".jpg": ("jpeg_pipe", "mjpeg")}[picture.suffix]
    command = [
        encoder(), "-nostdin", "-v", "error", "-xerror", "-protocol_whitelist", "file",
        "-f", kind[0], "-codec_whitelist", kind[1], "-i", f"file:{picture.absolute()}",
        "-frames:v", "1", "-f", "null", "-",
    ]  # fmt: skip
    return _run(command).returncode == 0
