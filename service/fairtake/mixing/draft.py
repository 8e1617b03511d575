"""A first cues.toml for a folder of sounds, from their names and from what they sound like."""

from __future__ import annotations

import errno
import os
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import tomli_w

from fairtake.cues import CUES_FILE
from fairtake.errors import FairtakeError, NoVoice
from fairtake.files.take import open_take
from fairtake.sound.listen import listen
from fairtake.sound.speechlike import is_speech_like
from fairtake.units import clock

Kind = Literal["voice", "bed", "spot"]
#: What a file's name says of it, where it says anything.
_SAID: dict[Kind, str] = {
    "voice": "voice|narrat|narrator|speech|speak|spoken|talk|host|reading|chapter|take|dialog",
    "bed": "bed|music|theme|intro|outro|score|underscore|atmo|ambien|rain|sea|wind|wave|room|"
    "harp|piano|guitar|organ|strings|drum",
    "spot": "spot|effect|sfx|fx|door|bell|knock|step|hit|crash|thunder|splash",
}
#: What is no speech and shorter than this is a single sound.
BED_S = 15.0


@dataclass(frozen=True)
class Guess:
    """One file: what it seems to be, and how long it is."""

    name: str
    kind: Kind
    seconds: float


def write_draft(folder: Path) -> tuple[Path, list[str]]:
    """Write a cues.toml into *folder*; where it is, and the files that are no sound.

    Raises ``FileExistsError`` where one stands there already, and `NoVoice`.
    """
    target = folder / CUES_FILE
    if os.path.lexists(target):
        said = "It stands there already, and is left as it is"
        raise FileExistsError(errno.EEXIST, said, str(target))
    guesses, others = guessed(folder)
    text = draft_text(guesses)
    with open(target, "x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    return target, others


def guessed(folder: Path) -> tuple[list[Guess], list[str]]:
    """What each file of *folder* seems to be, in the order of names, and those that are no sound."""
    found, others = [], []
    for name in sorted(os.listdir(folder)):
        path = folder / name
        if name.startswith(".") or path.is_symlink() or not path.is_file():
            continue
        try:
            found.append(_guess(path))
        except FairtakeError:
            others.append(name)
    return found, others


def _guess(path: Path) -> Guess:
    with (
        tempfile.TemporaryDirectory(prefix="fairtake-") as scratch,
        open_take(path, Path(scratch)) as take,
    ):
        kind = kind_said(path.stem)
        if kind is None and is_speech_like(listen(take, blemishes=False).levels):
            kind = "voice"
        if kind is None:
            kind = "bed" if take.duration_s >= BED_S else "spot"
        return Guess(path.name, kind, take.duration_s)


def kind_said(stem: str) -> Kind | None:
    """What a file's name says, where it says one thing alone."""
    words = re.split(r"[^a-z]+", stem.casefold())
    kinds = [
        kind for kind, said in _SAID.items() if any(re.match(f"({said})", word) for word in words)
    ]
    return kinds[0] if len(kinds) == 1 else None


def draft_text(guesses: list[Guess]) -> str:
    """The cues of *guesses*, with what a person should look at. Raises `NoVoice`."""
    if not any(guess.kind == "voice" for guess in guesses):
        raise NoVoice()
    lines = [
        "# A draft, made from the files that lie here: look it over.",
        '# Times are seconds, or text as "1:23.5", from the beginning of the finished voice.',
    ]
    for kind in ("voice", "bed", "spot"):
        for guess in guesses:
            if guess.kind == kind:
                lines += ["", *_table(guess)]
    return "\n".join(lines) + "\n"


def _table(guess: Guess) -> Iterator[str]:
    yield f"[[{guess.kind}]]"
    yield f"{_toml('file', guess.name)}  # {clock(guess.seconds)}"
    if guess.kind == "bed":
        yield 'from = "start"  # or a time, "end", or the name of a [[marker]]'
        yield "later_s = -3.0  # it begins so long before the voice"
        yield 'until = "end"'
        yield "until_later_s = 3.0  # it ends so long behind the voice"
        yield "loop = true  # again and again until its end"
        yield "level_lu = -18.0  # against the voice"
        yield "duck_db = 12.0  # so much further down while somebody speaks"
    if guess.kind == "spot":
        yield "from = 0.0  # when it is heard"
        yield "level_lu = -13.0  # against the voice"


def _toml(key: str, value: str) -> str:
    return tomli_w.dumps({key: value}).strip()
