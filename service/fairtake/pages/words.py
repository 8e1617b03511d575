"""Figures in the words that pages use."""

from __future__ import annotations

from typing import Any

#: What the figures of a file are called, with their units, in the order in which they are told.
FIGURES = (
    ("loudness_lufs", "Loudness", "LUFS"),
    ("loudness_range_lu", "Loudness range", "LU"),
    ("max_momentary_lufs", "Greatest momentary loudness", "LUFS"),
    ("max_short_term_lufs", "Greatest short-term loudness", "LUFS"),
    ("true_peak_dbtp", "True peak", "dBTP"),
    ("sample_peak_dbfs", "Sample peak", "dBFS"),
    ("rms_dbfs", "RMS of the whole file", "dBFS"),
    ("noise_floor_dbfs", "Noise floor", "dBFS"),
    ("speech_level_dbfs", "Speech level", "dBFS"),
    ("dc_offset_dbfs", "DC offset", "dBFS"),
    ("duration_s", "Duration", "s"),
    ("head_s", "Room tone before speech", "s"),
    ("tail_s", "Room tone after speech", "s"),
)
#: What each stage is there for.
STAGES = {
    "repair": "clicks and clipped tops",
    "rumble": "rumble, hum and thumps",
    "trim": "what is cut before and after",
    "gate": "room noise in pauses",
    "breath": "breaths and noises of the mouth",
    "ride": "slow changes of level",
    "compress": "loud syllables",
    "deess": "sharp sibilants",
    "tone": "room tone where a track was muted",
    "duck": "the bed while somebody speaks",
    "limit": "peaks over the ceiling",
    "normalise": "the level asked for",
}
_UNITS = {
    "db": "dB", "dbfs": "dBFS", "dbtp": "dBTP", "lufs": "LUFS", "lu": "LU", "s": "s", "ms": "ms",
    "hz": "Hz",
}  # fmt: skip


def figure(value: float | None, unit: str, digits: int = 1) -> str:
    """A figure with its unit and a real minus sign; a dash where there is none."""
    if value is None:
        return "–"
    return f"{value:.{digits}f} {unit}".replace("-", "\N{MINUS SIGN}").strip()


def found(value: float | None) -> str:
    """A figure of a check: whole where it is a count or a rate."""
    return figure(value, "", 0 if value is not None and value == round(value) else 2)


def place_in_take(seconds: float) -> str:
    """Whole seconds as a place in a take: ``1:05``, ``1:02:30``."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def said(key: str, value: Any) -> str:
    """One entry of a stage's note as a few words: ``greatest_db`` 3.2 is 'greatest 3.2 dB'."""
    words, _, unit = key.rpartition("_")
    if unit == "share" and isinstance(value, float):
        return f"{words.replace('_', ' ')} {value:.1%}"
    if unit in _UNITS:
        if value is None:
            return f"{words.replace('_', ' ')} unknown"
        if isinstance(value, int | float):
            return f"{words.replace('_', ' ')} {figure(value, _UNITS[unit], 2)}"
    if isinstance(value, bool):
        value = "yes" if value else "no"
    if isinstance(value, list):
        key = words if unit in _UNITS else key
        value = ", ".join(_told(v, _UNITS.get(unit, "")) for v in value) or "none"
    if isinstance(value, dict):
        value = ", ".join(said(k, v) for k, v in value.items())
    return f"{key.replace('_', ' ')} {value}"


def _told(value: Any, unit: str) -> str:
    """One of several things that a note lists."""
    if isinstance(value, dict) and "from_s" in value:
        return f"{value['sound']} from {value['from_s']:.2f} to {value['to_s']:.2f} s"
    return figure(value, unit, 2) if isinstance(value, float) else str(value)
