"""Write LICENCES.md from the metadata of the packages that lie installed in a folder.

``python deploy/licences.py FOLDER``: deploy/lock.sh calls it with what the lock names.
"""

from __future__ import annotations

import sys
from email.message import Message
from importlib.metadata import distributions
from pathlib import Path

from packaging.utils import canonicalize_name

OUT = Path(__file__).parents[1] / "LICENCES.md"
HEAD = """# Licences

fairtake itself is under the MIT licence, see [LICENSE](LICENSE), but for the weights of its ear, see below. What is installed with it is the work of
others, each under its own licence, as its package says. This page is made from the packages' own metadata by
`sh deploy/lock.sh`; the texts lie in each package's `.dist-info` folder.

## If you pass it on

Using fairtake, and selling what it finished, asks nothing of you by these licences. Passing on the program
together with what it needs (a container image, a copied environment, an appliance) is distribution:

* **The MP3 encoder is under the GPL, version 3.** The package imageio-ffmpeg is BSD, but the program in its
  wheel is a build of FFmpeg with GPL parts. It runs as a program of its own, so fairtake need not be under the
  GPL; but whoever passes the program on must pass on its licence too, and give or offer the complete source
  of exactly that build. The package names where the build comes from. To pass on an image without that duty,
  leave the program out and let IMAGEIO_FFMPEG_EXE name an encoder that the machine's owner installs.
* **libsndfile and libsoxr are under the LGPL**, version 2.1 or later, and so are mpg123 and LAME inside
  libsndfile. Pass on the licence, give or offer the source of the libraries, and let them be replaced:
  libsndfile is a file of its own, libsoxr is linked into the package soxr, which is under the LGPL itself.
* The others ask for their notices to be kept: leave the `.dist-info` folders in place.

This is a reading by programmers, not legal advice.

## The ear's weights

The file `service/fairtake/sound/ear/weights.npz`, which hears who speaks, was learned from recordings, and has terms
of its own, apart from the program's: **GPL-2.0 or later**, as far as they are ours to give. Whether what a net learned
is a work derived from what it learned from is an open question. If it were, no single licence could keep all of its
sources' together (GPL-2, GFDL 1.3, CC BY-SA 3.0): whoever passes the program on should know that, and may put in its
place the weights that tests/ear/README.md makes in one command from free recordings alone, CC BY-SA 3.0, at a cost in
words lost that it tells. Using fairtake, and selling what it finished, is not touched by any of this. Learned from changed
excerpts (cut, filtered, mixed) of, each as its Debian package says:

| package | recordings, and whose they are by its copyright file | licence |
| --- | --- | --- |
| `asterisk-core-sounds-en-g722`, `-es-g722` | prompts, 2003-2010 Allison Smith | CC BY-SA 3.0 |
| `asterisk-core-sounds-fr-g722` | prompts, 2006-2008 June Wallack | CC BY-SA 3.0 |
| `asterisk-core-sounds-it-g722` | prompts, 2012 Carlo Flora | CC BY 3.0 |
| `asterisk-core-sounds-ru-g722` | prompts, 2010 Maxim, provided by Maxim Topal | CC BY 3.0 |
| `asterisk-prompt-it-menardi-wav` | prompts, 2006-2011 Marco Menardi and Paola Dal Zot, who made the sounds | CC BY-SA 3.0 Italy |
| `unknown-horizons` | voices, music and noises, the Unknown Horizons Team, hazure | CC BY-SA 3.0 |
| `asterisk-moh-opsound-g722` | music, Paul Shuler (Macroform), Manolo Camp, Reno Project | CC BY-SA 3.0 |
| `gcin-voice` | syllables of Mandarin, ChionMeilin with the vocal source from Chu Lo; 2014 Edward Der-Hua Liu | CC BY 3.0; LGPL-3 |
| `codec2-examples` | samples for speech coders | LGPL-2.1 |
| `festvox-ru` | sentences in Russian, 2005 Nickolay V. Shmyrev | BSD-like |
| `flite`, `espeak-ng` | what these synthesisers say; 1999-2001 Language Technologies Institute, Carnegie Mellon University | BSD-like; the program espeak-ng is under the GPL-3 |
| `hedgewars-data` | voices of a game, Andrey Korotaev | GFDL-1.3 |
| `klettres-data`, `ktuberling-data` | letters, syllables and words, the KDE contributors | GPL-2 or later |
| `tuxpaint-stamps-default` | words, Bill Kendrick and contributors | GPL-2 |

## The packages

| package | licence, as the package says | brings with it |
| --- | --- | --- |
"""
#: What wheels hold besides the package's own code, as their documents say.
BRINGS = {
    "imageio-ffmpeg": "a build of FFmpeg: **GPL-3.0**",
    "soundfile": "libsndfile with mpg123 and LAME: LGPL-2.1-or-later; FLAC, Ogg, Vorbis, Opus: BSD-3-Clause",
    "soxr": "libsoxr: LGPL-2.1-or-later",
    "numpy": "OpenBLAS: BSD-3-Clause",
    "scipy": "OpenBLAS: BSD-3-Clause; libgfortran: GPL-3.0 with the GCC runtime exception; libquadmath: LGPL-2.1-or-later",
}


def licence_of(known: Message) -> str:
    """What the metadata says: the expression, else the classifiers, else the first line of the field."""
    classifiers = [
        line.rpartition(" :: ")[2]
        for line in known.get_all("Classifier", [])
        if line.startswith("License :: ")
    ]
    field = (known.get("License") or "").strip().splitlines()
    return known.get("License-Expression") or ", ".join(classifiers) or " ".join(field[:1])


def main(folder: str) -> None:
    rows = []
    for found in distributions(path=[folder]):
        name, licence = canonicalize_name(found.metadata["Name"]), licence_of(found.metadata)
        if not licence:
            sys.exit(f"{name} names no licence: look it up, and say so here.")
        rows.append(f"| {name} | {licence} | {BRINGS.get(name, '')} |\n")
    OUT.write_text(HEAD + "".join(sorted(rows)), "utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
