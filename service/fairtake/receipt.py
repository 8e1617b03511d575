"""The receipt and the reason: what fairtake says about a take, in JSON.

Figures that cannot be measured are null, and ``not_measurable`` says why. Nothing here is ever
NaN or infinite.
"""

from __future__ import annotations

import json
import math
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

RECEIPT_SCHEMA: Literal["fairtake.receipt/1"] = "fairtake.receipt/1"
REASON_SCHEMA: Literal["fairtake.reason/1"] = "fairtake.reason/1"
RECEIPT_SUFFIX = ".receipt.json"
REASON_SUFFIX = ".reason.json"
#: What is made of a take or of a mix, beside one another under one stem. The receipt comes last.
STEM_SUFFIXES: dict[str, str] = {"voice": ".voice.wav", "bed": ".bed.wav"}
OUTPUT_SUFFIXES = (".wav", ".mp3", *STEM_SUFFIXES.values(), RECEIPT_SUFFIX)


def _rounded(value: Any) -> Any:
    return round(value, 3) if isinstance(value, float) and math.isfinite(value) else value


Figure = Annotated[float, BeforeValidator(_rounded)]


class Document(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    def to_json(self) -> str:
        """The document as people and programs read it. Odd file names come out escaped."""
        return json.dumps(self.model_dump(by_alias=True), indent=2, allow_nan=False) + "\n"


class Measures(Document):
    """The figures of one file; README.md says in words what each one is."""

    loudness_lufs: Figure | None = None
    loudness_range_lu: Figure | None = None
    max_momentary_lufs: Figure | None = None
    max_short_term_lufs: Figure | None = None
    true_peak_dbtp: Figure | None = None
    sample_peak_dbfs: Figure | None = None
    rms_dbfs: Figure | None = None
    noise_floor_dbfs: Figure | None = None
    speech_level_dbfs: Figure | None = None
    dc_offset_dbfs: Figure | None = None
    duration_s: Figure | None = None
    head_s: Figure | None = None
    tail_s: Figure | None = None
    not_measurable: dict[str, str] = Field(default_factory=dict)
    doubtful: dict[str, str] = Field(default_factory=dict)


class TakeFacts(Document):
    """What is known of the take itself. ``name`` is the file's own name, verbatim."""

    name: str
    title: str = ""
    sha256: str | None = None
    bytes: int | None = None
    container: str | None = None
    encoding: str | None = None
    sample_rate_hz: int | None = None
    channels: int | None = None
    duration_s: Figure | None = None


class ProfileFacts(Document):
    name: str
    sha256: str
    settings: dict[str, Any]


class StageNote(Document):
    stage: str
    did: dict[str, Any]


class Check(Document):
    """One promise of the profile, held against one file."""

    check: str
    file: Literal["wav", "mp3"]
    limit: str
    value: Figure | None
    ok: bool


class Output(Document):
    file: str
    sha256: str
    bytes: int
    sample_rate_hz: int
    channels: int
    duration_s: Figure
    bitrate_kbps: int | None = None
    tags: dict[str, str] | None = None
    cover_sha256: str | None = None


class After(Document):
    wav: Measures
    mp3: Measures


class Outputs(Document):
    wav: Output
    mp3: Output


class Took(Document):
    listen: Figure = 0.0
    plan: Figure = 0.0
    render: Figure = 0.0
    encode: Figure = 0.0
    prove: Figure = 0.0


class SparedPlace(Document):
    """A place of the finished take in which what lowers pauses, or loud sound, did nothing, because it
    would have harmed speech there."""

    from_s: Figure
    to_s: Figure
    by: Literal["pauses", "peaks"]


class SpeechProof(Document):
    """What became of the speech: share of it turned down against its neighbours, and so on."""

    lost_share: Figure
    longest_lost_ms: int
    dulled_edges: int
    spared: list[SparedPlace] = Field(default_factory=list)
    planned_again: int | None = Field(None, description="In receipts from before spared was told.")


class VoiceFacts(Document):
    """A voice of a mix, finished by itself before it was laid. Times are those of the mix."""

    file: str
    sha256: str
    begins_s: Figure
    duration_s: Figure
    gain_db: Figure
    before: Measures
    after: Measures
    stages: list[StageNote]


class CueFacts(Document):
    """What lies under or beside the voices. Times are those of the mix.

    ``level`` is what was asked for, in ``unit``, against the voice. ``loudness_lufs`` is that of the
    part as it is laid, before its gain.
    """

    kind: Literal["bed", "spot"]
    file: str
    sha256: str
    begins_s: Figure
    ends_s: Figure
    ends_early_s: Figure
    loop: bool
    level: Figure
    unit: Literal["LU", "dB"]
    loudness_lufs: Figure
    gain_db: Figure
    fade_in_s: Figure
    fade_out_s: Figure
    duck_db: Figure
    ducked_s: Figure


class MixFacts(Document):
    """What a mix was made of. ``least_voice_over_bed_lu`` is the least over 3 s of it."""

    voices: list[VoiceFacts]
    cues: list[CueFacts]
    voice_over_bed_lu: Figure | None
    least_voice_over_bed_lu: Figure | None
    unnamed_files: list[str]
    stems: dict[Literal["voice", "bed"], Output] = Field(default_factory=dict)


class Receipt(Document):
    schema_: Literal["fairtake.receipt/1"] = Field(RECEIPT_SCHEMA, alias="schema")
    take: TakeFacts
    profile: ProfileFacts
    before: Measures
    after: After
    stages: list[StageNote]
    speech: SpeechProof
    checks: list[Check]
    outputs: Outputs
    advice: list[str]
    made_by: dict[str, str]
    took_s: Took
    mix: MixFacts | None = None

    @property
    def files(self) -> dict[str, Output]:
        """Every finished file, by what stands behind the stem in its name."""
        stems = self.mix.stems if self.mix else {}
        named = {STEM_SUFFIXES[kind]: output for kind, output in stems.items()}
        return {".wav": self.outputs.wav, ".mp3": self.outputs.mp3, **named}

    def to_json(self) -> str:
        """As of any document; what is said of mixes alone stands in those of mixes alone."""
        left_out: dict[str, Any] = {"speech": {"planned_again"}} | ({"mix": True} if self.mix is None else {})  # fmt: skip
        dumped = self.model_dump(by_alias=True, exclude=left_out)
        return json.dumps(dumped, indent=2, allow_nan=False) + "\n"


class Reason(Document):
    schema_: Literal["fairtake.reason/1"] = Field(REASON_SCHEMA, alias="schema")
    take: TakeFacts
    code: str
    message: str
    advice: str
    stage: str | None = None
    attempts: int = 1
    made_by: dict[str, str]


def why_short(receipt: Receipt) -> str:
    """Why the level that was asked for was not reached; empty where it was."""
    did = next((note.did for note in receipt.stages if note.stage == "normalise"), {})
    return str(did.get("why_short", ""))
