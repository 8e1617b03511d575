"""Builds the loops in C into the wheel, where there is a C compiler; without one the wheel does without.

`python hatch_build.py` builds them into the checkout, for work on it; so does an editable installation.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface
from packaging.tags import sys_tags

LOOPS = "sound/loops"
SOURCE = f"service/fairtake/{LOOPS}"
#: Contracted products would differ from numpy's, and what is no number has to be seen, whatever CFLAGS
#: say; no debug information, which holds the place of the build.
FLAGS = (
    "-O3", "-fno-fast-math", "-fno-trapping-math", "-fno-math-errno", "-ffp-contract=off",
    "-fopenmp-simd", "-g0",
)  # fmt: skip


def compiled(root: Path, out: Path) -> Path:
    """The compiled loops, built in *out*. Raises whatever the compiler's side has to say."""
    from setuptools import Distribution, Extension
    from setuptools.command.build_ext import build_ext

    if sys.implementation.name != "cpython":
        raise RuntimeError("they are built for CPython alone")
    flags = ["/O2"] if sys.platform == "win32" else list(FLAGS)
    source = str(root / SOURCE / "compiled.c")
    loops = Extension("_compiled", [source], extra_compile_args=flags, py_limited_api=True)
    command = build_ext(Distribution({"ext_modules": [loops]}))
    command.build_lib, command.build_temp = str(out), str(out / "objects")
    command.ensure_finalized()
    command.run()
    return Path(command.get_ext_fullpath("_compiled"))


def build_into(root: Path) -> None:
    """Build the loops into the checkout at *root*. Raises as `compiled`."""
    with tempfile.TemporaryDirectory() as out:
        built = compiled(root, Path(out))
        place = root / SOURCE / built.name
        # By a rename: whoever has the old ones loaded keeps them.
        shutil.copy(built, place.with_suffix(".part"))
        os.replace(place.with_suffix(".part"), place)


class CompiledLoops(BuildHookInterface):  # type: ignore[type-arg]
    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if self.target_name != "wheel":
            return
        try:
            if version == "editable":
                build_into(Path(self.root))
            else:
                self._out = tempfile.TemporaryDirectory()
                self._include(compiled(Path(self.root), Path(self._out.name)), build_data)
        except (Exception, SystemExit) as e:
            self.app.display_warning(
                f"fairtake is built without its loops in C, and is slower for it: {e}"
            )

    def _include(self, built: Path, build_data: dict[str, Any]) -> None:
        many = ("manylinux", "musllinux")  # what is built here is for here
        system = next(t.platform for t in sys_tags() if not t.platform.startswith(many))
        build_data["pure_python"] = False
        build_data["tag"] = f"cp311-abi3-{system}"
        build_data["force_include"][str(built)] = f"fairtake/{LOOPS}/{built.name}"


if __name__ == "__main__":
    build_into(Path(__file__).parent)
