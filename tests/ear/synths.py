"""Synthetic voices: they cost nothing, and shout, croak and spell in languages no package has.

Real voices matter more: an ear taught by a synthesiser alone loses many times as much speech.
The variants are others than those of the quality bench, so that its voices stay unheard.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import soundfile
from packages import PackageMissing
from tools import Samples

TEXTS: dict[str, tuple[str, ...]] = {
    "en-us": (
        "Before the thaw the whole valley lay under a thick, patient snow.",
        "She asked for fifty sheets of paper and a box of soft chalk.",
        "Chapter twelve. A short history of the ferry.",
        "If you must knock, knock twice, then step back.",
        "Seven cheap ships slipped past the customs house.",
        "Wait. That is not what the letter says.",
        "His father thought that both of them had left at half past five.",
    ),
    "de": (
        "Der alte Kutscher schob den Schnee vom Tor und pfiff.",
        "Zwischen zwei Zweigen saß ein zerzauster Spatz.",
        "Kapitel acht. Was der Fluss verschwieg.",
    ),
    "es": (
        "El viejo faro se apagó justo antes de la tormenta.",
        "Seis sacos secos se quedaron fuera.",
    ),
    "fr": (
        "Le facteur passe chaque samedi, sauf quand il fait trop froid.",
        "Six chats sages se cachent sous cette chaise.",
    ),
    "sv": ("Skeppet låg stilla i sex långa dagar.", "Kan du tänka dig att köpa tjugo kex?"),
    "pt": ("As chuvas chegaram cedo e apagaram o caminho.",),
    "fi": ("Pitkä tie vei kylän ohi kohti tyyntä järveä.",),
    "ru": ("Шестнадцать шагов и тишина за старой стеной.",),
}
_SHORTEST_S = 0.25


@dataclass(frozen=True)
class Synth:
    """A voice of one of the two synthesisers."""

    program: str
    voice: str


VARIANTS = [
    "m1",
    "m2",
    "m3",
    "m4",
    "m5",
    "m6",
    "m7",
    "m8",
    "f1",
    "f4",
    "f5",
    "croak",
    "klatt",
    "klatt2",
    "klatt3",
    "klatt4",
]
SYNTHS: dict[str, Synth] = {
    **{f"espeak-{v}": Synth("espeak-ng", v) for v in VARIANTS},
    **{f"flite-{v}": Synth("flite", v) for v in ("awb", "kal16", "rms", "slt")},
}


def spoken(name: str) -> Iterator[tuple[Samples, int]]:
    """All texts a synthetic voice can say. Raises `PackageMissing` where its program is not."""
    synth = SYNTHS[name]
    if not shutil.which(synth.program):
        raise PackageMissing(f"{synth.program} is not on this machine: apt-get install it")
    say = _said_by_flite if synth.program == "flite" else _said_by_espeak
    for number, (language, text) in enumerate((k, t) for k, ts in TEXTS.items() for t in ts):
        if synth.program == "flite" and language != "en-us":
            continue
        samples, rate_hz = say(synth.voice, language, text, number)
        if len(samples) > _SHORTEST_S * rate_hz:
            yield samples, rate_hz


def _said_by_espeak(voice: str, language: str, text: str, number: int) -> tuple[Samples, int]:
    how = ["-s", str(130 + 17 * number % 70), "-p", str(35 + 9 * number % 40)]
    command = ["espeak-ng", "-v", f"{language}+{voice}", *how, "--stdout", text]
    said = subprocess.run(command, check=True, capture_output=True).stdout
    samples, rate_hz = soundfile.read(io.BytesIO(said), dtype="float32")
    return samples, int(rate_hz)


def _said_by_flite(voice: str, language: str, text: str, number: int) -> tuple[Samples, int]:
    how = ["--setf", f"duration_stretch={0.85 + 0.08 * (number % 5):.2f}"]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        command = ["flite", "-voice", voice, *how, "-t", text, "-o", str(path)]
        subprocess.run(command, check=True, capture_output=True)
        samples, rate_hz = soundfile.read(path, dtype="float32")
    return samples, int(rate_hz)
