"""Scenes: a ROOT with something in it, ready for a service to be hurt on it.

The takes are a second long at 16 kHz, so that the
work on one costs little; what is hurt is the way through the folders.
"""

from __future__ import annotations

import functools
import io
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr
from books import Books

from roots import BELL, drop, new_root

#: As quick as the settings allow, and patient with takes that are killed again and again.
QUICK = {
    "settle_s": 0.2, "scan_s": 0.5, "incomplete_grace_s": 1, "workers": 1, "retry_s": 0.1,
    "most_attempts": 10,
}  # fmt: skip
BAD = b"Dear diary, today I recorded nothing.\n"
FOREIGN = b"somebody else's"
MEMORY = Path("/dev/shm")


@functools.cache
def _voice() -> np.ndarray:
    with soundfile.SoundFile(BELL) as file:
        file.seek(round(1.6 * file.samplerate))
        sound = file.read(file.samplerate)
        return soxr.resample(sound, file.samplerate, 16000)


def good(gain: float = 1.0) -> bytes:
    """A second of speech; every gain gives another take."""
    file = io.BytesIO()
    soundfile.write(file, _voice() * gain, 16000, format="WAV", subtype="PCM_24")
    return file.getvalue()


def bench_folder() -> Path:
    """A new folder in memory, where a sync costs nothing; on the disk where there is no such place."""
    place = MEMORY if MEMORY.is_dir() else Path(tempfile.gettempdir())
    return Path(tempfile.mkdtemp(prefix="fairtake-faults-", dir=place))


def fresh(path: Path, **settings: Any) -> Books:
    return Books(new_root(path, **(QUICK | settings)).path, {})


def put(books: Books, name: str, data: bytes, bad: bool = False) -> None:
    """Drop a take and write it into the books."""
    from fairtake.folders import open_root

    books.takes[name] = drop(open_root(books.root), name, data)
    if bad:
        books.bad |= {name}


def stranger(books: Books, place: str) -> None:
    """Somebody else's file where one of ours would go."""
    path = books.folder(place.split("/")[0]) / place.split("/", 1)[1]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(FOREIGN)
    books.stand()


def finish(path: Path) -> Books:
    """A take that is finished."""
    books = fresh(path)
    put(books, "a.wav", good())
    return books


def fail(path: Path) -> Books:
    """A take that goes to quarantine."""
    books = fresh(path)
    put(books, "a.wav", BAD, bad=True)
    return books


def titled(path: Path) -> Books:
    """A chapter in a folder with settings of its own."""
    books = fresh(path)
    (books.root / "inbox/Tide").mkdir()
    (books.root / "inbox/Tide/title.toml").write_text('[tags]\ntitle = "Tide"\n')
    put(books, "Tide/a.wav", good(0.9))
    return books


def taken(path: Path) -> Books:
    """The names of the outputs and of the quarantined take are somebody else's."""
    books = fresh(path)
    put(books, "a.wav", good(0.8))
    put(books, "b.wav", BAD, bad=True)
    stranger(books, "outbox/a.mp3")
    stranger(books, "quarantine/b.wav")
    return books


def apart(path: Path) -> Books:
    """Outbox, originals and quarantine on another file system: a move is a copy."""
    other = Path(tempfile.gettempdir()) / f"{path.parent.name}-{path.name}"
    elsewhere = {name: other / name for name in ("outbox", "originals", "quarantine")}
    books = fresh(path, **{name: str(place) for name, place in elsewhere.items()})
    books.elsewhere = elsewhere
    put(books, "a.wav", good(0.7))
    put(books, "b.wav", BAD, bad=True)
    return books


def several(path: Path) -> Books:
    """Three takes for one worker: what holds for one holds in a row."""
    books = fresh(path)
    put(books, "a.wav", good(0.6))
    put(books, "b.wav", BAD, bad=True)
    put(books, "c.wav", good(0.5))
    return books


SCENES: dict[str, Callable[[Path], Books]] = {
    scene.__name__: scene for scene in (finish, fail, titled, taken, apart, several)
}


def clear(books: Books) -> None:
    """Remove a scene."""
    for folder in (books.root, *(place.parent for place in books.elsewhere.values())):
        shutil.rmtree(folder, ignore_errors=True)
