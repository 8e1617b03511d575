"""The meters against the published cases, and against libebur128 on signals nobody chose."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fairtake.conformance.cases import CASES, Answer, Case
from fairtake.conformance.meters import ArraySource, Ours, Reference
from fairtake.sound.listen import listen
from fairtake.sound.loudness import integrated_lufs

README = (Path(__file__).parents[1] / "README.md").read_text("utf-8")


@pytest.mark.parametrize(
    "case", CASES, ids=lambda case: f"{case.source} {case.number}".replace(" ", "-")
)
def test_published_case(case: Case) -> None:
    """Every published case lies inside its tolerance; loudness within 0.02 LU of libebur128 too.

    EBU Tech 3341 v4, EBU Tech 3342 v4, ITU-R BS.1770-5, ITU-R Report BS.2217-2.
    """
    ours, theirs = case.ask(Ours()), case.ask(Reference())
    assert all(Answer(case, expected, found, None).ok for expected, found in ours)
    if case.unit != "dBTP":
        assert all(abs(a[1] - b[1]) < 0.02 for a, b in zip(ours, theirs, strict=True))


def test_the_page_shows_every_case() -> None:
    """The README's conformance page names each case with its document."""
    for case in CASES:
        assert any(
            case.source in line and f" {case.number} " in line and case.what in line
            for line in README.splitlines()
        ), case


@st.composite
def signals(draw: st.DrawFn) -> tuple[int, np.ndarray]:
    """Noise and tones of changing level, with silences, mono or stereo, at any rate we measure."""
    rate = draw(st.sampled_from([16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000]))
    channels = draw(st.sampled_from([1, 2]))
    levels = draw(
        st.lists(
            st.sampled_from([-200.0, -75.0, -50.0, -35.0, -23.0, -12.0, 0.0]),
            min_size=1,
            max_size=6,
        )
    )
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    parts = []
    for dbfs in levels:
        n = round(draw(st.floats(0.2, 1.5)) * rate)
        sound = rng.standard_normal((n, channels)) / 4
        if draw(st.booleans()):
            hz = draw(st.sampled_from([60.0, 440.0, 3000.0, 7000.0]))
            sound = np.sin(2 * np.pi * hz * np.arange(n) / rate)[:, None] * np.ones((1, channels))
        parts.append(sound * 10 ** (dbfs / 20))
    signal = np.concatenate(parts)
    # libebur128 counts whole blocks of 100 ms, as the standard has it; give both the same ones.
    return rate, signal[: len(signal) // (rate // 10) * (rate // 10)]


@settings(max_examples=200, deadline=None, derandomize=True)
@given(signals())
def test_integrated_loudness_of_any_signal(drawn: tuple[int, np.ndarray]) -> None:
    """Integrated loudness is libebur128's within 0.02 LU, whatever rate, length, level, silence."""
    rate, signal = drawn
    ours = integrated_lufs(listen(ArraySource(signal, rate)).levels.k_power)
    state = pyebur128.R128State(signal.shape[1], rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(signal.ravel(), len(signal))
    theirs = pyebur128.get_loudness_global(state)
    if ours is None or math.isinf(theirs):
        assert ours is None
        assert math.isinf(theirs)
    else:
        assert abs(ours - theirs) < 0.02
