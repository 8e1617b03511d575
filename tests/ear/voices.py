"""Every voice the project learns from or is judged by, each in one role.

Conventions: a voice is one person, or one language of a package where persons cannot be told apart.
A person has one role. Where the same language stands in two of the children's packages (klettres,
ktuberling, tuxpaint) it may be the same person, so both have the same role.

* ``train-free``: the shipped ear learns from it. CC BY, CC BY-SA, LGPL or freer.
* ``train-gpl``: only the ear of ``--voices all`` learns from it as well. GPL or GFDL.
* ``test``: never trained on; looked at while something is being built.
* ``kept``: never trained on; looked at only for a release's figures.

Licences are the words of the package's own copyright file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import soundfile
from packages import PackageMissing, cache_folder, fetched

__all__ = [
    "VOICES",
    "PackageMissing",
    "Voice",
    "cache_folder",
    "clips_of",
    "fetched",
    "paths_of",
    "voice_named",
    "voices_of",
]

Role = Literal["train-free", "train-gpl", "test", "kept"]
#: What one file holds: whole phrases, single words, or syllables and names of letters.
Holds = Literal["phrases", "words", "syllables"]
Samples = npt.NDArray[np.float32]

#: Files that hold no speech, or hardly any.
_NO_SPEECH = r"monkeys|beep|silence|ring|tone|screen|weasels|hello-world"
_GRUNTS = r"Ow\d|Ooff|Laugh|Hmm|Ugh"
_ENDINGS = (".ogg", ".wav", ".g722", ".gsm", ".raw")
#: Headerless 16-bit samples and GSM frames are of the telephone.
_TELEPHONE_HZ = 8000


@dataclass(frozen=True)
class Voice:
    """Recordings of one person: the files of a package whose path matches *pattern*."""

    name: str
    package: str
    pattern: str
    language: str
    licence: str
    role: Role
    holds: Holds
    leave_out: str = _NO_SPEECH


def _prompts(name: str, language: str, licence: str) -> Voice:
    package = f"asterisk-core-sounds-{language}-g722"
    return Voice(name, package, r"/sounds/[^/]+/", language, licence, "train-free", "phrases")


def _fish(name: str, language: str, letter: str, role: Role) -> Voice:
    pattern = rf"/(?:[^/]+-)?{letter}-[^/]+\.ogg$"
    return Voice(name, f"fillets-ng-data-{language}", pattern, language, "GPL-2", role, "phrases")


def _hedgehogs(name: str, folders: str, language: str, role: Role) -> Voice:
    pattern = rf"/Sounds/voices/(?:{folders})/"
    return Voice(
        name, "hedgewars-data", pattern, language, "GFDL-1.3", role, "phrases", _GRUNTS
    )  # fmt: skip


def _letters(language: str, role: Role, folder: str = "") -> Voice:
    pattern = rf"/klettres/{folder or language}/(?:alpha|syllab)/"
    return Voice(
        f"{language}-letters", "klettres-data", pattern, language, "GPL-2+", role, "syllables"
    )  # fmt: skip


def _toys(language: str, role: Role) -> Voice:
    pattern = rf"/ktuberling/sounds/{language}/"
    return Voice(
        f"{language}-toys", "ktuberling-data", pattern, language, "GPL-2+", role, "words"
    )  # fmt: skip


def _stamps(language: str, role: Role) -> Voice:
    pattern = rf"/stamps/.*_desc_{language}\.ogg$"
    return Voice(
        f"{language}-stamps", "tuxpaint-stamps-default", pattern, language, "GPL-2", role, "words"
    )  # fmt: skip


_FREE = (
    _prompts("en-prompts", "en", "CC-BY-SA-3.0"),
    # The same person speaks the English and the Spanish prompts.
    _prompts("es-prompts", "es", "CC-BY-SA-3.0"),
    _prompts("fr-prompts", "fr", "CC-BY-SA-3.0"),
    _prompts("it-prompts", "it", "CC-BY-3.0"),
    _prompts("ru-prompts", "ru", "CC-BY-3.0"),
    Voice(
        "it-menardi", "asterisk-prompt-it-menardi-wav", r"/sounds/[^/]+/", "it",
        "CC-BY-SA-3.0-IT", "train-free", "phrases",
    ),
    Voice(
        "ru-sentences", "festvox-ru", r"/wav/ru_\d+\.wav$", "ru",
        "BSD-like", "train-free", "phrases",
    ),
    # Several speakers of English, a few phrases each.
    Voice(
        "en-codec", "codec2-examples",
        r"/raw/(?:forig|morig|hts1a|hts2a|hts1|hts2|big_dog|cross|kristoff|mmt1)\.raw$"
        r"|/raw/speech_orig_16k\.wav$|/wav/wia_16kHz\.wav$",
        "en", "LGPL-2.1", "train-free", "phrases",
    ),
    Voice("zh-syllables", "gcin-voice", r"/5\.ogg$", "zh", "CC-BY-3", "train-free", "syllables"),
    Voice(
        "zh-syllables-2", "gcin-voice", r"/3\.ogg$", "zh",
        "GPL-3 or LGPL-3", "train-free", "syllables",
    ),
    *(
        Voice(
            f"{language}-island", "unknown-horizons", rf"/audio/voice/{language}/", language,
            "CC-BY-SA-3.0", "train-free", "phrases",
        )
        for language in ("de", "en", "fr")
    ),
)  # fmt: skip

_GPL = (
    # The game names one person for its English voices, whatever part is played.
    *(
        _hedgehogs(f"en-hogs-{part.lower()}", part, "en", "train-gpl")
        for part in (
            "British", "Classic", "Default", "HillBilly", "Mobster", "Pirate", "Russian", "Singer",
            "Surfer",
        )
    ),
    *(_letters(one, "train-gpl") for one in ("de", "es", "fr", "hu", "it", "ml", "nds", "ru")),
    *(_toys(one, "train-gpl") for one in ("ca", "de", "es", "fr", "gl", "it", "nds", "ru")),
    *(_stamps(one, "train-gpl") for one in ("be", "ca", "es", "fr", "ru")),
)  # fmt: skip

_TEST = (
    _fish("nl-low", "nl", "m", "test"),
    _fish("nl-high", "nl", "v", "test"),
    Voice(
        "en-cards", "pocketsphinx-testdata", r"/data/cards/\d+\.wav$", "en",
        "BSD-2", "test", "phrases",
    ),
    Voice("es-co", "asterisk-prompt-es-co", r"/sounds/", "es", "GPL-2", "test", "phrases"),
    _hedgehogs("es-hogs", "Default_es", "es", "test"),
    _hedgehogs("ru-hogs", "Default_ru", "ru", "test"),
    _hedgehogs("uk-hogs", "Default_uk", "uk", "test"),
    *(_letters(language, "test") for language in ("da", "en", "lt", "nl", "tn", "uk")),
    _letters("en-GB", "test", "en_GB"),
    *(_toys(language, "test") for language in ("da", "el", "en", "lt", "uk")),
    *(_stamps(language, "test") for language in ("da", "el", "lt", "nl")),
)  # fmt: skip

_KEPT = (
    _fish("cs-low", "cs", "m", "kept"),
    _fish("cs-high", "cs", "v", "kept"),
    Voice(
        "en-book", "pocketsphinx-testdata", r"/data/librivox/[^/]+\.wav$", "en",
        "BSD-2", "kept", "phrases",
    ),
    Voice(
        "fr-armelle", "asterisk-prompt-fr-armelle", r"/sounds/", "fr",
        "BSD-like", "kept", "phrases",
    ),
    # Perhaps one person.
    _hedgehogs("pl-hogs", "Default_pl|Russian_pl", "pl", "kept"),
    *(_letters(language, "kept") for language in ("cs", "he")),
    _letters("pt-BR", "kept", "pt_BR"),
    *(_toys(language, "kept") for language in ("pt", "ro", "sl", "wa")),
    *(_stamps(language, "kept") for language in ("bg", "ro")),
)  # fmt: skip

VOICES: tuple[Voice, ...] = (*_FREE, *_GPL, *_TEST, *_KEPT)


def voices_of(*roles: Role) -> list[Voice]:
    """The voices that have one of these roles."""
    return [voice for voice in VOICES if voice.role in roles]


def voice_named(name: str) -> Voice:
    """The voice of this name."""
    return next(voice for voice in VOICES if voice.name == name)


def paths_of(voice: Voice, root: Path | None = None) -> list[Path]:
    """The files of a voice, in an order that does not depend on the machine.

    *root* is a folder with unpacked packages; without it the package is fetched.
    """
    folder = root / voice.package if root else fetched(voice.package)
    found = []
    for path in sorted(folder.rglob("*")):
        inside = "/" + path.relative_to(folder).as_posix()
        if path.suffix in _ENDINGS and re.search(voice.pattern, inside):
            found.append(path)
    return [path for path in found if not re.search(voice.leave_out, path.name)]


def clips_of(voice: Voice, root: Path | None = None) -> Iterator[tuple[Samples, int]]:
    """The sounds of a voice's files: mono samples and their rate. Empty files are left out."""
    for path in paths_of(voice, root):
        samples, rate_hz = decoded(path)
        if len(samples):
            yield samples, rate_hz


def decoded(path: Path) -> tuple[Samples, int]:
    """One file as mono samples in [-1, 1], and its rate in Hz."""
    if path.suffix in (".g722", ".gsm"):
        return _decoded_telephone(path)
    if path.suffix == ".raw":
        return np.fromfile(path, "<i2").astype(np.float32) / 32768, _TELEPHONE_HZ
    samples, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    return samples.mean(axis=1, dtype=np.float32), int(rate_hz)


def _decoded_telephone(path: Path) -> tuple[Samples, int]:
    import av  # only the recipe needs it

    with av.open(str(path), format=path.suffix[1:]) as container:
        frames = [frame.to_ndarray().reshape(-1) for frame in container.decode(audio=0)]
    if not frames:
        return np.zeros(0, np.float32), _TELEPHONE_HZ
    # Both codecs are mono and decode to 16 bits.
    samples = np.concatenate(frames)
    scale = 32768 if samples.dtype == np.int16 else 1
    return samples.astype(np.float32) / scale, 16000 if path.suffix == ".g722" else _TELEPHONE_HZ
