"""The index of a ROOT: what was finished, what waits, what is in work, what failed, title by title."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from fairtake.pages import link, page, sheet_name, shown
from fairtake.pages.finished import FinishedTake, alike
from fairtake.pages.words import figure
from fairtake.units import clock

#: So many of the takes finished last, and of each other kind, are listed; a title's page has all of it.
MOST_TAKES = 400
#: A night ends at noon: what is finished before belongs to the day before.
NIGHT_ENDS_S = 12 * 3600
#: Without a new page for so long, the service is taken not to live.
DEAD_AFTER_S = 180


@dataclass(frozen=True)
class Overview:
    """What the index tells. *waiting* are takes and what they wait for; *in_work* are takes, verbs and
    shares; *quarantined* takes with the reason's words. Times are seconds of the epoch."""

    at: float
    finished: Sequence[FinishedTake] = ()
    waiting: Sequence[tuple[str, str]] = ()
    in_work: Sequence[tuple[str, str, float]] = ()
    quarantined: Sequence[tuple[str, dict[str, Any]]] = ()
    trouble: str = ""
    ended: bool = False
    quarantine_link: str = ""
    title_pages: frozenset[str] = field(default_factory=frozenset)


def index_page(told: Overview) -> str:
    """The page at the top of the outbox."""
    latest = sorted(told.finished, key=lambda take: -take.at)
    return page(
        "index.html",
        "index.js",
        at=round(told.at),
        written=_moment(told.at),
        dead_after=DEAD_AFTER_S,
        ended=told.ended,
        trouble=shown(told.trouble),
        headline=headline(told),
        good=not told.quarantined and not told.trouble and all(take.ok for take in latest),
        in_work=[
            {"name": shown(path), "verb": verb, "percent": round(100 * share)}
            for path, verb, share in told.in_work
        ],
        rows=[
            *(_waiting(path, why) for path, why in told.waiting[:MOST_TAKES]),
            *(_quarantined(path, known, told) for path, known in told.quarantined[:MOST_TAKES]),
            *(_finished(take) for take in latest[:MOST_TAKES]),
        ],
        left_out=max(len(latest) - MOST_TAKES, 0)
        + max(len(told.waiting) - MOST_TAKES, 0)
        + max(len(told.quarantined) - MOST_TAKES, 0),
        titles=_titles(told),
    )


def headline(told: Overview) -> str:
    """The one sentence about the whole."""
    failed, missed = len(told.quarantined), sum(not take.ok for take in told.finished)
    parts = []
    if failed:
        parts.append(f"{failed} in quarantine")
    if missed:
        parts.append(f"{missed} finished {'take misses' if missed == 1 else 'takes miss'} a check")
    busy = len(told.in_work) + len(told.waiting)
    ready = len(told.finished) - missed
    if ready:
        parts.append(f"{ready} {'take is' if ready == 1 else 'takes are'} ready")
    if busy:
        parts.append(f"{busy} still to come")
    return f"{'; '.join(parts)}." if parts else "Nothing here yet. Drop takes into the inbox."


def _waiting(path: str, why: str) -> dict[str, Any]:
    title, _, name = path.rpartition("/")
    return _row("waiting", name, title, verdict=f"waits: {why}", rank=2)


def _quarantined(path: str, known: dict[str, Any], told: Overview) -> dict[str, Any]:
    take = known.get("take")
    facts = take if isinstance(take, dict) else {}  # anybody may have written the reason
    title, name = str(facts.get("title") or ""), str(facts.get("name") or path.rpartition("/")[2])
    words = [str(known.get(key) or "") for key in ("message", "advice")]
    where = f"{told.quarantine_link}/{path}.reason.json" if told.quarantine_link else ""
    return _row(
        "in quarantine", name, title, verdict=" ".join(word for word in words if word), ok=False,
        href=where, rank=1,
    )  # fmt: skip


def _finished(take: FinishedTake) -> dict[str, Any]:
    return _row(
        "finished", take.name, take.title, verdict=take.verdict, ok=take.ok, rank=3,
        href=_page_of(take) if take.has_sheet else f"{take.place}.mp3",
        at=round(take.at), night=night_of(take.at), when=_moment(take.at),
        length=clock(take.duration_s), length_s=round(take.duration_s),
        level=figure(take.level, take.unit), level_db=take.level,
        floor=figure(take.floor_dbfs, "dBFS"), floor_db=take.floor_dbfs,
    )  # fmt: skip


def _page_of(take: FinishedTake) -> str:
    folder, slash, stem = take.place.rpartition("/")
    return f"{folder}{slash}{sheet_name(stem)}"


def _row(state: str, name: str, title: str, **more: Any) -> dict[str, Any]:
    empty = {
        "href": "", "ok": True, "at": 0, "night": "", "when": "", "length": "", "length_s": 0,
        "level": "", "level_db": "", "floor": "", "floor_db": "", "verdict": "",
    }  # fmt: skip
    row = {**empty, **more, "state": state, "name": shown(name), "title": shown(title)}
    row["verdict"] = shown(row["verdict"])
    row["href"] = link(row["href"]) if row["href"] else ""
    return row


def _titles(told: Overview) -> list[dict[str, Any]]:
    by_title: dict[str, list[FinishedTake]] = {}
    for take in told.finished:
        by_title.setdefault(take.title, []).append(take)
    return [
        {
            "name": shown(title) or "outside a title",
            "href": link(f"{title}/index.html") if title in told.title_pages else "",
            "count": len(takes),
            "running": clock(sum(take.duration_s for take in takes)),
            "alike": alike(takes),
            "missed": sum(not take.ok for take in takes),
        }
        for title, takes in sorted(by_title.items(), key=lambda item: item[0].casefold())
    ]


def night_of(at: float) -> str:
    """The night in which a take was finished, by the machine's own clock: the day it began on."""
    return time.strftime("%Y-%m-%d", time.localtime(at - NIGHT_ENDS_S))


def _moment(at: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M", time.localtime(at))
