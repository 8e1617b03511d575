"""The sketch: what the pictures of a take are drawn from. Its curves, thinned to what a page can show.

All times are seconds of the take as it was recorded, so that before and after share one axis. A curve
has one value for each of its steps; what lies inside a step is told by its least, mean and greatest.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from fairtake.receipt import Document

#: No picture shows more steps than this, however long the take is.
MOST_STEPS = 1200
#: So many repairs are marked one by one.
MOST_REPAIRS = 2000

Values = Annotated[list[float], Field(max_length=MOST_STEPS)]


class Curve(Document):
    """A curve in dB."""

    start_s: float
    step_s: float = Field(gt=0)
    low: Values
    mean: Values
    high: Values


class Outline(Document):
    """A file as it looks from afar: peak and RMS in dBFS, loudness in LUFS."""

    start_s: float
    step_s: float = Field(gt=0)
    peak_dbfs: Values
    rms_dbfs: Values
    momentary_lufs: Values
    short_term_lufs: Values


class Sketch(Document):
    """One take. ``gains`` has a curve for each stage that changed the level anywhere; ``before`` is
    None where the original is not at hand. ``layers`` are those of a mix, each as it lies in it."""

    before: Outline | None
    after: Outline
    gains: dict[str, Curve]
    clicks_s: Annotated[list[float], Field(max_length=MOST_REPAIRS)]
    clipped_s: Annotated[list[float], Field(max_length=MOST_REPAIRS)]
    layers: dict[str, Outline] = Field(default_factory=dict)
