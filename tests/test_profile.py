"""Profiles: what is refused, what is laid over, and that a profile's hash is the settings' own."""

from __future__ import annotations

from typing import Any

import pytest

from fairtake.errors import ProfileInvalid, TitleInvalid
from fairtake.profile import DeliverySettings, Profile
from fairtake.typed_file import parse_settings, settings_text, typed


def problems(raw: dict[str, Any]) -> str:
    with pytest.raises(ProfileInvalid) as caught:
        typed(raw, Profile, ProfileInvalid, "p.toml")
    return caught.value.detail


def test_the_chain_keeps_level_and_ceiling() -> None:
    """limit and normalise are promised, so no chain goes without them."""
    assert "limit and normalise must be in the chain" in problems({"chain": ["trim"]})
    assert "limit must be in the chain" in problems({"chain": ["normalise"]})


def test_rumble_stands_before_the_cut() -> None:
    """What it asks for is told in the take's own time: behind trim the chain is refused."""
    assert "before trim" in problems({"chain": ["trim", "rumble", "limit", "normalise"]})
    assert Profile(chain=("rumble", "trim", "limit", "normalise")).chain[0] == "rumble"


def test_tone_stands_behind_the_cut() -> None:
    """It fills what trim lays in: before trim the chain is refused, and without trim it is not."""
    assert "behind trim" in problems({"chain": ["tone", "trim", "limit", "normalise"]})
    assert Profile(chain=("tone", "limit", "normalise")).chain[0] == "tone"


def test_the_chain_names_each_stage_once_and_right() -> None:
    """A stage twice or misspelt is refused."""
    assert "twice" in problems({"chain": ["limit", "normalise", "limit"]})
    assert "chain" in problems({"chain": ["limiter", "limit", "normalise"]})


@pytest.mark.parametrize(
    ("raw", "key"),
    [
        ({"wav": {"bits": 32}}, "wav.bits"), ({"mp3": {"bitrate_kbps": 200}}, "mp3.bitrate_kbps"),
        ({"sample_rate_hz": 96000}, "sample_rate_hz"), ({"channels": "stereo"}, "channels"),
        ({"limit": {"ceiling_dbtp": 0}}, "limit.ceiling_dbtp"), ({"normalise": {"target": 3}}, "target"),
        ({"normalise": {"by": "peak"}}, "normalise.by"), ({"delivery": {"longest_s": 0}}, "longest_s"),
        ({"gate": 3}, "gate"), ({"about": "x" * 201}, "about"),
    ],
)  # fmt: skip
def test_what_is_out_of_bounds(raw: dict[str, Any], key: str) -> None:
    """Values that no file can have, or no ear should, are refused by key."""
    assert key in problems(raw)


@pytest.mark.parametrize(
    ("low", "high"),
    [("level_low", "level_high"), ("mono_level_low", "mono_level_high"),
     ("head_least_s", "head_most_s"), ("tail_least_s", "tail_most_s")],
)  # fmt: skip
def test_windows_are_open(low: str, high: str) -> None:
    """A window whose low end lies above its high end can never be met."""
    level = "level" in low
    raw = {"delivery": {low: -10.0 if level else 3.0, high: -20.0 if level else 2.0}}
    assert f"{low} is above {high}" in problems(raw)


def test_level_window() -> None:
    """Mono has a window of its own where one is given, each end by itself."""
    asked = DeliverySettings(level_low=-17, level_high=-15, mono_level_low=-20)
    assert asked.level_window(2) == (-17, -15)
    assert asked.level_window(1) == (-20, -15)


def test_hash_is_of_the_settings_not_of_the_file() -> None:
    """Comments, order and the way a number is written do not change it; a setting does."""
    plain = parse_settings(b"", Profile, ProfileInvalid, "p")
    full = parse_settings(settings_text(Profile(), "words").encode(), Profile, ProfileInvalid, "p")
    other = parse_settings(b"[normalise]\ntarget = -18\n", Profile, ProfileInvalid, "p")
    assert plain.sha256 == full.sha256 == other.sha256
    assert len(plain.sha256) == 64
    assert parse_settings(b"[wav]\nbits = 16", Profile, ProfileInvalid, "p").sha256 != plain.sha256


def test_overrides_change_what_they_name_and_nothing_else() -> None:
    """Settings of a title.toml are laid over the profile's, table by table."""
    base = Profile(about="x")
    found = base.overridden({"limit": {"ceiling_dbtp": -3.0}, "channels": "keep"}, "title.toml")
    changed = base.model_dump()
    changed["limit"]["ceiling_dbtp"], changed["channels"] = -3.0, "keep"
    assert found.model_dump() == changed
    assert base == Profile(about="x")
    assert base.overridden({}, "title.toml") == base


def test_wrong_overrides_name_their_own_line() -> None:
    """The fault is the title.toml's, with its line and its key as it stands there."""
    text = '[tags]\ntitle = "x"\n[overrides.limit]\nceiling_dbtp = 3.0\n[overrides.gaet]\nx = 1\n'
    overrides = {"limit": {"ceiling_dbtp": 3.0}, "gaet": {"x": 1}}
    with pytest.raises(TitleInvalid) as caught:
        Profile().overridden(overrides, "title.toml", text)
    assert "title.toml, line 4: overrides.limit.ceiling_dbtp" in caught.value.detail
    assert "line 5: unknown key 'overrides.gaet', did you mean 'gate'?" in caught.value.detail


def test_nothing_changes_a_profile_in_use() -> None:
    """A profile is frozen: what the receipt says was used was used."""
    with pytest.raises(Exception, match="frozen"):
        Profile().channels = "keep"  # type: ignore[misc]


def test_stage_gives_the_settings_of_the_name() -> None:
    """Each name of the chain has its table."""
    profile = Profile()
    assert [profile.stage(name) for name in profile.chain] == [
        getattr(profile, name) for name in profile.chain
    ]
    assert profile.stage("rumble") is profile.rumble
