"""A take's page once more, from its receipt and the files: heard and planned again as it was."""

from __future__ import annotations

import tempfile
from dataclasses import fields
from pathlib import Path
from typing import Any

from fairtake.errors import ReceiptInvalid
from fairtake.files.hashing import take_hash
from fairtake.files.take import open_take
from fairtake.folders.names import portable
from fairtake.folders.pages import put_page
from fairtake.master import SEEN_DB, Job, sketch_of, voice_of
from fairtake.mixing.mix import drawn_again
from fairtake.pages import MARK, sheet_name
from fairtake.pages.neighbours import links_of
from fairtake.pages.sheet import sheet_page
from fairtake.plain_file import read_object
from fairtake.profile import Profile
from fairtake.receipt import RECEIPT_SUFFIX, Receipt
from fairtake.rounds import Asked, Rounds, Stopwatch
from fairtake.sketch import Sketch
from fairtake.sound.levels import ROWS_PER_S
from fairtake.sound.listen import listen
from fairtake.sound.phase import Phase
from fairtake.sound.plan import Correction
from fairtake.sound.spared import Spared
from fairtake.sound.thin import outline_of, thin
from fairtake.typed_file import typed


def redraw(receipt: Path, original: Path | None = None) -> tuple[Path, bool]:
    """Make a finished take's page beside its *receipt*; where it is, and whether it could be put there.

    *original* is looked for where the service and `fairtake master` leave it when it is not given.
    Raises `ReceiptInvalid`, and a `TakeFault` where a file cannot be read.
    """
    known = read_receipt(receipt)
    try:
        page = _drawn(receipt, known, original)
    # What the stages did, and the profile, are told in the receipt as they come: of any kind.
    except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError) as e:
        raise ReceiptInvalid(
            f"{receipt.name} is damaged, for no page can be drawn from it ({type(e).__name__}: {e})."
        ) from None
    name = sheet_name(receipt.name.removesuffix(RECEIPT_SUFFIX))
    return receipt.with_name(name), put_page(receipt.parent, name, page, MARK)


def _drawn(receipt: Path, known: Receipt, original: Path | None) -> str:
    original = original or original_of(receipt, known)
    if original is not None and take_hash(original) != known.take.sha256:
        raise ReceiptInvalid(f"{original.name} is not the recording that it was made from.")
    sketch = sketch_again(known, original, receipt.with_name(known.outputs.wav.file))
    links = links_of(receipt.parent, known, original, (receipt.parent / "index.html").exists())
    return sheet_page(known, sketch, links)


def read_receipt(path: Path) -> Receipt:
    """Raises `ReceiptInvalid`."""
    try:
        return Receipt.model_validate(read_object(path))
    except ValueError:
        raise ReceiptInvalid(f"{path.name} is no receipt of a finished take.") from None


def original_of(receipt: Path, known: Receipt) -> Path | None:
    """The recording a receipt speaks of, where it can be found."""
    stem = receipt.name.removesuffix(RECEIPT_SUFFIX)
    suffix = Path(portable(known.take.name)).suffix
    places = [receipt.parent / known.take.name]
    for home in receipt.absolute().parents:
        inside = receipt.absolute().parent.relative_to(home)
        places.append(home.parent / "originals" / inside / f"{stem}{suffix}")
        if home.name == "outbox":
            break
    return next((p for p in places if p.exists() and take_hash(p) == known.take.sha256), None)


def sketch_again(known: Receipt, original: Path | None, wav: Path) -> Sketch | None:
    """What the pictures are drawn from; only the finished file's outline without the *original*, and
    nothing at all without the WAV."""
    with tempfile.TemporaryDirectory(prefix="fairtake-") as folder:
        scratch = Path(folder)
        if not wav.is_file():
            return None
        with open_take(wav, scratch) as file:
            after = outline_of(listen(file, blemishes=False, voice=False).levels)
        if original is None:
            return Sketch(before=None, after=after, gains={}, clicks_s=[], clipped_s=[])
        profile = typed(known.profile.settings, Profile, ReceiptInvalid, "receipt")
        did = {note.stage: note.did for note in known.stages}
        used = correction_of(known)
        # What was foreseen is drawn, but where the limiter found nothing to do, as the receipt says.
        was_limited = did.get("limit", {}).get("greatest_db", 0.0) >= -SEEN_DB
        if known.mix is not None:
            job = Job(original, known.take.name, "", known.profile.name, profile)
            return drawn_again(job, scratch, after, used, was_limited)
        with open_take(original, scratch) as take:
            whole = listen(take)
            source, heard = voice_of(take, whole, profile)
            rounds = Rounds(
                profile, source, heard.levels, scratch, 0, {}, None, _quiet, Stopwatch()
            )
            plan, _, _ = rounds.plan(Asked(used))
            limited_db = plan.limited_db if was_limited else plan.limited_db[:0]
            return sketch_of(
                outline_of(whole.levels), after, plan, thin(limited_db), source.sample_rate_hz
            )


def did_of(known: Receipt, stage: str) -> dict[str, Any]:
    """What a stage did, as the receipt tells it; nothing where it was not in the chain."""
    return next((note.did for note in known.stages if note.stage == stage), {})


def correction_of(known: Receipt) -> Correction:
    """What the last round corrected, as far as this version knows of such corrections."""
    told = did_of(known, "normalise").get("correction", {})
    # The peaks themselves are in no receipt: where they mattered they are heard again.
    names = {field.name for field in fields(Correction)} - {
        "spared", "peaks_known", "phase",
    }  # fmt: skip
    turn = did_of(known, "phase")
    phase = Phase(float(turn.get("angle_deg", 0.0)), int(turn.get("all_passes", 0)))
    spared = frozenset(
        Spared(round(place.from_s * ROWS_PER_S), round(place.to_s * ROWS_PER_S), place.by)
        for place in known.speech.spared
    )
    return Correction(**{n: v for n, v in told.items() if n in names}, spared=spared, phase=phase)


def _quiet(verb: str, share: float) -> None:
    """Nobody watches."""
