"""Receipts and reasons: plain JSON, never NaN, rounded, with names kept as they are."""

from __future__ import annotations

import json
import os
from typing import Any

import pytest
from pydantic import ValidationError

from fairtake.errors import CutShort
from fairtake.receipt import (
    After,
    Check,
    Measures,
    Output,
    Outputs,
    ProfileFacts,
    Reason,
    Receipt,
    SpeechProof,
    StageNote,
    TakeFacts,
    Took,
)


def receipt(**changed: Any) -> Receipt:
    """A receipt with everything in it."""
    out = Output(
        file="a.wav", sha256="0" * 64, bytes=1, sample_rate_hz=44100, channels=1, duration_s=1
    )
    return Receipt(
        **{
            "take": TakeFacts(name="a.wav", sha256="0" * 64, bytes=1),
            "profile": ProfileFacts(name="audiobook", sha256="0" * 64, settings={}),
            "before": Measures(loudness_lufs=-23.456789, not_measurable={"head_s": "no speech was found"}),
            "after": After(wav=Measures(), mp3=Measures()),
            "stages": [StageNote(stage="trim", did={"pieces": [1, 2]})],
            "checks": [Check(check="level", file="wav", limit="-19 to -17", value=-18.0, ok=True)],
            "outputs": Outputs(wav=out, mp3=out.model_copy(update={"bitrate_kbps": 192})),
            "advice": ["Closer."],
            "made_by": {"fairtake": "0.1.0"},
            "took_s": Took(listen=0.12345),
            "speech": SpeechProof(lost_share=0.0, longest_lost_ms=0, dulled_edges=0),
            **changed,
        }
    )  # fmt: skip


def test_keys_of_the_design() -> None:
    """The keys that pages and other programs rely on, in their order. Design, section 4."""
    found = json.loads(receipt().to_json())
    assert found["schema"] == "fairtake.receipt/1"
    assert list(found) == ["schema", "take", "profile", "before", "after", "stages", "speech",
                           "checks", "outputs", "advice", "made_by", "took_s"]  # fmt: skip
    assert list(found["before"])[:-2] == [
        "loudness_lufs", "loudness_range_lu", "max_momentary_lufs", "max_short_term_lufs",
        "true_peak_dbtp", "sample_peak_dbfs", "rms_dbfs", "noise_floor_dbfs", "speech_level_dbfs",
        "dc_offset_dbfs", "duration_s", "head_s", "tail_s",
    ]  # fmt: skip
    assert list(found["took_s"]) == ["listen", "plan", "render", "encode", "prove"]


def test_figures_are_rounded_and_absent_ones_null() -> None:
    """Three decimals are more than any meter tells; what cannot be measured is null with a reason."""
    found = json.loads(receipt().to_json())["before"]
    assert found["loudness_lufs"] == -23.457
    assert found["head_s"] is None
    assert found["not_measurable"]["head_s"] == "no speech was found"


def test_round_trip() -> None:
    """A receipt read back is the receipt."""
    assert Receipt.model_validate(json.loads(receipt().to_json())) == receipt()


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), float("-inf")])
def test_never_nan(bad: float) -> None:
    """Neither a figure nor a stage's note can bring NaN or infinity into the JSON. RFC 8259."""
    with pytest.raises(ValidationError):
        Measures(loudness_lufs=bad)
    with pytest.raises(ValueError, match="JSON"):
        receipt(stages=[StageNote(stage="trim", did={"x": bad})]).to_json()


def test_unknown_keys_are_errors() -> None:
    """A misspelt figure would be lost silently."""
    with pytest.raises(ValidationError):
        Measures(loudness=-18.0)  # type: ignore[call-arg]


def test_any_file_name_survives() -> None:
    """A name of bytes that are no text comes out as ASCII, and comes back as the same bytes."""
    name = os.fsdecode(b"caf\xe9 \n\x1b.wav")
    text = receipt(take=TakeFacts(name=name)).to_json()
    assert text.isascii()
    assert os.fsencode(json.loads(text)["take"]["name"]) == b"caf\xe9 \n\x1b.wav"


def test_reason() -> None:
    """A reason carries the error's own code, message and advice."""
    error = CutShort("Half is there.")
    reason = Reason(take=TakeFacts(name="a"), code=error.code, message=error.message,
                    advice=error.advice, made_by={})  # fmt: skip
    found = json.loads(reason.to_json())
    assert list(found) == [
        "schema",
        "take",
        "code",
        "message",
        "advice",
        "stage",
        "attempts",
        "made_by",
    ]
    assert found["schema"] == "fairtake.reason/1"
    assert found["attempts"] == 1
