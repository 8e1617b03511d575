"""The encoder binary: which one it is, and that decoding a take opens nothing but the take."""

from __future__ import annotations

import errno
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import imageio_ffmpeg
import pytest

from fairtake.errors import CutShort, Damaged, EncoderMissing
from fairtake.files import encoder as module
from fairtake.files.encoder import decode_to_wav, decodes, encoder, encoder_version
from files.making import chord, encode, run_encoder


@pytest.fixture
def forgetful() -> Iterator[None]:
    """Forgets which encoder was found, before and after the test."""
    encoder.cache_clear()
    encoder_version.cache_clear()
    yield
    encoder.cache_clear()
    encoder_version.cache_clear()


def test_it_is_the_one_that_pip_installs() -> None:
    """The encoder stands in the environment and says its version in one word for the receipt."""
    assert Path(encoder()).is_file()
    assert re.fullmatch(r"\S+", encoder_version())
    assert "Copyright" not in encoder_version()


def test_missing(monkeypatch: pytest.MonkeyPatch, forgetful: None) -> None:
    """Without an encoder the surroundings are at fault, not the take."""
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", "/nowhere/encoder")
    with pytest.raises(EncoderMissing):
        encoder_version()


@pytest.mark.skipif(os.name != "posix", reason="the encoder is a script of the shell")
def test_one_that_was_killed_is_found_out_again(tmp_path: Path) -> None:
    """Ended once for want of memory, while it was asked for its version: the same process finds it
    the next time it looks. Tried with the package that brings it, its encoder being one that dies once."""
    package = shutil.copytree(Path(imageio_ffmpeg.__file__).parent, tmp_path / "lib/imageio_ffmpeg")
    [brought] = [
        path for path in (package / "binaries").iterdir() if path.name.startswith("ffmpeg")
    ]
    died = tmp_path / "died"
    brought.unlink()
    brought.write_text(
        f'#!/bin/sh\n[ -e {died} ] && exec {imageio_ffmpeg.get_ffmpeg_exe()} "$@"\n: >{died}\nkill -9 $$\n'
    )
    brought.chmod(0o755)
    program = (
        "from fairtake.errors import EncoderMissing\n"
        "from fairtake.files.encoder import encoder, encoder_version\n"
        "for _ in range(3):\n"
        "    try: print(encoder_version() != '', encoder())\n"
        "    except EncoderMissing: print('missing')\n"
    )
    env = {**os.environ, "PYTHONPATH": str(tmp_path / "lib"), "PATH": "/nowhere"}
    done = subprocess.run(
        [sys.executable, "-c", program], env=env, capture_output=True, text=True, check=True
    )
    assert died.exists() and done.stdout.split("\n")[:3] == ["missing", *2 * [f"True {brought}"]]


def test_missing_while_decoding(
    monkeypatch: pytest.MonkeyPatch, forgetful: None, tmp_path: Path
) -> None:
    """The same in the middle of the work."""
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", "/nowhere/encoder")
    take = tmp_path / "take"
    take.write_bytes(b"anything")
    with pytest.raises(EncoderMissing):
        decode_to_wav(take, "m4a", tmp_path / "out.wav")


def test_full_disk_is_not_the_takes_fault(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """When the decoder finds no room, an OSError says so and the take keeps its good name."""

    def full(*_: Any, **__: Any) -> subprocess.CompletedProcess[str]:
        return subprocess.CompletedProcess([], 228, "", "x.wav: No space left on device")

    monkeypatch.setattr(module, "_run", full)
    with pytest.raises(OSError, match="No space left"):
        decode_to_wav(tmp_path / "take", "m4a", tmp_path / "out.wav")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_full_disk_as_the_decoder_words_it(tmp_path: Path) -> None:
    """The words looked for are the decoder's own: writing to /dev/full brings them out."""
    take = encode(tmp_path / "take", chord(48000, 2, 3.0), 48000, "-c:a", "aac", "-f", "adts")
    with pytest.raises(OSError, match="No space left"):
        decode_to_wav(take, "aac", Path("/dev/full"))


def test_the_words_of_a_cut_file(tmp_path: Path) -> None:
    """So are the words by which a cut M4A is told from a damaged one, should the sniffer miss it."""
    whole = encode(tmp_path / "whole", chord(44100, 1, 2.0), 44100, "-c:a", "aac", "-f", "ipod")
    take = tmp_path / "take"
    take.write_bytes(whole.read_bytes()[:-2000])
    with pytest.raises(CutShort):
        decode_to_wav(take, "m4a", tmp_path / "out.wav")


@pytest.mark.skipif(sys.platform != "linux", reason="needs a file that cannot be read")
@pytest.mark.parametrize("container", ["m4a", "aac", "mp3", "flac", "wav", "rf64"])
def test_a_drive_that_fails_is_not_the_takes_fault(tmp_path: Path, container: str) -> None:
    """Whatever the decoder says of a take, its drive is asked first. A process' memory opens like a take,
    and nothing lies at its beginning: reading there is an error of input, for the decoder and for us."""
    with pytest.raises(OSError) as refused:
        decode_to_wav(Path("/proc/self/mem"), container, tmp_path / "out.wav")
    assert refused.value.errno == errno.EIO


@pytest.mark.skipif(not shutil.which("strace"), reason="needs strace")
@pytest.mark.parametrize("container", ["m4a", "aac", "mp3", "flac", "wav"])
def test_a_drive_that_failed_for_a_moment_costs_nothing(
    monkeypatch: pytest.MonkeyPatch, forgetful: None, tmp_path: Path, container: str
) -> None:
    """All of the take is decoded, though the system refused the decoder's third look into it."""
    how = {
        "m4a": ("-c:a", "aac", "-f", "ipod"), "aac": ("-c:a", "aac", "-f", "adts"),
        "mp3": ("-write_xing", "0", "-f", "mp3"), "flac": ("-f", "flac"), "wav": ("-f", "wav"),
    }[container]  # fmt: skip
    take = encode(tmp_path / "take", chord(44100, 1, 20.0), 44100, *how)
    decode_to_wav(take, container, tmp_path / "out.wav")
    whole, failed, real = (tmp_path / "out.wav").read_bytes(), tmp_path / "failed", encoder()
    once = tmp_path / "once"
    once.write_text(
        f'#!/bin/sh\n[ -e {failed} ] && exec {real} "$@"\n: >{failed}\nexec strace -f -qq -o {failed} '
        f'-e trace=read -P {take} -e inject=read:error=EIO:when=3 {real} "$@"\n'
    )
    once.chmod(0o755)
    encoder.cache_clear()
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(once))
    decode_to_wav(take, container, tmp_path / "out.wav")
    if "INJECTED" not in failed.read_text():
        pytest.skip("strace may not trace here")
    assert (tmp_path / "out.wav").read_bytes() == whole


def test_another_container_than_said_is_not_decoded(tmp_path: Path) -> None:
    """The demuxer is pinned: an ADTS file said to be M4A is not recognised for what it is."""
    take = encode(tmp_path / "take", chord(44100, 1, 1.0), 44100, "-c:a", "aac", "-f", "adts")
    with pytest.raises((Damaged, CutShort)):
        decode_to_wav(take, "m4a", tmp_path / "out.wav")


@pytest.mark.parametrize("name", ["cover.png", "cover.jpg"])
def test_pictures_that_decode(tmp_path: Path, name: str) -> None:
    """A whole picture decodes; one that breaks off, or is another kind than its name, does not."""
    cover = tmp_path / name
    run_encoder("-f", "lavfi", "-i", "testsrc=size=320x320", "-frames:v", "1", str(cover))
    assert decodes(cover)
    cover.write_bytes(cover.read_bytes()[:40])
    assert not decodes(cover)
    cover.write_bytes(b"ffconcat version 1.0\nfile other.png\n")
    assert not decodes(cover)


@pytest.mark.skipif(not shutil.which("strace"), reason="needs strace")
@pytest.mark.parametrize("container", ["m4a", "aac", "mp3"])
def test_no_other_file_and_no_socket_is_opened(tmp_path: Path, container: str) -> None:
    """While decoding, only the take is read, only the WAV is written, nothing is sent.

    Watched from outside by strace. The machine's own (/proc, /sys, /dev, /etc, libraries) may be
    read; the folder of the take has a neighbour that must stay untouched.
    """
    how = {
        "m4a": ("-c:a", "aac", "-f", "ipod"),
        "aac": ("-c:a", "aac", "-f", "adts"),
        "mp3": ("-write_xing", "0", "-f", "mp3"),
    }[container]
    take = encode(tmp_path / "take", chord(44100, 1, 0.5), 44100, *how)
    (tmp_path / "neighbour.m4a").write_bytes(take.read_bytes())
    wav, log = tmp_path / "out.wav", tmp_path / "log"
    call = f"decode_to_wav(Path({str(take)!r}), {container!r}, Path({str(wav)!r}))"
    program = (
        f"from pathlib import Path\nfrom fairtake.files.encoder import decode_to_wav, encoder\n"
        f"encoder()\nopen({str(tmp_path / 'begin')!r}, 'w').close()\n{call}\n"
    )
    done = subprocess.run(
        ["strace", "-f", "-qq", "-e", "trace=open,openat,openat2,socket,connect", "-o", str(log),
         sys.executable, "-c", program], capture_output=True,
    )  # fmt: skip
    if not log.exists() or b"ptrace" in done.stderr.lower():
        pytest.skip("strace may not trace here")
    assert done.returncode == 0, done.stderr
    calls = log.read_text().split(f"{tmp_path}/begin", 1)[1]
    assert "socket(" not in calls and "connect(" not in calls
    opened = set(re.findall(r'open(?:at2?)?\([^"]*"([^"]+)"', calls))
    ours = {path for path in opened if path.startswith(str(tmp_path))}
    assert ours == {str(take), str(wav)}
    system = ("/proc/", "/sys/", "/dev/", "/etc/", "/usr/", "/lib", sys.prefix, sys.base_prefix)
    assert [p for p in opened - ours if p.startswith("/") and not p.startswith(system)] == []
