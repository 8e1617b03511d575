"""Kills before, and failures of, single system calls that touch a ROOT.

A scene is run once under the tracer to learn its steps: every call of the service and of its worker
that names a file below the ROOT. Then it is set up anew for every fault, hurt at exactly one step,
looked at as it lies, run again without a fault, and looked at once more.
"""

from __future__ import annotations

import itertools
import os
import random
import re
import shutil
import signal
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path

from books import Books, Wrong
from live import tidy
from scenes import SCENES, bench_folder, clear
from warm import Ended, Hurt, load_all, run_warm

ERRORS = ("ENOSPC", "EIO", "ESTALE", "EACCES", "EXDEV", "EMFILE")
#: Steps of a finishing at which all dies at once, to be hurt again while the next start recovers.
RECOVERIES = 20
#: What makes two steps different, as the table says it.
TOLD_APART = "scene, first death if any, process, call, its number in that process, error"


@dataclass(frozen=True)
class Fault:
    """A fault in a scene. ``after`` is a first death, after which the scene is hurt once more."""

    scene: str
    hurt: Hurt
    after: Hurt | None = None

    def __str__(self) -> str:
        return f"{self.scene}: {f'{self.after}, then ' if self.after else ''}{self.hurt}"


@dataclass
class Found:
    """What a fault came to."""

    fault: str
    hit: bool = False
    step: str = ""
    faults: int = 1
    checked: int = 0
    wrong: list[Wrong] = field(default_factory=list)
    log: str = ""


class Bench:
    """One bench process: a folder in memory and the scenes it has learned."""

    def __init__(self, folder: Path) -> None:
        load_all()
        self.folder = folder / str(os.getpid())
        self.folder.mkdir()
        self.kept: dict[tuple[str, Hurt], Books] = {}
        self._take_all_in()

    def _take_all_in(self) -> None:
        """Do one take in this very process, so that nothing is left to load."""
        from fairtake.folders import begin, claim, open_root
        from fairtake.serving import making
        from fairtake.serving.job import work

        confined, making.can_confine = making.can_confine, lambda: False
        making.get_warm()
        books = SCENES["finish"](self.folder / "first")
        root = open_root(books.root)
        claimed = claim(root, "a.wav")
        assert claimed is not None
        begin(claimed)
        work(root, claimed, True, lambda *_: None)
        making.can_confine = confined
        clear(books)

    def run(self, books: Books, **how: object) -> Ended:
        return run_warm(["serve", str(books.root), "--once"], self.folder / "run", **how)  # type: ignore[arg-type]

    def steps(self, scene: str, after: Hurt | None = None) -> list[Hurt]:
        """Every step of the service and of its worker in *scene*."""
        found = []
        for who in ("service", "worker", "maker"):
            books = self.set_up(scene, after)
            trace = self.run(books, trace=who).trace
            places = [books.root, *books.elsewhere.values()]
            found += [Hurt(who, call, n) for call, n in steps_in(trace, places)]
            clear(books)
        return found

    def set_up(self, scene: str, after: Hurt | None) -> Books:
        root = self.folder / "root"
        if after is None:
            return SCENES[scene](root)
        kept = self.kept.get((scene, after))
        if kept is None:
            books = SCENES[scene](self.folder / f"kept {len(self.kept)}")
            self.run(books, hurt=after, all_at_once=True)
            kept = self.kept[scene, after] = books
        shutil.copytree(kept.root, root)
        return replace(kept, root=root)

    def hurt(self, fault: Fault) -> Found:
        books = self.set_up(fault.scene, fault.after)
        found = Found(str(fault), step=str(fault))
        ended = self.run(books, hurt=fault.hurt)
        found.hit = ended.was_hurt
        found.wrong += books.wrong_now() + wrong_with(ended)
        found.log = ended.log
        if books.wrong_at_the_end() or ended.status not in (0, 1):
            last = self.run(books)
            found.log += "--- again\n" + last.log
            found.wrong += wrong_with(last)
            found.wrong += [w for w in books.wrong_at_the_end() if not _is_meant(w, fault, found)]
        found.checked = books.checked + 2
        clear(books)
        return found


def _is_meant(wrong: Wrong, fault: Fault, found: Found) -> bool:
    """A take that may not be read is quarantined as such, for whoever gives the right again."""
    refused = "EACCES" in fault.hurt.how and "code: unreadable" in found.log
    return refused and wrong.kind == "unfinished"


def steps_in(trace: str, places: Iterable[Path]) -> list[tuple[str, int]]:
    """Name and number of every call in *trace* that names something below *places*."""
    numbers: Counter[str] = Counter()
    found = []
    for line in trace.splitlines():
        if call := re.match(r"(\w+)\(", line):
            numbers[call[1]] += 1
            # A folder that was opened below the ROOT is gone into by its descriptor.
            if "/proc/self/fd/" in line or any(str(place) in line for place in places):
                found.append((call[1], numbers[call[1]]))
    return found


def wrong_with(ended: Ended) -> list[Wrong]:
    """Processes that outlived the service, a service that hung, and one that broke down."""
    wrong = [Wrong("left over", f"process {pid}") for pid in ended.left_over]
    if ended.status is None:
        wrong.append(Wrong("unfinished", "the service hung"))
    if ended.status == 70:
        wrong.append(Wrong("broke down", ended.log[-1500:]))
    return wrong


# --- many of them, in some processes ------------------------------------------------------------

#: Faults that are handed out at once.
IN_WAITING = 2 * (os.cpu_count() or 1)
_bench: Bench | None = None


def _start(folder: Path) -> None:
    global _bench
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # whoever ends the bench ends its processes
    _bench = Bench(folder)


def _learn(scene: str, after: Hurt | None) -> tuple[str, Hurt | None, list[Hurt]]:
    assert _bench is not None
    return scene, after, _bench.steps(scene, after)


def _do(way: Callable[[Bench, Fault], Found], fault: Fault) -> Found:
    assert _bench is not None
    try:
        return way(_bench, fault)
    except Exception:
        tidy(_bench.folder / "root")
        return Found(str(fault), wrong=[Wrong("bench", traceback.format_exc())])


def _ask(way: Callable[[Bench, Path], Path], path: Path) -> Path:
    assert _bench is not None
    return way(_bench, path)


class Benches:
    """Some bench processes side by side. What they made goes with them."""

    def __init__(self, many: int = 2) -> None:
        self._folder = bench_folder()
        self._pool = ProcessPoolExecutor(many, get_context("spawn"), _start, (self._folder,))

    def __enter__(self) -> Benches:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:  # nobody wants to wait for what is still in work
            for process in (self._pool._processes or {}).values():
                process.kill()
        self._pool.shutdown(cancel_futures=True)
        tidy(self._folder)

    def steps(self, scenes: Iterable[str], after: Iterable[Hurt | None] = (None,)) -> list[Fault]:
        """A kill at every step of every scene, behind each of the first deaths."""
        pairs = list(itertools.product(scenes, after))
        learned = self._pool.map(_learn, *zip(*pairs, strict=True)) if pairs else ()
        return [Fault(scene, hurt, first) for scene, first, hurts in learned for hurt in hurts]

    def ask(self, way: Callable[[Bench, Path], Path], path: Path) -> Path:
        """Have something done in a bench process."""
        return self._pool.submit(_ask, way, path).result()

    def do(
        self,
        faults: Iterable[Fault],
        way: Callable[[Bench, Fault], Found] = Bench.hurt,
        enough: int | None = None,
    ) -> Iterator[Found]:
        """The faults done in the given *way*, in any process that is free, until *enough* came about."""
        left, hits, running = iter(faults), 0, set[Future[Found]]()
        while True:
            if enough is None or hits < enough:
                more = itertools.islice(left, max(IN_WAITING - len(running), 0))
                running |= {self._pool.submit(_do, way, fault) for fault in more}
            if not running:
                return
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for found in (future.result() for future in done):
                hits += found.hit
                yield found


def kills(benches: Benches, draw: random.Random, quick: bool) -> list[Fault]:
    """Kills, each at a step of its own: all single ones, then those while a start recovers."""
    single = benches.steps(SCENES)
    draw.shuffle(single)
    if quick:
        return single
    deaths = [f.hurt for f in single if f.scene == "finish" and f.hurt.who == "worker"]
    firsts = draw.sample(deaths, min(RECOVERIES, len(deaths)))
    again = benches.steps(["finish"], firsts)
    return single + draw.sample(again, len(again))


def failures(benches: Benches, draw: random.Random, scenes: Iterable[str] = SCENES) -> list[Fault]:
    """Failing calls, every error at every step, in an order that is drawn."""
    every = [
        replace(fault, hurt=replace(fault.hurt, how=f"error={error}"))
        for fault in benches.steps(scenes)
        for error in ERRORS
    ]
    return draw.sample(every, len(every))
