"""Builds the loops in C into the wheel, where there is a C compiler; without one the wheel does without.

`python hatch_build.py` builds them into the checkout, for work on it.
"""

from __future__ import annotations

import shutil
import sys
import sysconfig
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

LOOPS = "sound/loops"
SOURCE = f"service/fairtake/{LOOPS}/compiled.c"
#: Contracted products would differ from numpy's; no debug information, which holds the place of the build.
FLAGS = [
    "-O3",
    "-fopenmp-simd",
    "-ffp-contract=off",
    "-fno-trapping-math",
    "-fno-math-errno",
    "-g0",
]


def compiled(root: Path, out: Path) -> Path:
    """The compiled loops, built in *out*. Raises whatever the compiler's side has to say."""
    from setuptools import Distribution, Extension
    from setuptools.command.build_ext import build_ext

    flags = ["/O2"] if sys.platform == "win32" else FLAGS
    loops = Extension(
        "_compiled", [str(root / SOURCE)], extra_compile_args=flags, py_limited_api=True
    )
    command = build_ext(Distribution({"ext_modules": [loops]}))
    command.build_lib, command.build_temp = str(out), str(out / "objects")
    command.ensure_finalized()
    command.run()
    return Path(command.get_ext_fullpath("_compiled"))


class CompiledLoops(BuildHookInterface):  # type: ignore[type-arg]
    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if self.target_name != "wheel":
            return
        self.out = tempfile.mkdtemp()
        try:
            built = compiled(Path(self.root), Path(self.out))
        except (Exception, SystemExit) as e:
            self.app.display_warning(
                f"fairtake is built without its loops in C, and is slower for it: {e}"
            )
            return
        system = sysconfig.get_platform().replace("-", "_").replace(".", "_")
        build_data["pure_python"] = False
        build_data["tag"] = f"cp311-abi3-{system}"
        build_data["force_include"][str(built)] = f"fairtake/{LOOPS}/{built.name}"

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        if self.target_name == "wheel":
            shutil.rmtree(self.out, ignore_errors=True)


if __name__ == "__main__":
    here = Path(__file__).parent
    with tempfile.TemporaryDirectory() as out:
        shutil.copy(compiled(here, Path(out)), here / "service/fairtake" / LOOPS)
