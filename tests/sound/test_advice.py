"""fairtake.sound.advice: what could be better about a recording."""

from __future__ import annotations

import pytest

from fairtake.receipt import Measures
from fairtake.sound.advice import advice
from fairtake.sound.sides import Sides

GOOD = {"sample_peak_dbfs": -6.0, "speech_level_dbfs": -18.0, "noise_floor_dbfs": -65.0}


@pytest.mark.parametrize(
    ("changed", "word"),
    [
        ({"sample_peak_dbfs": 0.0}, "clipped"),
        ({"sample_peak_dbfs": -1.0}, "hot"),
        ({"speech_level_dbfs": -35.0}, "quiet"),
        ({"noise_floor_dbfs": -45.0}, "-45.0 dBFS between phrases"),
        ({"speech_level_dbfs": -29.0, "noise_floor_dbfs": -52.0}, "only 23 dB under the voice"),
    ],
)
def test_one_fault_one_sentence(changed, word):
    """Each fault brings its own sentence and no other. Limits: common practice, no source."""
    (sentence,) = advice(Measures(**{**GOOD, **changed}), None, mono=True)
    assert word in sentence


def test_good_recording():
    """-18 dBFS on average and peaks under -4 dBFS leave nothing to say. Common practice."""
    assert advice(Measures(**GOOD), Sides(1.0, 1.0, 0.9), mono=True) == []


def test_nothing_measured():
    """Figures that are null bring no sentence and no error."""
    assert advice(Measures(), None, mono=False) == []


@pytest.mark.parametrize("mono", [True, False])
@pytest.mark.parametrize(
    ("sides", "word"),
    [
        (Sides(1.0, 1e-4, 0.0), "right side"),
        (Sides(1e-4, 1.0, 0.0), "left side"),
        (Sides(1.0, 1.0, -0.9), "polarity"),
    ],
)
def test_sides(sides, word, mono):
    """A dead or reversed side is named, and what was done about it."""
    (sentence,) = advice(Measures(**GOOD), sides, mono)
    assert word in sentence
    assert ("left as it is" in sentence) is not mono


HUM = {"hum_hz": 49.98, "hum_dbfs": -57.2, "hum_harmonics": [1, 2]}


@pytest.mark.parametrize(
    ("did", "sentences"),
    [
        ({"thumps": 0}, []),
        (HUM, ["Mains hum at 50 Hz, -57 dBFS: look at cables and power supplies."]),
        ({"thumps": 2}, []),
        (
            {"thumps": 7},
            ["7 plosives thump into the microphone: use a pop screen, or speak past it."],
        ),
    ],
)
def test_hum_and_plosives(did, sentences):
    """What the stage rumble found is said, with its figures; a plosive or two is not. Practice."""
    assert advice(Measures(**GOOD), None, True, {"rumble": did}) == sentences


@pytest.mark.parametrize(
    ("limited", "phase", "words"),
    [
        (
            {"greatest_db": 9.0, "greatest_slow_db": 3.5, "greatest_at_s": 4.0},
            {"all_passes": 0},
            [],
        ),
        ({"greatest_db": 14.0, "greatest_slow_db": 8.5, "greatest_at_s": 64.0}, {}, ["at 1:04"]),
        ({"greatest_db": 2.0, "greatest_slow_db": 0.0}, {"all_passes": 8}, ["8 all-passes"]),
    ],
)
def test_what_the_level_took_is_told_in_words(limited, phase, words):
    """Slow limiting above 6 dB with its place, and all-passes that were needed. Issue, part 5."""
    said = advice(Measures(**GOOD), None, True, {"limit": limited, "phase": phase})
    assert len(said) == len(words)
    assert all(word in sentence for word, sentence in zip(words, said, strict=True))
