"""A profile: the chain, its settings, the files to write and what the place of delivery asks for.

A profile names its stages; the settings of each stage stand in the stage's own file, which is why
this module lies below the stages.
"""

from __future__ import annotations

import hashlib
import json
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from fairtake.errors import TitleInvalid
from fairtake.sound.stages.breath import BreathSettings
from fairtake.sound.stages.compress import CompressSettings
from fairtake.sound.stages.deess import DeessSettings
from fairtake.sound.stages.gate import GateSettings
from fairtake.sound.stages.limit import LimitSettings
from fairtake.sound.stages.normalise import NormaliseSettings
from fairtake.sound.stages.phase import PhaseSettings
from fairtake.sound.stages.repair import RepairSettings
from fairtake.sound.stages.ride import RideSettings
from fairtake.sound.stages.rumble import RumbleSettings
from fairtake.sound.stages.tone import ToneSettings
from fairtake.sound.stages.trim import TrimSettings
from fairtake.typed_file import Settings, typed

StageName = Literal[
    "repair", "rumble", "trim", "gate", "breath", "ride", "compress", "deess", "tone", "phase",
    "limit", "normalise",
]  # fmt: skip
NEVER_MISSING = ("limit", "normalise")
#: What they ask for is told in the take's own time, before it is cut.
BEFORE_THE_CUT = ("repair", "rumble")
#: See `MixSettings`.
CLEAR_SPEECH_LU = 20.0
#: It fills what the cut lays in.
AFTER_THE_CUT = "tone"


class MixSettings(Settings):
    """What is asked of a mix. 20 dB is what W3C's technique G56 for WCAG 2 (1.4.7, low or no
    background audio) asks for; 12 is common practice, no source."""

    voice_over_bed_lu: Annotated[float, Field(ge=0, le=60)] | Literal["clear-speech"] = Field(
        12.0,
        description="How far the voice of a mix stands over all that lies under it while somebody "
        'speaks, in LU; "clear-speech" is 20.',
    )

    @property
    def least_lu(self) -> float:
        asked = self.voice_over_bed_lu
        return CLEAR_SPEECH_LU if isinstance(asked, str) else asked


class WavSettings(Settings):
    bits: Literal[16, 24] = Field(24, description="Bits of a sample in the WAV: 16 or 24.")


class Mp3Settings(Settings):
    bitrate_kbps: Literal[64, 96, 128, 160, 192, 224, 256, 320] = Field(
        192, description="Constant bit rate of the MP3, in kb/s."
    )


class DeliverySettings(Settings):
    """What the place of delivery asks for; each line becomes a check in the receipt."""

    level_low: float = Field(
        -19.0, ge=-60, le=0, description="Lowest level accepted, in the target's unit."
    )
    level_high: float = Field(
        -17.0, ge=-60, le=0, description="Highest level accepted, in the target's unit."
    )
    mono_level_low: float | None = Field(
        None, ge=-60, le=0, description="As level_low, for a mono file, where it differs."
    )
    mono_level_high: float | None = Field(
        None, ge=-60, le=0, description="As level_high, for a mono file, where it differs."
    )
    noise_floor_dbfs: float | None = Field(
        None, ge=-120, le=0, description="Loudest room tone accepted, in dBFS RMS."
    )
    head_least_s: float = Field(
        0.2, ge=0, le=10, description="Least room tone before the first word, in seconds."
    )
    head_most_s: float = Field(
        1.5, ge=0, le=20, description="Most room tone before the first word, in seconds."
    )
    tail_least_s: float = Field(
        0.4, ge=0, le=10, description="Least room tone after the last word, in seconds."
    )
    tail_most_s: float = Field(
        3.0, ge=0, le=20, description="Most room tone after the last word, in seconds."
    )
    longest_s: float = Field(
        43200, gt=0, le=172800, description="Longest take accepted, in seconds."
    )

    def level_window(self, channels: int) -> tuple[float, float]:
        """Lowest and highest level accepted of a file with *channels* channels."""
        low, high = self.level_low, self.level_high
        if channels == 1:
            low = self.mono_level_low if self.mono_level_low is not None else low
            high = self.mono_level_high if self.mono_level_high is not None else high
        return low, high

    @model_validator(mode="after")
    def _windows_open(self) -> DeliverySettings:
        for low, high in (("level_low", "level_high"), ("mono_level_low", "mono_level_high"),
                          ("head_least_s", "head_most_s"), ("tail_least_s", "tail_most_s")):  # fmt: skip
            least, most = getattr(self, low), getattr(self, high)
            if least is not None and most is not None and least > most:
                raise ValueError(f"{low} is above {high}")
        return self


class Profile(Settings):
    """Everything that decides how a take is finished."""

    about: str = Field("", max_length=200, description="What this profile is for.")
    chain: tuple[StageName, ...] = Field(
        (
            "repair",
            "rumble",
            "trim",
            "gate",
            "breath",
            "ride",
            "compress",
            "deess",
            "tone",
            "phase",
            "limit",
            "normalise",
        ),
        description="The stages, in order. phase, limit and normalise are solved together, wherever they stand.",
    )
    sample_rate_hz: Literal[44100, 48000] = Field(
        44100, description="Sample rate of the finished files."
    )
    channels: Literal["mono", "keep"] = Field(
        "mono", description="mono: one channel from any take. keep: stereo stays stereo."
    )
    wav: WavSettings = WavSettings()
    mp3: Mp3Settings = Mp3Settings()
    repair: RepairSettings = RepairSettings()
    rumble: RumbleSettings = RumbleSettings()
    trim: TrimSettings = TrimSettings()
    gate: GateSettings = GateSettings()
    breath: BreathSettings = BreathSettings()
    ride: RideSettings = RideSettings()
    compress: CompressSettings = CompressSettings()
    deess: DeessSettings = DeessSettings()
    tone: ToneSettings = ToneSettings()
    phase: PhaseSettings = PhaseSettings()
    limit: LimitSettings = LimitSettings()
    normalise: NormaliseSettings = NormaliseSettings()
    delivery: DeliverySettings = DeliverySettings()
    mix: MixSettings = MixSettings()

    @field_validator("chain")
    @classmethod
    def _chain_makes_sense(cls, chain: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(chain)) < len(chain):
            raise ValueError("a stage stands in the chain twice")
        missing = [name for name in NEVER_MISSING if name not in chain]
        if missing:
            raise ValueError(
                f"{' and '.join(missing)} must be in the chain: level and ceiling are promised by it"
            )
        late = [name for name in BEFORE_THE_CUT if name in chain[_place(chain, "trim") :]]
        if late:
            raise ValueError(f"{' and '.join(late)} must stand before trim, which cuts the take")
        if "trim" in chain and _place(chain, AFTER_THE_CUT) < _place(chain, "trim"):
            raise ValueError(f"{AFTER_THE_CUT} must stand behind trim, which may lay silence")
        return chain

    def stage(self, name: str) -> Settings:
        """The settings of one stage."""
        settings: Settings = getattr(self, name)
        return settings

    @property
    def sha256(self) -> str:
        """What these settings are, whatever the file looked like they came from."""
        text = json.dumps(self.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()

    def overridden(self, overrides: dict[str, Any], name: str, text: str = "") -> Profile:
        """This profile with *overrides* laid over it; they came from the file called *name*.

        Raises `TitleInvalid` with every problem.
        """
        settings = _laid_over(self.model_dump(mode="python"), overrides)
        return typed(settings, Profile, TitleInvalid, name, text, ("overrides",))


def _place(chain: tuple[str, ...], name: str) -> int:
    return chain.index(name) if name in chain else len(chain)


def _laid_over(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    merged = dict(below)
    for key, value in above.items():
        inner = below.get(key)
        both_tables = isinstance(value, dict) and isinstance(inner, dict)
        merged[key] = _laid_over(inner, value) if both_tables else value  # type: ignore[arg-type]
    return merged
