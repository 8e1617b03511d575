"""fairtake.serving.housekeeping: whatever is met in clearing out, it goes on another time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from fairtake.errors import FolderGone
from fairtake.folders.retention import Deleted, Skipped
from fairtake.serving import housekeeping
from roots import new_root


@pytest.mark.parametrize("error", [FolderGone("outbox"), OSError(5, "no answer"), RecursionError()])
def test_what_is_met_is_said_and_ends_nothing_else(
    error: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its thread lives as long as the service, and with --once the service ends behind it."""
    said: list[str] = []

    def broken(root: object) -> Iterator[None]:
        raise error
        yield

    monkeypatch.setattr(housekeeping, "clear_out", broken)
    monkeypatch.setattr(housekeeping, "event", lambda kind, why: said.append(why))
    housekeeping.clear_out_now(new_root(tmp_path / "root"))
    assert "cleared out for now" in said[0]


def test_what_is_passed_over_is_said_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """How many, the first by name, and what to do; a thousand lines would hide all others."""
    said: list[tuple[str, ...]] = []
    steps = [Skipped("a.receipt.json", "no right"), Deleted("original", "b.wav", "b.receipt.json"),
             Skipped("c.receipt.json", "no right")]  # fmt: skip
    monkeypatch.setattr(housekeeping, "clear_out", lambda root: iter(steps))
    monkeypatch.setattr(
        housekeeping, "event", lambda *words, **more: said.append((*words, str(more)))
    )
    housekeeping.clear_out_now(new_root(tmp_path / "root"))
    (_, deleted, _), (kind, why) = said
    assert deleted == "b.wav" and kind == "fault"
    assert "2 finished takes" in why and "a.receipt.json: no right" in why
