"""The pages of a ROOT, kept current on a thread of their own: no take ever waits for a picture.

The service's loop says what became of takes and how it is, and goes on. A page that cannot be written
is said once in the log and tried again with the next change.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from fairtake.errors import FolderGone
from fairtake.folders import Root, quarantined
from fairtake.folders.drives import Drives
from fairtake.folders.names import portable
from fairtake.folders.pages import put_page
from fairtake.pages import MARK, sheet_name
from fairtake.pages.finished import FinishedTake, finished_take
from fairtake.pages.index import Overview, index_page
from fairtake.pages.neighbours import INDEX, links_of, way
from fairtake.pages.sheet import sheet_page
from fairtake.pages.title_sheet import CSV_HEAD, CSV_NAME, title_csv, title_page
from fairtake.plain_file import read_object
from fairtake.receipt import RECEIPT_SUFFIX, Receipt
from fairtake.serving.inventory import place_of, read_json, receipts
from fairtake.serving.log import event
from fairtake.sketch import Sketch

#: While things change the index is written so often; while nothing does, so that its age tells who lives.
CHANGED_S, STILL_S = 10.0, 60.0
#: The outbox is walked through so often, for what others took away or brought.
WALK_S = 600.0
#: Rests between receipts that are read in a row: others need the machine, too.
REST_AFTER, REST_S = 50, 0.02


class Pages:
    """Keeps a ROOT's pages. Every method but those that begin with _ belongs to the service's loop."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._news: queue.SimpleQueue[tuple[str, Sketch | None] | None] = queue.SimpleQueue()
        self._told = Overview(time.time())
        self._known: dict[str, tuple[float, FinishedTake]] = {}
        #: Titles that have a page, and those whose page is to be written.
        self._titles, self._stale = set[str](), set[str]()
        self._written = self._walked = -1e9
        self._shown: Any = None
        self._trouble = ""
        self._thread = threading.Thread(target=self._keep, name="pages", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def end(self, patience_s: float = 30.0) -> None:
        """Write what is still to be written, say that the service was stopped, and end."""
        self._news.put(None)
        if self._thread.is_alive():
            self._thread.join(patience_s)

    def published(self, place: str, sketch: Sketch | None) -> None:
        """A take was finished; its files lie at *place* below the outbox."""
        self._news.put((place, sketch))

    def told(
        self, waiting: Mapping[str, str], in_work: Sequence[tuple[str, str, float]], trouble: str
    ) -> None:
        """How the service is."""
        self._told = Overview(
            time.time(), waiting=sorted(waiting.items()), in_work=tuple(in_work), trouble=trouble
        )

    # --- on the thread of the pages ------------------------------------------------------------------

    def _keep(self) -> None:
        going_on = True
        while going_on:
            news = self._taken()
            going_on = None not in news
            try:
                self._require_outbox()
                self._write([one for one in news if one is not None], ended=not going_on)
                self._trouble = ""
            except FolderGone as e:  # an empty folder in a drive's place says nothing
                self._walked = -1e9
                self._say(f"The pages wait: {e.message}")
            except Exception as e:  # whatever it is, it must not end the pages for good
                self._say(f"The pages could not be written: {type(e).__name__}: {e}")

    def _require_outbox(self) -> None:
        Drives(self._root).require()
        if not self._root.outbox.is_dir():
            raise FolderGone(f"{self._root.outbox} is not there.")

    def _taken(self) -> list[tuple[str, Sketch | None] | None]:
        """What was published since; waits a second for it."""
        news: list[tuple[str, Sketch | None] | None] = []
        with contextlib.suppress(queue.Empty):
            news.append(self._news.get(timeout=1.0))
            while len(news) < REST_AFTER and news[-1] is not None:
                news.append(self._news.get_nowait())
        return news

    def _write(self, news: list[tuple[str, Sketch | None]], ended: bool) -> None:
        now = time.monotonic()
        if now - self._walked >= WALK_S:
            self._walk()
            self._walked = now
        for place, sketch in news:
            self._sheet(place, sketch)
            self._learn(self._root.outbox / f"{place}{RECEIPT_SUFFIX}")
            self._stale.add(title_of(place))
        told = self._told
        shown = (told.waiting, told.in_work, told.trouble, len(self._known))
        changed = bool(self._stale) or shown != self._shown
        if ended or now - self._written >= (CHANGED_S if changed else STILL_S):
            while self._stale:
                self._title(self._stale.pop())
            self._index(told, ended)
            self._written, self._shown = now, shown

    def _walk(self) -> None:
        """Learn what stands in the outbox, and forget what does not."""
        there = set()
        for n, receipt in enumerate(receipts(self._root), 1):
            there.add(place_of(self._root, receipt))
            if self._learn(receipt) and n % REST_AFTER == 0:
                time.sleep(REST_S)
        self._known = {place: known for place, known in self._known.items() if place in there}
        titles = {title_of(place) for place in self._known} - {""}
        self._titles = {title for title in titles if (self._root.outbox / title / INDEX).exists()}
        self._stale |= titles - self._titles

    def _learn(self, receipt: Path) -> bool:
        """Read a receipt that is new, or changed; whether it was."""
        try:
            at = receipt.stat().st_mtime
        except OSError:
            return False
        place = place_of(self._root, receipt)
        has_sheet = (receipt.parent / sheet_name(_stem(place))).exists()
        known = self._known.get(place)
        if known and known[0] == at and known[1].has_sheet == has_sheet:
            return False
        with contextlib.suppress(LookupError, TypeError, ValueError, OverflowError):
            take = finished_take(read_json(receipt), place, title_of(place), at, has_sheet)
            self._known[place] = (at, take)
        return True

    def _sheet(self, place: str, sketch: Sketch | None) -> None:
        if sketch is None:
            return  # `fairtake sheet` makes it from the files
        receipt = self._root.outbox / f"{place}{RECEIPT_SUFFIX}"
        known = Receipt.model_validate(read_object(receipt))
        suffix = PurePosixPath(portable(known.take.name)).suffix
        original = self._root.originals / f"{place}{suffix}"
        links = links_of(receipt.parent, known, original, bool(title_of(place)))
        text = sheet_page(known, sketch, links)
        self._put(str(PurePosixPath(place).with_name(sheet_name(_stem(place)))), text)

    def _title(self, title: str) -> None:
        if not title:
            return  # the index stands there
        takes = [take for _, take in self._known.values() if take.title == title]
        up = "/".join([".."] * len(PurePosixPath(title).parts) + [INDEX])
        if self._put(f"{title}/{INDEX}", title_page(title, takes, up)):
            self._titles.add(title)
        self._put(f"{title}/{CSV_NAME}", title_csv(takes), CSV_HEAD)

    def _index(self, told: Overview, ended: bool) -> None:
        overview = Overview(
            time.time(),
            finished=[take for _, take in self._known.values()],
            waiting=told.waiting,
            in_work=() if ended else told.in_work,
            quarantined=quarantined(self._root),
            trouble=told.trouble,
            ended=ended,
            quarantine_link=way(self._root.outbox, self._root.quarantine),
            title_pages=frozenset(self._titles),
        )
        self._put(INDEX, index_page(overview))

    def _put(self, path: str, text: str, mark: str = MARK) -> bool:
        try:
            if put_page(self._root.outbox, path, text, mark):
                return True
            self._say(f"The page {path} was not written: a file of somebody else has its name.")
        except OSError as e:
            self._say(f"The page {path} could not be written: {e.strerror or e}.")
        return False

    def _say(self, trouble: str) -> None:
        if trouble != self._trouble:
            event("fault", why=trouble)
        self._trouble = trouble


def title_of(place: str) -> str:
    """The title's folder below the outbox, '' outside one."""
    return place.rpartition("/")[0]


def _stem(place: str) -> str:
    return place.rpartition("/")[2]
