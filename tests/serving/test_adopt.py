"""fairtake.serving.serve: claims that nobody heard of are taken up."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from fairtake.folders import Claim, Root, begin, claim
from fairtake.serving import serve
from fairtake.serving.part import Taken
from fairtake.serving.serve import Service
from roots import Served, drop, new_root, reason_of, until

#: The program, which looks for such claims, and turns, far more often.
HURRIED = (
    "import sys; from fairtake.serving import serve, standing; from fairtake.cli import main;"
    "standing.EVERY_S, serve.ADOPT_EVERY_S = 0.2, 0.3; main(sys.argv[1:])"
)


class HurriedlyServed(Served):
    def __init__(self, root: Root) -> None:
        super().__init__(root)
        self._command = (sys.executable, "-c", HURRIED, "serve", str(root.path))


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root", settle_s=0.2, workers=1)


@pytest.fixture
def service(root: Root, monkeypatch: pytest.MonkeyPatch) -> Service:
    """A service that does not run, asked for one step of its."""
    monkeypatch.setattr(serve, "ADOPT_EVERY_S", 0.0)
    return Service(root)


def behind_its_back(root: Root, name: str = "a.wav") -> Claim:
    drop(root, name, b"no sound")
    claimed = claim(root, name)
    assert claimed is not None
    return claimed


def pending(service: Service) -> list[str]:
    return [claimed.job for claimed in service._pending]


def test_a_claim_nobody_heard_of_is_worked_on(root: Root) -> None:
    """A running service brings it to its end, once, as it does with any other take."""
    with HurriedlyServed(root) as served:
        until(lambda: "watching" in served.log)
        behind_its_back(root)
        until(lambda: reason_of(root, "a.wav"))
        until(lambda: "  quarantined" in served.log)
    assert (root.quarantine / "a.wav").read_bytes() == b"no sound"
    assert served.log.count("  began") == 1 and not any(root.claims.iterdir())


def test_it_has_to_be_seen_twice(root: Root, service: Service) -> None:
    """One look may fall between a claim and the news of it; then it is taken up once."""
    claimed = behind_its_back(root)
    service._adopt()
    assert pending(service) == []
    service._adopt()
    assert pending(service) == [claimed.job]
    service._adopt()
    service._adopt()
    assert pending(service) == [claimed.job]


def test_it_is_looked_for_now_and_then(
    root: Root, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not at every turn of the loop: the folder may lie on a share."""
    monkeypatch.setattr(serve, "ADOPT_EVERY_S", 60.0)
    behind_its_back(root)
    for _ in range(3):
        service._adopt()
    assert pending(service) == []


def test_what_is_known_is_not_taken_up_again(root: Root, service: Service) -> None:
    """A take that waits, that lies on the shelf, that is in work."""
    waits, shelved = behind_its_back(root, "a.wav"), behind_its_back(root, "b.wav")
    service._pending.append(waits)
    service._shelf.put(shelved, "It is full.")
    working = behind_its_back(root, "c.wav")
    begin(working)
    service._workers.hand(working, serve.Task(root.path, working.folder, False))
    try:
        for _ in range(3):
            service._adopt()
        assert pending(service) == [waits.job]
    finally:
        service._workers.end_all()


def test_a_claim_without_its_take_is_left(root: Root, service: Service) -> None:
    """It is being made or taken down this moment; the next start tidies up."""
    claimed = behind_its_back(root)
    os.rename(claimed.take, root.inbox / "a.wav")
    for _ in range(3):
        service._adopt()
    assert pending(service) == []


def test_it_keeps_what_it_was_when_it_was_claimed(root: Root, service: Service) -> None:
    """Attempts that were begun count on."""
    claimed = behind_its_back(root)
    begin(claimed)
    service._adopt()
    service._adopt()
    assert [(c.path, c.attempts) for c in service._pending] == [("a.wav", 1)]


def test_late_news_of_a_claim_taken_up_meanwhile(
    root: Root, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The drive answered after all: the take is in hand already, and is not handed out twice."""
    claimed = behind_its_back(root)
    service._adopt()
    service._adopt()
    monkeypatch.setattr(service._intake, "news", lambda: iter([Taken(claimed, False)]))
    service._take_in()
    assert pending(service) == [claimed.job]
