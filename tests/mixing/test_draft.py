"""fairtake.mixing.draft: a first cues.toml that works as it stands."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from fairtake.cues import Cues
from fairtake.errors import CuesInvalid, NoVoice
from fairtake.mixing.draft import guessed, kind_said, write_draft
from fairtake.receipt import Receipt
from fairtake.sound.speechlike import is_speech_like
from fairtake.typed_file import parse_settings
from mixing.folders import RATE, make_mix, spoken
from roots import FAIRTAKE, SAMPLES
from signals import levels_of, noise, room_tone, speech_like


def sounds() -> dict[str, np.ndarray]:
    """A voice, twenty seconds of a held chord, and a knock; their names say nothing."""
    t = np.arange(20 * RATE) / RATE
    chord = sum(np.sin(2 * np.pi * hz * t) for hz in (110, 165, 220, 277)) / 16
    knock = noise(0.5, -12.0, rate=RATE)
    return {"a1": spoken(3), "a2": chord, "a3": knock * np.exp(-np.arange(len(knock)) / 3000)}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = make_mix(tmp_path / "x.mix", "", **sounds())
    (made / "cues.toml").unlink()
    (made / "notes.txt").write_text("the knock comes last")
    return made


def test_files_are_told_by_what_they_sound_like(folder: Path):
    """Speech is the voice, what lasts is a bed, what is short a single sound."""
    found, others = guessed(folder)
    assert {guess.name: guess.kind for guess in found} == {
        "a1.wav": "voice", "a2.wav": "bed", "a3.wav": "spot",
    }  # fmt: skip
    assert others == ["notes.txt"]


@pytest.mark.parametrize(
    ("stem", "kind"),
    [("narration_final", "voice"), ("Sea Music", "bed"), ("harp", "bed"), ("01 knock", "spot"), ("music voice", None),
     ("a1", None)],
)  # fmt: skip
def test_names_that_say_one_thing_are_believed(stem: str, kind: str | None):
    """A name that says two things says nothing."""
    assert kind_said(stem) == kind


def test_what_is_speech_and_what_is_not():
    """Synthetic voices are; noise, a room, chords held and struck, and beats are not."""
    rate = 48_000
    t = np.arange(12 * rate) / rate
    chord = sum(np.sin(2 * np.pi * hz * t) for hz in (110, 165, 220, 277)) / 8
    others = {
        "noise": noise(12, -20.0),
        "room": room_tone(12, -30.0),
        "held": chord,
        "struck twice a second": chord * np.exp(-((t % 0.5) / 0.15)),
        "beat": noise(12, -10.0) * np.exp(-((t % 0.25) / 0.04)),
    }
    assert all(is_speech_like(speech_like(4, seed=seed).levels) for seed in range(4))
    assert [name for name, sound in others.items() if is_speech_like(levels_of(sound))] == []


def test_the_samples_by_sound_alone(tmp_path: Path):
    """Plucked strings begin anew less often than a voice does. The samples' own truth."""
    trailer = SAMPLES.parent / "Trailer" / "Orrowmere Calls.mix"
    for name, other in (("harp", "a1"), ("voice", "a2"), ("bell", "a3")):
        shutil.copy(trailer / f"{name}.flac", tmp_path / f"{other}.flac")
    found, _ = guessed(tmp_path)
    assert [guess.kind for guess in found] == ["bed", "voice", "spot"]


def test_a_draft_works_as_it_stands(folder: Path, tmp_path: Path):
    """From the command: a draft, then the mix, then no second draft over the first."""
    draft = subprocess.run([*FAIRTAKE, "mix", "--draft", folder], capture_output=True, text=True)
    assert draft.returncode == 0 and "left out notes.txt" in draft.stdout
    text = (folder / "cues.toml").read_bytes()
    cues = parse_settings(text, Cues, CuesInvalid, "cues.toml")
    assert (cues.voice[0].file, cues.bed[0].file, cues.spot[0].file) == (
        "a1.wav",
        "a2.wav",
        "a3.wav",
    )
    mixed = subprocess.run(
        [*FAIRTAKE, "mix", folder, "--out", tmp_path / "out", "--profile", "podcast"],
        capture_output=True, text=True,
    )  # fmt: skip
    assert mixed.returncode == 0, mixed.stderr
    receipt = Receipt.model_validate_json((tmp_path / "out/x.receipt.json").read_text())
    assert receipt.mix is not None and receipt.mix.unnamed_files == ["notes.txt"]
    assert (tmp_path / "out/x.html").is_file()
    again = subprocess.run([*FAIRTAKE, "mix", "--draft", folder], capture_output=True, text=True)
    assert again.returncode == 1 and "stands there already" in again.stderr
    assert (folder / "cues.toml").read_bytes() == text


def test_without_a_voice_there_is_no_draft(tmp_path: Path):
    """A mix without a voice is none."""
    folder = make_mix(tmp_path / "x", "", sea=noise(2.0, -20.0))
    (folder / "cues.toml").unlink()
    with pytest.raises(NoVoice):
        write_draft(folder)
    assert not (folder / "cues.toml").exists()
