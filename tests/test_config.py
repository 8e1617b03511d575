"""config/: what ships is what the models say."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from fairtake.errors import SettingsInvalid
from fairtake.profile import Profile
from fairtake.service_settings import ServiceSettings
from fairtake.shipped import config_folder, load_profile, profile_files
from fairtake.typed_file import read_settings
from write_config import CONFIG, canonical_texts


@pytest.mark.parametrize("path", sorted(canonical_texts()), ids=lambda p: p.name)
def test_a_shipped_file_is_in_canonical_form(path: Path) -> None:
    """Every setting stands in it, explained as the model does. Design: starter settings."""
    assert path.read_text("utf-8") == canonical_texts()[path]


def test_no_shipped_file_is_forgotten() -> None:
    """What lies in config/ is what is written. Design: starter settings."""
    assert {p for p in CONFIG.rglob("*") if p.is_file()} == set(canonical_texts())


def test_the_service_s_settings_are_the_defaults() -> None:
    """A ROOT without a changed line runs as documented. Design: starter settings."""
    shipped = read_settings(CONFIG / "fairtake.toml", ServiceSettings, SettingsInvalid)
    assert shipped == ServiceSettings()


def test_the_installed_package_finds_its_config(tmp_path: Path) -> None:
    """Whatever the folder it is called from, init writes all files. Design: the commands."""
    for path in CONFIG.rglob("*.toml"):
        assert (config_folder() / path.relative_to(CONFIG)).read_bytes() == path.read_bytes()
    subprocess.run(
        [sys.executable, "-m", "fairtake", "init", tmp_path / "r"], cwd=tmp_path, check=True
    )
    for path in CONFIG.rglob("*.toml"):
        assert (tmp_path / "r" / path.relative_to(CONFIG)).read_bytes() == path.read_bytes()
    assert sorted(os.listdir(tmp_path / "r")) == [
        ".fairtake", "fairtake.toml", "inbox", "originals", "outbox", "profiles", "quarantine"
    ]  # fmt: skip


#: by, stereo target, mono target, ceiling, lowest and highest stereo level, lowest and highest mono.
FIGURES = {
    "audiobook": ("rms", -20, -20, -3, (-23, -18), (-23, -18)),
    "podcast": ("loudness", -16, -19, -1, (-20, -16), None),
    "stream": ("loudness", -14, -14, -1, None, None),
    "speech": ("loudness", -18, -18, -1, None, None),
    "broadcast": ("loudness", -23, -23, -1, (-23.2, -22.8), (-23.2, -22.8)),
}


@pytest.mark.parametrize("name", FIGURES)
def test_a_profile_s_figures(name: str) -> None:
    """Targets, ceilings and windows as promised. Design: the profiles that ship."""
    profile = load_profile(name)
    by, stereo, mono, ceiling, stereo_window, mono_window = FIGURES[name]
    normalise, delivery = profile.normalise, profile.delivery
    assert (normalise.by, normalise.target_for(2), normalise.target_for(1)) == (by, stereo, mono)
    assert profile.limit.ceiling_dbtp == ceiling
    for channels, window in ((2, stereo_window), (1, mono_window)):
        low, high = delivery.level_window(channels)
        assert low <= normalise.target_for(channels) <= high
        assert window is None or (low, high) == window


def test_five_profiles_ship() -> None:
    """No more, no fewer. Design: the profiles that ship."""
    assert set(profile_files()) == set(FIGURES)


def test_the_audiobook_profile_in_full() -> None:
    """Noise floor, format, room tone and length. Design: the profiles that ship."""
    p = load_profile("audiobook")
    assert (p.sample_rate_hz, p.channels, p.mp3.bitrate_kbps) == (44100, "mono", 192)
    assert (p.trim.head_s, p.trim.tail_s) == (0.75, 2.5)
    d = p.delivery
    assert (d.noise_floor_dbfs, d.longest_s) == (-60, 120 * 60)
    assert (d.head_least_s, d.head_most_s, d.tail_least_s, d.tail_most_s) == (0.5, 1, 1, 5)
    assert load_profile("broadcast").sample_rate_hz == 48000


@pytest.mark.parametrize("name", FIGURES)
def test_the_voice_starting_point(name: str) -> None:
    """Compression 4:1 with about 3 dB of greatest reduction. Design: voice starting point."""
    profile: Profile = load_profile(name)
    assert (profile.compress.ratio, profile.compress.reduction_db) == (4, 3)
