"""fairtake.cues: what a mix is made of; each mistake gets its own clear word."""

from __future__ import annotations

import pytest

from fairtake.cues import MOST_CUES, Cues
from fairtake.errors import TitleInvalid
from fairtake.typed_file import parse_settings


def read(text: str) -> Cues:
    return parse_settings(text.encode(), Cues, TitleInvalid, "cues.toml")


VOICE = '[[voice]]\nfile = "a.wav"\n'


def test_little_is_enough():
    """One voice and one bed by name alone get the usual values. Source: the issue's own defaults,
    common practice."""
    cues = read(VOICE + '[[bed]]\nfile = "sea.flac"\n[[spot]]\nfile = "bell.wav"\nfrom = "end"\n')
    bed, spot = cues.bed[0], cues.spot[0]
    assert (bed.level_lu, bed.duck_db, bed.fade_in_s, bed.begins) == (-18, 12, 1.5, "start")
    assert (spot.level_lu, spot.begins) == (-13, "end")
    assert cues.files == ("a.wav", "sea.flac", "bell.wav")


@pytest.mark.parametrize(
    ("said", "seconds"), [("83.5", 83.5), ('"1:23.5"', 83.5), ('"1:02:03"', 3723), ("0", 0)]
)
def test_times(said: str, seconds: float):
    """A time is a number of seconds, or text as people write it."""
    assert read(VOICE + f'[[marker]]\nname = "x"\nat = {said}').marker[0].at == seconds


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "voice: this has to be given"),
        ('[voice]\nfile = "a.wav"', "in double brackets, [[voice]]"),
        (VOICE + '[[bed]]\nfile = "b.wav"\npart = 5', "has to be a list"),
        (VOICE + '[[marker]]\nname = "x"\nat = "1:90"', "number of seconds"),
        (VOICE + '[[bed]]\nfile = "b.wav"\nfrom = "1:90"', "neither a time, as '1:23.5'"),
        (VOICE + '[[bed]]\nfile = "b.wav"\nlevl_lu = -3', "did you mean 'level_lu'"),
        (VOICE + '[[bed]]\nfile = "../b.wav"', "its name alone"),
        (VOICE + '[[bed]]\nfile = "/etc/passwd"', "its name alone"),
        (VOICE + '[[bed]]\nfile = "b.wav"\nfrom = "storm"', "'storm'"),
        (VOICE + '[[bed]]\nfile = "b.wav"\nfrom = -3', "bed"),
        (VOICE + '[[bed]]\nfile = "b.wav"\nfrom = nan', "bed"),
        (VOICE + '[[bed]]\nfile = "b.wav"\nlevel_lu = inf', "level_lu"),
        (VOICE + '[[bed]]\nfile = "b.wav"\npart = [5, 2]', "ends before it begins"),
        (VOICE + '[[bed]]\nfile = "b.wav"\nloop = true', "until"),
        (VOICE + '[[marker]]\nname = "x"\nat = 1\n[[marker]]\nname = "x"\nat = 2', "one name"),
        (VOICE + '[[marker]]\nname = "x"\nat = "1;2"', "number of seconds"),
        (VOICE * (MOST_CUES + 1), f"{MOST_CUES}"),
    ],
)
def test_mistakes(text: str, word: str):
    """Each mistake is named."""
    with pytest.raises(TitleInvalid) as caught:
        read(text)
    assert word in caught.value.message


def test_all_mistakes_at_once():
    """Two mistakes are told in one go."""
    with pytest.raises(TitleInvalid) as caught:
        read(VOICE + '[[bed]]\nfile = "b.wav"\nduck_db = -1\nlooop = true')
    assert "duck_db" in caught.value.message and "looop" in caught.value.message


def test_all_places_that_are_not_there_at_once():
    """Each is told with the sound that names it, and with what could be meant."""
    with pytest.raises(TitleInvalid) as caught:
        spot = '[[spot]]\nfile = "c.wav"\nfrom = "1:90"'
        read(VOICE + '[[bed]]\nfile = "b.wav"\nuntil = "ent"\n' + spot)
    assert caught.value.message.endswith(
        "cues.toml: neither a time, as '1:23.5', nor a place that is known (end, start): "
        "'ent' of 'b.wav', '1:90' of 'c.wav'."
    )


@pytest.mark.parametrize(
    "place", ["-1", "nan", "99999", "true", "[1]", '""', "1979-05-27", '"' + "n" * 65 + '"']
)
def test_a_wrong_place_is_told_once(place: str):
    """A place is a time or a name: what is neither is one mistake, in plain words, with its line."""
    with pytest.raises(TitleInvalid) as caught:
        read(VOICE + f'[[bed]]\nfile = "b.wav"\nfrom = {place}')
    assert caught.value.detail.count("cues.toml, line 5: bed.from: ") == 1
    assert "function" not in caught.value.detail and caught.value.detail.count("bed") == 1


@pytest.mark.parametrize("name", ["", "n" * 256, "a\\u0000b"])
def test_a_file_has_a_name_that_a_file_can_have(name: str):
    """What no drive could hold is no missing file, but a mistake."""
    with pytest.raises(TitleInvalid, match=r"line 2: voice\.file: "):
        read(f'[[voice]]\nfile = "{name}"')
