"""Figures for a monitoring agent: a file in the text format that their text-file collectors read.

https://prometheus.io/docs/instrumenting/exposition_formats/, version 0.0.4. Written on a thread of its
own, since folders are asked for their free space, and a share may not answer. Counters go on from
where the file left them, so they outlive the service; without the file they begin anew. No name of a
take or a title ever stands in it.
"""

from __future__ import annotations

import contextlib
import os
import queue
import re
import shutil
import threading
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from fairtake.folders import Root
from fairtake.receipt import RECEIPT_SUFFIX, Took
from fairtake.serving.inventory import read_json
from fairtake.serving.job import Outcome
from fairtake.serving.log import event
from fairtake.versions import fairtake_version

EVERY_S = 15.0
#: A folder that does not tell its free space in so long is left out.
PATIENCE_S = 2.0
VERBS = tuple(Took.model_fields)
#: Pairs of an outcome and a reason's code; these stand there from the start.
_ENDINGS = (("finished", ""), ("duplicate", ""))
_COUNTED = re.compile(
    r'fairtake_(?:takes_total\{outcome="([a-z]+)",code="([a-z-]*)"\}|seconds_total\{verb="([a-z]+)"\})'
    r" (\d+(?:\.\d+)?(?:e[+-]?\d+)?)"
)


@dataclass(frozen=True)
class _Told:
    """How the service is, as its loop last said."""

    at: float
    in_work: int = 0
    waiting: int = 0
    oldest_s: float = 0.0
    in_trouble: bool = False


class Metrics:
    """A ROOT's metrics. ``trouble`` says why the file is not written, '' when it is."""

    def __init__(self, root: Root) -> None:
        self.trouble = ""
        self._root = root
        self._path = root.path / root.settings.metrics if root.settings.metrics else None
        self._began = time.time()
        self._told = _Told(self._began)
        self._since: dict[str, float] = {}
        self._news: queue.SimpleQueue[Outcome | None] = queue.SimpleQueue()
        self._takes: Counter[tuple[str, str]] = Counter(dict.fromkeys(_ENDINGS, 0))
        self._seconds = dict.fromkeys(VERBS, 0.0)
        self._free = Free(root)
        self._thread = threading.Thread(target=self._keep, name="metrics", daemon=True)

    def start(self) -> None:
        if self._path:
            self._thread.start()

    def end(self, patience_s: float = 5.0) -> None:
        """Write the last figures, and end; a folder that hangs is left to itself."""
        if self._thread.is_alive():
            self._news.put(None)
            self._thread.join(patience_s)

    # --- told by the service's loop ------------------------------------------------------------------

    def ended(self, outcome: Outcome) -> None:
        """The work on a take ended."""
        if self._path and outcome.ending in ("finished", "duplicate", "quarantined"):
            self._news.put(outcome)

    def told(self, in_work: int, waiting: Iterable[str], in_trouble: bool) -> None:
        """How the service is; said every few seconds."""
        if not self._path:
            return
        now = time.monotonic()
        self._since = {path: self._since.get(path, now) for path in waiting}
        oldest_s = now - min(self._since.values(), default=now)
        self._told = _Told(time.time(), in_work, len(self._since), oldest_s, in_trouble)

    # --- on the thread of the metrics ----------------------------------------------------------------

    def _keep(self) -> None:
        assert self._path
        with contextlib.suppress(OSError, ValueError):
            self._go_on_from(self._path.read_text("ascii"))
        going_on = True
        while going_on:
            try:
                _write(self._path, self._text())
                self._say("")
            except OSError as e:
                self._say(f"The metrics cannot be written: {e.strerror or e}: {self._path}.")
            except Exception as e:  # whatever it is, it must not end the metrics for good
                self._say(f"The metrics met a bug: {type(e).__name__}: {e}.")
            going_on = self._count_until(time.monotonic() + EVERY_S)
        with contextlib.suppress(OSError):
            _write(self._path, self._text())

    def _count_until(self, end: float) -> bool:
        """Count what ends until then; False when the service does."""
        while (left_s := end - time.monotonic()) > 0:
            try:
                outcome = self._news.get(timeout=left_s)
            except queue.Empty:
                return True
            if outcome is None:
                return False
            self._count(outcome)
        return True

    def _count(self, outcome: Outcome) -> None:
        self._takes[outcome.ending, outcome.code] += 1
        if outcome.ending == "finished":
            with contextlib.suppress(LookupError, TypeError, ValueError):
                receipt = read_json(self._root.outbox / f"{outcome.place}{RECEIPT_SUFFIX}")
                for verb, seconds in Took.model_validate(receipt["took_s"]):
                    self._seconds[verb] += seconds

    def _go_on_from(self, text: str) -> None:
        for line in text.splitlines():
            if found := _COUNTED.fullmatch(line):
                outcome, code, verb, value = found.groups()
                if verb in self._seconds:
                    self._seconds[verb] += float(value)
                elif outcome:
                    self._takes[outcome, code] += int(float(value))

    def _text(self) -> str:
        told = self._told
        takes = [({"outcome": o, "code": c}, n) for (o, c), n in sorted(self._takes.items())]
        seconds = [({"verb": verb}, round(self._seconds[verb], 3)) for verb in VERBS]
        free = [({"folder": name}, free) for name, free in self._free.bytes().items()]
        return "".join(
            [
                *_family("info", "gauge", "The program's version.", [({"version": fairtake_version()}, 1)]),
                *_family("takes_total", "counter", "Takes by how they ended and, in quarantine, by their reason's code.", takes),
                *_family("seconds_total", "counter", "Seconds of work on finished takes.", seconds),
                *_family("in_work_takes", "gauge", "Takes in work.", [({}, told.in_work)]),
                *_family("waiting_takes", "gauge", "Takes that nobody works on yet.", [({}, told.waiting)]),
                *_family("oldest_waiting_seconds", "gauge", "How long this service has seen the oldest of them wait.", [({}, round(told.oldest_s, 1))]),
                *_family("free_bytes", "gauge", "Free space for each folder; missing where it does not answer.", free),
                *_family("in_trouble", "gauge", "1 while something is in the way of takes.", [({}, int(told.in_trouble))]),
                *_family("start_timestamp_seconds", "gauge", "When the service began.", [({}, round(self._began, 3))]),
                *_family("heartbeat_timestamp_seconds", "gauge", "When the service's loop was last alive.", [({}, round(told.at, 3))]),
            ]
        )  # fmt: skip

    def _say(self, trouble: str) -> None:
        if trouble and trouble != self.trouble:
            event("fault", why=trouble)
        elif self.trouble and not trouble:
            event("resumed", why="the metrics are written again")
        self.trouble = trouble


class Free:
    """The free space of a ROOT's folders. Each is asked on its own, and not again while it is silent."""

    def __init__(self, root: Root) -> None:
        self._places = {
            "inbox": root.inbox, "outbox": root.outbox, "originals": root.originals,
            "quarantine": root.quarantine, "state": root.state,
        }  # fmt: skip
        self._asking: dict[str, threading.Thread] = {}
        self._answers: dict[str, int] = {}

    def bytes(self) -> dict[str, int]:
        """Of every folder that answers soon."""
        for name, folder in self._places.items():
            if name not in self._asking or not self._asking[name].is_alive():
                self._answers.pop(name, None)
                asking = threading.Thread(target=self._ask, args=(name, folder), daemon=True)
                self._asking[name] = asking
                asking.start()
        end = time.monotonic() + PATIENCE_S
        for asking in self._asking.values():
            asking.join(max(end - time.monotonic(), 0.0))
        return {
            name: free for name in self._places if (free := self._answers.get(name)) is not None
        }

    def _ask(self, name: str, folder: Path) -> None:
        with contextlib.suppress(OSError):
            self._answers[name] = shutil.disk_usage(folder).free


Samples = Iterable[tuple[Mapping[str, str], float]]


def _family(name: str, kind: str, help_: str, samples: Samples) -> list[str]:
    """One metric with all its samples, a line each."""
    full = f"fairtake_{name}"
    lines = [f"# HELP {full} {help_}\n", f"# TYPE {full} {kind}\n"]
    return [*lines, *(f"{full}{_labels(labels)} {value}\n" for labels, value in samples)]


def _labels(labels: Mapping[str, str]) -> str:
    said = ",".join(f'{key}="{_escaped(value)}"' for key, value in labels.items())
    return f"{{{said}}}" if said else ""


def _escaped(value: str) -> str:
    return value.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")


def _write(path: Path, text: str) -> None:
    """In one step, for everybody to read: the agent is somebody else."""
    fresh = path.with_name(f".{path.name}.part")
    fresh.write_text(text, "utf-8")
    fresh.chmod(0o644)
    os.replace(fresh, path)
