"""fairtake.sound.clicks: a click is found to the sample and rebuilt, a consonant never touched."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from blemished import (
    BEDS,
    blemishes,
    clicks,
    mended,
    mouth_click,
    spoken,
    voiced,
    with_sound,
)
from fairtake.sound.autoregression import Errors
from fairtake.sound.clicks import is_click, spread
from fairtake.units import amplitude_db, gain
from signals import RATE_HZ, noise, room_tone, speech_like

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


def test_stereo_each_side_for_itself():
    """A click on one side leaves the samples of the other as they are."""
    bed = np.stack([room_tone(2.0, -60.0, 1), room_tone(2.0, -60.0, 2)], axis=1)
    x = bed.copy()
    x[40_000:40_003, 1] += 0.3
    (found,) = clicks(x)
    assert found.start == 40_000
    np.testing.assert_array_equal(found.rebuilt[:, 0], bed[40_000 : 40_000 + len(found.rebuilt), 0])
    assert np.abs(mended(x, [found]) - bed).max() < 0.3 * gain(-15)


def hiss(seconds: float, dbfs: float, seed: int = 1) -> np.ndarray:
    """A fricative: noise from 3 to 9 kHz."""
    band = signal.butter(4, [3000, 9000], "bandpass", fs=RATE_HZ, output="sos")
    return signal.sosfilt(band, noise(seconds, dbfs, seed))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("gap_ms", [30, 40, 60])
def test_a_click_just_before_a_fricative(gap_ms, seed):
    """A sharp sound that sets in soon after a click is no reason to leave it. By construction."""
    bed = voiced()
    bed[40_000 + gap_ms * 48 :] += hiss(2.0, -26.0, seed)[: len(bed) - 40_000 - gap_ms * 48]
    found = clicks(with_sound(bed, mouth_click(-14.0, seed), 40_000))
    assert [abs(b.start - 40_000) <= 1 for b in found] == [True]


@pytest.mark.parametrize("seed", range(4))
def test_a_click_where_a_word_ends(seed):
    """A click as a mouth closes: behind it there is only the room. By construction."""
    bed = room_tone(2.0, -70.0, seed)
    bed[:39_900] += voiced()[:39_900] * np.minimum(1, np.arange(39_900, 0, -1) / 480)
    found = clicks(with_sound(bed, mouth_click(-14.0, seed), 40_000))
    assert [abs(b.start - 40_000) <= 1 for b in found] == [True]


@pytest.mark.parametrize("seed", range(8))
def test_a_click_in_a_hissing_room(seed):
    """In white noise a click stands out less, and is found all the same. By construction."""
    bed = noise(2.0, -52.0, seed)
    found = clicks(with_sound(bed, mouth_click(-20.0, seed), 40_000))
    assert [abs(b.start - 40_000) <= 2 for b in found] == [True]


# --- what is told by what -----------------------------------------------------------------------


def errors_of(
    inside: list[float], around: float = 0.001, rms: float = 0.0004, sound_rms: float = 0.001
) -> Errors:
    """Errors that are the same in both directions: *inside*, then nothing, 10 ms of 48 samples."""
    line = np.zeros(480)
    line[: len(inside)] = inside
    return Errors(np.ones(1), line, line, 0, 480, around, rms, sound_rms)


@pytest.mark.parametrize(
    ("over_db", "ms", "kinds"),
    [
        (11.0, 0.5, ""),
        (13.0, 0.5, "plain"),
        (13.0, 2.2, "plain"),
        (13.0, 2.8, ""),
        (17.0, 1.0, "plain steady"),
        (17.0, 2.0, "plain"),
        (21.0, 1.0, "plain steady clear"),
        (21.0, 2.0, "plain"),
        (40.0, 4.0, ""),
    ],
)
def test_the_less_the_rows_say_the_more_the_errors_must(over_db, ms, kinds):
    """How far the errors stand out, and how close together, for each kind of row. By algebra."""
    errors = errors_of([0.001 * gain(over_db)] * round(ms * 48))
    rows = {"plain": (True, False), "steady": (False, True), "clear": (False, False)}
    found = [kind for kind, (plain, steady) in rows.items() if is_click(errors, plain, steady, 48)]
    assert found == kinds.split()


def test_noise_does_not_smear_a_click_in_it():
    """Errors that the noise around may have made itself do not count for how long a click is."""
    noisy = [0.1 * gain(19)] * 20 + [0.12] * 440
    noise_like = errors_of(noisy, around=0.1, rms=0.09, sound_rms=0.2)
    peaky = errors_of([0.1 * gain(19)] * 20, around=0.1, rms=0.02, sound_rms=0.04)
    voice = errors_of(noisy, around=0.1, rms=0.09, sound_rms=2.0)
    found = [is_click(errors, False, True, 48) for errors in (noise_like, peaky, voice)]
    assert found == [True, False, False]


def test_spread():
    """Energy in one sample has no spread; a hundred alike hold 95 % but for 3 in 93. By algebra."""
    assert spread(np.eye(1, 100, 40)[0]) == 0
    assert spread(np.full(100, 0.5)) == pytest.approx(92, abs=1)


# --- what is not --------------------------------------------------------------------------------


def frication(kind: str, ms: float, dbfs: float, rng: np.random.Generator) -> np.ndarray:
    """Noise in the band where a stop has it."""
    band = {"t": (3000, 8000), "k": (1500, 4000), "p": (500, 2500)}[kind]
    sos = signal.butter(2, band, "bandpass", fs=RATE_HZ, output="sos")
    made = signal.sosfilt(sos, rng.standard_normal(round(ms * 48) + 500))[500:]
    return made / np.sqrt(np.mean(made**2)) * gain(dbfs)


def burst(kind: str, ms: float, rng: np.random.Generator) -> np.ndarray:
    """The release of a stop, dying away."""
    n = round(ms * 48)
    return frication(kind, ms, -24, rng) * np.exp(-2.0 * np.arange(n) / n)


def stop_burst(kind: str, burst_ms: float, aspiration_ms: float, seed: int) -> np.ndarray:
    """Vowel, 80 ms of closure, release, aspiration; then the vowel again, or nothing."""
    rng = np.random.default_rng(seed)
    released = burst(kind, burst_ms, rng)
    fade = np.linspace(1, 0, round(aspiration_ms * 48))
    aspiration = frication(kind, aspiration_ms, -38, rng) * fade
    vowel = voiced(0.2) * np.minimum(1, np.arange(9600) / 480)
    return np.concatenate([vowel[::-1], np.zeros(3840), released, aspiration])


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


@pytest.mark.parametrize("closure_dbfs", [-29.0, -57.0, -99.0])
@pytest.mark.parametrize("burst_ms", [1.5, 2, 3, 5])
def test_a_burst_that_goes_over_into_a_voice_is_no_click(burst_ms, closure_dbfs):
    """Short bursts of b, d and g, the voice before them through closed lips. Issue: the consonants."""
    t = np.arange(4800) / RATE_HZ
    closed = gain(closure_dbfs) * np.sqrt(2) * np.sin(2 * np.pi * 170 * t) * np.minimum(1, t / 0.02)
    opening = voiced(0.3) * np.minimum(1, np.arange(14_400) / 300)
    for seed in range(12):
        released = burst("kpt"[seed % 3], burst_ms, np.random.default_rng(seed))
        x = np.concatenate([np.zeros(24_000), closed, released, opening, np.zeros(24_000)])
        x += room_tone(len(x) / RATE_HZ, -65.0, seed)[: len(x)]
        assert not [b for b in clicks(x) if abs(b.start - 28_800) < 2400]


def pulses(
    pitch_hz: float, wander: float, bandwidth_hz: float, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """A train of glottal pulses whose periods wander, over a room; and where they lie."""
    rng = np.random.default_rng(seed)
    periods = 1 / (pitch_hz * (1 + wander * rng.uniform(-1, 1, 1000)))
    places = np.cumsum(np.clip(periods, 0.002, 0.04))
    places = (places[places < 1.9] * RATE_HZ).astype(int)
    train = np.zeros(2 * RATE_HZ)
    train[places] = rng.uniform(0.7, 1.0, len(places))
    made = signal.sosfilt(signal.butter(2, bandwidth_hz, fs=RATE_HZ, output="sos"), train)
    x = made / np.abs(made).max() * 0.5 + room_tone(2.0, -60.0, seed)
    return x, places


@given(
    # Of the voice; and slow creak, whose pulses each stand alone in their surroundings.
    pitch_hz=st.one_of(st.floats(30, 300), st.floats(25, 45)),
    wander=st.floats(0, 0.3),
    bandwidth_hz=st.floats(1000, 6000),
    seed=st.integers(0, 999),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_glottal_pulses_are_no_clicks(pitch_hz, wander, bandwidth_hz, seed):
    """Pulse trains, even and creaky, with pulses far sharper than a voice's, stay as they are."""
    x, places = pulses(pitch_hz, wander, bandwidth_hz, seed)
    assert not [b for b in clicks(x) if places[0] + 4000 < b.start < places[-1] - 4000]


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
        x = spoken(text, voice, speed)
        assert not blemishes(x)
        assert not blemishes(x + room_tone(len(x) / RATE_HZ, -60.0)[: len(x)])


@given(seed=st.integers(0, 999), peak_dbfs=st.floats(-50, -3), count=st.integers(0, 12))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_repairs_never_raise_a_peak(seed, peak_dbfs, count):
    """What replaces a click never exceeds what stood there."""
    rng = np.random.default_rng(seed)
    x = speech_like(2, -65.0, seed=seed).samples
    for at in rng.integers(5000, len(x) - 5000, count):
        x = with_sound(x, mouth_click(peak_dbfs, seed + at), at)
    for b in clicks(x):
        here = slice(b.start, b.start + len(b.rebuilt))
        assert np.abs(b.rebuilt).max() <= np.abs(x[here]).max()
        assert len(b.rebuilt) <= 240
