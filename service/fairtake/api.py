"""The Python API: the same words as the commands."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from fairtake.errors import NotAFile, ProfileInvalid
from fairtake.files.take import open_take
from fairtake.folders.durable import move_new
from fairtake.folders.names import candidates, key, keys_in, portable
from fairtake.folders.pages import put_page
from fairtake.master import Job
from fairtake.mixing import finish_any
from fairtake.pages import MARK, sheet_name
from fairtake.pages.neighbours import links_of
from fairtake.pages.sheet import sheet_page
from fairtake.profile import Profile
from fairtake.receipt import OUTPUT_SUFFIXES, RECEIPT_SUFFIX, Measures, Receipt
from fairtake.shipped import load_profile
from fairtake.sound.listen import listen
from fairtake.sound.measures import measures
from fairtake.title import TITLE_FILE, Title, title_name
from fairtake.typed_file import read_settings

PathLike = str | os.PathLike[str]


def measure(file: PathLike, progress: Callable[[float], None] | None = None) -> Measures:
    """Measures of any sound file that fairtake reads. Raises a `TakeFault`."""
    with (
        tempfile.TemporaryDirectory(prefix="fairtake-") as scratch,
        open_take(Path(file).resolve(), Path(scratch)) as take,
    ):
        return measures(listen(take, progress, blemishes=False))


def master(
    take: PathLike,
    out: PathLike,
    profile: str | Profile = "audiobook",
    progress: Callable[[str, float], None] = lambda verb, share: None,
) -> Receipt:
    """Finish one take into the folder *out*: WAV, MP3, receipt and its page; nothing is replaced.

    *profile* is a name, the path of a TOML file, or a `Profile`. A title.toml beside the take gives
    tags, cover and overrides. Raises a `FairtakeError`; nothing is written then.
    """
    return _finished(Path(take), Path(out), profile, progress)


def mix(
    folder: PathLike,
    out: PathLike,
    profile: str | Profile = "podcast",
    progress: Callable[[str, float], None] = lambda verb, share: None,
) -> Receipt:
    """Finish the mix in *folder*, which holds a cues.toml and the files it names, as `master` does a
    take; with its stems, where the cues ask for them.

    Raises a `FairtakeError`; nothing is written then.
    """
    if not Path(folder).is_dir():
        raise NotAFile(f"'{Path(folder).name}' is no folder.")
    return _finished(Path(folder), Path(out), profile, progress)


def _finished(
    take: Path, out: Path, profile: str | Profile, progress: Callable[[str, float], None]
) -> Receipt:
    name, settings = profile_named(profile)
    title = _title_beside(take)
    if title.overrides:
        settings = settings.overridden(title.overrides, TITLE_FILE)
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".fairtake-", dir=out) as scratch:
        stem = _free_stem(out, take.stem)
        cover = take.parent / title.cover if title.cover else None
        job = Job(take.resolve(), take.name, stem, name, settings, title=title, cover=cover)
        done = finish_any(job, Path(scratch), progress)
        note = Path(scratch) / "receipt.json"
        note.write_text(done.receipt.to_json(), "utf-8")
        for suffix, made in done.files.items():
            move_new(made, out / (stem + suffix))
        move_new(note, out / f"{stem}{RECEIPT_SUFFIX}")
        with contextlib.suppress(OSError):  # the take is finished, with a picture or without
            links = links_of(out, done.receipt, take, has_title=False)
            page = sheet_page(done.receipt, done.sketch, links)
            put_page(out, sheet_name(stem), page, MARK)
        return done.receipt


def profile_named(profile: str | Profile) -> tuple[str, Profile]:
    """Name and settings of a profile given by name, by the path of a TOML file, or as it is."""
    if isinstance(profile, Profile):
        return "custom", profile
    if profile.endswith(".toml"):
        try:
            return Path(profile).stem, read_settings(Path(profile), Profile, ProfileInvalid)
        except OSError as e:
            raise ProfileInvalid(f"{profile}: {e.strerror}.") from None
    return profile, load_profile(profile)


def _title_beside(take: Path) -> Title:
    from fairtake.errors import TitleInvalid

    names: list[str] = []
    with contextlib.suppress(OSError):  # a folder may be open to us, and its list not
        names = os.listdir(take.parent)
    path = take.parent / title_name(names)
    return read_settings(path, Title, TitleInvalid) if path.is_file() else Title()


def _free_stem(out: Path, stem: str) -> str:
    taken = keys_in(out)
    for candidate in candidates(portable(f"{stem}.wav")):
        free = candidate.removesuffix(".wav")
        if not taken & {key(free + suffix) for suffix in OUTPUT_SUFFIXES}:
            return free
    raise AssertionError("unreachable")
