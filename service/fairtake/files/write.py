"""Write the finished WAV and the 16-bit copy for the MP3, both in one pass over the rendering; and
what is kept as floats."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from fairtake.files.wav import WavWriter
from fairtake.sound.integers import Quantiser
from fairtake.sound.render import Rendering
from fairtake.sound.source import Samples
from fairtake.units import gain


def write_wav_and_copy(
    rendering: Rendering,
    wav: Path,
    copy: Path,
    bits: int,
    copy_gain_db: float,
    seed: int,
    progress: Callable[[float], None],
    description: str = "",
) -> None:
    """Render into *wav* at *bits* bits, and into *copy* as bare 16-bit samples, louder by *copy_gain_db*.

    Raises ``OSError`` where the disk does not take it.
    """
    wav_integers, copy_integers = Quantiser(bits, seed), Quantiser(16, seed + 1)
    copy_gain = float(gain(copy_gain_db))
    done = 0
    with (
        open(copy, "wb") as copy_file,
        WavWriter(wav, rendering.sample_rate_hz, rendering.channels, bits, description) as wav_file,
    ):
        for block in rendering:
            wav_file.write(wav_integers(block))
            copy_file.write(copy_integers(block * copy_gain).astype("<i2").tobytes())
            done += len(block)
            progress(done / max(rendering.frames, 1))


def write_float_wav(
    path: Path, blocks: Iterable[Samples], sample_rate_hz: int, channels: int, description: str = ""
) -> None:
    """Write *blocks*, shape (samples, channels), into a WAV of 32-bit floats. Raises ``OSError``."""
    with WavWriter(path, sample_rate_hz, channels, 32, description) as file:
        for block in blocks:
            file.write(block)
