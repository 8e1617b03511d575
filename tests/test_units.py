"""fairtake.units: times as people read them."""

from __future__ import annotations

import pytest

from fairtake.units import clock


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0, "0:00.0"), (7.24, "0:07.2"), (59.94, "0:59.9"), (59.96, "1:00"), (60, "1:00"),
     (3599.4, "59:59"), (3599.6, "1:00:00"), (3750, "1:02:30")],
)  # fmt: skip
def test_a_clock_rounds_before_it_tells_minutes(seconds: float, said: str) -> None:
    """There is no sixtieth second. By algebra."""
    assert clock(seconds) == said
