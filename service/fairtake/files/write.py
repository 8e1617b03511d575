"""Write the finished WAV and the 16-bit copy for the MP3, both in one pass over the rendering."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from fairtake.sound.integers import Quantiser
from fairtake.sound.render import Rendering
from fairtake.units import gain

#: A RIFF file counts its bytes in 32 bits; past this it has to be RF64. The rest is for headers.
_RIFF_MOST_BYTES = 2**32 - 2**20


def write_wav_and_copy(
    rendering: Rendering,
    wav: Path,
    copy: Path,
    bits: int,
    copy_gain_db: float,
    seed: int,
    progress: Callable[[float], None],
) -> None:
    """Render into *wav* at *bits* bits, and into *copy* as bare 16-bit samples, louder by *copy_gain_db*.

    Raises ``OSError`` where the disk does not take it.
    """
    wav_integers, copy_integers = Quantiser(bits, seed), Quantiser(16, seed + 1)
    copy_gain = float(gain(copy_gain_db))
    big = rendering.frames * rendering.channels * bits // 8 > _RIFF_MOST_BYTES
    done = 0
    try:
        with (
            open(copy, "wb") as copy_file,
            soundfile.SoundFile(
                os.fsencode(wav), "w", rendering.sample_rate_hz, rendering.channels,
                subtype=f"PCM_{bits}", format="RF64" if big else "WAV",
            ) as wav_file,
        ):  # fmt: skip
            for block in rendering:
                # libsndfile takes the upper bits of a 32-bit integer.
                integers = wav_integers(block)
                wav_file.write(integers if bits <= 16 else np.left_shift(integers, 32 - bits))
                copy_file.write(copy_integers(block * copy_gain).astype("<i2").tobytes())
                done += len(block)
                progress(done / max(rendering.frames, 1))
    except soundfile.LibsndfileError as e:
        raise _disk_error(wav, e.error_string) from None


def _disk_error(path: Path, said: str) -> OSError:
    """libsndfile does not say why it could not write; the disk does."""
    full = shutil.disk_usage(path.parent).free < 2**20
    return OSError(errno.ENOSPC if full else errno.EIO, said, str(path))
