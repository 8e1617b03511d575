"""The encoder binary that imageio-ffmpeg brings, and how it is run."""

from __future__ import annotations

import functools
import subprocess
from pathlib import Path

from fairtake.errors import CutShort, Damaged, EncoderMissing

#: Demuxer and decoders for what libsndfile does not read. Nothing else may be opened.
_PINNED = {"m4a": ("mov", "aac,alac"), "aac": ("aac", "aac")}


@functools.cache
def encoder() -> str:
    """Path of the encoder. Raises `EncoderMissing`."""
    import imageio_ffmpeg

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
    except (OSError, subprocess.CalledProcessError) as e:
        raise EncoderMissing(str(e)) from None
    return said.stdout.split("\n", 1)[0].removeprefix("ffmpeg version ").split(" Copyright")[0]


def decode_to_wav(take: Path, container: str, wav: Path) -> None:
    """Decode an M4A or AAC *take* into a float WAV at *wav*.

    The demuxer and the decoders are pinned and only files may be opened, so that a disguised
    playlist reads nothing. Raises `CutShort`, `Damaged`, `EncoderMissing`.
    """
    demuxer, decoders = _PINNED[container]
    command = [
        encoder(), "-nostdin", "-hide_banner", "-v", "error", "-xerror",
        "-protocol_whitelist", "file", "-f", demuxer, "-codec_whitelist", decoders,
        "-vn", "-sn", "-dn", "-i", f"file:{take.absolute()}",
        "-map", "0:a:0", "-map_metadata", "-1", "-c:a", "pcm_f32le", "-rf64", "auto",
        "-f", "wav", "-y", f"file:{wav.absolute()}",
    ]  # fmt: skip
    try:
        done = subprocess.run(command, capture_output=True, text=True, errors="replace")
    except OSError as e:
        raise EncoderMissing(str(e)) from None
    if done.returncode:
        if "No space left" in done.stderr:
            raise OSError(28, "No space left on device", str(wav))
        said = done.stderr.strip().splitlines()
        last = said[-1].split("] ")[-1] if said else f"The decoder ended with {done.returncode}"
        if "partial file" in done.stderr or "moov atom not found" in done.stderr:
            raise CutShort()
        raise Damaged(f"{last.rstrip('.')}.")
