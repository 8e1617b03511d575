"""fairtake.sound.stages.rumble: what lies below speech, and what it leaves alone."""

from __future__ import annotations

import io
import shutil
import subprocess

import numpy as np
import pytest
import soundfile
from scipy import signal

from fairtake.profile import Profile
from fairtake.sound.hum import find_hum
from fairtake.sound.pitch import lowest_pitch_hz
from fairtake.sound.plan import make_plan
from fairtake.sound.render import Rendering, turned_down
from fairtake.sound.runs import runs
from fairtake.sound.stages.rumble import (
    RumbleSettings,
    corner_hz,
    highpass,
    notches,
    rumble,
    thump_amounts,
)
from fairtake.sound.treated import Treated
from fairtake.units import gain, power_db
from signals import (
    RATE_HZ,
    ArraySource,
    Spoken,
    levels_of,
    libebur128_lufs,
    noise,
    rms_dbfs,
    room_tone,
    speech_like,
    stereo,
    tone,
)

SETTINGS = RumbleSettings()
VOICES = {"low, male": ("en", "20"), "high, female": ("en+f3", "75")}


def treated(samples: np.ndarray, settings: RumbleSettings = SETTINGS, rate: int = RATE_HZ):
    """The stage's work on *samples*, and the samples as render hands them to the gains."""
    work = rumble(levels_of(samples, rate), settings)
    source = Treated(ArraySource(samples, rate), work.repairs, work.filters)
    stream = source.blocks()
    for band in work.bands:
        stream = turned_down(stream, band, rate)
    return work, np.concatenate(list(stream))


def harmonic_voice(pitch_hz: float, seconds: float = 6.0, dbfs: float = -20.0) -> Spoken:
    """Words of steady harmonics of one pitch, with pauses of room tone between."""
    n = np.arange(round(seconds * RATE_HZ))
    voice = sum(np.sin(2 * np.pi * k * pitch_hz * n / RATE_HZ) / k for k in range(1, 20))
    spans = tuple((at, at + 0.9) for at in np.arange(0.8, seconds - 1.2, 1.6))
    word = np.zeros(len(n))
    for start, stop in spans:
        here = slice(round(start * RATE_HZ), round(stop * RATE_HZ))
        word[here] = signal.windows.tukey(here.stop - here.start, 0.1)
    voice = voice * word
    voice *= float(gain(dbfs)) / np.sqrt(np.mean(voice[word > 0.9] ** 2))
    return Spoken(voice + room_tone(seconds, -64.0), RATE_HZ, spans)


def hum_of(seconds: float, hz: float, dbfs: float, harmonics: int = 6) -> np.ndarray:
    """A comb of lines, each weaker than the one before, of an RMS level in all."""
    n = np.arange(round(seconds * RATE_HZ))
    comb = sum(np.sin(2 * np.pi * k * hz * n / RATE_HZ + k) / k for k in range(1, harmonics + 1))
    return comb * float(gain(dbfs)) / np.sqrt(np.mean(comb**2))


def thump(hz: float, peak: float, ms: int = 80) -> np.ndarray:
    n = np.arange(ms * RATE_HZ // 1000)
    return peak * np.sin(2 * np.pi * hz * n / RATE_HZ) * np.hanning(len(n))


def amplitude_at(samples: np.ndarray, hz: float) -> float:
    """Amplitude of one frequency in *samples*."""
    turn = np.exp(-2j * np.pi * hz * np.arange(len(samples)) / RATE_HZ)
    window = np.hanning(len(samples))
    return 2 * abs(np.sum(samples * window * turn)) / window.sum()


def change_db(before: np.ndarray, after: np.ndarray) -> float:
    return rms_dbfs(after) - rms_dbfs(before)


def spoken_by(voice: tuple[str, str]) -> np.ndarray:
    """Sentences of a synthesised voice at -22 dBFS with pauses, in a quiet room."""
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is not installed: it speaks these takes")
    parts = [np.zeros(RATE_HZ)]
    for text in (
        "The harbour bell rang nine times before anyone came down to look.",
        "Peter put the broken pot by the back door and bolted it.",
        "She had counted every lamp twice and was still one short.",
    ):
        done = subprocess.run(
            ["espeak-ng", "-v", voice[0], "-p", voice[1], "--stdout", text],
            check=True,
            capture_output=True,
        )
        said, rate = soundfile.read(io.BytesIO(done.stdout))
        said = signal.resample_poly(said, RATE_HZ, rate)
        parts += [said * float(gain(-22)) / np.sqrt(np.mean(said**2)), np.zeros(RATE_HZ)]
    voiced = np.concatenate(parts)
    return voiced + room_tone(len(voiced) / RATE_HZ + 0.1, -64.0)[: len(voiced)]


# --- the high-pass -------------------------------------------------------------------------------


@pytest.mark.parametrize("corner", [40.0, 63.0, 90.0])
@pytest.mark.parametrize("hz", [20.0, 40.0, 100.0, 1000.0])
def test_high_pass_is_butterworth_s(corner, hz):
    """|H|² = 1 / (1 + (fc/f)^8): 4th-order Butterworth, by algebra."""
    _, response = signal.sosfreqz(highpass(corner, RATE_HZ), [hz], fs=RATE_HZ)
    expected = -10 * np.log10(1 + (corner / hz) ** 8)
    assert power_db(np.abs(response[0]) ** 2) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("corner", [40.0, 70.0, 90.0])
def test_step_response_does_not_ring(corner):
    """A step leaves under 36 %, 18 % and 6.5 % at its first swings, and nothing after 3 periods."""
    swing = signal.sosfilt(highpass(corner, RATE_HZ), np.ones(RATE_HZ))
    crossings = np.flatnonzero(np.diff(np.sign(swing)))
    lobes = [np.abs(part).max() for part in np.split(swing, crossings + 1)][1:4]
    assert np.all(np.array(lobes) < [0.36, 0.18, 0.065])
    period = RATE_HZ / corner
    assert np.abs(swing[round(3 * period) :]).max() < 0.001


def test_dc_is_gone_from_the_first_sample():
    """DC of -20 dBFS under speech leaves less than -80 dBFS, and makes no thump where it begins."""
    take = speech_like(3, -65.0)
    _, out = treated(take.samples + 0.1)
    assert abs(out.mean()) < 1e-4
    assert np.abs(out[: RATE_HZ // 2]).max() < 0.005


def test_rumble_is_lowered_by_the_filter_s_own_amount():
    """A tone of 20 Hz goes down by what Butterworth's formula says for the note's corner."""
    take = harmonic_voice(110.0)
    work, out = treated(take.samples + tone(6.0, -30.0, 20.0))
    corner = work.note["high_pass_hz"]
    expected = -10 * np.log10(1 + (corner / 20) ** 8)
    middle = out[RATE_HZ:-RATE_HZ, 0]
    lowered = power_db(amplitude_at(middle, 20.0) ** 2) + 30
    assert lowered == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize("pitch_hz", [75.0, 100.0, 150.0, 220.0])
def test_the_lowest_partial_keeps_its_level(pitch_hz):
    """The fundamental of a voice loses 0.5 dB at most, whatever its pitch."""
    take = harmonic_voice(pitch_hz)
    work, out = treated(take.samples)
    assert work.note["lowest_pitch_hz"] == pytest.approx(pitch_hz, rel=0.06)
    for start, stop in take.spans_s:
        word = slice(round((start + 0.1) * RATE_HZ), round((stop - 0.1) * RATE_HZ))
        before, after = (amplitude_at(x[word], pitch_hz) for x in (take.samples, out[:, 0]))
        assert 20 * np.log10(after / before) == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize(
    ("pitch_hz", "corner"), [(None, 40), (50, 40), (100, 70), (120, 84), (300, 90)]
)
def test_corner(pitch_hz, corner):
    """0.7 times the pitch within the bounds; the lowest where no pitch is known, as in a whisper."""
    assert corner_hz(pitch_hz, SETTINGS) == pytest.approx(corner)


def test_a_whisper_has_no_pitch():
    """Noise has no pitch, and the high-pass stays as low as it may."""
    low = levels_of(noise(3, -30.0)).heard_low.astype(float)
    assert lowest_pitch_hz(low, np.ones(len(low), bool)) is None


@pytest.mark.parametrize("voice", VOICES)
def test_a_synthesised_voice_sounds_as_before(voice):
    """Octaves from 100 Hz to 8 kHz of a real synthesiser's speech change by 0.5 dB at most."""
    samples = spoken_by(VOICES[voice])
    spoken = np.repeat(levels_of(samples).voice, RATE_HZ // 1000)[: len(samples)]
    work, out = treated(samples)
    assert "hum_hz" not in work.note
    assert work.note["thumps"] == 0
    for low_hz in (100, 200, 400, 800, 1600, 3200):
        octave = signal.butter(4, [low_hz, 2.4 * low_hz], "bandpass", fs=RATE_HZ, output="sos")
        before, after = (signal.sosfiltfilt(octave, x)[spoken] for x in (samples, out[:, 0]))
        assert change_db(before, after) == pytest.approx(0, abs=0.5)


# --- hum -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("hz", [49.3, 50.0, 50.7, 59.9, 60.0])
@pytest.mark.parametrize("dbfs", [-45.0, -60.0])
def test_hum_is_found(hz, dbfs):
    """Frequency within 0.3 Hz and level within 1 dB of the hum that was laid in."""
    take = speech_like(4, -66.0, head_s=2.0)
    seconds = len(take.samples) / RATE_HZ
    hum = hum_of(seconds + 0.01, hz, dbfs)[: len(take.samples)]
    note = rumble(levels_of(take.samples + hum), SETTINGS).note
    assert note["hum_hz"] == pytest.approx(hz, abs=0.3)
    assert note["hum_dbfs"] == pytest.approx(dbfs, abs=1.0)
    assert note["hum_harmonics"][:2] == [1, 2]


@pytest.mark.parametrize("hz", [50.0, 60.2])
def test_hum_is_lowered_and_what_lies_beside_it_is_not(hz):
    """Its lines are 20 dB down in the pauses; octaves of the speech change by 0.5 dB at most."""
    take = harmonic_voice(133.0, 12.0)
    with_hum = take.samples + hum_of(12.0, hz, -50.0)
    work, out = treated(with_hum)
    assert work.note["hum_notched"]
    for start, stop in [(a[1] + 0.25, b[0] - 0.05) for a, b in zip(take.spans_s, take.spans_s[1:], strict=False)]:  # fmt: skip
        pause = slice(round(start * RATE_HZ), round(stop * RATE_HZ))
        for k in (1, 2, 3):
            before, after = (amplitude_at(x[pause], k * hz) for x in (with_hum, out[:, 0]))
            assert 20 * np.log10(after / before) < -20 or after < gain(-80)
    spoken = np.repeat(take.rows(guard=60), RATE_HZ // 1000)[: len(out)]
    for low_hz in (120, 240, 480, 1000, 2000):
        octave = signal.butter(2, [low_hz, 2 * low_hz], "bandpass", fs=RATE_HZ, output="sos")
        before, after = (signal.sosfiltfilt(octave, x)[spoken] for x in (take.samples, out[:, 0]))
        assert change_db(before, after) == pytest.approx(0, abs=0.5)


def test_hum_may_be_left():
    """Switched off, the hum is still said, and not one section is added for it."""
    take = speech_like(4, -66.0, head_s=2.0)
    hum = hum_of(len(take.samples) / RATE_HZ + 0.01, 50.0, -50.0)[: len(take.samples)]
    work = rumble(levels_of(take.samples + hum), RumbleSettings(notch_hum=False))
    assert work.note["hum_hz"] == pytest.approx(50, abs=0.3)
    assert not work.note["hum_notched"]
    assert len(work.filters[0]) == 2


@pytest.mark.parametrize("seed", range(6))
def test_no_hum_no_notch(seed):
    """Room tone alone has no lines that stand out, in a short take as in a longer one."""
    for phrases in (2, 6):
        work = rumble(speech_like(phrases, -60.0, seed=seed).levels, SETTINGS)
        assert "hum_hz" not in work.note
        assert len(work.filters[0]) == 2


def test_noise_rarely_passes_for_hum():
    """Of 200 rooms of white noise, 2.5 to 8 s long, not one is said to hum."""
    rng = np.random.default_rng(7)
    for _ in range(200):
        low = rng.standard_normal(rng.integers(2500, 8000))
        assert find_hum(low, np.ones(len(low), bool)) is None


@pytest.mark.parametrize("pitch_hz", [50.0, 60.0, 100.0, 120.0])
def test_a_steady_voice_is_no_hum(pitch_hz):
    """A voice that holds one pitch, mains frequency or twice that, is silent in its pauses."""
    assert "hum_hz" not in rumble(harmonic_voice(pitch_hz, 12.0).levels, SETTINGS).note


def test_hum_in_some_pauses_only_is_none():
    """A tone that sounds in one pause out of four is something else in the room."""
    low = np.random.default_rng(1).standard_normal(32_000) * 1e-3
    low[:8000] += 0.05 * np.sin(2 * np.pi * 0.05 * np.arange(8000))
    assert find_hum(low, np.ones(len(low), bool)) is None


def test_a_machine_s_tone_is_no_hum():
    """Two lines high in the comb alone, 196 and 392 Hz, are some other machine."""
    n = np.arange(16_000)
    low = np.random.default_rng(1).standard_normal(len(n)) * 1e-3
    low += 0.05 * (np.sin(2 * np.pi * 0.196 * n) + np.sin(2 * np.pi * 0.392 * n))
    assert find_hum(low, np.ones(len(n), bool)) is None


def test_too_little_pause_to_tell():
    """Under two seconds of pause nothing is said of hum."""
    low = 0.05 * np.sin(2 * np.pi * 0.05 * np.arange(10_000))
    assert find_hum(low, np.arange(10_000) < 1900) is None


@pytest.mark.parametrize("hz", [50.0, 150.0, 450.0])
def test_notch(hz):
    """Nothing passes at the line, half the power at f/2Q from it: Q 25 low, 70 high. By algebra."""
    sections = notches((hz,), RATE_HZ)
    narrow = 25 + 45 * min((hz - 50) / 250, 1)
    half_hz = hz * (np.sqrt(1 + 1 / (4 * narrow**2)) + 1 / (2 * narrow))
    _, response = signal.sosfreqz(sections, [hz, half_hz], fs=RATE_HZ)
    assert np.abs(response[0]) < 1e-4
    assert power_db(np.abs(response[1]) ** 2) == pytest.approx(-3.01, abs=0.05)


# --- thumps --------------------------------------------------------------------------------------


@pytest.mark.parametrize("range_db", [6.0, 12.0])
def test_a_thump_is_lowered_where_it_happens(range_db):
    """At the thump the low band falls by the amount asked for, 2 dB give or take; elsewhere by none."""
    take = harmonic_voice(200.0, 8.0, -26.0)
    struck = take.samples.copy()
    at = round(take.spans_s[1][0] * RATE_HZ)
    hit = thump(80.0, 0.9, 100)
    struck[at : at + len(hit)] += hit
    untouched, before = treated(struck, RumbleSettings(thump_range_db=0))
    work, after = treated(struck, RumbleSettings(thump_range_db=range_db))
    assert untouched.bands == ()
    assert untouched.filters[0] == pytest.approx(work.filters[0])
    assert (work.note["thumps"], work.note["greatest_thump_db"]) == (1, range_db)
    middle = slice(at + len(hit) // 4, at + 3 * len(hit) // 4)
    low = signal.butter(4, 95, "lowpass", fs=RATE_HZ, output="sos")
    felt = [signal.sosfiltfilt(low, x[:, 0])[middle] for x in (before, after)]
    assert change_db(*felt) == pytest.approx(-range_db, abs=2.0)
    away = np.ones(len(struck), bool)
    away[at - RATE_HZ // 10 : at + len(hit) + RATE_HZ // 10] = False
    np.testing.assert_allclose(after[away], before[away], atol=1e-12)


def test_ramps_are_smooth():
    """The band's gain never moves by more than range · π / 2 over its ramp."""
    take = harmonic_voice(200.0, 8.0, -26.0)
    at = round(take.spans_s[1][0] * RATE_HZ)
    take.samples[at : at + 4800] += thump(80.0, 0.9, 100)
    (band,) = rumble(take.levels, SETTINGS).bands
    assert (band.side, len(band.gain_db)) == ("low", take.levels.rows)
    assert -12.001 <= band.gain_db.min() < -11.9
    assert band.gain_db.max() == 0
    assert np.abs(np.diff(band.gain_db)).max() <= 12 / 15 * np.pi / 2


def test_thumps_by_hand():
    """Bursts of 60 ms near speech count; long ones, quiet ones and those far from speech do not."""
    n = np.arange(20_000)
    low = 0.01 * np.sin(2 * np.pi * 0.1 * n)
    spoken = (n >= 1000) & (n < 15_000)
    for start, stop, size in [(2000, 2060, 0.2), (4000, 4300, 0.2), (6000, 6060, 0.015), (17_000, 17_060, 0.2)]:  # fmt: skip
        low[start:stop] = size * np.sin(2 * np.pi * 0.1 * n[start:stop])
    amount = thump_amounts(low, (low**2).astype(np.float32), spoken, 12.0)
    starts, stops = runs(amount > 0)
    assert len(starts) == 1
    assert 1950 < starts[0] < 2000 < 2060 < stops[0] < 2110


@pytest.mark.parametrize("seed", range(4))
def test_vowels_and_stops_are_no_thumps(seed):
    """Speech without plosives' wind has none. By construction of the signal."""
    assert rumble(speech_like(5, -60.0, seed=seed).levels, SETTINGS).note["thumps"] == 0


# --- what later stages see -----------------------------------------------------------------------


def rumbling_take(rate: int = RATE_HZ) -> Spoken:
    """Speech in a room that rumbles, hums, thumps and is off zero."""
    take = speech_like(4, -62.0, -26.0, rate=rate, head_s=2.0)
    n = len(take.samples)
    slow = signal.butter(2, [8, 30], "bandpass", fs=rate, output="sos")
    rolling = signal.sosfilt(slow, noise(n / rate + 0.01, 0.0, 3, rate))[:n]
    rolling *= float(gain(-34)) / np.sqrt(np.mean(rolling**2))
    at = np.arange(n) / rate
    hum = sum(float(gain(-50 - 4 * k)) * np.sin(2 * np.pi * 50 * k * at) for k in range(1, 7))
    samples = take.samples + rolling + hum + 0.02
    begin = round(take.spans_s[1][0] * rate)
    hit = thump(70.0, 0.6, 90)[::1]
    samples[begin : begin + len(hit)] += hit
    return Spoken(samples, rate, take.spans_s)


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("sides", [1, 2])
def test_levels_are_those_of_the_treated_sound(rate, sides):
    """Plain and K-weighted level within 0.1 dB of really listening, over the take and in speech."""
    take = rumbling_take(rate)
    samples = stereo(take.samples) if sides == 2 else take.samples
    work, out = treated(samples, rate=rate)
    truly = levels_of(out, rate)
    assert "hum_hz" in work.note
    rows = take.rows()[: truly.rows]
    for column in ("heard_energy", "heard_k_energy"):
        planned, real = (getattr(x, column).astype(float) for x in (work.levels, truly))
        assert power_db(planned.sum() / real.sum()) == pytest.approx(0, abs=0.1)
        assert power_db(planned[rows].sum() / real[rows].sum()) == pytest.approx(0, abs=0.1)
        assert power_db(planned[~rows].sum() / real[~rows].sum()) == pytest.approx(0, abs=0.3)
    peaks = 20 * np.log10(work.levels.heard_peak.max() / truly.heard_peak.max())
    assert peaks == pytest.approx(0, abs=1.0)
    # Who speaks was heard in the take as it came, and stays.
    assert (work.levels.heard_sound == levels_of(samples, rate).heard_sound).all()


def test_blemishes_of_the_table_are_kept():
    """Only the columns change: rate, channels and rows stay, and no row becomes silent."""
    levels = rumbling_take().levels
    after = rumble(levels, SETTINGS).levels
    assert (after.rows, after.channels, after.blemishes) == (levels.rows, 1, levels.blemishes)
    assert np.all(after.heard_energy[levels.heard_energy > 0] > 0)
    np.testing.assert_array_equal(after.heard_high_energy, levels.heard_high_energy)


def test_a_rumbling_take_meets_its_target_at_once():
    """The whole chain, one round: within 0.05 LU of the target by libebur128."""
    take = rumbling_take()
    plan = make_plan(take.levels, Profile(normalise={"target": -18.0}))
    assert plan.filters
    assert plan.short_db == 0
    out = np.concatenate(list(Rendering(take.source, plan, RATE_HZ)))
    assert libebur128_lufs(out) == pytest.approx(-18.0, abs=0.05)


@pytest.mark.parametrize("rows", [0, 1, 50, 1500])
def test_silence_and_scraps(rows):
    """Next to nothing, or nothing at all, is filtered without an error and stays what it is."""
    work = rumble(levels_of(np.zeros(rows * 48)), SETTINGS)
    assert work.bands == ()
    assert work.levels is None or not work.levels.heard_energy.any()
