"""Make the raw takes of the demo: an invented book, read by a speech synthesiser in a made-up room.

    python samples/make_samples.py            write takes and mix beside this file
    python samples/make_samples.py --check    make them anew and compare; exit 1 if any differs
    python samples/make_samples.py --marks    print where speech, breaths and clicks lie, as JSON

Two runs give the same bytes. espeak-ng is needed to make the takes, not to use them.
"""

from __future__ import annotations

import argparse
import io
import json
import sys
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import matplotlib
import numpy as np
import soundfile
from matplotlib.figure import Figure
from music import RATE_HZ as MUSIC_RATE_HZ
from music import bell, harp
from scene import RATE_HZ, Scene, SynthesiserMissing, Take, Voice, peak_dbfs

SEED = 20_417  # any number does; another one moves every noise in every take

TITLE = "Nine Lamps at Orrowmere"
AUTHOR = "Ysbet Tarrowick"
NARRATOR = "Oswin Pellacote"
PRESS = "Gannetlea Press"
YEAR = 2025

# The release that spoke the takes in the repository; another one may pronounce otherwise.
SPEECH_MADE_WITH = "espeak-ng 1.51"


# --- the four chapters --------------------------------------------------------------------------

# Plain "en-gb" ignores a variant in some releases of the synthesiser; the others heed it.
WOMAN = Voice("en-gb-x-rp+f3", pitch=48, words_per_minute=178)
OLD_WOMAN = Voice("en-gb-scotland+f2", pitch=38, words_per_minute=160)
MAN = Voice("en-us+m3", pitch=42, words_per_minute=172)
BOY = Voice("en-gb-x-rp+m1", pitch=62, words_per_minute=170)


def harbour_bell() -> Take:
    """A take as it should be: good level, room before and after, a few breaths and clicks."""
    s = Scene(WOMAN, (SEED, 1))
    s.wait(1.30).click(-34.0).wait(0.50)
    s.say("Twice it rang.").wait(0.08).breathe(240).wait(0.06)
    s.say("Nobody came.").wait(0.08).click(-30.0).wait(0.06).breathe(180).wait(0.06)
    s.say("I lit a lamp.").wait(0.75).click(-36.0).wait(1.25)
    return s.take()


def letter_in_salt() -> Take:
    """Recorded too quiet, and the talker moved closer half way through."""
    # Two halves 8 dB apart whose mean power is -32 dBFS: the first lies 5.6 dB under that mean.
    s = Scene(MAN, (SEED, 2), speech_dbfs=-37.6, room_dbfs=-70.0)
    s.wait(0.90)
    s.say("The letter came over the water in a jar of salt.").wait(0.12).breathe(330).wait(0.08)
    s.say("The ink was brown, and every line leaned out to sea.").wait(0.60)
    s.speak_up(8.0).breathe(420).wait(0.09)
    s.say("Come before the ninth lamp goes out, it said.").wait(0.14).breathe(240).wait(0.07)
    s.say("Bring oil, bring rope, and tell nobody.").wait(1.20)
    return s.take()


def ninth_lamp() -> Take:
    """In stereo, a little hot, with mains hum, and stopped as soon as the last word was out."""
    s = Scene(OLD_WOMAN, (SEED, 3), room_dbfs=-64.0)
    s.wait(0.60)
    s.say("The ninth lamp was never on the chart.").wait(0.10).breathe(300).wait(0.07)
    s.say("We found it by its warmth, under the stairs of the tide house.").wait(0.15)
    take = s.take(channels=2, hum_dbfs=-58.0)
    return take.louder(-1.0 - peak_dbfs(take.samples))


def low_water() -> Take:
    """Whole as it is made here; `cut_off` breaks the file afterwards."""
    s = Scene(BOY, (SEED, 4), speech_dbfs=-24.0, room_dbfs=-63.0)
    s.wait(0.70)
    s.say("At low water you can walk to the lamp house.").wait(0.10).breathe(280).wait(0.08)
    s.say("Keep the posts on your left, and do not stop to look at the bells.").wait(1.50)
    return s.take()


def trailer() -> Take:
    """What is said in the trailer."""
    s = Scene(MAN, (SEED, 5), speech_dbfs=-22.0, room_dbfs=-64.0)
    s.wait(0.70)
    s.say("Nine lamps burn at Orrowmere.").wait(0.35).breathe(260).wait(0.15)
    s.say("Somebody is putting them out.").wait(1.70)
    s.say("A story by Ysbet Tarrowick.").wait(0.60)
    return s.take()


# --- files --------------------------------------------------------------------------------------


def sound_bytes(take: Take, container: str, bits: int) -> bytes:
    """A take as a WAV or FLAC file of 16 or 24 bits.

    Plain rounding is enough: the room is louder than a dither would be.
    """
    dtype, padding = (np.int16, 0) if bits == 16 else (np.int32, 32 - bits)
    top = 2 ** (bits - 1)
    whole = np.clip(np.rint(take.samples * top), -top, top - 1).astype(dtype) << padding
    return packed(whole, RATE_HZ, container, bits)


def packed(whole: np.ndarray, rate_hz: int, container: str, bits: int) -> bytes:
    """Integers as the bytes of a file."""
    file = io.BytesIO()
    soundfile.write(file, whole, rate_hz, format=container, subtype=f"PCM_{bits}")
    return file.getvalue()


def music_bytes(samples: np.ndarray) -> bytes:
    """Music as a FLAC file of 16 bits."""
    return packed(np.rint(samples * 32767).astype(np.int16), MUSIC_RATE_HZ, "FLAC", 16)


def cut_off(whole: bytes, blocks: int) -> bytes:
    """What is left of a file whose copy died after so many blocks of 64 KiB; its header is old."""
    return whole[: blocks * 65_536]


def cover_png() -> bytes:
    """The cover: type on a dark ground, 600 pixels square."""
    # Only fonts that come with matplotlib, and no line about who wrote the file.
    with matplotlib.rc_context({**matplotlib.rcParamsDefault, "font.family": "DejaVu Serif"}):
        page = Figure(figsize=(6, 6), dpi=100, facecolor="#16283a")

        def write(x: float, y: float, words: str, size: int, colour: str) -> None:
            page.text(x, y, words, size=size, color=colour, ha="center", va="center")

        for x in np.linspace(0.18, 0.82, 9):  # nine lamps, the last one lit
            size, colour = (15, "#f2c14e") if x > 0.8 else (9, "#5f7f99")
            write(x, 0.80, "\u25cf", size, colour)
        write(0.5, 0.56, TITLE.replace(" at ", "\nat "), 34, "#f4efe4")
        write(0.5, 0.32, AUTHOR, 20, "#f2c14e")
        write(0.5, 0.09, PRESS.upper(), 11, "#8fa9bd")
        file = io.BytesIO()
        page.savefig(file, format="png", metadata={"Software": None})
    return file.getvalue()


def title_toml() -> bytes:
    """The settings that lie beside the takes of a title."""
    lines = [
        'profile = "audiobook"',
        'cover = "cover.png"',
        "",
        "[tags]",
        f'title = "{TITLE}"',
        f'author = "{AUTHOR}"',
        f'narrator = "{NARRATOR}"',
        f"year = {YEAR}",
        'genre = "Fiction"',
    ]
    return ("\n".join(lines) + "\n").encode()


@dataclass(frozen=True)
class Chapter:
    """A raw take on disk: its file name, what is heard, and how that becomes bytes."""

    file_name: str
    take: Callable[[], Take]
    bits: int
    blocks_kept: int | None = None  # None: the whole file

    def file_bytes(self) -> bytes:
        """Speak the take and pack it."""
        container = self.file_name.rsplit(".", 1)[1].upper()
        whole = sound_bytes(self.take(), container, self.bits)
        return whole if self.blocks_kept is None else cut_off(whole, self.blocks_kept)


CHAPTERS = (
    Chapter("01 The Harbour Bell.wav", harbour_bell, bits=24),
    Chapter("02 A Letter in Salt.flac", letter_in_salt, bits=16),
    Chapter("03 The Ninth Lamp.flac", ninth_lamp, bits=16),
    Chapter("04 Low Water.wav", low_water, bits=16, blocks_kept=4),
)


TRAILER, MIX = "Trailer", "Orrowmere Calls.mix"


def cues_toml() -> bytes:
    """What the mix is made of."""
    return b"""# The trailer: the bell, then a harp that gives way to the voice and outlasts it.

[[voice]]
file = "voice.flac"

[[bed]]
file = "harp.flac"
from = "start"
later_s = -3.0
until = "end"
until_later_s = 3.0
fade_out_s = 2.5
duck_hold_s = 1.2

[[spot]]
file = "bell.flac"
from = "start"
later_s = -3.5
level_lu = -12.0
"""


def trailer_toml() -> bytes:
    """The settings of the trailer, which is delivered elsewhere than the book."""
    return f'profile = "podcast"\n\n[tags]\ntitle = "{TITLE}"\nauthor = "{AUTHOR}"\n'.encode()


def write_trailer(folder: Path) -> None:
    """Write the folder of the trailer, with the mix in it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "title.toml").write_bytes(trailer_toml())
    folder = folder / MIX
    folder.mkdir(exist_ok=True)
    (folder / "cues.toml").write_bytes(cues_toml())
    (folder / "voice.flac").write_bytes(sound_bytes(trailer(), "FLAC", 16))
    (folder / "harp.flac").write_bytes(music_bytes(harp(SEED, 26)))
    (folder / "bell.flac").write_bytes(music_bytes(bell()))


def write_title(folder: Path) -> None:
    """Write the title's folder as somebody would drop it into the inbox."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "title.toml").write_bytes(title_toml())
    (folder / "cover.png").write_bytes(cover_png())
    for chapter in CHAPTERS:
        (folder / chapter.file_name).write_bytes(chapter.file_bytes())


# --- comparing ----------------------------------------------------------------------------------


def differences(kept: Path, made: Path) -> list[str]:
    """One sentence for each file in which two folders differ."""
    names = {
        p.relative_to(folder).as_posix()
        for folder in (kept, made)
        for p in folder.rglob("*")
        if p.is_file()
    }
    found = []
    for name in sorted(names):
        a, b = kept / name, made / name
        if not a.is_file():
            found.append(f"{name} is missing from {kept.name}")
        elif not b.is_file():
            found.append(f"{name} is in {kept.name} but nothing here makes it")
        elif a.read_bytes() != b.read_bytes() and not same_content(a, b):
            found.append(f"{name} is not what this script makes")
    return found


def same_content(a: Path, b: Path) -> bool:
    """Whether two files hold the same samples although their bytes differ.

    Another release of an encoder may pack the same samples otherwise. Only FLAC has that freedom.
    """
    if a.suffix != ".flac":
        return False
    try:
        (x, x_hz), (y, y_hz) = (soundfile.read(p, dtype="int32") for p in (a, b))
    except soundfile.LibsndfileError:
        return False
    return x_hz == y_hz and np.array_equal(x, y)


def check(folder: Path) -> int:
    """Make everything anew and say what differs from the folder; 0 when nothing does."""
    with tempfile.TemporaryDirectory(prefix="samples-") as scratch:
        write_title(Path(scratch) / TITLE)
        write_trailer(Path(scratch) / TRAILER)
        found = [
            sentence
            for name in (TITLE, TRAILER)
            for sentence in differences(folder / name, Path(scratch) / name)
        ]
    for sentence in found:
        print(sentence)
    if found:
        print(f"The takes were spoken by {SPEECH_MADE_WITH}; another release may sound different.")
        return 1
    print(f"{TITLE} and {TRAILER}: all as made")
    return 0


def marks_json() -> str:
    """Where everything lies in each take, times in seconds."""
    marks = {c.file_name: [asdict(m) for m in c.take().marks] for c in CHAPTERS}
    return json.dumps(marks, indent=1)


def main(arguments: list[str] | None = None) -> int:
    """Run as a command; gives the exit status."""
    parser = argparse.ArgumentParser(description="Make the raw takes of the demo.")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--check", action="store_true", help="compare with what lies here")
    what.add_argument("--marks", action="store_true", help="print where everything lies, as JSON")
    options = parser.parse_args(arguments)
    folder = Path(__file__).resolve().parent
    try:
        if options.check:
            return check(folder)
        if options.marks:
            print(marks_json())
        else:
            write_title(folder / TITLE)
            write_trailer(folder / TRAILER)
    except SynthesiserMissing as missing:
        print(missing, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
