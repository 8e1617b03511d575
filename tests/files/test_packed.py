"""fairtake.files.packed: the same samples as the library that reads everything else."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from fairtake.files.packed import Packed24
from fairtake.files.take import open_take


@pytest.mark.parametrize("channels", [1, 2])
def test_same_samples(tmp_path, channels):
    """Every code of three bytes is what libsndfile makes of it, and nothing behind the sound is read."""
    wav, rng = tmp_path / "take.wav", np.random.default_rng(1)
    codes = rng.integers(-(2**31), 2**31, (70_001, channels), np.int32)
    codes[:2] = [[-(2**31)], [2**31 - 1]]
    soundfile.write(wav, codes, 48_000, subtype="PCM_24")
    with open(wav, "ab") as file:
        file.write(b"LIST\x04\0\0\0INFO")
    expected, _ = soundfile.read(wav, always_2d=True)
    with open_take(wav, tmp_path) as take:
        with take._open() as file:
            assert isinstance(file, Packed24)
        np.testing.assert_array_equal(np.concatenate(list(take.blocks(5))), expected[5:])
        np.testing.assert_array_equal(take.read(69_000, 70_003)[:1001], expected[69_000:])
        assert not take.read(69_000, 70_003)[1001:].any()
