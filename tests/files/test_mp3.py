"""The MP3: its tags, its constant bit rate, its exact length, and what the encoder does to the level."""

from __future__ import annotations

import errno
import gc
import subprocess
import tempfile
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from mutagen.id3 import ID3
from mutagen.mp3 import MP3, BitrateMode

from fairtake.errors import EncoderFailed, EncoderMissing
from fairtake.files.encoder import encoder
from fairtake.files.mp3 import encode_mp3, level_loss_db, picture_suffix
from files.making import ENCODER, chord, decode, run_encoder

TAGS = {"title": "The Ferry = \"ß\" <b>; 'x' \\ 第", "album": "Nine Lamps", "artist": "Ysbet Tarrowick",
        "album_artist": "Ysbet Tarrowick", "composer": "Oswin Pellacote", "genre": "Audiobook",
        "date": "2024", "track": "3"}  # fmt: skip
BITRATES = (64, 96, 128, 160, 192, 224, 256, 320)


def mp3_of(folder: Path, sound: np.ndarray, rate: int = 44100, kbps: int = 192,
           tags: dict[str, str] | None = None, cover: Path | None = None) -> Path:  # fmt: skip
    folder.mkdir(exist_ok=True)
    copy, mp3 = folder / "copy.s16", folder / "out.mp3"
    copy.write_bytes(np.rint(sound * 32767).astype("<i2").tobytes())
    encode_mp3(copy, mp3, rate, sound.shape[1], kbps, tags or {}, cover)
    return mp3


@pytest.fixture
def cover(tmp_path: Path) -> Path:
    """A small picture."""
    path = tmp_path / "cover.png"
    run_encoder("-f", "lavfi", "-i", "color=teal:size=80x80", "-frames:v", "1", str(path))
    return path


def test_tags(tmp_path: Path, cover: Path) -> None:
    """Each tag stands in its ID3 frame, letter by letter, and the cover is a picture. id3.org, 2.4."""
    found = ID3(mp3_of(tmp_path / "a", chord(44100), tags=TAGS, cover=cover))
    text = {
        key: str(found[key])
        for key in ("TIT2", "TALB", "TPE1", "TPE2", "TCOM", "TCON", "TDRC", "TRCK")
    }
    assert text == {
        "TIT2": TAGS["title"], "TALB": TAGS["album"], "TPE1": TAGS["artist"],
        "TPE2": TAGS["album_artist"], "TCOM": TAGS["composer"], "TCON": TAGS["genre"],
        "TDRC": TAGS["date"], "TRCK": TAGS["track"],
    }  # fmt: skip
    picture = found.getall("APIC")[0]
    assert picture.mime in ("image/jpeg", "image/png")
    assert picture.data[:2] in (b"\xff\xd8", b"\x89P")
    assert len(found.getall("APIC")) == 1


def test_no_tags_no_frames(tmp_path: Path) -> None:
    """Without tags nothing is claimed: no title, no name, no picture."""
    found = ID3(mp3_of(tmp_path / "a", chord(44100)))
    assert {key[:4] for key in found} <= {"TSSE"}


def frames(data: bytes) -> list[tuple[int, int, bytes]]:
    """(kb/s, Hz, bytes) of each frame, walked by the header's own arithmetic. ISO 11172-3."""
    table = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
    at = (
        10 + sum((data[6 + k] & 0x7F) << (7 * (3 - k)) for k in range(4))
        if data[:3] == b"ID3"
        else 0
    )
    found = []
    while at + 4 <= len(data) and data[at : at + 3] != b"TAG":
        assert data[at] == 0xFF and data[at + 1] & 0xFE == 0xFA, "MPEG-1 layer III throughout"
        kbps, rate = table[data[at + 2] >> 4], (44100, 48000, 32000)[data[at + 2] >> 2 & 3]
        length = 144 * kbps * 1000 // rate + (data[at + 2] >> 1 & 1)
        found.append((kbps, rate, data[at : at + length]))
        at += length
    assert at == len(data)
    return found


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize("kbps", BITRATES)
def test_every_frame_has_the_bit_rate(tmp_path: Path, kbps: int, rate: int, channels: int) -> None:
    """Constant means constant: every frame but the first, which only carries the count of them."""
    mp3 = mp3_of(tmp_path / "a", chord(rate, channels, 1.0), rate, kbps)
    found = frames(mp3.read_bytes())
    assert b"Info" in found[0][2]
    assert {(k, r) for k, r, _ in found[1:]} == {(kbps, rate)}
    info = MP3(mp3).info
    assert (info.bitrate_mode, info.channels) == (BitrateMode.CBR, channels)


@pytest.mark.parametrize("samples", [17640, 44100, 44101, 1152 * 40, 141_869])
@pytest.mark.parametrize("kbps", [64, 192, 320])
def test_length_to_the_sample(tmp_path: Path, kbps: int, samples: int) -> None:
    """Two decoders give back exactly as many samples as went in, at the same place.

    The Info frame carries delay and padding: frames * 1152 - delay - padding = length. LAME VbrTag.c.
    """
    sound = chord(44100, 1, samples / 44100)
    assert len(sound) == samples
    mp3 = mp3_of(tmp_path / "a", sound, 44100, kbps)
    for found in (soundfile.read(mp3, always_2d=True)[0], decode(mp3)):
        assert len(found) == samples
        assert np.std(found - sound * 10 ** (-level_loss_db(kbps) / 20)) < 0.03


LOSS_DB = {64: 0.4455, 96: 0.4455, 128: 0.4455, 160: 0.4455, 192: 0.2646, 224: 0.1755,
           256: 0.0, 320: 0.0}  # fmt: skip


@pytest.mark.parametrize("kbps", BITRATES)
def test_the_encoders_own_loss_of_level(tmp_path: Path, kbps: int) -> None:
    """The encoder lowers what it encodes, and by as much as the table says. LAME presets.c.

    Measured with tones below 3.1 kHz, which every bit rate keeps; a row that is wrong is off by
    0.09 dB at least.
    """
    assert level_loss_db(kbps) == pytest.approx(LOSS_DB[kbps], abs=5e-5)
    sound = chord(44100, 1, 3.0)
    found = decode(mp3_of(tmp_path / "a", sound, 44100, kbps))
    loss_db = -20 * np.log10(float((found * sound).sum() / (sound * sound).sum()))
    assert loss_db == pytest.approx(LOSS_DB[kbps], abs=0.03)


def test_the_same_twice(tmp_path: Path, cover: Path) -> None:
    """The same samples and tags give the same bytes: a repeated publish changes nothing."""
    one, two = (
        mp3_of(tmp_path / name, chord(44100), tags=TAGS, cover=cover) for name in ("a", "b")
    )
    assert one.read_bytes() == two.read_bytes()


def test_temporary_files_stay_in_scratch(tmp_path: Path, cover: Path) -> None:
    """Nothing is left beside the MP3, and the process's own place for temporary files is as before."""
    before = tempfile.tempdir
    mp3 = mp3_of(tmp_path / "a", chord(44100), cover=cover)
    assert {p.name for p in mp3.parent.iterdir()} == {"copy.s16", "out.mp3"}
    assert tempfile.tempdir == before


@pytest.fixture
def after_pydub_failed() -> Iterator[None]:
    """Collects the temporary file that pydub leaves open when it fails, without the warning."""
    yield
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


def test_a_broken_cover_fails_with_a_code(tmp_path: Path, after_pydub_failed: None) -> None:
    """What only begins like a picture makes the encoder fail, and that has a code of its own."""
    broken = tmp_path / "cover.png"
    broken.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(50))
    with pytest.raises(EncoderFailed) as caught:
        mp3_of(tmp_path / "a", chord(44100), cover=broken)
    assert caught.value.detail
    assert len(str(caught.value)) < 400


@pytest.fixture
def too_wide(tmp_path: Path) -> Path:
    """A sound picture that no JPEG can hold: the encoder reads it and fails, each time."""
    path = tmp_path / "wide.png"
    run_encoder("-f", "lavfi", "-i", "color=teal:size=70000x1", "-frames:v", "1", str(path))
    return path


def test_what_the_encoder_fails_on_is_named(
    tmp_path: Path, too_wide: Path, after_pydub_failed: None
) -> None:
    """An encoder that works and fails on this take says why. Tags that read like another fault,
    which it repeats in its output, do not count for one."""
    tags = {"title": "No space left on device", "comment": "error code: 228"}
    with pytest.raises(EncoderFailed) as caught:
        mp3_of(tmp_path / "a", chord(44100), tags=tags, cover=too_wide)
    assert caught.value.detail == "JPEG does not support resolutions above 65500x65500."


@pytest.fixture
def stand_in(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, after_pydub_failed: None
) -> Iterator[Callable[[str], Path]]:
    """Puts a script before the encoder; ``"$real"`` in it is the real one."""

    def put(script: str) -> Path:
        path = tmp_path / "encoder"
        path.write_text(f"#!/bin/sh\nreal={ENCODER}\n{script}\n")
        path.chmod(0o755)
        monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(path))
        encoder.cache_clear()
        return path

    yield put
    encoder.cache_clear()


def test_an_encoder_that_dies_on_one_take_is_the_takes_affair(
    tmp_path: Path, stand_in: Callable[[str], Path]
) -> None:
    """It works on silence, so that it is there and runs; the signal is named. Requirement 15."""
    stand_in('case "$*" in *poison*) kill -SEGV $$ ;; esac; exec "$real" "$@"')
    with pytest.raises(EncoderFailed, match="SIGSEGV"):
        mp3_of(tmp_path / "a", chord(44100), tags={"title": "poison"})
    assert mp3_of(tmp_path / "b", chord(44100)).stat().st_size > 10_000


def test_an_encoder_that_encodes_nothing_is_a_missing_one(
    tmp_path: Path, stand_in: Callable[[str], Path]
) -> None:
    """Broken, taken away or no program: the machine's fault, whatever was to be encoded."""
    path = stand_in("echo it is broken >&2; exit 1")
    with pytest.raises(EncoderMissing, match="it is broken"):
        mp3_of(tmp_path / "a", chord(44100))
    path.write_bytes(b"no program")
    with pytest.raises(EncoderMissing, match="Exec format"):
        mp3_of(tmp_path / "a", chord(44100))
    path.unlink()
    with pytest.raises(EncoderMissing, match="No such file"):
        mp3_of(tmp_path / "a", chord(44100))


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own, of a size that `resize` sets."""
    disk = tmp_path / "disk"
    disk.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", disk], capture_output=True)
    if made.returncode:
        pytest.skip("this account may not mount a file system")
    yield disk
    subprocess.run(["umount", "-l", disk], check=True)


def test_a_disk_that_fills_up_at_any_point_of_encoding(
    tmp_path: Path, disk: Path, after_pydub_failed: None
) -> None:
    """In pydub's copy, in the encoder's output or in the MP3: no room is said. Requirement 13."""
    copy = tmp_path / "copy.s16"
    copy.write_bytes(np.rint(chord(44100, 1, 2.0) * 32767).astype("<i2").tobytes())
    found = []
    for size_kb in range(100, 300, 16):
        for path in disk.iterdir():
            path.unlink()
        gc.collect()  # the temporary file that pydub leaves open takes room, too
        subprocess.run(["mount", "-o", f"remount,size={size_kb}k", disk], check=True)
        try:
            encode_mp3(copy, disk / "out.mp3", 44100, 1, 192, {}, None)
        except OSError as e:
            found.append(e.errno)
        else:
            found.append(0)
    assert set(found) == {errno.ENOSPC, 0}
    assert found == sorted(found, reverse=True) and found.count(errno.ENOSPC) > 4


@pytest.mark.parametrize(
    ("data", "suffix"),
    [
        (b"\x89PNG\r\n\x1a\nmore", ".png"), (b"\xff\xd8\xff\xe0more", ".jpg"),
        (b"GIF89a", None), (b"", None), (b"<svg/>", None), (b"\x89PNG", None),
    ],
)  # fmt: skip
def test_pictures_are_known_by_bytes(data: bytes, suffix: str | None) -> None:
    """A cover is what its first bytes are, whatever its name says. PNG and JPEG specifications."""
    assert picture_suffix(data) == suffix


@pytest.mark.parametrize("comment", ["a remark", "Überall grüßt der Wind", "x" * 300])
def test_a_comment_stands_in_its_own_frame(tmp_path: Path, comment: str) -> None:
    """A comment is read as a comment (COMM), and the other tags and the sound stay. ID3v2.4."""
    copy, mp3 = tmp_path / "copy.s16", tmp_path / "out.mp3"
    copy.write_bytes(bytes(2 * 44_100))
    encode_mp3(copy, mp3, 44_100, 1, 192, {"title": "The Ferry", "comment": comment}, None)
    tags = ID3(mp3)
    assert [str(frame).strip() for frame in tags.getall("COMM")] == [comment]
    assert str(tags["TIT2"]) == "The Ferry"
    assert "TXXX:comment" not in tags
    assert soundfile.info(mp3).frames == 44_100
