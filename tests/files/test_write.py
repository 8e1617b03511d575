"""The finished WAV and the 16-bit copy hold exactly the integers that were made for them."""

from __future__ import annotations

import errno
import wave
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fairtake.files import wav as wav_module
from fairtake.files.write import write_wav_and_copy
from fairtake.sound.integers import Quantiser
from files.making import chord, decode, room_tone

RATE = 44100


class Rendered:
    """An array where `fairtake.sound.render.Rendering` stands in the product."""

    def __init__(self, sound: np.ndarray) -> None:
        self.sound, self.sample_rate_hz = sound, RATE
        self.frames, self.channels = sound.shape

    def __iter__(self) -> Iterator[np.ndarray]:
        for at in range(0, self.frames, 2 * RATE):
            yield self.sound[at : at + 2 * RATE]


def written(folder: Path, sound: np.ndarray, bits: int = 24, copy_gain_db: float = 0.0,
            seed: int = 1) -> tuple[Path, Path]:  # fmt: skip
    wav, copy = folder / "out.wav", folder / "copy.s16"
    write_wav_and_copy(Rendered(sound), wav, copy, bits, copy_gain_db, seed, lambda share: None)  # type: ignore[arg-type]
    return wav, copy


def integers(wav: Path) -> np.ndarray:
    """The integers in a WAV by the standard library, which knows nothing of libsndfile."""
    with wave.open(str(wav), "rb") as file:
        width, data = file.getsampwidth(), file.readframes(file.getnframes())
        found = np.frombuffer(data, np.uint8).reshape(-1, width).astype(np.int64)
        value = sum(found[:, k] << (8 * k) for k in range(width))
        value -= (value >= 1 << (8 * width - 1)).astype(np.int64) << (8 * width)
        return np.asarray(value).reshape(-1, file.getnchannels())


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("bits", [16, 24])
def test_bits_are_exact(tmp_path: Path, bits: int, channels: int) -> None:
    """Each integer in the file is the integer the quantiser made. By algebra."""
    sound = chord(RATE, channels, 5.0)
    wav, _ = written(tmp_path, sound, bits)
    quantiser = Quantiser(bits, 1)
    made = np.concatenate([quantiser(block) for block in Rendered(sound)])
    assert np.array_equal(integers(wav), made)
    assert soundfile.info(wav).subtype == f"PCM_{bits}"


@pytest.mark.parametrize("bits", [16, 24])
def test_full_scale_is_clipped_and_never_wraps(tmp_path: Path, bits: int) -> None:
    """The greatest values stand at the ends of the range: 2^(bits-1) - 1 and -2^(bits-1)."""
    sound = np.repeat([[1.0], [-1.0], [1.5], [-1.5]], 100, axis=0)
    found = integers(written(tmp_path, sound, bits)[0])
    assert found.max() == 2 ** (bits - 1) - 1
    assert found.min() == -(2 ** (bits - 1))
    assert (np.sign(found) == np.sign(sound)).all()


def test_no_dc(tmp_path: Path) -> None:
    """Soft noise comes out with no constant under it: a floor in place of rounding shows as half a step.

    Mean of n dithered values: standard error below one step / sqrt(n); five of them are allowed.
    """
    sound = room_tone(RATE, 10.0, -80.0)
    wav, copy = written(tmp_path, sound, 16)
    for found in (integers(wav)[:, 0], np.fromfile(copy, "<i2")):
        off = found.mean() - sound.mean() * 2**15
        assert abs(off) < 5 * 1.0 / np.sqrt(len(sound))


def test_the_copy_is_louder_by_what_the_encoder_takes(tmp_path: Path) -> None:
    """The copy's level is the WAV's plus the gain asked for. By algebra."""
    sound = chord(RATE, 2, 3.0)
    wav, copy = written(tmp_path, sound, 24, 0.2646)
    louder = np.fromfile(copy, "<i2").reshape(-1, 2) / 2**15
    assert louder.shape == sound.shape
    rise_db = 20 * np.log10(np.std(louder) / np.std(integers(wav) / 2**23))
    assert abs(rise_db - 0.2646) < 0.001


def test_the_same_twice(tmp_path: Path) -> None:
    """The same sound and seed give the same bytes, another seed gives other dither."""
    first, second, third = ((tmp_path / name) for name in "abc")
    for folder, seed in ((first, 1), (second, 1), (third, 2)):
        folder.mkdir()
        written(folder, chord(RATE, 1, 1.0), 24, seed=seed)
    for name in ("out.wav", "copy.s16"):
        assert (first / name).read_bytes() == (second / name).read_bytes()
        assert (first / name).read_bytes() != (third / name).read_bytes()


def test_wav_and_copy_have_dither_of_their_own(tmp_path: Path) -> None:
    """Both files at 16 bits are not the same noise twice."""
    wav, copy = written(tmp_path, np.zeros((RATE, 1)), 16)
    assert not np.array_equal(integers(wav)[:, 0], np.fromfile(copy, "<i2"))


@pytest.mark.parametrize("bits", [16, 24])
def test_rf64_past_what_riff_can_count(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bits: int
) -> None:
    """Past the limit of RIFF's 32-bit sizes the file is RF64, and another reader reads it. EBU Tech 3306."""
    monkeypatch.setattr(wav_module, "RIFF_MOST_BYTES", 100_000)
    short, long = chord(RATE, 1, 0.5), chord(RATE, 1, 2.5)
    assert written(tmp_path, short, bits)[0].read_bytes()[:4] == b"RIFF"
    wav, _ = written(tmp_path, long, bits)
    data = wav.read_bytes()
    assert (data[:4], data[8:16]) == (b"RF64", b"WAVEds64")
    assert np.abs(decode(wav) - long).max() < 2 * 2.0 ** (1 - bits)


def test_progress_ends_at_one(tmp_path: Path) -> None:
    """Progress grows to 1, block by block."""
    shares: list[float] = []
    rendered = Rendered(chord(RATE, 1, 5.0))
    write_wav_and_copy(rendered, tmp_path / "w", tmp_path / "c", 24, 0.0, 1, shares.append)  # type: ignore[arg-type]
    assert shares == pytest.approx([0.4, 0.8, 1.0])


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_is_an_oserror(tmp_path: Path) -> None:
    """When the copy does not fit, the system's own error passes through, never libsndfile's."""
    with pytest.raises(OSError) as caught:
        write_wav_and_copy(
            Rendered(chord(RATE, 1, 3.0)), tmp_path / "w", Path("/dev/full"), 24, 0.0, 1, print  # type: ignore[arg-type]
        )  # fmt: skip
    assert caught.value.errno == errno.ENOSPC


def test_a_wav_that_cannot_be_made_is_an_oserror(tmp_path: Path) -> None:
    """Nor does libsndfile's error get out where the WAV itself cannot be made."""
    with pytest.raises(OSError):
        write_wav_and_copy(
            Rendered(chord(RATE, 1, 1.0)), tmp_path, tmp_path / "c", 24, 0.0, 1, print  # type: ignore[arg-type]
        )  # fmt: skip
