"""What a profile promises, held against the files that were written."""

from __future__ import annotations

from fairtake.profile import Profile
from fairtake.receipt import Check, Measures, Output

#: A level that was asked for is reached within this, in dB, whatever wider window is accepted beside it.
REACHED_WITHIN_DB = 0.2


def checks(profile: Profile, kind: str, found: Measures, output: Output) -> list[Check]:
    """Every promise of *profile* against one written file; *kind* is wav or mp3."""
    asked = profile.delivery
    low, high = asked.level_window(output.channels)
    by_loudness = profile.normalise.by == "loudness"
    level = found.loudness_lufs if by_loudness else found.rms_dbfs
    target = profile.normalise.target_for(output.channels)
    window = [
        (
            "target",
            target - REACHED_WITHIN_DB,
            target + REACHED_WITHIN_DB,
            level,
            profile.normalise.unit,
        ),
        ("level", low, high, level, profile.normalise.unit),
        ("true peak", None, profile.limit.ceiling_dbtp, found.true_peak_dbtp, "dBTP"),
        ("head", asked.head_least_s, asked.head_most_s, found.head_s, "s"),
        ("tail", asked.tail_least_s, asked.tail_most_s, found.tail_s, "s"),
        ("length", None, asked.longest_s, output.duration_s, "s"),
        (
            "sample rate",
            profile.sample_rate_hz,
            profile.sample_rate_hz,
            output.sample_rate_hz,
            "Hz",
        ),
    ]
    if asked.noise_floor_dbfs is not None:
        # Without any room tone nothing can be too loud in it.
        floor = found.noise_floor_dbfs
        window.append(("noise floor", None, asked.noise_floor_dbfs, floor, "dBFS RMS"))
    if profile.channels == "mono":
        window.append(("channels", 1, 1, output.channels, "channel"))
    if kind == "mp3":
        rate = profile.mp3.bitrate_kbps
        window.append(("bit rate", rate, rate, output.bitrate_kbps, "kb/s"))
    return [_check(kind, *row) for row in window]


def _check(
    kind: str, name: str, low: float | None, high: float, value: float | None, unit: str
) -> Check:
    absent_is_fine = name == "noise floor"
    # A level is held to the tenth of a dB in which levels are asked for.
    held = round(value, 1) if value is not None and name == "level" else value
    ok = absent_is_fine if held is None else (low is None or held >= low) and held <= high
    if low is None:
        limit = f"at most {high:g} {unit}"
    elif low == high:
        limit = f"{high:g} {unit}"
    elif name == "target":
        limit = f"{(low + high) / 2:g} {unit}, within {REACHED_WITHIN_DB:g} dB"
    else:
        limit = f"{low:g} to {high:g} {unit}"
    return Check.model_validate(
        {
            "check": name,
            "file": kind,
            "limit": limit,
            "value": value if value is None else float(value),
            "ok": ok,
        }
    )
