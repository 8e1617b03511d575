"""The service's loop: take in, hand out, listen to the workers, say how it is."""

from __future__ import annotations

import contextlib
import math
import os
import time
from collections.abc import Callable
from datetime import datetime
from multiprocessing.connection import wait
from typing import Any

from fairtake.errors import (
    EncoderFailed,
    FailsAlone,
    FolderGone,
    NoRoom,
    WorkerCrashed,
    WorkerHung,
)
from fairtake.folders import (
    Claim,
    Root,
    begin,
    claims,
    give_back_attempt,
    own_state,
    recover,
    refresh,
    require_own_state,
    strangers,
    sweep,
    unclaim,
)
from fairtake.folders.claim_folder import said_of_stranger
from fairtake.folders.drives import Drives
from fairtake.hours import parse_hours
from fairtake.pulse import felt_by
from fairtake.serving.alone import alone, ended_by_signals
from fairtake.serving.clerk import Clerk
from fairtake.serving.crew import Crew, Task
from fairtake.serving.housekeeping import clear_out_now, start_clearing_out
from fairtake.serving.intake import Intake
from fairtake.serving.job import Outcome, fault_of, quarantined
from fairtake.serving.log import event
from fairtake.serving.part import HeldUp, PutBack, Refused, Taken
from fairtake.serving.pause import Pause
from fairtake.serving.settle import ITS_TURN
from fairtake.serving.shelf import Shelf
from fairtake.serving.standing import InWork, Listeners, Standing
from fairtake.serving.trials import Trials
from fairtake.serving.waker import Waker
from fairtake.serving.workers import Workers
from fairtake.shipped import load_profile
from fairtake.text import one_line

#: How long a publishing that has begun is waited for when the service is told to end.
PUBLISH_PATIENCE_S = 30.0
#: Idle workers are ended after this, to give their memory back.
IDLE_WORKERS_S = 30.0
#: Claims that nobody seems to know are looked for so often, and taken up when seen twice.
ADOPT_EVERY_S = 60.0
#: With ``once``: a file somebody writes is waited for over so many settle times.
ONCE_PATIENCE = 3
#: With ``once``: a fault of the surroundings is tried again so often; takes then wait for the next run.
ONCE_TRIES = 4

#: Of the takes that wait by themselves so many are told one by one.
MOST_HELD_UP_TOLD = 3

#: What ended the work on a take in a way that may be the take's doing.
Death = WorkerCrashed | WorkerHung | EncoderFailed


class Service:
    """One service on one ROOT. ``failed`` counts the takes that were quarantined.

    Takes are handed to *workers*; without, to processes of its own. *show* is told after every turn
    how things stand, for whoever looks.
    """

    def __init__(
        self,
        root: Root,
        once: bool = False,
        workers: Crew[Any] | None = None,
        show: Callable[[Standing], None] | None = None,
        clock: Callable[[], datetime] = datetime.now,
    ) -> None:
        settings = root.settings
        self.root, self.once = root, once
        self.failed = self.finished = 0
        self.gave_up = False
        self._drives, self._waker = Drives(root), Waker()
        self._intake = Intake(root, self._drives, self._waker.wake, once)
        self._workers = workers or Workers(settings.workers or os.cpu_count() or 1)
        self._clerk, self._listeners = Clerk(root), Listeners(root)
        self._pending: list[Claim] = []
        self._condemned: dict[str, Death | FailsAlone] = {}
        self._shelf = Shelf(settings.retry_s, settings.retry_most_s)
        self._pause = Pause(settings.retry_s, settings.retry_most_s)
        self._trials = Trials(self._pause, settings.retry_s, settings.retry_most_s)
        self._grace_over: set[str] = set()
        self._stopping = self._ready = False
        self._show = show
        self._hours, self._clock = parse_hours(settings.work_hours), clock
        self._cut_off: set[str] = set()
        self._since = time.time()
        self._worked = -1e9
        self._waiting: set[str] = set()
        self._adopted, self._strays = time.monotonic(), set[str]()

    # --- life ------------------------------------------------------------------------------

    def run(self) -> None:
        """Serve until told to end, or with ``once`` until what is there is done.

        Raises `AlreadyServed`, and a `SettingsFault` when the default profile is not in order, or the
        state folder is another ROOT's.
        """
        require_own_state(self.root)
        load_profile(self.root.settings.default_profile, self.root.profiles)
        # The loop itself moves takes at times, and is alive meanwhile.
        with alone(self.root), ended_by_signals(self.stop), felt_by(self._tell):
            event("started", root=str(self.root.path))
            self._listeners.start()
            try:
                while not self._stopping and not self._done():
                    self._turn()
            finally:
                self._end()

    def _set_up(self) -> None:
        """Make what is missing, and take up what an earlier service left; once the drives are there."""
        try:
            self._drives.require()
            self.root.make_folders()
            self._drives.remember()
            own_state(self.root)
            self._pending = recover(self.root)
            sweep(self.root)
        except FolderGone as e:
            self._pause.begin(e.message)
            return
        except OSError as e:
            self._pause.begin(fault_of(e).message)
            return
        for claimed in self._pending:
            event("recovered", claimed.path)
        for stranger in strangers(self.root):
            event("fault", why=said_of_stranger(stranger))
        self._pause.lift()
        self._intake.start()
        self._clerk.start()
        self._listeners.start_pages()
        if not self.once:
            start_clearing_out(self.root)
        self._ready = True

    def stop(self, *_: Any) -> None:
        """End soon; safe to call from a signal."""
        self._stopping = True
        self._waker.wake()

    def _turn(self) -> None:
        if not self._ready and not self._pause.lasts:
            self._set_up()
        if self._ready:
            self._mind_intake()
        if self._ready and not self._pause.lasts:
            if not self._pending and not self._workers.busy:
                self._pause.settle()
            self._adopt()
            self._hand_out()
        self._tell()
        self._wait()
        if self._ready:
            self._take_in()

    def _wait(self) -> None:
        """Sleep until work has ended, an event comes, or something is due; until a worker says anything
        where somebody looks on."""
        end, woken = time.monotonic() + self._sleep_s(), False
        while not woken:
            self._ask_for_takes()
            busy = list(self._workers.busy)
            pipes: list[Any] = [self._waker.pipe, *(worker.pipe for worker in busy)]
            spoken = wait(pipes, max(end - time.monotonic(), 0.0))
            for worker in busy:
                self._hear(worker)
            ended = len(self._workers.busy) < len(busy)
            woken = not spoken or self._waker.pipe in spoken or ended or self._show is not None
        self._waker.sleep()
        if not self._workers.busy and time.monotonic() - self._worked > IDLE_WORKERS_S:
            self._workers.end_idle()

    def _sleep_s(self) -> float:
        left_s = self._pause.left_s if self._pause.lasts else self._trials.due_s(self._pending)
        return max(min(self._listeners.due_s, math.inf if left_s is None else left_s), 0.02)

    def _done(self) -> bool:
        """With ``once``: whether all that was there at the start is done, or cannot be now."""
        if not self.once or self._workers.busy:
            return False
        if self._pause.tries >= ONCE_TRIES or self._shelf.tries >= ONCE_TRIES:
            event("gave-up", why=self._said_trouble())
            self.gave_up = True
            return True
        first = self._intake.first
        left = (first or set()) & self._intake.waiting()
        stuck = [c for c in self._pending if self._trials.tries(c) >= ONCE_TRIES]
        # Asked last: a take that waits no longer is among the news, unless it was heard of already.
        if first is None or self._shelf.claims or self._intake.has_news:
            return False
        if len(stuck) < len(self._pending):
            return False
        if hours := self._outside_hours:
            if left:
                event("left", why=f"they wait for {hours}", takes=len(left))
            return True
        if left and time.time() - self._since < ONCE_PATIENCE * self.root.settings.settle_s:
            return False
        held_up = {c.path: self._trials.why(c) for c in stuck}
        held_up |= {
            p: why for p, (why, tries) in self._intake.held_up.items() if tries >= ONCE_TRIES
        }
        if all(path in held_up or self._intake.still_arriving(path) for path in left):
            for path in sorted(left):
                event("left", path, why=held_up.get(path, "still arriving"))
            if stuck:
                event("gave-up", why=self._said_trouble())
            self.gave_up = bool(held_up or self._intake.closed)
            return True
        return False

    # --- intake ----------------------------------------------------------------------------

    def _take_in(self) -> None:
        """Hear what became of the takes in the inbox."""
        self._intake.mind_mounts()
        waiting = set(self._intake.reasons)
        for path in sorted(waiting - self._waiting):
            event("seen", path)
        if waiting != self._waiting:
            self._waiting = waiting
            self._clerk.seen(waiting)
        for news in self._intake.news():
            match news:
                case Taken(claimed, grace_over) if claimed.job not in self._known_jobs():
                    event("claimed", claimed.path)
                    self._clerk.claimed(claimed)
                    self._pending.append(claimed)
                    if grace_over:
                        self._grace_over.add(claimed.job)
                case PutBack(claimed, place, why):
                    self._clerk.unclaimed(claimed, place)
                    event("unclaimed", claimed.path, why=why)
                case HeldUp(path, message, None):
                    event("fault", path, why=message)
                case HeldUp(path, message, float() as wait_s):
                    event("waiting", path, why=message, retry_in_s=round(wait_s, 1))
                case Refused(path, message, None):
                    self._pause.begin(message, path)
                case Refused(_, message, Claim() as claimed):
                    self._hold_up(claimed, message)

    def _mind_intake(self) -> None:
        self._mind("inbox", self._intake.trouble)
        self._mind("workers", self._workers.trouble)
        for sentence in self._intake.news_of_parts():
            event("fault", why=sentence)

    def _mind(self, what: str, trouble: str) -> None:
        """Stand still while *what* all takes need is gone, and go on as soon as it is there."""
        if trouble and not (what in self._cut_off and self._pause.lasts):
            self._pause.begin(trouble)
        if what in self._cut_off and not trouble:
            self._pause.lift()
        (self._cut_off.add if trouble else self._cut_off.discard)(what)

    def _hand_out(self) -> None:
        self._pending += self._shelf.take_down()
        if hours := self._outside_hours:
            self._put_back_unbegun(f"it waits for {hours}")
        for claimed in self._trials.next(self._pending)[: self._workers.free]:
            if claimed.is_unbegun and self._outside_hours:
                continue  # they ended meanwhile: it goes back with the next turn
            self._pending.remove(claimed)
            try:
                self._start(claimed)
            except OSError as e:
                self._hold_up(claimed, fault_of(e).message)
            if self._pause.lasts:
                break

    def _ask_for_takes(self) -> None:
        """Have as many takes claimed as workers are free, or soon will be."""
        if self._intake.has_news:
            return  # what was claimed is not counted yet
        ahead = len(self._trials.next(self._pending))
        free = max(self._workers.free + self._workers.soon_free - ahead, 0)
        stands_still = not self._ready or self._pause.lasts or self._outside_hours
        self._intake.want(0 if stands_still else free)

    @property
    def _outside_hours(self) -> str:
        """What a take waits for whose turn it would be; '' when it may be begun."""
        return self._hours.wait(self._clock())

    def _put_back_unbegun(self, why: str) -> None:
        """What was begun is finished outside the hours, too; what was only claimed waits for them."""
        for claimed in [c for c in self._pending if c.is_unbegun]:
            self._pending.remove(claimed)
            self._trials.forget(claimed)
            self._intake.put_back(claimed, why, patiently=False)

    @property
    def _reasons(self) -> dict[str, str]:
        """What each take waits for that nobody works on."""
        turn = self._outside_hours or ITS_TURN
        inbox = {p: turn if why == ITS_TURN else why for p, why in self._intake.reasons.items()}
        # What was begun is gone on with outside the hours, too.
        claimed = {
            c.path: self._trials.why(c) or (turn if c.is_unbegun else ITS_TURN)
            for c in self._pending
        }
        return claimed | inbox

    def _start(self, claimed: Claim) -> None:
        if self._used_up(claimed):
            ended = WorkerCrashed("The service ended while it was at work on it.")
            self._quarantine(claimed, self._condemned.get(claimed.job, ended))
            return
        if not claimed.is_decided:
            begin(claimed)
            event("began", claimed.path, attempts=claimed.attempts)
            self._clerk.began(claimed)
        over = self.once or claimed.job in self._grace_over
        try:
            self._workers.hand(claimed, Task(self.root.path, claimed.folder, over))
        except OSError:  # no worker could be started
            self._forgive(claimed)
            raise

    def _adopt(self) -> None:
        """Take up claims that were made while the drive gave no answer, so that nobody heard."""
        if time.monotonic() - self._adopted < ADOPT_EVERY_S:
            return
        self._adopted = time.monotonic()
        known = self._known_jobs()
        with contextlib.suppress(OSError):
            strays = [c for c in claims(self.root) if c.job not in known and c.take.exists()]
            self._pending += [c for c in strays if c.job in self._strays]
            self._strays = {c.job for c in strays}

    def _known_jobs(self) -> set[str]:
        """The claims that somebody has in hand."""
        ours = [*self._pending, *self._shelf.claims, *(w.claimed for w in self._workers.busy)]
        return {claimed.job for claimed in [*ours, *self._intake.returning] if claimed}

    # --- workers ---------------------------------------------------------------------------

    def _hear(self, worker: Any) -> None:
        claimed: Claim = worker.claimed
        for outcome in self._workers.heard(worker):
            self._settle_outcome(claimed, outcome)
        if worker.claimed is None:
            return
        silent_s = time.monotonic() - worker.heard
        if silent_s > self.root.settings.hang_s:
            self._workers.drop(worker)
            self._again_or_quarantine(claimed, WorkerHung(f"It was silent for {silent_s:.0f} s."))

    def _settle_outcome(self, claimed: Claim, outcome: Outcome) -> None:
        self._worked = time.monotonic()
        if outcome.ending not in ("surroundings", "crashed"):  # then it may come here again
            self._condemned.pop(claimed.job, None)
            self._grace_over.discard(claimed.job)
            self._trials.forget(claimed)
        path = claimed.path
        self._listeners.ended(path, outcome)
        match outcome.ending:
            case "finished":
                self.finished += 1
                self._pause.went_through()
                self._trials.finished(claimed)
                event("published", path, place=outcome.place, failed_checks=outcome.failed_checks)
                self._clerk.ended(claimed, "published", outcome.sha256, outcome.place)
            case "duplicate":
                event("duplicate", path, place=outcome.place)
                self._clerk.duplicate(claimed, outcome.sha256, outcome.place)
            case "quarantined":
                self.failed += 1
                self._shelf.quarantined()
                event("quarantined", path, code=outcome.code, message=outcome.message)
                self._clerk.ended(
                    claimed, "quarantined", outcome.sha256, outcome.place, outcome.code
                )
            case "not-whole" | "changed":
                self._intake.put_back(claimed, outcome.message, outcome.ending == "not-whole")
            case "surroundings":
                self._later(claimed, outcome)
            case "crashed":
                kind = EncoderFailed if outcome.code == EncoderFailed.code else WorkerCrashed
                self._again_or_quarantine(claimed, kind(outcome.message))

    def _unclaim(self, claimed: Claim, why: str) -> None:
        self._clerk.unclaimed(claimed, unclaim(self.root, claimed))
        event("unclaimed", claimed.path, why=why)

    def _again_or_quarantine(self, claimed: Claim, error: Death) -> None:
        how = one_line(error.detail)  # not yet more than once, as the take's reason will have it
        event("crashed", claimed.path, message=how, attempts=claimed.attempts)
        if self._used_up(claimed):
            self._quarantine(claimed, error)
            return
        if claimed.is_decided:  # not the take's doing: its end is only not in place
            self._hold_up(claimed, how)
        else:
            self._pending.append(claimed)

    def _used_up(self, claimed: Claim) -> bool:
        """Whether a take had all its attempts. One whose end is decided is past that."""
        with contextlib.suppress(OSError):
            refresh(claimed)
        condemned = claimed.job in self._condemned
        had_all = claimed.attempts >= self.root.settings.most_attempts
        return not claimed.is_decided and (condemned or had_all)

    def _quarantine(self, claimed: Claim, error: Death | FailsAlone) -> None:
        self._condemned[claimed.job] = error
        outcome = quarantined(self.root, claimed, error, "work")
        if outcome.ending == "quarantined":
            self._settle_outcome(claimed, outcome)
        else:  # it stays condemned, decided or not
            self._put_aside(claimed, outcome.message)

    # --- surroundings ------------------------------------------------------------------------

    def _later(self, claimed: Claim, outcome: Outcome) -> None:
        """The take could not be gone on with, through no fault of its own as far as that is known."""
        with contextlib.suppress(OSError):
            refresh(claimed)
        if claimed.quarantine is not None:
            self._put_aside(claimed, outcome.message)
            return
        if not claimed.is_decided:
            self._forgive(claimed)
        # Rights are mended and room is made for a take that waits; what cannot be read stays so.
        is_lasting = outcome.code == FolderGone.code and not claimed.is_decided
        if is_lasting and self._trials.fails_alone(claimed):
            self._quarantine(claimed, FailsAlone(outcome.message))
        else:
            self._hold_up(claimed, outcome.message, outcome.code == NoRoom.code)

    def _hold_up(self, claimed: Claim, message: str, too_large: bool = False) -> None:
        """Let a take wait for a fault to be over: by itself, until it is known to be everybody's."""
        self._pending.append(claimed)
        self._trials.failed(claimed, message, too_large)

    def _forgive(self, claimed: Claim) -> None:
        with contextlib.suppress(OSError):  # then the next attempt counts for it
            give_back_attempt(claimed)

    def _put_aside(self, claimed: Claim, message: str) -> None:
        wait_s = self._shelf.put(claimed, message)
        event("waiting", claimed.path, why=message, retry_in_s=round(wait_s, 1))

    def _said_trouble(self) -> str:
        parts = self._intake.troubles_of_parts
        said = [self._pause.trouble, self._shelf.trouble, *parts, *self._said_held_up()]
        return " ".join(filter(None, said))

    def _said_held_up(self) -> list[str]:
        """The takes that wait by themselves, a sentence each."""
        held_up = {path: why for path, (why, _) in self._intake.held_up.items()}
        if not self._pause.trouble:  # else it has been said
            held_up |= self._trials.held_up
        told = [f"'{one_line(path)}' alone waits: {why}" for path, why in sorted(held_up.items())]
        more = len(told) - MOST_HELD_UP_TOLD
        return told[:MOST_HELD_UP_TOLD] + ([f"So do {more} more."] if more > 0 else [])

    # --- told --------------------------------------------------------------------------------

    def _standing(self) -> Standing:
        busy = [(w.claimed, w.verb, w.share) for w in self._workers.busy]
        in_work = [InWork(c.job, c.path, verb, share) for c, verb, share in busy if c]
        return Standing(
            in_work, self._reasons, len(self._pending), self.finished, self.failed,
            self._said_trouble(), self._clerk.trouble, self._intake.unseen,
        )  # fmt: skip

    def _tell(self) -> None:
        """Say how things stand. A display that fails once is told nothing more."""
        self._listeners.alive()
        if self._listeners.are_due:
            self._listeners.told(self._standing())
        show, self._show = self._show, None
        if show is not None:
            with contextlib.suppress(Exception):
                show(self._standing())
                self._show = show

    # --- begin and end -----------------------------------------------------------------------

    def _end(self) -> None:
        """Let publishing finish, put everything else back, leave nothing half done."""
        self._listeners.stopping()
        self._intake.want(0)
        patience = time.monotonic() + PUBLISH_PATIENCE_S
        while any(w.publishing for w in self._workers.busy) and time.monotonic() < patience:
            wait([w.pipe for w in self._workers.busy], 0.2)
            self._listeners.alive()
            for worker in self._workers.busy:
                self._hear(worker)
        unfinished = [w.claimed for w in self._workers.busy if w.claimed]
        self._workers.end_all()
        self._intake.stop()
        if self._ready:
            self._take_in()
        for claimed in [*unfinished, *self._pending, *self._intake.returning]:
            self._hand_back(claimed)
        self._pending.clear()
        if self.once and self._ready:
            clear_out_now(self.root)
        if self._ready:
            self._clerk.end()
        self._listeners.told(self._standing(), stopped=True)
        self._listeners.end(patiently=self.once)
        event("stopped", finished=self.finished, quarantined=self.failed)

    def _hand_back(self, claimed: Claim) -> None:
        """What cannot go back now is found as a claim at the next start."""
        if not self._intake.reaches(claimed.path):
            return
        with contextlib.suppress(OSError):
            refresh(claimed)
            if claimed.take.exists() and claimed.publish is None and claimed.quarantine is None:
                self._unclaim(claimed, "the service ends")
