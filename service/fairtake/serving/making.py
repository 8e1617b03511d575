"""The part of the work that opens what others wrote, done in a process that may do nothing else.

A worker itself reads of strangers' files only bytes to hash and TOML, and moves finished files. The
decoding, and with it every library that could be broken by a take, happens in a confined process,
which has the take, its picture and the profile, and writes into its scratch alone.
"""

from __future__ import annotations

import errno
import importlib
import os
import stat
import traceback
from pathlib import Path
from typing import Any

import numpy as np

from fairtake.errors import FairtakeError, all_errors
from fairtake.files.encoder import encoder, encoder_version
from fairtake.files.mp3 import get_ready
from fairtake.master import Finished, Job
from fairtake.mixing import finish_any
from fairtake.receipt import Receipt
from fairtake.serving.confined import Died, Say, can_confine, confined
from fairtake.serving.sandbox import Rights, places_of_system
from fairtake.sketch import Sketch
from fairtake.sound.ear.net import learned
from fairtake.sound.filters import run
from fairtake.sound.loudness import k_weighting
from fairtake.versions import made_by

#: Memory beside the encoder's copy of the take, which is 16 bit, and which pydub holds as a whole.
_MEMORY_BYTES, _MEMORY_BYTES_PER_S = 2**30, 250_000
#: A decoded take is the largest file: 32 bit float, two channels, at the highest rate.
_FILE_BYTES, _FILE_BYTES_PER_S = 2**28, 192_000 * 2 * 4
#: Loaded only where they are used, which would be anew for each take.
_SLOW_TO_IMPORT = ("encodings.utf_8_sig", "numpy.fft", "numpy.ma", "numpy.random", "soxr")
#: Of the machine's memory one take may have so much at most.
_MOST_OF_MEMORY = 0.8


def get_warm() -> None:
    """Load everything a confined process needs, which begins as a copy of this one.

    Raises `EncoderMissing`.
    """
    for name in _SLOW_TO_IMPORT:
        importlib.import_module(name)
    run(k_weighting(48_000), np.zeros(1))  # loads what recurses
    learned()
    encoder_version()
    get_ready()
    made_by()
    places_of_system()


def make(job: Job, scratch: Path, patience_s: float, progress: Say) -> Finished:
    """As `fairtake.master.finish`, confined where the system can. Raises `Died` besides.

    *patience_s* is how long it may work on top of the length of the take.
    """
    if not can_confine():
        return finish_any(job, scratch, progress)
    get_warm()
    rights = _rights(job, scratch, patience_s)
    return _understood(confined(lambda say: _answer(job, scratch, say), rights, progress), scratch)


def _rights(job: Job, scratch: Path, patience_s: float) -> Rights:
    longest_s = job.profile.delivery.longest_s
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") * _MOST_OF_MEMORY
    return Rights(
        read=(job.take, *((job.cover,) if job.cover else ())),
        write=scratch,
        run=(Path(encoder()),),
        memory_bytes=int(min(_MEMORY_BYTES + longest_s * _MEMORY_BYTES_PER_S, memory)),
        file_bytes=int(_FILE_BYTES + longest_s * _FILE_BYTES_PER_S),
        cpu_s=int(patience_s + longest_s),
    )


# --- said in the confined process --------------------------------------------------------------


def _answer(job: Job, scratch: Path, say: Say) -> dict[str, Any]:
    try:
        done = finish_any(job, scratch, say)
    except FairtakeError as e:
        return {"code": e.code, "detail": e.detail}
    except MemoryError:
        return {"died": "The worker ran out of memory."}
    except OSError as e:
        if e.errno == errno.EFBIG:
            return {"died": "The worker wrote a file larger than it may."}
        return {"errno": e.errno, "error": e.strerror, "file": os.fsdecode(e.filename or "")}
    except Exception as e:  # a bug of ours, or a file that breaks a library: like a crash
        return {"died": described(e)}
    drawn = done.sketch.model_dump_json() if done.sketch else ""
    return {
        "wav": done.wav.name, "mp3": done.mp3.name, "receipt": done.receipt.model_dump(by_alias=True),
        "sketch": drawn, "stems": {kind: path.name for kind, path in done.stems.items()},
    }  # fmt: skip


def described(error: Exception) -> str:
    """An error nobody foresaw, on one line: what, and where."""
    place = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {error} ({Path(place.filename).name}, line {place.lineno})."


# --- understood in the worker ------------------------------------------------------------------


def _understood(answer: dict[str, Any], scratch: Path) -> Finished:
    """The finished files, or the error that was told of. What was told may be a lie, or nonsense."""
    match answer:
        case {
            "wav": str(wav), "mp3": str(mp3), "receipt": dict(receipt), "sketch": str(drawn),
            "stems": dict(stems),
        }:  # fmt: skip
            try:
                made = Receipt.model_validate(receipt)
            except (ValueError, RecursionError):
                raise Died("The worker's receipt is none.") from None
            if set(stems) != set(made.mix.stems if made.mix else ()):
                raise Died("The worker's stems are not those of its receipt.")
            found = {kind: _plain(scratch, str(name)) for kind, name in stems.items()}
            return Finished(_plain(scratch, wav), _plain(scratch, mp3), made, _sketch(drawn), found)
        case {"code": str(code), "detail": str(detail)}:
            kinds = {kind.code: kind for kind in all_errors()}
            raise kinds.get(code, FairtakeError)(detail)
        case {"errno": int() | None as number, "error": str() | None as said, "file": str(file)}:
            raise OSError(number or errno.EIO, said or "", file or None)
        case {"died": str(how)}:
            raise Died(how)
    raise Died("The worker's answer makes no sense.")


def _sketch(drawn: str) -> Sketch | None:
    """What pictures are drawn from; a take does not fail for the want of them."""
    try:
        return Sketch.model_validate_json(drawn)
    except ValueError:
        return None


def _plain(scratch: Path, name: str) -> Path:
    """A file of scratch that may be published: nothing that leads elsewhere."""
    path = scratch / name
    if path.parent != scratch or not path.exists() or not stat.S_ISREG(path.lstat().st_mode):
        raise Died("The worker's finished files are none.")
    return path
