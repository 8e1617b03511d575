"""The Debian packages that hold recordings: versions, hashes, and how one is fetched.

A package is fetched once with `apt-get download`, compared with the hash below, unpacked into the
cache folder and never installed. Nothing of it belongs into this repository.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path


class PackageMissing(Exception):
    """A package that is not to be had on this machine; says why."""


@dataclass(frozen=True)
class Package:
    """One package as it was when the recipe was written."""

    version: str
    sha256: str


PACKAGES: dict[str, Package] = {
    "asterisk-core-sounds-en-g722": Package(
        "1.6.1-1", "38c5261820b406dcb0ecb37675720da2b0864850690690352ca52707eb623806"
    ),
    "asterisk-core-sounds-es-g722": Package(
        "1.6.1-1", "e4e3b4281057d3b81b779298fd6be705f57411513955c518eed1bcaabbd615b8"
    ),
    "asterisk-core-sounds-fr-g722": Package(
        "1.6.1-1", "7add61d5e42279ecff1bbdf842a5a946ac3644fac9a0fe44384731aa7270c8e0"
    ),
    "asterisk-core-sounds-it-g722": Package(
        "1.6.1-1", "46b4cf7afc508a5fcfc051b7ea233251c0d195dd4ef83cc4b7facb4c6429b016"
    ),
    "asterisk-core-sounds-ru-g722": Package(
        "1.6.1-1", "673b4238a6b8269960f055d868c6a11083f7a0d00979167cb01554046b48ed9b"
    ),
    "asterisk-moh-opsound-g722": Package(
        "2.03-1.1", "8d6b39d6f2e8feff54a042c4a25e1b72f3e2478d05ee372c92f77446fa0b1671"
    ),
    "asterisk-prompt-es-co": Package(
        "0.20070403-2.1", "6702696e045514699e87dc8fb70f370717e5df91f821f7bec8dd0df1be008e83"
    ),
    "asterisk-prompt-fr-armelle": Package(
        "20070613-2.2", "162570b1a9b3512a98f06b89f60c7c17cf1b9b52297315adca9a4e5be728bea3"
    ),
    "asterisk-prompt-it-menardi-wav": Package(
        "1:1.4.22+mm20110907-3.1",
        "3094530d98f8758ac275572d59624c41f60969fef883f34f4886d144f3dfeb21",
    ),
    "codec2-examples": Package(
        "1.0.5-1", "7af8cd128f269a1d8116993c9d2bd7d4d452fc17da46a09899aaca2b9bd993d4"
    ),
    "festvox-ru": Package(
        "0.5+dfsg-6", "21ef3f0f2978ecf2e2eddb367cb0ff4a72572196d28dc69feb84f4177af5e6c4"
    ),
    "fillets-ng-data-cs": Package(
        "1.0.1-1.1", "3ecef99b9456f1c80c9625c6f2418642b52d58e7167a46bad7a412db17991b14"
    ),
    "fillets-ng-data-nl": Package(
        "1.0.1-1.1", "afb4443fda9ab507dee578b75be857d121718a1cd6017a474f30e0eb13dc9d10"
    ),
    "gcin-voice": Package(
        "0~20170223-3", "6a0353f0294d06f7bd901bada3d5d9eec63b66c2ec029f92da3124d93d45de70"
    ),
    "hedgewars-data": Package(
        "1.0.2-6", "722225903a72604403e6e0026e40e9a6953f47a74d94efc5f55504bc05bb4761"
    ),
    "klettres-data": Package(
        "4:22.12.3-1", "1186d257a19e84230856baea0b0b1ded8be9195080fcdb2588970b5cd937f5a8"
    ),
    "ktuberling-data": Package(
        "4:22.12.3-1", "fba44c875bfa31ea488dadd9263e87a4dcaea0bd47d28817f6c0dc6d2af970ed"
    ),
    "pocketsphinx-testdata": Package(
        "0.8+5prealpha+1-15", "eaeb7a01d54f20b799d1a81ef110ec544b2cb47ea006614078220737a33019f0"
    ),
    "tuxpaint-stamps-default": Package(
        "2022.06.04-1", "6db6c1bfc870a47f1499d6203b083522eacb57c5f9c87d468f2e92eb6d9d5f34"
    ),
    "unknown-horizons": Package(
        "2019.1-6", "ff49ea196d0f57c80d4cd4509c030240cbe632881f8c5b2a1265dd3e3795f100"
    ),
}


def cache_folder() -> Path:
    """Where packages and takes are kept: $FAIRTAKE_BENCH_CACHE, or the user's cache folder."""
    own = os.environ.get("FAIRTAKE_BENCH_CACHE")
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return Path(own) if own else base / "fairtake-bench"


@functools.cache
def fetched(name: str) -> Path:
    """The folder of an unpacked package; fetched and checked when it is not there yet.

    Raises `PackageMissing` where that is not possible, or where the file is another one.
    """
    folder = cache_folder() / "checked" / name
    if folder.is_dir():
        return folder
    folder.parent.mkdir(parents=True, exist_ok=True)
    # Each process in a folder of its own: the first one there has fetched for all.
    with tempfile.TemporaryDirectory(dir=folder.parent) as fetching:
        _run(["apt-get", "download", name], Path(fetching))
        (file,) = Path(fetching).glob("*.deb")
        _check(name, file)
        _run(["dpkg-deb", "-x", file.name, "files"], Path(fetching))
        with contextlib.suppress(OSError):
            (Path(fetching) / "files").rename(folder)
    return folder


def _check(name: str, file: Path) -> None:
    found = hashlib.sha256(file.read_bytes()).hexdigest()
    package = PACKAGES[name]
    if found != package.sha256:
        raise PackageMissing(
            f"{file.name} is not the file the recipe knows: version {package.version}, sha256 "
            f"{package.sha256}. Fetch that one, or note the new one in packages.py and train anew."
        )


def _run(command: list[str], folder: Path) -> None:
    try:
        subprocess.run(command, cwd=folder, check=True, capture_output=True, text=True)
    except FileNotFoundError:
        raise PackageMissing(f"there is no {command[0]} here") from None
    except subprocess.CalledProcessError as e:
        said = e.stderr.strip().splitlines()
        raise PackageMissing(f"{' '.join(command)} says: {said[-1] if said else '?'}") from None
