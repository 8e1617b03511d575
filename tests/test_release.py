"""What is released: one version, a change log, a lock, licences, a wheel that works where it is installed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import venv
import zipfile
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from roots import BELL

HERE = Path(__file__).parents[1]
PROJECT = tomllib.loads((HERE / "pyproject.toml").read_text("utf-8"))["project"]
CHANGES = (HERE / "CHANGELOG.md").read_text("utf-8")
PYTHONS = [c.rpartition(" ")[2] for c in PROJECT["classifiers"] if "Python :: 3." in c]
#: What the loops in C may be called, built by this Python.
LOOPS = {f"fairtake/sound/loops/_compiled{suffix}" for suffix in EXTENSION_SUFFIXES}
LOCK = (HERE / "deploy/requirements.lock").read_text("utf-8")


def locked() -> list[Requirement]:
    """Every line of the lock that names a package, with the Pythons it is for."""
    lines = LOCK.replace("\\\n", " ").splitlines()
    return [Requirement(x.split("--hash")[0].strip()) for x in lines if re.match(r"\w", x)]


# --- version and changes --------------------------------------------------------------------------


def test_the_newest_entry_of_the_change_log_is_this_version() -> None:
    """Newest first, each with its day; what is to come stands above. Design: changes, as a user sees them."""
    headings = re.findall(r"^## (.+)$", CHANGES, re.MULTILINE)
    released = headings[headings[0] == "To come" :]
    entries = [
        re.fullmatch(r"(\d+\.\d+\.\d+) - (\d{4}-\d\d-\d\d)", heading) for heading in released
    ]
    assert entries and all(entries)
    versions = [tuple(map(int, entry[1].split("."))) for entry in entries if entry]
    assert versions == sorted(versions, reverse=True)
    assert released[0].split()[0] == PROJECT["version"]


def test_the_version_stands_in_one_place() -> None:
    """A second place would go stale. Design: made_by."""
    files = [*(HERE / "service").rglob("*.py"), *(HERE / "config").rglob("*.toml")]
    assert [p for p in files if re.search(rf"\b{re.escape(PROJECT['version'])}\b", p.read_text("utf-8"))] == []  # fmt: skip


# --- lock and licences ----------------------------------------------------------------------------


@pytest.mark.parametrize("line", PROJECT["dependencies"])
def test_every_dependency_is_locked_at_a_version_it_may_have(line: str) -> None:
    """For each Python that the lock tells apart. `sh deploy/lock.sh` makes it anew."""
    asked = Requirement(line)
    found = [r for r in locked() if canonicalize_name(r.name) == canonicalize_name(asked.name)]
    for requirement in found:
        [exact] = requirement.specifier
        assert exact.operator == "==" and asked.specifier.contains(exact.version)
    for python in PYTHONS:
        here = {"python_version": python, "python_full_version": f"{python}.0"}
        applying = [r for r in found if not r.marker or r.marker.evaluate(here)]
        assert len(applying) == (not asked.marker or asked.marker.evaluate(here))


def test_the_lock_has_hashes_and_names_no_place() -> None:
    """It holds wherever the packages come from. pip: hash-checking mode."""
    assert LOCK.count("==") == len(locked()) == len(re.findall(r"^\w.*\\\n    --hash", LOCK, re.MULTILINE))  # fmt: skip
    assert not re.search(r"://|--(extra-)?index|--find-links|--trusted", LOCK)


def test_every_locked_package_has_its_licence() -> None:
    """And no other: who passes the program on reads this page. Issue: licences."""
    text = (HERE / "LICENCES.md").read_text("utf-8")
    rows = re.findall(r"^\| ([a-z0-9-]+) \| (.+?) \|", text, re.MULTILINE)
    named = {name: licence for name, licence in rows if name != "package" and "---" not in name}
    assert set(named) == {canonicalize_name(requirement.name) for requirement in locked()}
    assert all(licence.strip() for licence in named.values())


def test_the_oldest_and_the_newest_python_agree_with_what_is_asked_for() -> None:
    """The classifiers begin where requires-python does. Design: Python 3.11 and newer."""
    assert PROJECT["requires-python"] == f">={PYTHONS[0]}"
    assert [f"3.{minor}" for minor in range(11, 11 + len(PYTHONS))] == PYTHONS


# --- wheel and sdist ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The wheel, built from the sdist that was built from here; and the wheel built from here."""
    out = tmp_path_factory.mktemp("dist")
    build(HERE, out, "sdist", "wheel")
    [sdist], [wheel] = out.glob("*.tar.gz"), out.glob("*.whl")
    with tarfile.open(sdist) as archive:
        archive.extractall(out / "unpacked", filter="data")
    [source] = (out / "unpacked").iterdir()
    build(source, out / "again", "wheel")
    [again] = (out / "again").glob("*.whl")
    return again, wheel


def test_the_wheel_holds_the_loops_in_c(built: tuple[Path, Path]) -> None:
    """Wherever there is a compiler: for this system, and for every Python from 3.11 on. By its tag."""
    if not shutil.which("cc"):
        pytest.skip("no C compiler")
    assert LOOPS & set(zipfile.ZipFile(built[0]).namelist())
    assert built[0].name.startswith(f"fairtake-{PROJECT['version']}-cp311-abi3-")


@pytest.mark.skipif(os.name != "posix", reason="compilers are found in another way")
def test_without_a_compiler_the_wheel_does_without(tmp_path: Path) -> None:
    """It installs anywhere, and is slower. By its tag."""
    build(HERE, tmp_path, "wheel", CC=str(tmp_path / "no-compiler"))
    [wheel] = tmp_path.glob("*.whl")
    assert wheel.name == f"fairtake-{PROJECT['version']}-py3-none-any.whl"
    assert not LOOPS & set(zipfile.ZipFile(wheel).namelist())


def build(source: Path, out: Path, *targets: str, **variables: str) -> None:
    asked = [word for target in targets for word in ("-t", target)]
    subprocess.run([sys.executable, "-m", "hatchling", "build", "-d", out, *asked], cwd=source, check=True, capture_output=True, env=os.environ | variables)  # fmt: skip


def test_the_wheel_holds_all_and_the_sdist_makes_the_same(built: tuple[Path, Path]) -> None:
    """Settings, profiles, schemas, templates: a wheel without one of them fails at a user's. By comparison."""
    inside = [{name: w.read(name) for name in w.namelist()} for w in map(zipfile.ZipFile, built)]
    assert inside[0] == inside[1]
    package = HERE / "service/fairtake"
    wanted = {f"fairtake/{p.relative_to(package).as_posix()}": p for p in package.rglob("*.*") if p.suffix not in (".pyc", ".so", ".pyd")}  # fmt: skip
    wanted |= {p.relative_to(HERE).as_posix().join(("fairtake/", "")): p for p in (HERE / "config").rglob("*.*")}  # fmt: skip
    assert {".html", ".css", ".js", ".toml", ".json"} <= {p.suffix for p in wanted.values()}
    shipped = {
        n: data for n, data in inside[0].items() if ".dist-info/" not in n and n not in LOOPS
    }
    assert shipped == {name: path.read_bytes() for name, path in wanted.items() if path.is_file()}
    assert any(name.endswith("licenses/LICENCES.md") for name in inside[0])


@pytest.mark.skipif(os.name != "posix", reason="programs of an environment lie elsewhere")
def test_an_installed_wheel_finishes_a_take(built: tuple[Path, Path], tmp_path: Path) -> None:
    """In an environment that knows neither this checkout nor its tests. Design: the commands."""
    fresh = tmp_path / "env"
    venv.create(fresh, symlinks=True)
    pip = [sys.executable, "-m", "pip", "--python", fresh / "bin/python", "--disable-pip-version-check"]  # fmt: skip
    subprocess.run([*pip, "install", "--quiet", "--no-deps", "--no-index", built[0]], check=True)
    [site] = fresh.glob("lib/python*/site-packages")
    # Only what it depends on comes from the environment of the tests.
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    elsewhere = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}

    def run(program: str, *arguments: str | Path) -> str:
        command = [fresh / "bin" / program, *arguments]
        return subprocess.run(command, check=True, capture_output=True, text=True, cwd=tmp_path, env=elsewhere).stdout  # fmt: skip

    where = run("python", "-c", "import fairtake; print(fairtake.__file__)")
    assert Path(where.strip()).is_relative_to(site)
    assert run("fairtake", "--version") == f"fairtake {PROJECT['version']}\n"
    assert "audiobook.toml" in run("fairtake", "init", "root")
    run("fairtake", "master", BELL, "--out", "out")
    made = sorted(path.suffix for path in (tmp_path / "out").iterdir())
    assert made == [".html", ".json", ".mp3", ".wav"]
