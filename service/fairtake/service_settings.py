"""fairtake.toml: the settings of the service itself."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from fairtake.typed_file import Settings


class ServiceSettings(Settings):
    default_profile: str = Field(
        "audiobook",
        description="Profile of takes that neither their folder nor a title.toml gives one.",
    )
    workers: int = Field(
        0,
        ge=0,
        le=64,
        description="Takes in work at the same time; 0 is one for each processor core.",
    )
    settle_s: float = Field(
        10,
        ge=0.2,
        le=3600,
        description="A take is begun when it has not changed for so many seconds.",
    )
    scan_s: float = Field(
        5,
        ge=0.5,
        le=3600,
        description="The inbox is looked through every so many seconds, events or not.",
    )
    incomplete_grace_s: float = Field(
        120, ge=1, le=86400,
        description="A file that is not whole and no longer grows is quarantined after so many seconds.",
    )  # fmt: skip
    watch: Literal["auto", "native", "polling"] = Field(
        "auto",
        description="How changes wake the service: native events, polling, or auto, found out by trying.",
    )
    hang_s: float = Field(
        600,
        ge=10,
        le=86400,
        description="A worker that shows no progress for so many seconds is ended.",
    )
    most_attempts: int = Field(
        2, ge=1, le=10, description="A take whose worker dies so many times is quarantined."
    )
    retry_s: float = Field(
        5,
        ge=0.1,
        le=3600,
        description="First wait after a fault of disk, share or machine, in seconds; it doubles.",
    )
    retry_most_s: float = Field(300, ge=1, le=86400, description="Longest such wait, in seconds.")
    outbox: str = Field("", description="Another place for finished takes; empty: ROOT/outbox.")
    originals: str = Field(
        "", description="Another place for the raw takes after success; empty: ROOT/originals."
    )
    quarantine: str = Field(
        "", description="Another place for what failed; empty: ROOT/quarantine."
    )
    state: str = Field(
        "",
        description="Another place, on a local disk, for scratch, heartbeat and ledger; empty: ROOT/.fairtake.",
    )
    keep_originals_days: int = Field(
        0, ge=0, le=36500,
        description="Raw takes are deleted so many days after they were finished, once their finished files were verified; 0: never.",
    )  # fmt: skip
    keep_finished_days: int = Field(
        0, ge=0, le=36500,
        description="Finished WAV and MP3 are deleted after so many days, the receipt stays; 0: never.",
    )  # fmt: skip
    log: Literal["plain", "json"] = Field(
        "plain", description="Form of the log lines: plain or json."
    )
