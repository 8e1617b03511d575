"""Every format opens as the same stream of samples, and every bad file says what is wrong with it."""

from __future__ import annotations

import os
import stat
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import soundfile

from fairtake.errors import (
    CutShort,
    Damaged,
    EmptyFile,
    FairtakeError,
    HeaderOnly,
    NotAudio,
    TooLong,
    TooManyChannels,
    Unreadable,
    UnsupportedEncoding,
    UnsupportedRate,
)
from fairtake.files.encoder import decode_to_wav
from fairtake.files.take import Take, facts_of, open_take
from files.making import chord, decode, encode, run_encoder, write

Heard = Callable[[Path], tuple[Take, np.ndarray]]


class Format(NamedTuple):
    """How a take is made, how far its samples may lie from the source, and what it is called then.

    ``shift`` and ``more`` bound how much later it begins and how much longer it is, in samples.
    """

    how: tuple[str, ...]
    container: str
    encoding: str
    error_db: float
    shift: int = 0
    more: int = 0


LIBSNDFILE = {
    "wav 8 bit": Format(("WAV", "PCM_U8"), "wav", "8 bit", -42),
    "wav 16 bit": Format(("WAV", "PCM_16"), "wav", "16 bit", -90),
    "wav 24 bit": Format(("WAV", "PCM_24"), "wav", "24 bit", -138),
    "wav 32 bit": Format(("WAV", "PCM_32"), "wav", "32 bit", -180),
    "wav float": Format(("WAV", "FLOAT"), "wav", "32 bit float", -150),
    "wav double": Format(("WAV", "DOUBLE"), "wav", "64 bit float", -300),
    "wav extensible": Format(("WAVEX", "PCM_24"), "wav", "24 bit", -138),
    "rf64": Format(("RF64", "PCM_24"), "rf64", "24 bit", -138),
    "w64": Format(("W64", "PCM_24"), "w64", "24 bit", -138),
    "aiff 16 bit": Format(("AIFF", "PCM_16"), "aiff", "16 bit", -90),
    "aiff float": Format(("AIFF", "FLOAT"), "aiff", "32 bit float", -150),
    "caf 24 bit": Format(("CAF", "PCM_24"), "caf", "24 bit", -138),
    "caf alac": Format(("CAF", "ALAC_24"), "caf", "ALAC 24 bit", -138),
    "flac 16 bit": Format(("FLAC", "PCM_16"), "flac", "16 bit", -90),
    "flac 24 bit": Format(("FLAC", "PCM_24"), "flac", "24 bit", -138),
    "ogg vorbis": Format(("OGG", "VORBIS"), "ogg", "Vorbis", -40),
}
AAC = ("-c:a", "aac", "-b:a", "192k")
ENCODER = {
    "m4a": Format((*AAC, "-f", "ipod"), "m4a", "AAC or ALAC", -38, 0, 1024),
    "m4a index first": Format(
        (*AAC, "-movflags", "+faststart", "-f", "ipod"), "m4a", "AAC or ALAC", -38, 0, 1024
    ),
    # Fragments and ADTS carry no edit list: the coder's delay and its last frame stay.
    "m4a fragments": Format(
        (*AAC, "-movflags", "+frag_keyframe+empty_moov", "-f", "mp4"),
        "m4a", "AAC or ALAC", -38, 1024, 2048,
    ),
    "aac": Format((*AAC, "-f", "adts"), "aac", "AAC", -38, 1024, 2048),
    "m4a alac": Format(("-c:a", "alac", "-f", "ipod"), "m4a", "AAC or ALAC", -138),
    "mp3": Format(("-c:a", "libmp3lame", "-b:a", "192k", "-f", "mp3"), "mp3", "MP3", -30),
    "mp3 no tags": Format(
        ("-c:a", "libmp3lame", "-b:a", "192k", "-id3v2_version", "0", "-f", "mp3"),
        "mp3", "MP3", -30,
    ),
    "mp3 not counted": Format(
        ("-c:a", "libmp3lame", "-b:a", "192k", "-write_xing", "0", "-f", "mp3"),
        "mp3", "MP3", -30, 1105, 3000,
    ),
    "mp3 vbr": Format(("-c:a", "libmp3lame", "-q:a", "0", "-f", "mp3"), "mp3", "MP3", -40),
}  # fmt: skip


def holds(take: Take, found: np.ndarray, source: np.ndarray, rate: int, said: Format) -> None:
    """*found* is *source*, as near and as punctual as the format allows."""
    assert (take.container, take.encoding) == (said.container, said.encoding)
    assert (take.sample_rate_hz, take.channels) == (rate, source.shape[1])
    assert take.frames == len(found)
    assert len(source) <= len(found) <= len(source) + said.more
    late = 0
    if said.shift:
        late = int(np.argmax(np.correlate(found[:, 0], source[: len(source) // 2, 0], "valid")))
        assert late == said.shift
    error = found[late : late + len(source)] - source[: len(found) - late]
    assert 20 * np.log10(np.sqrt(np.mean(error**2)) + 1e-20) < said.error_db


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("name", LIBSNDFILE)
def test_lossless_and_vorbis(tmp_path: Path, heard: Heard, name: str, channels: int) -> None:
    """The stream holds the samples written, within a step of the format's bits. By algebra.

    Vorbis is lossy: 40 dB under full scale is what its usual quality keeps. Common practice.
    """
    said = LIBSNDFILE[name]
    source = chord(44100, channels, 0.7)
    path = write(tmp_path / "take", source, 44100, said.how[1], said.how[0])
    holds(*heard(path), source, 44100, said)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("name", ENCODER)
def test_made_by_the_encoder(tmp_path: Path, heard: Heard, name: str, channels: int) -> None:
    """Start, length and samples are the source's where the format tells its delay.

    1105 samples: MP3 encoder delay 576 and decoder delay 529, LAME's encoder.h and FAQ. 1024: the
    AAC coder's first frame. The sound is band-limited, so lossy coding keeps it to -30 dBFS.
    """
    said = ENCODER[name]
    source = chord(48000, channels, 0.7)
    holds(*heard(encode(tmp_path / "take", source, 48000, *said.how)), source, 48000, said)


@pytest.mark.parametrize("rate", [16000, 22050, 44100, 48000, 96000, 192000])
@pytest.mark.parametrize("name", ["wav 24 bit", "flac 24 bit", "w64", "aiff 16 bit"])
def test_every_rate_lossless(tmp_path: Path, heard: Heard, name: str, rate: int) -> None:
    """The promised range of rates, 16 to 192 kHz, opens at its own rate."""
    said = LIBSNDFILE[name]
    source = chord(rate, 1, 0.5)
    path = write(tmp_path / "take", source, rate, said.how[1], said.how[0])
    holds(*heard(path), source, rate, said)


@pytest.mark.parametrize("rate", [16000, 22050, 44100, 96000])
@pytest.mark.parametrize("name", ["mp3", "m4a", "m4a alac"])
def test_every_rate_coded(tmp_path: Path, heard: Heard, name: str, rate: int) -> None:
    """So do the coded formats, up to the rates they have."""
    if name == "mp3" and rate > 48000:
        pytest.skip("MP3 ends at 48 kHz")
    how = tuple("128k" if option == "192k" else option for option in ENCODER[name].how)
    source = chord(rate, 1, 0.5)
    take, found = heard(encode(tmp_path / "take", source, rate, *how))
    holds(take, found, source, rate, ENCODER[name]._replace(error_db=-28))


def test_opus(tmp_path: Path, heard: Heard) -> None:
    """Opus in Ogg opens at 48 kHz with its pre-skip taken off. RFC 7845."""
    source = chord(48000, 2, 0.7)
    how = ("-c:a", "libopus", "-b:a", "192k", "-f", "ogg")
    take, found = heard(encode(tmp_path / "take", source, 48000, *how))
    holds(take, found, source, 48000, Format(how, "ogg", "Opus", -35))


def test_flac_from_a_pipe(tmp_path: Path, heard: Heard) -> None:
    """A FLAC whose header does not count its samples is decoded to learn them. RFC 9639: 0 = unknown."""
    source = chord(44100, 1, 0.7)
    raw = ("-f", "f64le", "-ar", "44100", "-ac", "1", "-i", "-")
    path = tmp_path / "take"
    path.write_bytes(run_encoder(*raw, "-c:a", "flac", "-f", "flac", "-", data=source.tobytes()))
    holds(*heard(path), source, 44100, Format((), "flac", "FLAC", -138))


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0, 0x7FFFFFFF])
def test_wav_from_a_recorder_that_cannot_seek(tmp_path: Path, heard: Heard, size: int) -> None:
    """Unknown sizes in the header are accepted, and every sample behind them is read."""
    source = chord(44100, 1, 0.7)
    data = bytearray(write(tmp_path / "whole", source, 44100, "PCM_16", "WAV").read_bytes())
    data[4:8] = data[40:44] = struct.pack("<I", size)
    assert data[36:40] == b"data"
    path = tmp_path / "take"
    path.write_bytes(data)
    take, found = heard(path)
    assert take.frames == len(found) == len(source)


@pytest.mark.parametrize("extra", ["cover", "video", "chapters"])
def test_m4a_with_more_than_sound(tmp_path: Path, heard: Heard, extra: str) -> None:
    """A cover, a film or chapter marks beside the sound do not get in its way."""
    sound = encode(tmp_path / "plain.m4a", chord(44100, 1, 0.7), 44100, "-c:a", "aac")
    colour = ("-f", "lavfi", "-i", "color=red:size=64x64:duration=0.7")
    run_encoder(*colour, "-frames:v", "1", str(tmp_path / "cover.png"))
    cover = ("-i", str(tmp_path / "cover.png"), "-c:v", "copy", "-disposition:v:0", "attached_pic")
    more = {
        "cover": cover,
        "video": (*colour, "-c:v", "mpeg4"),
        "chapters": ("-f", "ffmetadata", "-i", str(tmp_path / "marks"), "-map_metadata", "1"),
    }[extra]
    marks = ";FFMETADATA1\n[CHAPTER]\nTIMEBASE=1/1000\nSTART=0\nEND=500\ntitle=One\n"
    (tmp_path / "marks").write_text(marks)
    path = tmp_path / f"{extra}.mp4"
    run_encoder("-i", str(sound), *more, "-map", "0", *(() if extra == "chapters" else ("-map", "1")),
                "-c:a", "copy", str(path))  # fmt: skip
    take, found = heard(path)
    assert (take.container, take.frames) == ("m4a", len(found))
    assert np.allclose(found, decode(sound), atol=1e-6)


NAMES = [b"take", "Über die Brücke – 第一章.wav".encode(), b"caf\xe9.wav", b"a\nb 'c\" $(d) \\.wav",
         b"http:take.wav", b"-i"]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", ["WAV", "m4a"])
def test_any_name(tmp_path: Path, heard: Heard, name: bytes, kind: str) -> None:
    """No file name, not even one that is not UTF-8, keeps a take from being opened."""
    source = chord(44100, 1, 0.5)
    made = tmp_path / "made"
    if kind == "WAV":
        write(made, source, 44100, "PCM_16", "WAV")
    else:
        encode(made, source, 44100, "-c:a", "alac", "-f", "ipod")
    path = tmp_path / os.fsdecode(name)
    made.rename(path)
    assert heard(path)[0].frames == len(source)


@pytest.mark.parametrize("container", ["WAV", "OGG", "mp3"])
def test_blocks_from_the_middle(tmp_path: Path, scratch: Path, container: str) -> None:
    """A stretch from the middle is the very stretch of the whole, also where seeking is loose."""
    source = chord(44100, 1, 5.0)
    path = tmp_path / "take"
    if container == "mp3":
        encode(path, source, 44100, "-f", "mp3")
    else:
        write(path, source, 44100, "PCM_16" if container == "WAV" else "VORBIS", container)
    with open_take(path, scratch) as take:
        blocks = list(take.blocks())
        assert [len(b) for b in blocks] == [88200, 88200, 44100]
        part = np.concatenate(list(take.blocks(50_001, 150_007)))
    # An MP3 decoder may round the last bit of a float otherwise when it is asked in other portions.
    assert np.allclose(part, np.concatenate(blocks)[50_001:150_007], rtol=0, atol=2e-7)


def test_nothing_is_left_in_scratch(tmp_path: Path, scratch: Path) -> None:
    """What had to be decoded first is gone afterwards, also when decoding failed."""
    good = encode(tmp_path / "good", chord(44100, 1, 0.5), 44100, "-c:a", "aac", "-f", "adts")
    bad = tmp_path / "bad"
    bad.write_bytes(good.read_bytes()[:-50])
    with open_take(good, scratch):
        assert [p.name for p in scratch.iterdir()] == ["decoded.wav"]
    with pytest.raises(Damaged), open_take(bad, scratch):
        pass
    assert not list(scratch.iterdir())


def test_facts(tmp_path: Path, scratch: Path) -> None:
    """Facts of a take are its own; those of what cannot be read are few and still there."""
    path = write(tmp_path / "take", chord(44100, 2, 0.5), 44100, "PCM_16", "WAV")
    with open_take(path, scratch) as take:
        facts = facts_of(path, "My take.wav", "Lamps", take)
    assert (facts.name, facts.title, facts.bytes) == ("My take.wav", "Lamps", path.stat().st_size)
    assert (facts.sample_rate_hz, facts.channels, facts.duration_s) == (44100, 2, 0.5)
    assert facts.sha256 is not None and len(facts.sha256) == 64
    gone = facts_of(tmp_path / "gone", "gone.wav", "")
    assert (gone.name, gone.bytes, gone.sha256) == ("gone.wav", None, None)


def test_facts_of_a_name_that_is_not_utf8(tmp_path: Path) -> None:
    """The file's own name stands in the facts, verbatim, also when it is not text. Issue: odd names."""
    name = os.fsdecode(b"caf\xe9.wav")
    assert facts_of(tmp_path / "gone", name, "").name == name


# --- bad takes -------------------------------------------------------------------------------


def fails(heard: Heard, path: Path, *errors: type[FairtakeError]) -> FairtakeError:
    """Opening and reading *path* to its end raises one of *errors*."""
    with pytest.raises(FairtakeError) as caught:
        heard(path)
    assert type(caught.value) in errors, caught.value
    return caught.value


CUTTABLE = {
    **{n: f for n, f in LIBSNDFILE.items() if n not in ("wav 8 bit", "wav 32 bit", "aiff float")},
    **{n: f for n, f in ENCODER.items() if n not in ("m4a fragments", "mp3 not counted")},
}


@pytest.mark.parametrize("share", [0.01, 0.5, 0.99, 1.0])
@pytest.mark.parametrize("name", CUTTABLE)
def test_cut_short(tmp_path: Path, heard: Heard, name: str, share: float) -> None:
    """A broken copy never reads through as if it were whole, not even when one byte is missing.

    ADTS does not say its length: it is found out only when the cut falls inside a frame, as here.
    On a frame's border no program can tell, and an MP3 without the Xing field never tells.
    """
    said = CUTTABLE[name]
    whole, source = tmp_path / "whole", chord(44100, 1, 1.5)
    if name in LIBSNDFILE:
        write(whole, source, 44100, said.how[1], said.how[0])
    else:
        encode(whole, source, 44100, *said.how)
    data = whole.read_bytes()
    path = tmp_path / "take"
    path.write_bytes(data[: min(round(len(data) * share), len(data) - 1)])
    fails(heard, path, CutShort, Damaged, HeaderOnly)


def test_cut_short_says_how_far_it_goes(tmp_path: Path, heard: Heard) -> None:
    """A person reads how much is there: in bytes where the header counts them, else in time."""
    wav = tmp_path / "wav"
    data = write(tmp_path / "a", chord(44100, 1, 1.0), 44100, "PCM_16", "WAV").read_bytes()
    wav.write_bytes(data[:20_000])
    assert "promises 88,244 bytes, 20,000 are there" in str(fails(heard, wav, CutShort))


@pytest.mark.parametrize("kind", ["WAV", "AIFF", "W64", "RF64", "CAF"])
def test_header_only(tmp_path: Path, heard: Heard, kind: str) -> None:
    """A header with no sound behind it has its own code."""
    path = write(tmp_path / "take", np.zeros((0, 1)), 44100, "PCM_16", kind)
    fails(heard, path, HeaderOnly)


def test_empty(tmp_path: Path, heard: Heard) -> None:
    """So has a file of no bytes."""
    path = tmp_path / "take"
    path.touch()
    fails(heard, path, EmptyFile)


@pytest.mark.parametrize(
    "playlist",
    [
        "ffconcat version 1.0\nfile secret.wav\n",
        "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nsecret.wav\n#EXT-X-ENDLIST\n",
        "ID3\x04\0\0\0\0\0\0ffconcat version 1.0\nfile secret.wav\n",
        "\0\0\0\x14ftypM4A \0\0\0\0M4A ffconcat version 1.0\nfile secret.wav\n",
    ],
    ids=["ffconcat", "hls", "ffconcat behind an MP3 tag", "ffconcat behind an M4A box"],
)
@pytest.mark.parametrize("name", ["x.mp3", "x.m4a", "x.wav"])
def test_a_playlist_reads_no_neighbour(
    tmp_path: Path, heard: Heard, name: str, playlist: str
) -> None:
    """A playlist dressed as sound is refused: it must not bring a neighbour's file out."""
    write(tmp_path / "secret.wav", chord(44100, 1, 0.5), 44100, "PCM_16")
    path = tmp_path / name
    path.write_text(playlist)
    fails(heard, path, NotAudio, CutShort, HeaderOnly)


def test_not_finite_inside_is_left_to_listen(tmp_path: Path, heard: Heard) -> None:
    """A NaN is passed on as it is, so that listen can say where it stands."""
    source = chord(44100, 1, 0.5)
    source[1000] = np.nan
    assert np.isnan(heard(write(tmp_path / "take", source, 44100, "FLOAT", "WAV"))[1][1000])


@pytest.mark.parametrize("channels", [3, 6, 32, 1024])
def test_too_many_channels(tmp_path: Path, heard: Heard, channels: int) -> None:
    """More than two channels are refused, with their number."""
    path = write(tmp_path / "take", np.zeros((100, channels)), 44100, "PCM_16", "WAV")
    assert f"It has {channels}." in str(fails(heard, path, TooManyChannels))


@pytest.mark.parametrize("rate", [1, 8000, 11025, 15999, 192001, 384000, 2**31 - 1])
def test_rate_out_of_range(tmp_path: Path, heard: Heard, rate: int) -> None:
    """Rates outside 16 to 192 kHz are refused before any sound is read."""
    path = write(tmp_path / "take", np.zeros((100, 1)), 44100, "PCM_16", "WAV")
    data = bytearray(path.read_bytes())
    data[24:28] = struct.pack("<I", rate)
    path.write_bytes(data)
    fails(heard, path, UnsupportedRate)


@pytest.mark.parametrize(
    ("how", "word"),
    [
        (("adpcm_ms", "wav"), "ADPCM"), (("adpcm_ima_wav", "wav"), "ADPCM"),
        (("pcm_mulaw", "wav"), "U-Law"), (("pcm_alaw", "wav"), "A-Law"),
        (("pcm_mulaw", "aiff"), "U-Law"), (("mp3", "wav"), "MPEG"),
        (("ac3", "ipod"), "ac3"), (("flac", "ogg"), "Ogg"), (("libgsm", "wav"), "GSM"),
    ],
)  # fmt: skip
def test_encodings_refused_by_name(
    tmp_path: Path, heard: Heard, how: tuple[str, str], word: str
) -> None:
    """A coding outside the list is named in the reason; the decoder for it is never run."""
    codec, kind = how
    if codec == "libgsm":
        path = write(tmp_path / "take", chord(44100, 1, 0.5), 44100, "GSM610", "WAV")
    else:
        path = encode(tmp_path / "take", chord(44100, 1, 0.5), 44100, "-c:a", codec, "-f", kind)
    assert word in str(fails(heard, path, UnsupportedEncoding))


@pytest.mark.parametrize("name", ["m4a", "flac 16 bit", "aac"])
def test_damaged_inside(tmp_path: Path, heard: Heard, name: str) -> None:
    """Bytes overwritten in the middle are noticed where the format can: by its checksums or syntax."""
    source = chord(44100, 1, 1.5)
    path = tmp_path / "take"
    if name in LIBSNDFILE:
        write(path, source, 44100, "PCM_16", "FLAC")
    else:
        encode(path, source, 44100, *ENCODER[name].how)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 600] = b"\x55" * 600
    path.write_bytes(data)
    fails(heard, path, Damaged, CutShort)


@pytest.mark.parametrize("kind", ["WAV", "m4a"])
def test_garbage_behind_a_good_header(tmp_path: Path, heard: Heard, kind: str) -> None:
    """Nonsense behind the first bytes ends in one of our errors, never in the library's own."""
    random = np.random.default_rng(5)
    head = {"WAV": b"RIFF\xff\xff\0\0WAVE", "m4a": b"\0\0\0\x14ftypM4A \0\0\0\0M4A "}[kind]
    path = tmp_path / "take"
    for _ in range(20):
        path.write_bytes(head + random.bytes(3000))
        fails(heard, path, CutShort, Damaged, HeaderOnly, UnsupportedEncoding, TooManyChannels)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_unreadable(tmp_path: Path, heard: Heard) -> None:
    """A take without the right to read it says so."""
    path = write(tmp_path / "take", chord(44100, 1, 0.5), 44100, "PCM_16", "WAV")
    path.chmod(stat.S_IWUSR)
    fails(heard, path, Unreadable)


def test_a_refusal_that_its_rights_do_not_explain(
    tmp_path: Path, heard: Heard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The drive refuses what the file's own rights allow: no fault of the take."""

    def refused(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    (tmp_path / "take").write_bytes(b"RIFF")
    monkeypatch.setattr("fairtake.files.take.sniff", refused)
    with pytest.raises(PermissionError):
        heard(tmp_path / "take")


def test_gone_is_the_surroundings_business(tmp_path: Path, heard: Heard) -> None:
    """A file that is not there is no fault of the take: the OSError passes through."""
    with pytest.raises(FileNotFoundError):
        heard(tmp_path / "gone")


def lying_flac(path: Path, frames: int) -> Path:
    """A second of FLAC whose header claims *frames*. RFC 9639, section 8.2: 36 bits from byte 21."""
    data = bytearray(write(path, chord(44100, 1, 1.0), 44100, "PCM_16", "FLAC").read_bytes())
    packed = int.from_bytes(data[18:26], "big")
    data[18:26] = (packed & ~(2**36 - 1) | frames).to_bytes(8, "big")
    path.write_bytes(data)
    return path


def test_a_claim_beyond_every_take_is_refused_unread(tmp_path: Path, scratch: Path) -> None:
    """2^36 samples are 18 days: no profile allows that. Requirement 20: budgets before decoding."""
    take = lying_flac(tmp_path / "take", 2**36 - 1)
    with pytest.raises(TooLong), open_take(take, scratch):
        pass


@pytest.mark.parametrize("name", ["m4a", "aac"])
def test_no_more_is_decoded_than_may_be_used(tmp_path: Path, scratch: Path, name: str) -> None:
    """What has to be decoded to be counted is decoded so far and no farther. Requirement 20."""
    take = encode(tmp_path / "take", chord(44100, 1, 9.0), 44100, *ENCODER[name].how)
    with pytest.raises(TooLong, match=r"more than 0:02"), open_take(take, scratch, 2):
        pass
    decode_to_wav(take, name, scratch / "out.wav", 3)
    assert soundfile.info(scratch / "out.wav").frames == 3 * 44100


@pytest.mark.skipif(os.name != "posix", reason="only POSIX tells a process's peak memory")
def test_a_long_silence_is_read_block_by_block(tmp_path: Path) -> None:
    """Half a megabyte of FLAC is 420 MB of samples: never all of them at once. Requirement 20."""
    take = tmp_path / "take"
    minute = np.zeros((60 * 44100, 1), np.int16)
    with soundfile.SoundFile(take, "w", 44100, 1, "PCM_16", format="FLAC") as file:
        for _ in range(20):
            file.write(minute)
    assert take.stat().st_size < 500_000
    program = (
        "import resource, sys; from pathlib import Path; from fairtake.files.take import open_take\n"
        "peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "before = peak()\n"
        f"with open_take(Path({str(take)!r}), Path({str(tmp_path)!r})) as take:\n"
        "    print(sum(len(block) for block in take.blocks()), peak() - before)\n"
    )
    out = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True).stdout
    samples, grown_kb = map(int, out.split())
    assert samples == 20 * 60 * 44100
    assert grown_kb < 100_000
