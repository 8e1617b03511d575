"""fairtake.serving.housekeeping: whatever is met in clearing out, it goes on another time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from fairtake.errors import FolderGone
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
