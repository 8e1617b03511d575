"""fairtake.mixing: a bed and single sounds under a voice, with answers known beforehand.

Levels are by libebur128 and plain sums; the voice is a vowel that is switched on and off, so that it is
known to the sample where somebody "speaks".
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import resample_poly

from fairtake.errors import (
    CueSilent,
    CuesInvalid,
    FairtakeError,
    MixIncomplete,
    NotAudio,
    NotFinite,
    Silent,
    TooLong,
)
from fairtake.master import Finished
from fairtake.receipt import Receipt
from files.making import decode
from mixing.folders import BARE, RATE, VOICE, gated_tone, heard, make_mix, mixed, profile, spoken
from signals import libebur128_lufs, libebur128_true_peak_dbtp, noise, rms_dbfs, stereo, tone

#: The bed begins so long before the voice.
LEAD_S = 6.0
SPANS_S = [(2.0, 6.0), (9.5, 13.0), (13.8, 16.0)]  # the last pause is shorter than the hold
FALL_S, RISE_S = 0.4, 1.2
CUES = (
    "stems = true\n"
    + VOICE
    + f"""
[[bed]]
file = "bed.wav"
later_s = -{LEAD_S}
until = "end"
fade = "straight"
fade_in_s = 2.0

[[spot]]
file = "tick.wav"
from = "mark"

[[marker]]
name = "mark"
at = 3.21
"""
)


@pytest.fixture(scope="module")
def tones(tmp_path_factory: pytest.TempPathFactory) -> tuple[Finished, np.ndarray, np.ndarray]:
    """A mix of tones: what came of it, and its two stems."""
    folder = tmp_path_factory.mktemp("tones")
    tick = np.zeros(200)
    tick[100] = 0.9
    make_mix(
        folder / "tones.mix", CUES,
        voice=gated_tone(SPANS_S, 18.0), bed=tone(30.0, -6.0, 500.0, RATE), tick=tick,
    )  # fmt: skip
    done = mixed(folder / "tones.mix", folder / "scratch", profile(**BARE))
    return done, heard(done.stems["voice"])[:, 0], heard(done.stems["bed"])[:, 0]


def part(samples: np.ndarray, begin_s: float, end_s: float) -> np.ndarray:
    """What lies between two times of the voice."""
    return samples[round((LEAD_S + begin_s) * RATE) : round((LEAD_S + end_s) * RATE)]


def test_levels_are_what_the_cues_ask_for(tones):
    """The bed lies 18 LU under the voice where it is not ducked, within 0.1 dB, by libebur128."""
    _, voice, bed = tones
    apart = libebur128_lufs(part(bed, -3.9, -0.1), RATE) - libebur128_lufs(voice, RATE)
    assert apart == pytest.approx(-18.0, abs=0.1)


def test_the_bed_is_ducked_by_what_was_asked(tones):
    """12 dB down while somebody speaks, from the first syllable on, and through a short pause."""
    _, _, bed = tones
    free = rms_dbfs(part(bed, -3.0, 0.0))
    for begin, end in (*SPANS_S, (13.0, 13.8)):
        begin = 3.3 if begin == 2.0 else begin  # the tick lies before
        assert rms_dbfs(part(bed, begin, end)) - free == pytest.approx(-12.0, abs=0.2)


def test_the_bed_moves_when_it_should(tones):
    """It is as before until the look-ahead begins, down at the first syllable, and back after its
    time; never a step."""
    _, _, bed = tones
    free = rms_dbfs(part(bed, -3.0, 0.0))
    assert rms_dbfs(part(bed, 0.5, 2 - 2 * FALL_S)) - free == pytest.approx(0.0, abs=0.2)
    assert rms_dbfs(part(bed, 2.0, 2.05)) - free == pytest.approx(-12.0, abs=0.2)
    back = 6.0 + RISE_S + 0.05
    assert rms_dbfs(part(bed, back, back + 0.5)) - free == pytest.approx(0.0, abs=0.2)
    halfway = rms_dbfs(part(bed, 6.0 + RISE_S / 2, 6.0 + RISE_S / 2 + 0.05)) - free
    assert -9.0 < halfway < -3.0


def test_a_fade_has_its_shape(tones):
    """A straight fade of 2 s is a line in amplitude, held against the bed's own samples."""
    _, _, bed = tones
    first = bed[: 2 * RATE].reshape(-1, RATE // 20)
    rms = np.sqrt(np.mean(first**2, axis=1))
    full = np.sqrt(np.mean(bed[2 * RATE : 3 * RATE] ** 2))
    line = (np.arange(len(rms)) + 0.5) / len(rms)
    np.testing.assert_allclose(rms / full, line, atol=0.01)


def test_a_sound_lies_right_to_the_sample(tones):
    """A single loud sample at 3.21 s of the voice stands at exactly that sample."""
    _, _, bed = tones
    assert int(np.argmax(np.abs(bed))) == round((LEAD_S + 3.21) * RATE) + 100


def test_the_stems_sum_to_the_mix(tones):
    """Where the limiter finds nothing to do, the stems' sum is the mix, to -90 dBFS."""
    done, voice, bed = tones
    whole = heard(done.wav)[:, 0]
    assert len(whole) == len(voice) == len(bed)
    assert 20 * np.log10(np.abs(whole - voice - bed).max()) < -90


def test_the_receipt_of_a_mix(tones):
    """It says what was measured, and its figures hold against the stems."""
    done, voice, bed = tones
    known = Receipt.model_validate(json.loads(done.receipt.to_json()))
    assert known.mix is not None
    cue, tick = known.mix.cues
    assert (cue.kind, cue.file, cue.begins_s, cue.duck_db) == ("bed", "bed.wav", 0.0, 12.0)
    assert cue.ends_s == pytest.approx(LEAD_S + 18.0, abs=1e-3)
    assert tick.begins_s == pytest.approx(LEAD_S + 3.21, abs=1e-3)
    assert known.mix.voices[0].begins_s == LEAD_S
    while_spoken = [part(stem, 9.6, 12.9) for stem in (voice, bed)]
    apart = libebur128_lufs(while_spoken[0], RATE) - libebur128_lufs(while_spoken[1], RATE)
    assert known.mix.voice_over_bed_lu == pytest.approx(apart, abs=0.3)
    assert known.mix.least_voice_over_bed_lu <= known.mix.voice_over_bed_lu
    over = next(check for check in known.checks if check.check == "voice over bed")
    assert over.ok and over.limit == "at least 12 LU"
    assert [stage.stage for stage in known.stages] == ["duck", "limit", "normalise"]
    assert known.stages[0].did["times"] == 2


def test_target_and_ceiling_hold_for_the_sum(tmp_path):
    """A real chain, a loud bed: level and true peak of both files by libebur128 and by
    oversampling. Stereo under one voice stays stereo where the profile keeps it."""
    folder = make_mix(
        tmp_path / "a.mix", VOICE + '[[bed]]\nfile = "sea.wav"\nlevel_lu = -6\nduck_db = 3\n',
        voice=spoken(3), sea=(stereo(noise(12, -12.0)), 48_000),
    )  # fmt: skip
    settings = profile(
        channels="keep",
        normalise={"by": "loudness", "target": -16.0, "mono_target": -19.0},
        limit={"ceiling_dbtp": -1.0},
        delivery={"level_low": -17, "level_high": -15},
    )
    done = mixed(folder, tmp_path / "s", settings)
    for path in (done.wav, done.mp3):
        sound = heard(path) if path.suffix == ".wav" else decode(path)
        assert sound.shape[1] == 2
        assert libebur128_lufs(sound, RATE) == pytest.approx(-16.0, abs=0.1)
        assert libebur128_true_peak_dbtp(sound, RATE) <= -1.0
        # Noise up to half the rate: between meters of other filters lie tenths of a dB.
        assert 20 * np.log10(np.abs(resample_poly(sound, 8, 1, axis=0)).max()) <= -1.0 + 0.3
    failed = [check.check for check in done.receipt.checks if not check.ok]
    assert failed == ["voice over bed"]  # 9 LU were asked for, and 12 are wanted


def test_one_channel_where_the_profile_asks_for_one(tmp_path):
    """A stereo bed is folded, and lies as far under the voice as in stereo."""
    cues = "stems = true\n" + VOICE + '[[bed]]\nfile = "bed.wav"\nlevel_lu = -15\nduck_db = 0\n'
    for channels, count in (("mono", 1), ("keep", 2)):
        folder = make_mix(
            tmp_path / f"{channels}.mix", cues,
            voice=gated_tone([(1.0, 7.0)], 8.0), bed=stereo(tone(8.0, -3.0, 500.0, RATE)),
        )  # fmt: skip
        done = mixed(folder, tmp_path / channels, profile(**{**BARE, "channels": channels}))
        voice, bed = (heard(done.stems[name]) for name in ("voice", "bed"))
        assert bed.shape[1] == count
        inside = bed[2 * RATE : 6 * RATE]
        apart = libebur128_lufs(inside, RATE) - libebur128_lufs(voice, RATE)
        assert apart == pytest.approx(-15.0, abs=0.1)


def test_voices_follow_one_another_equally_loud(tmp_path):
    """Two recordings 12 dB apart end as loud as each other, the second after its pause; a marker in
    the second's own time lies there, whatever was cut from its head."""
    cues = (
        'stems = true\n[[voice]]\nfile = "one.wav"\n[[voice]]\nfile = "two.wav"\nafter_s = 1.5\n'
        '[[spot]]\nfile = "tick.wav"\nfrom = "word"\nlevel_db = 6\n'
        '[[marker]]\nname = "word"\nat = 5.0\nfile = "two.wav"\n'
    )
    tick = np.zeros(441)
    tick[0] = 0.5
    folder = make_mix(
        tmp_path / "two.mix", cues, tick=tick,
        one=gated_tone([(1.0, 4.0)], 5.0), two=gated_tone([(4.0, 7.0)], 8.0) / 4,
    )  # fmt: skip
    settings = profile(**{**BARE, "chain": ("trim", "limit", "normalise")})
    done = mixed(folder, tmp_path / "s", settings)
    assert done.receipt.mix is not None
    one, two = done.receipt.mix.voices
    assert two.begins_s == pytest.approx(one.duration_s + 1.5, abs=1e-3)
    assert two.gain_db == pytest.approx(12.04, abs=0.1)
    voice, bed = (heard(done.stems[name])[:, 0] for name in ("voice", "bed"))
    begin = int(np.argmax(np.abs(bed)))
    # 5 s into the recording is one second into its tone: it sounds before and after.
    begun = next(n for n in range(round(two.begins_s * RATE), len(voice)) if abs(voice[n]) > 1e-2)
    assert begin - begun == pytest.approx(1.0 * RATE, abs=RATE * 0.003)
    loud = [rms_dbfs(voice[n : n + RATE]) for n in (round(1.5 * RATE), begin)]
    assert loud[0] == pytest.approx(loud[1], abs=0.1)


def test_a_mix_may_be_a_voice_alone(tmp_path):
    """Nothing lies under it: it is finished like any take, and no distance is asked of it."""
    done = mixed(make_mix(tmp_path / "v.mix", VOICE, voice=spoken()), tmp_path / "s")
    assert done.receipt.mix is not None and done.receipt.mix.voice_over_bed_lu is None
    assert all(check.ok for check in done.receipt.checks) and not done.stems


def test_files_nobody_names_are_said(tmp_path):
    """What lies there for nothing is told, and an end that comes early, too."""
    cues = VOICE + '[[bed]]\nfile = "bed.wav"\nuntil = "end"\n'
    folder = make_mix(
        tmp_path / "v.mix", cues, voice=spoken(), bed=noise(2.0, -20.0), other=noise(0.1, -20.0)
    )
    (folder / ".DS_Store").write_bytes(b"x")
    (folder / "more.mix").mkdir()
    (folder / "next.wav").symlink_to("other.wav")
    for n in range(20):
        (folder / f"page {n:02}.txt").write_text("x")
    receipt = mixed(folder, tmp_path / "s").receipt
    assert receipt.mix is not None
    assert receipt.mix.unnamed_files[:4] == ["more.mix", "next.wav", "other.wav", "page 00.txt"]
    assert "No cue names 3 more files: they are not heard." in receipt.advice
    assert any("bed.wav ends" in sentence for sentence in receipt.advice)


BED = '[[bed]]\nfile = "bed.wav"\n'


@pytest.mark.parametrize(
    ("cues", "fault", "words"),
    [
        (VOICE + BED + "part = [1, 9]", CuesInvalid, "its part ends at 0:09.0"),
        (VOICE + BED + 'from = "1:23.5"', CuesInvalid, "to begin at 1:23.5, and the voice lasts from 0:00"),
        (VOICE + BED + "part = [1, 1.000001]", CuesInvalid, "not one sample"),
        (VOICE + BED + "part = [1, 1.02]\nloop = true\nuntil = 'end'", CuesInvalid, "0.1 s is the least"),
        (VOICE + "a." * 2000 + "a = 1", CuesInvalid, "line 3: more than 1500 dots"),
        (VOICE + BED + "from = 2\nuntil = 1", CuesInvalid, "is to end at 0:01.0"),
        (VOICE + BED + "from = 1.0\n" + BED + "from = 1.5", CuesInvalid, "two beds that overlap"),
        (VOICE + BED + "fade_in_s = 2\nfade_out_s = 2", CuesInvalid, "its fades take 2 and 2 s"),
        (VOICE + BED + "from = -1", CuesInvalid, "line"),
        (VOICE + BED + "level_lu = nan", CuesInvalid, "level_lu"),
        (VOICE + BED + "level_lu = -3\nlevel_db = -3", CuesInvalid, "not both"),
        (VOICE + BED + "volume = -3", CuesInvalid, "unknown key"),
        (VOICE + '[[bed]]\nfile = "../bed.wav"', CuesInvalid, "its name alone"),
        (VOICE + BED * 10_000, CuesInvalid, "200"),
        (VOICE + '[[bed]]\nfile = "sea.wav"\n[[spot]]\nfile = "x.wav"', MixIncomplete, "'sea.wav', 'x.wav'"),
        (VOICE + '[[bed]]\nfile = "notes.txt"', NotAudio, "'notes.txt' of the mix"),
        (VOICE + '[[bed]]\nfile = "nan.wav"', NotFinite, "'nan.wav' of the mix"),
        (VOICE + '[[spot]]\nfile = "zeros.wav"', CueSilent, "'zeros.wav'"),
        ('[[voice]]\nfile = "zeros.wav"', Silent, "'zeros.wav' of the mix"),
    ],
)  # fmt: skip
def test_bad_cues_get_their_reason(tmp_path, cues: str, fault: type[FairtakeError], words: str):
    """Each mistake is named in words that a person can act on, with the file it is about."""
    bad = np.zeros(RATE)
    bad[100] = np.nan
    folder = make_mix(
        tmp_path / "bad.mix", cues, voice=gated_tone([(1.0, 2.0)], 3.0),
        bed=noise(3.0, -20.0), nan=bad, zeros=np.zeros(RATE),
    )  # fmt: skip
    (folder / "notes.txt").write_text("Take three was the good one.\n" * 9)
    with pytest.raises(fault) as caught:
        mixed(folder, tmp_path / "s", profile(**BARE))
    assert words in caught.value.message


def test_a_mix_longer_than_the_profile_allows(tmp_path):
    """The length is that of everything together."""
    cues = VOICE + BED + "later_s = -30\nloop = true\nuntil = 'end'\n"
    folder = make_mix(tmp_path / "l.mix", cues, voice=spoken(), bed=noise(3.0, -20.0))
    settings = profile(**{**BARE, "delivery": {**BARE["delivery"], "longest_s": 20}})
    with pytest.raises(TooLong):
        mixed(folder, tmp_path / "s", settings)


def test_the_same_mix_gives_the_same_bytes(tmp_path):
    """So that a crash between two steps changes nothing. Design: the folders."""
    cues = "stems = true\n" + VOICE + BED
    folder = make_mix(tmp_path / "a.mix", cues, voice=spoken(), bed=noise(5, -20.0))
    again = Path(shutil.copytree(folder, tmp_path / "b" / "a.mix"))
    made = [mixed(mix, tmp_path / f"s{n}") for n, mix in enumerate((folder, again))]
    for kind in ("wav", "mp3"):
        one, other = (Path(getattr(done, kind)).read_bytes() for done in made)
        assert one == other
    assert made[0].receipt.take.sha256 == made[1].receipt.take.sha256


def test_a_fade_that_was_asked_for_is_kept(tmp_path):
    """In a sound shorter than both fades, the usual one at its other end has what is left."""
    cues = (
        "stems = true\n"
        + VOICE
        + BED
        + "until = 1.0\nfade = 'straight'\nfade_in_s = 0.8\nduck_db = 0\n"
    )
    folder = make_mix(
        tmp_path / "a.mix", cues, voice=gated_tone([(1.5, 3.0)], 4.0), bed=tone(3.0, -20.0, 500.0, RATE)
    )  # fmt: skip
    bed = heard(mixed(folder, tmp_path / "s", profile(**BARE)).stems["bed"])[:, 0]
    levels = [rms_dbfs(bed[round(s * RATE) : round((s + 0.02) * RATE)]) for s in (0.39, 0.79)]
    assert levels[1] - levels[0] == pytest.approx(6.0, abs=0.3)
