"""The layers: who may import whom, who may touch what, and one word for each stage."""

from __future__ import annotations

import ast
import graphlib
import importlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

import pytest

import fairtake
from fairtake.profile import NEVER_MISSING, Profile
from fairtake.sound.plan import STAGES

PACKAGE = Path(fairtake.__file__).parent
FILES = sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py"))

#: A file imports only from lines above its own, and from its own line; never in a circle. A file
#: named here stands where it is named, whatever its folder. Design: the layers.
LAYERS = """
    errors units hours memory versions text lifeline plain_file pulse below mounts progress writers serving/sandbox serving/calls
    typed_file
    receipt service_settings title cues notice
    sketch
    sound/*
    sound/stages/*
    profile
    sound/makeup
    sound/plan sound/checks
    sound/render
    sound/laid sound/layout sound/over_bed
    files/*
    mix_folder
    correct rounds
    pages pages/*
    master
    mixing mixing/*
    shipped folders folders/*
    redraw root api check
    conformance/*
    serving/*
    terminal/shown terminal/lines
    terminal terminal/*
    commands/shared commands/work
    commands/*
    cli __main__
"""
#: Libraries that reach outside, and the only files that may use them.
ONLY_THERE = {
    "soundfile": ("files/",),
    "pydub": ("files/mp3",),
    "imageio_ffmpeg": ("files/encoder",),
    "subprocess": ("files/encoder", "serving/errand"),
    "urllib.request": ("serving/deliver",),
    "watchdog": ("serving/watch",),
    "jinja2": ("pages",),
    "multiprocessing": ("serving/",),
    "distributed": ("serving/cluster", "serving/afar"),
    "click": ("cli", "commands/"),
    "rich": ("terminal/",),
}
#: Calls that rename, remove or copy files, and the only files that may make them.
MOVING = ("rename", "replace", "link", "unlink", "remove", "rmdir", "rmtree", "move", "copyfile")
MAY_MOVE = {
    "folders/durable": "every rename goes through it",
    "folders/claim_folder": "the files of a claim",
    "folders/life": "the only code that claims, publishes and quarantines",
    "folders/finished": "a take that was finished before is dropped",
    "folders/quarantine_list": "the reason of a take that goes back",
    "folders/pages": "pages of ours, never a take",
    "folders/retention": "what a verified receipt names, where the settings say so",
    "files/take": "its own decoded copy in scratch",
    "files/encoder": "its own files in scratch",
    "files/mp3": "its own files in scratch",
    "files/write": "its own files in scratch",
    "files/wav": "its own files in scratch",
    "rounds": "its own files in scratch",
    "master": "its own files in scratch",
    "root": "init writes starter files",
    "serving/heartbeat": "its own file",
    "serving/ledger": "its own file",
    "serving/metrics": "its own file",
    "serving/watch": "its own canary",
}


def tree(file: str) -> ast.Module:
    return ast.parse((PACKAGE / file).read_text("utf-8"))


def imported(file: str) -> Iterator[str]:
    """The dotted names a file imports, wherever in it; not those only a type checker sees."""
    for node in ast.walk(tree(file)):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{name.name}" for name in node.names)


def module(file: str) -> str:
    return file.removesuffix(".py").removesuffix("/__init__")


def layer_of(name: str) -> int:
    lines = [line.split() for line in LAYERS.strip().splitlines()]
    for pattern in (name, *(f"{parent}/*" for parent in PurePosixPath(name).parents)):
        for number, line in enumerate(lines):
            if pattern in line:
                return number
    raise AssertionError(f"{name} stands in no layer")


def own_modules(file: str) -> Iterator[str]:
    """The modules of the package that a file imports, as in the table."""
    for name in imported(file):
        if name.startswith("fairtake."):
            path = name.removeprefix("fairtake.").replace(".", "/")
            is_module = (PACKAGE / f"{path}.py").is_file()
            yield path if is_module else path.rsplit("/", 1)[0]


@pytest.mark.parametrize("file", [f for f in FILES if not f.endswith("__init__.py")])
def test_a_file_imports_only_from_its_own_layer_or_those_above(file: str) -> None:
    """Each layer can be read and tested without what lies under it. Design: the layers."""
    here = layer_of(module(file))
    below = [name for name in own_modules(file) if layer_of(name) > here]
    assert below == []


def test_no_file_imports_in_a_circle() -> None:
    """Within a layer too there is a first file to read. Design: the layers."""
    graph = {module(f): set(own_modules(f)) for f in FILES if not f.endswith("__init__.py")}
    order = graphlib.TopologicalSorter(graph).static_order()
    assert set(graph) <= set(order)


def test_every_line_of_the_table_is_there() -> None:
    """A table that names what is gone tells nothing. Design: the layers."""
    names = [module(file) for file in FILES]
    for pattern in LAYERS.split():
        assert any(n == pattern or n.startswith(pattern.removesuffix("*")) for n in names), pattern


@pytest.mark.parametrize("library", ONLY_THERE)
def test_a_library_that_reaches_outside_is_used_in_one_place(library: str) -> None:
    """Only the files layer opens sound, only the commands speak. Design: the layers."""
    users = [
        module(f) for f in FILES if any(f"{n}.".startswith(f"{library}.") for n in imported(f))
    ]
    assert users
    assert [user for user in users if not user.startswith(ONLY_THERE[library])] == []


@pytest.mark.parametrize("file", FILES)
def test_only_folders_moves_files(file: str) -> None:
    """Whatever may lose a take stands in one file; others touch only their own. Design: folders."""
    calls = [
        f"line {node.lineno}: {node.func.attr}"
        for node in ast.walk(tree(file))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr in MOVING
        and not is_about_text(node)
    ]
    assert not calls or module(file) in MAY_MOVE, calls


def is_about_text(call: ast.Call) -> bool:
    """``str.replace`` takes two arguments; so does ``os.replace``, but on the name ``os``."""
    assert isinstance(call.func, ast.Attribute)
    on_os = isinstance(call.func.value, ast.Name) and call.func.value.id == "os"
    return call.func.attr in ("replace", "remove") and not on_os


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_has_one_word(stage: str) -> None:
    """File, function, settings, chain word and test file bear one name. Design: one shape."""
    found = importlib.import_module(f"fairtake.sound.stages.{stage}")
    assert STAGES[stage] is getattr(found, stage)
    settings = getattr(found, f"{stage.capitalize()}Settings")
    assert isinstance(getattr(Profile(), stage), settings)
    assert stage in Profile().chain
    assert (Path(__file__).parent / "sound" / f"test_{stage}.py").is_file()
    assert (found.__doc__ or "").startswith(f"{stage}: ")


def test_there_is_no_stage_beside_those_of_the_chain() -> None:
    """A stage file that no chain knows would never run. Design: one shape."""
    files = {path.stem for path in (PACKAGE / "sound/stages").glob("*.py")} - {"__init__"}
    assert files == set(STAGES) == set(Profile().chain)
    assert set(NEVER_MISSING) <= files
