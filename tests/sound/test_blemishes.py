"""fairtake.sound.blemishes: clicks and clipped runs found to the sample, and nothing else."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from fairtake.sound.levels import Blemish
from fairtake.sound.listen import listen
from fairtake.units import amplitude_db, gain
from signals import RATE_HZ, ArraySource, heard, levels_of, noise, room_tone, speech_like, tone

sys.path.insert(0, str(Path(__file__).parents[2] / "samples"))

import scene


def blemishes(samples: np.ndarray, rate: int = RATE_HZ) -> tuple[Blemish, ...]:
    return levels_of(samples, rate).blemishes


def clicks(samples: np.ndarray, rate: int = RATE_HZ) -> list[Blemish]:
    return [b for b in blemishes(samples, rate) if b.kind == "click"]


def mended(samples: np.ndarray, found) -> np.ndarray:
    """*samples* with what was found replaced."""
    out = samples.copy().reshape(len(samples), -1)
    for b in found:
        out[b.start : b.start + len(b.rebuilt)] = b.rebuilt
    return out.reshape(samples.shape)


def mouth_click(peak_dbfs: float, seed: int = 1) -> np.ndarray:
    return scene.click(np.random.default_rng(seed), peak_dbfs)


def with_sound(bed: np.ndarray, sound: np.ndarray, at: int) -> np.ndarray:
    out = bed.copy()
    out[at : at + len(sound)] += sound
    return out


def voiced(seconds: float = 2.0, hz: float = 120.0, dbfs: float = -20.0) -> np.ndarray:
    """A steady vowel: harmonics under two formants, over a quiet room."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = np.zeros(len(t))
    for k in range(1, 30):
        shape = sum(1 / (1 + ((k * hz - f) / (0.15 * f)) ** 2) for f in (550, 1500))
        wave += (shape + 0.05) / k**0.5 * np.sin(2 * np.pi * k * hz * t + 0.7 * k**2)
    return wave / np.sqrt(np.mean(wave**2)) * gain(dbfs) + room_tone(seconds, -70.0)


BEDS = {"room": room_tone(2.0, -62.0), "quiet room": room_tone(2.0, -80.0),
        "loud room": room_tone(2.0, -45.0), "voice": voiced(), "zeros": np.zeros(2 * RATE_HZ)}  # fmt: skip


# --- what is found ------------------------------------------------------------------------------


@pytest.mark.parametrize("at", [20_000, 30_001, 47_999, 48_000, 52_345])
@pytest.mark.parametrize("bed", BEDS)
def test_a_spike_is_found_at_its_sample(bed, at):
    """One wrong sample, found where it is, alone. By construction."""
    x = with_sound(BEDS[bed], np.array([0.4]), at)
    (found,) = clicks(x)
    assert (found.start, len(found.rebuilt)) == (at, 1)
    assert abs(found.rebuilt[0, 0] - BEDS[bed][at]) < 0.4 * gain(-35)


#: Clicks are heard by what they hold over 2 kHz.
SHARP = signal.butter(4, 2000.0, "highpass", fs=RATE_HZ, output="sos")


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(
    ("bed", "peak_dbfs", "least_db"),
    [
        ("room", -32.0, 15),
        ("quiet room", -45.0, 20),
        ("loud room", -14.0, 15),
        ("voice", -14.0, 10),
    ],
)
def test_a_mouth_click_is_found_and_rebuilt(bed, peak_dbfs, least_db, seed):
    """Begins at N +- 1, and what is left of it over 2 kHz lies that far under it. Measured."""
    x = with_sound(BEDS[bed], mouth_click(peak_dbfs, seed), 40_000)
    (found,) = clicks(x)
    assert abs(found.start - 40_000) <= 1
    was, left = (
        np.abs(signal.sosfilt(SHARP, y - BEDS[bed])).max() for y in (x, mended(x, [found]))
    )
    assert amplitude_db(was) - amplitude_db(left) > least_db


@pytest.mark.parametrize("ms", [0.1, 0.3, 1.0, 4.0])
def test_a_pop(ms):
    """A step that is gone within 5 ms, as a bad contact makes it. By construction."""
    bed = BEDS["room"]
    pop = 0.2 * np.exp(-5 * np.arange(round(ms * 48)) / (ms * 48))
    x = with_sound(bed, pop, 40_000)
    (found,) = clicks(x)
    assert found.start == 40_000
    assert np.abs(mended(x, [found]) - bed).max() < 0.2 * gain(-12)


@pytest.mark.parametrize("rate", [16_000, 22_050, 44_100, 96_000, 192_000])
def test_any_rate(rate):
    """Found to the sample at rates whose rows are not alike, and at high ones."""
    x = with_sound(room_tone(2.0, -62.0, rate=rate), np.array([0.3, -0.2]), rate + 777)
    (found,) = clicks(x, rate)
    assert found.start == rate + 777


@pytest.mark.parametrize("offset", [-1500, -100, -2, -1, 0, 1, 100, 1500])
def test_a_block_border_does_not_matter(offset):
    """A click at the border of two blocks is found as anywhere else, and rebuilt alike."""
    at = 2 * RATE_HZ + offset
    bed, click = room_tone(5.0, -62.0), mouth_click(-30.0)
    (found,) = clicks(with_sound(bed, click, at))
    shifted = with_sound(bed, click, at)[RATE_HZ // 2 :]
    (elsewhere,) = clicks(shifted)
    assert found.start == elsewhere.start + RATE_HZ // 2 == at
    np.testing.assert_allclose(found.rebuilt, elsewhere.rebuilt, atol=1e-9)


def test_stereo_each_side_for_itself():
    """A click on one side leaves the samples of the other as they are."""
    bed = np.stack([room_tone(2.0, -60.0, 1), room_tone(2.0, -60.0, 2)], axis=1)
    x = bed.copy()
    x[40_000:40_003, 1] += 0.3
    (found,) = clicks(x)
    assert found.start == 40_000
    np.testing.assert_array_equal(found.rebuilt[:, 0], bed[40_000 : 40_000 + len(found.rebuilt), 0])
    assert np.abs(mended(x, [found]) - bed).max() < 0.3 * gain(-15)


def test_a_crowd_of_clicks_is_bounded():
    """However many there are, no more than ten a second are looked at."""
    x = room_tone(4.0, -60.0)
    x[::2000] += 0.3
    assert len(clicks(x)) <= 4 * 10 + 10


# --- what is not --------------------------------------------------------------------------------


def stop_burst(kind: str, burst_ms: float, aspiration_ms: float, seed: int) -> np.ndarray:
    """Vowel, 80 ms of closure, release, aspiration; then the vowel again, or nothing."""
    rng = np.random.default_rng(seed)
    band = {"t": (3000, 8000), "k": (1500, 4000), "p": (500, 2500)}[kind]
    sos = signal.butter(2, band, "bandpass", fs=RATE_HZ, output="sos")

    def hiss(ms: float, dbfs: float) -> np.ndarray:
        n = round(ms * 48)
        made = signal.sosfilt(sos, rng.standard_normal(n + 500))[500:]
        return made / np.sqrt(np.mean(made**2)) * gain(dbfs)

    burst = hiss(burst_ms, -24) * np.exp(-2.0 * np.arange(round(burst_ms * 48)) / (burst_ms * 48))
    fade = np.linspace(1, 0, round(aspiration_ms * 48))
    vowel = voiced(0.2) * np.minimum(1, np.arange(9600) / 480)
    return np.concatenate([vowel[::-1], np.zeros(3840), burst, hiss(aspiration_ms, -38) * fade])


@pytest.mark.parametrize("after", ["vowel", "pause"])
@pytest.mark.parametrize(("burst_ms", "aspiration_ms"), [(5, 25), (8, 15), (12, 40), (20, 60)])
@pytest.mark.parametrize("kind", ["t", "k", "p"])
def test_stop_consonants_are_no_clicks(kind, burst_ms, aspiration_ms, after):
    """The release of a stop after 80 ms of closure is never touched. Issue: the consonants."""
    for seed in range(10):
        stop = stop_burst(kind, burst_ms, aspiration_ms, seed)
        rest = voiced(0.3) if after == "vowel" else np.zeros(14_400)
        x = np.concatenate([np.zeros(24_000), stop, rest, np.zeros(24_000)])
        assert not clicks(x + room_tone(len(x) / RATE_HZ, -65.0, seed)[: len(x)])


@given(
    pitch_hz=st.floats(30, 300),
    wander=st.floats(0, 0.3),
    bandwidth_hz=st.floats(1000, 6000),
    seed=st.integers(0, 999),
)
@settings(max_examples=30, deadline=None, derandomize=True)
def test_glottal_pulses_are_no_clicks(pitch_hz, wander, bandwidth_hz, seed):
    """Pulse trains, even and creaky, with pulses far sharper than a voice's, stay as they are."""
    rng = np.random.default_rng(seed)
    periods = 1 / (pitch_hz * (1 + wander * rng.uniform(-1, 1, 1000)))
    places = np.cumsum(np.clip(periods, 0.002, 0.04))
    places = (places[places < 1.9] * RATE_HZ).astype(int)
    train = np.zeros(2 * RATE_HZ)
    train[places] = rng.uniform(0.7, 1.0, len(places))
    pulses = signal.sosfilt(signal.butter(2, bandwidth_hz, fs=RATE_HZ, output="sos"), train)
    x = pulses / np.abs(pulses).max() * 0.5 + room_tone(2.0, -60.0, seed)
    inside = [b for b in clicks(x) if places[0] + 4000 < b.start < places[-1] - 4000]
    assert not inside


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "sound",
    ["white", "hiss", "words", "onsets"],
)
def test_ordinary_sound_has_no_blemish(sound, seed):
    """Noise, fricatives, words and tones that set in: nothing is found, clicks or clipping."""
    if sound == "white":
        x = noise(6.0, -20.0, seed)
    elif sound == "hiss":
        band = signal.butter(4, [3000, 9000], "bandpass", fs=RATE_HZ, output="sos")
        on = np.repeat(np.arange(30) % 2, 9600)
        x = signal.sosfilt(band, noise(6.0, -20.0, seed)) * on + room_tone(6.0, -65.0, seed)
    elif sound == "words":
        x = speech_like(4, -65.0, seed=seed).samples
    else:
        on = np.repeat(np.arange(20) % 2, 14_400)
        x = tone(6.0, -12.0, 300.0 + 400 * seed) * np.convolve(on, np.hanning(240) / 119.5, "same")
        x += room_tone(6.0, -65.0, seed)
    levels = levels_of(x)
    assert (levels.blemishes, levels.clipped_runs) == ((), 0)


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="needs espeak-ng on the PATH")
@pytest.mark.parametrize(
    ("voice", "text"),
    [
        ("en-gb", "Kate put eight tops on the shelf, then shut the chest. Pat packed bits of brick."),
        ("en-us+croak", "Stop. Take the path past the church; it ticked on, soft and exact."),
        ("de", "Sechs Schiffe lagen still. Plötzlich klopft es; Brot, Salz und acht Töpfe."),
        ("fr", "Quatre coqs picoraient près du port; tu as tout pris, les tasses et la carte."),
        ("pl", "Trzy statki stoją w porcie, czwarty odpływa. Kasia kupiła sześć kaczek."),
    ],
)  # fmt: skip
def test_no_consonant_of_clean_speech_is_touched(voice, text):
    """Words full of stops, from a synthesiser that makes no clicks. Issue: the consonants."""
    for speed in (130, 180):
        said = 0.5 * scene.speak(text, scene.Voice(voice, 45, speed))
        x = np.concatenate([np.zeros(24_000), said, np.zeros(24_000)])
        assert not blemishes(x)
        assert not blemishes(x + room_tone(len(x) / RATE_HZ, -60.0)[: len(x)])


# --- clipping -----------------------------------------------------------------------------------


@pytest.mark.parametrize("later_db", [0.0, -9.0])
@pytest.mark.parametrize("over_db", [0.5, 1.5])
@pytest.mark.parametrize("hz", [440.0, 997.0, 2000.0])
def test_a_clipped_sine_is_rebuilt(hz, over_db, later_db):
    """Every top is counted; what is rebuilt is at least 10 dB nearer to the sine it was."""
    true = tone(2.0, over_db, hz) * gain(later_db)
    x = np.clip(true, -gain(later_db), gain(later_db))
    levels = levels_of(x)
    assert levels.clipped_runs == pytest.approx(2 * hz * (2.0 - 0.11), abs=3)
    assert len(levels.blemishes) >= 40
    y = mended(x, levels.blemishes)
    touched = np.flatnonzero(y != x)
    assert np.sum((y - true)[touched] ** 2) < 0.1 * np.sum((x - true)[touched] ** 2)
    assert np.abs(y).max() <= np.abs(true).max() * 1.05


def test_clipped_speech_comes_nearer():
    """Speech that ran into full scale now and then: what is rebuilt is 20 dB nearer. Measured."""
    true = speech_like(4, -65.0).samples
    true /= np.quantile(np.abs(true), 0.9995)
    x = np.clip(true, -1, 1)
    levels = levels_of(x)
    assert levels.clipped_runs > 10
    y = mended(x, levels.blemishes)
    touched = y != x
    assert np.sum((y - true)[touched] ** 2) < 0.01 * np.sum((x - true)[touched] ** 2)
    assert np.all(np.abs(y[touched]) >= 1 - 1e-3)


def test_long_runs_are_counted_and_left():
    """A run of over a millisecond is beyond rebuilding."""
    x = np.clip(tone(2.0, 6.0, 100.0), -1, 1)
    levels = levels_of(x)
    assert levels.clipped_runs > 300
    assert levels.blemishes == ()


@pytest.mark.parametrize("hz", [20.0, 60.0, 100.0, 150.0, 400.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_the_top_of_a_slow_wave_is_not_clipped(hz, bits):
    """A slow sine is flat at its top for many samples, but has no corners there. By algebra."""
    steps = 2 ** (bits - 1)
    x = np.round(tone(3.0, -6.0, hz) * steps) / steps
    assert levels_of(x).clipped_runs == 0


def test_clipping_on_both_sides_of_a_stereo_take():
    """Runs that overlap between the sides become one blemish; each side is rebuilt for itself."""
    left, right = tone(2.0, 1.0, 1000.0), tone(2.0, -6.0, 1300.0)
    x = np.stack([np.clip(left, -1, 1), right], axis=1)
    found = [b for b in blemishes(x) if b.kind == "clipped"]
    assert found
    y = mended(x, found)
    np.testing.assert_array_equal(y[:, 1], x[:, 1])
    assert np.abs(y[:, 0]).max() > 1.05


# --- in all -------------------------------------------------------------------------------------


@given(seed=st.integers(0, 999), peak_dbfs=st.floats(-50, -3), count=st.integers(0, 12))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_repairs_never_raise_a_peak(seed, peak_dbfs, count):
    """What replaces a click never exceeds what stood there."""
    rng = np.random.default_rng(seed)
    x = speech_like(2, -65.0, seed=seed).samples
    for at in rng.integers(5000, len(x) - 5000, count):
        x = with_sound(x, scene.click(rng, peak_dbfs), at)
    for b in clicks(x):
        here = slice(b.start, b.start + len(b.rebuilt))
        assert np.abs(b.rebuilt).max() <= np.abs(x[here]).max()
        assert len(b.rebuilt) <= 240


def test_looking_changes_nothing_else():
    """The table is the same whether blemishes are looked for or not."""
    x = with_sound(room_tone(5.0, -60.0), mouth_click(-20.0), 100_000)
    with_them, without = heard(x), listen(ArraySource(x), blemishes=False)
    assert len(with_them.levels.blemishes) == 1
    assert without.levels.blemishes == ()
    np.testing.assert_array_equal(with_them.levels.heard_peak, without.levels.heard_peak)
    np.testing.assert_array_equal(
        with_them.levels.heard_high_energy, without.levels.heard_high_energy
    )


@pytest.mark.parametrize("samples", [0, 1, 40, 2000, 96_001, 97_000])
def test_odd_lengths(samples):
    """Takes of any length, with a spike at their very end, go through."""
    x = noise(3.0, -60.0)[:samples]
    if samples:
        x[-1] = 0.5
    assert len(blemishes(x)) <= 1
