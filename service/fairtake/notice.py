"""The notice: what the owner is told, in JSON, when a batch has ended or a take was quarantined."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from fairtake.receipt import Document

NOTICE_SCHEMA: Literal["fairtake.notice/1"] = "fairtake.notice/1"

Event = Literal["batch-ended", "quarantined"]


class FinishedNote(Document):
    """A finished take; its receipt's path tells where its files are. ``document`` is the receipt itself,
    for the first takes of a batch."""

    take: str
    receipt: str
    missed_checks: list[str]
    document: dict[str, Any] | None = None


class QuarantinedNote(Document):
    """A quarantined take, its reason's path and what stands in it; ``document`` is the reason itself, for
    the first takes of a batch."""

    take: str
    reason: str
    code: str
    message: str
    advice: str
    document: dict[str, Any] | None = None


class Counts(Document):
    """How many takes of the batch ended how, and how many nobody works on yet.

    ``missed_checks`` counts those of the finished that miss a check.
    """

    finished: int = 0
    missed_checks: int = 0
    quarantined: int = 0
    duplicates: int = 0
    waiting: int = 0


class Notice(Document):
    """Both events have this one shape; lists are cut, counts are not."""

    schema_: Literal["fairtake.notice/1"] = Field(NOTICE_SCHEMA, alias="schema")
    event: Event
    at: str
    root: str
    counts: Counts
    finished: list[FinishedNote]
    quarantined: list[QuarantinedNote]
    made_by: dict[str, str]
