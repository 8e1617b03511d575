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

fairtake itself is under the MIT licence, see [LICENSE](LICENSE). What is installed with it is the work of
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
