"""The books: whether every take that was dropped is safe, told from the folders alone.

Nothing of the program is asked. A take is its bytes; the folders are read file by file, and what
stands in the outbox is decoded by a library of its own.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import soundfile

#: No take of the bench has so many bytes.
GIANT_BYTES = 2**32
RECEIPT, REASON = ".receipt.json", ".reason.json"
#: What can be wrong, as the table names it.
KINDS = {
    "lost": "takes lost", "partial": "partial outputs seen", "overwritten": "overwritten",
    "outside": "moved outside", "stopped": "others stopped",
    "left over": "left-over processes", "left behind": "left-over files",
    "unfinished": "not where they belong at the end", "broke down": "services broken down",
    "bench": "faults of the bench itself",
}  # fmt: skip


@dataclass(frozen=True)
class Wrong:
    kind: str
    what: str


@dataclass
class Books:
    """What was dropped into a ROOT and what stood there before, and what became of it.

    ``takes`` maps a place in the inbox to its bytes; ``bad`` names those that cannot be finished.
    ``standing`` holds files nobody may touch. ``elsewhere`` holds folders the settings move out of
    ROOT, by the name they have in it.
    """

    root: Path
    takes: dict[str, bytes]
    bad: frozenset[str] = frozenset()
    standing: dict[Path, str] = field(default_factory=dict)
    elsewhere: dict[str, Path] = field(default_factory=dict)
    checked: int = 0

    def folder(self, name: str) -> Path:
        return self.elsewhere.get(name, self.root / name)

    def stand(self) -> None:
        """From now on what lies in the folders for results may not change."""
        for name in ("outbox", "originals", "quarantine"):
            for path in files_below(self.folder(name)):
                self.standing[path] = hash_of(path)

    def wrong_now(self) -> list[Wrong]:
        """What is wrong already while a fault may still be there: lost, partial, overwritten."""
        return [*self._lost(), *self._partial(), *self._overwritten()]

    def wrong_at_the_end(self) -> list[Wrong]:
        """As `wrong_now`, and what is not in its one right place after a clean end."""
        return [*self.wrong_now(), *self._unfinished(), *self._left_behind()]

    # --- the single rules ---------------------------------------------------------------------

    def _lost(self) -> Iterator[Wrong]:
        self.checked += len(self.takes)
        missing = {name: sha256(data) for name, data in self.takes.items()}
        for _ in range(2):  # a take that moves may be passed by; one that is lost stays so
            kept = missing and self._kept()
            missing = {name: sha for name, sha in missing.items() if sha not in kept}
        for name in missing:
            yield Wrong("lost", f"{name!r} is nowhere")

    def _kept(self) -> set[str]:
        return {
            hash_of(path)
            for folder in ("inbox", ".fairtake", "originals", "quarantine")
            for path in files_below(self.folder(folder))
        }

    def _partial(self) -> Iterator[Wrong]:
        """Under a final name stands only what is whole: vouched for by receipt or claim."""
        seen: dict[Path, str] = {}
        for path in files_below(self.folder("outbox")):
            if path.name.startswith(".") or path in self.standing:
                continue
            self.checked += 1
            try:
                data = path.read_bytes()
            except FileNotFoundError:  # taken back while we looked
                continue
            if path.name.endswith(RECEIPT):
                yield from self._half_receipt(path, data)
            elif path.suffix in (".wav", ".mp3"):
                seen[path] = sha256(data)
                if why := undecodable(data):
                    yield Wrong("partial", f"{path.name!r}: {why}")
        promised = self._promised()
        for path, sha in seen.items():
            if sha not in promised:
                yield Wrong("partial", f"{path.name!r}: no receipt and no claim knows it")
        yield from self._strangers()

    def _half_receipt(self, path: Path, data: bytes) -> Iterator[Wrong]:
        try:
            outputs = json.loads(data)["outputs"]
            for made in (outputs["wav"], outputs["mp3"]):
                self.checked += 1
                if hash_of(path.with_name(made["file"])) != made["sha256"]:
                    yield Wrong("partial", f"{made['file']!r} is not what its receipt says")
        except (OSError, ValueError, KeyError) as e:
            yield Wrong("partial", f"{path.name!r}: {e}")

    def _strangers(self) -> Iterator[Wrong]:
        """Originals and quarantine hold takes as they were dropped, byte for byte."""
        dropped = {sha256(data) for data in self.takes.values()}
        for name in ("originals", "quarantine"):
            for path in files_below(self.folder(name)):
                if path.name.startswith(".") or path in self.standing:
                    continue
                self.checked += 1
                if path.name.endswith(REASON):
                    if path.exists() and '"code"' not in _text(path):
                        yield Wrong("partial", f"{path.name!r} gives no reason")
                elif hash_of(path) not in dropped:
                    yield Wrong("partial", f"{name}/{path.name!r} is nothing that was dropped")

    def _promised(self) -> set[str]:
        """Every hash a claim or a receipt speaks of.

        Asked behind a look at the outbox, and in this order, it misses nothing of a service that
        runs: the claim was there before its files, and the receipt before the claim went.
        """
        texts = [
            _text(p) for p in files_below(self.root / ".fairtake/claims") if p.suffix == ".json"
        ]
        texts += [_text(p) for p in files_below(self.folder("outbox")) if p.name.endswith(RECEIPT)]
        return {h for text in texts for h in re.findall(r"\b[0-9a-f]{64}\b", text)}

    def _overwritten(self) -> Iterator[Wrong]:
        for path, sha in self.standing.items():
            self.checked += 1
            if not path.is_file() or hash_of(path) != sha:
                yield Wrong("overwritten", str(path))

    def _unfinished(self) -> Iterator[Wrong]:
        finished = {r["take"]["sha256"] for r in self._notes("outbox", RECEIPT)}
        originals = Counter(hash_of(p) for p in files_below(self.folder("originals")))
        failed = Counter(hash_of(p) for p in self._quarantined())
        for name, data in self.takes.items():
            self.checked += 1
            sha = sha256(data)
            places = f"originals {originals[sha]}, quarantine {failed[sha]}"
            if name in self.bad and not (failed[sha] == 1 and not originals[sha]):
                yield Wrong("unfinished", f"{name!r} should be in quarantine: {places}")
            if name not in self.bad and not (
                sha in finished and originals[sha] == 1 and not failed[sha]
            ):
                yield Wrong("unfinished", f"{name!r} should be finished: {places}")

    def _quarantined(self) -> Iterator[Path]:
        """Takes in quarantine that have their reason beside them."""
        for path in files_below(self.folder("quarantine")):
            if not path.name.endswith(REASON) and path.with_name(path.name + REASON).is_file():
                yield path

    def _notes(self, folder: str, suffix: str) -> Iterator[dict]:
        for path in files_below(self.folder(folder)):
            if path.name.endswith(suffix):
                yield json.loads(path.read_bytes())

    def _left_behind(self) -> Iterator[Wrong]:
        for folder in ("inbox", "outbox", "originals", "quarantine", ".fairtake"):
            for path in files_below(self.folder(folder)):
                self.checked += 1
                if path.name.endswith(".part"):
                    yield Wrong("left behind", f"{folder}/{path.relative_to(self.folder(folder))}")
        for name in ("claims", "scratch"):
            self.checked += 1
            for path in (self.root / ".fairtake" / name).glob("*"):
                yield Wrong("left behind", f"{name}/{path.name}")
        reasons = [p for p in files_below(self.folder("quarantine")) if p.name.endswith(REASON)]
        for path in reasons:
            if path not in self.standing and not path.with_name(path.name[: -len(REASON)]).exists():
                yield Wrong("left behind", f"{path.name!r}: a reason without a take")


# --- reading ----------------------------------------------------------------------------------


def files_below(folder: Path) -> list[Path]:
    """Every plain file, links not followed, hidden ones too."""
    return [
        Path(top, name)
        for top, _, names in os.walk(folder)
        for name in sorted(names)
        if Path(top, name).is_file() and not Path(top, name).is_symlink()
    ]


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8", "replace")
    except OSError:
        return ""


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def hash_of(path: Path) -> str:
    """The hash, '' for a file that went while we looked, and for a sparse giant, which is none of ours."""
    try:
        return sha256(path.read_bytes()) if path.stat().st_size < GIANT_BYTES else ""
    except OSError:
        return ""


_decoded: dict[str, str] = {}


def undecodable(data: bytes) -> str:
    """Why *data* is no whole sound file; '' when it decodes to its end."""
    sha = sha256(data)
    if sha not in _decoded:
        _decoded[sha] = _decode(data)
    return _decoded[sha]


def _decode(data: bytes) -> str:
    try:
        with soundfile.SoundFile(io.BytesIO(data)) as file:
            frames = sum(len(block) for block in file.blocks(65536))
            if frames != file.frames or not frames:
                return f"{frames} of {file.frames} frames"
    except (soundfile.LibsndfileError, RuntimeError) as e:
        return str(e)
    return ""
