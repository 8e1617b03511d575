"""fairtake.toml: the settings of the service itself."""

from __future__ import annotations

from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator

from fairtake.hours import parse_hours
from fairtake.typed_file import Settings


class NotifySettings(Settings):
    command: list[str] = Field(
        [],
        description="A program and its arguments, run without a shell when a batch of takes ended or one was quarantined; it reads a JSON notice. Empty: none.",
    )
    url: str = Field(
        "", description="An http or https address that gets the same notice by POST; empty: none."
    )
    timeout_s: float = Field(
        30, ge=1, le=600,
        description="What takes longer than so many seconds to be told is given up.",
    )  # fmt: skip
    quiet_s: float = Field(
        60, ge=1, le=86400,
        description="A batch has ended when nothing was in work for so many seconds.",
    )  # fmt: skip

    @field_validator("command")
    @classmethod
    def _names_a_program(cls, command: list[str]) -> list[str]:
        if command and not command[0]:
            raise ValueError("its first word must be the program")
        if any("\0" in word for word in command):
            raise ValueError("no word may hold a NUL")
        return command

    @field_validator("url")
    @classmethod
    def _is_an_address(cls, url: str) -> str:
        try:
            parts = urlsplit(url)
            usable = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
            usable = usable and parts.username is None
        except ValueError:
            usable = False
        if url and not (usable and url.isascii() and url.isprintable() and " " not in url):
            raise ValueError(
                "it must be a whole address, http:// or https://, without a name before an @"
            )
        return url


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
    unseen_s: float = Field(
        60,
        ge=0.2,
        le=86400,
        description="As settle_s, for takes of another account, of which the system does not tell whether somebody still writes them.",
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
    work_hours: str = Field(
        "",
        description="Takes are begun only in these hours of the day, as in 22:00-06:00, several with commas between; empty: always.",
    )
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
    metrics: str = Field(
        "",
        description="A file for the text-file collector of a monitoring agent, written every 15 seconds; empty: none.",
    )
    notify: NotifySettings = NotifySettings()

    @field_validator("work_hours")
    @classmethod
    def _are_hours(cls, text: str) -> str:
        parse_hours(text)
        return text

    @field_validator("metrics")
    @classmethod
    def _is_for_a_collector(cls, path: str) -> str:
        if path and not path.endswith(".prom"):
            raise ValueError("the file's name must end with .prom: collectors read no other")
        return path
