"""Wheels of this checkout under any version, made without a network."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from pathlib import Path

CHECKOUT = Path(__file__).parents[2]


def wheel(folder: Path, version: str, instead: Mapping[str, str] | None = None) -> Path:
    """A wheel of fairtake *version*; *instead* holds other texts for some of its files."""
    info = f"fairtake-{version}.dist-info"
    files = {
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: fairtake\nVersion: {version}\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": "[console_scripts]\nfairtake = fairtake.cli:main\n",
        **dict(_files(CHECKOUT / "service" / "fairtake", "fairtake")),
        **dict(_files(CHECKOUT / "config", "fairtake/config")),
        **(instead or {}),
    }
    record = "".join(f"{name},,\n" for name in (*files, f"{info}/RECORD"))
    path = folder / f"fairtake-{version}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in {**files, f"{info}/RECORD": record}.items():
            archive.writestr(name, text)
    return path


def _files(folder: Path, name: str) -> list[tuple[str, bytes]]:
    found = [p for p in sorted(folder.rglob("*")) if p.is_file() and "__pycache__" not in p.parts]
    return [(f"{name}/{path.relative_to(folder).as_posix()}", path.read_bytes()) for path in found]
