"""Write the finished WAV and the 16-bit copy for the MP3, both in one pass over the rendering."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from fairtake.files.wav import WavWriter
from fairtake.sound.integers import Quantiser
from fairtake.sound.render import Rendering
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
