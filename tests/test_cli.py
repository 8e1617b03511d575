"""fairtake.cli: the commands as a person or a program meets them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import crashing
from fairtake.cli import main
from fairtake.folders import Root, claim, quarantine
from fairtake.pages.words import FIGURES
from fairtake.receipt import Measures, Receipt
from roots import BELL, CUT, FAIRTAKE, drop, files_below, new_root, reason_of, spoken, strict_json


def run(*arguments: Any, status: int) -> subprocess.CompletedProcess[str]:
    """Run a command in a process of its own; it must end with *status* and never with a traceback."""
    done = subprocess.run(
        [*FAIRTAKE, *map(os.fsencode, map(os.fspath, arguments))],
        capture_output=True,
        encoding="utf-8",
        errors="surrogateescape",
        stdin=subprocess.DEVNULL,
    )
    assert "Traceback" not in done.stderr, done.stderr
    assert done.returncode == status, done.stdout + done.stderr
    return done


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


def failed_take(root: Root, name: str) -> None:
    drop(root, name, name.encode())
    claimed = claim(root, name)
    assert claimed is not None
    quarantine(root, claimed, crashing.reason(claimed.name))


@pytest.mark.parametrize("command", main.commands)
def test_every_command_explains_itself_and_its_options(command: str) -> None:
    """--help says what it does, and each option what it is for. Design: the commands."""
    found = main.commands[command]
    said = run(command, "--help", status=0).stdout
    assert (found.help or "").split("\n")[0].split(".")[0][:40] in " ".join(said.split())
    for option in found.params:
        if option.opts[0].startswith("-"):
            assert option.opts[0] in said and option.help, option.name


def test_the_list_of_commands_is_not_cut_off() -> None:
    """What each command does fits its line. Design: the commands."""
    said = run("--help", status=0).stdout.split("Commands:")[1]
    assert len(said.split("\n  ")) == len(main.commands) + 1 and "..." not in said


def test_the_version_is_that_of_the_package() -> None:
    """Receipts and people name the same version. Design: made_by."""
    from fairtake.versions import fairtake_version

    assert run("--version", status=0).stdout == f"fairtake {fairtake_version()}\n"


@pytest.mark.parametrize(
    "arguments",
    [("no-such-command",), ("master", BELL), ("master", "gone.wav", "--out", "x"), ("measure",),
     ("serve",), ("serve", "gone"), ("status", "gone"), ("check", "gone"), ("requeue", "gone", "x"),
     ("requeue", "gone"), ("master", BELL, "--out", "x", "--profile", "podcats"),
     ("master", BELL, "--out", "x", "--profile", "gone.toml"),
     ("master", BELL.parent, "--out", "x")],
    ids=lambda a: " ".join(map(str, a))[:40],
)  # fmt: skip
def test_wrong_use_ends_with_2_and_a_sentence(arguments: tuple[Any, ...], tmp_path: Path) -> None:
    """Exit status 2: wrong use or settings. Design: the commands."""
    done = run(*arguments, status=2)
    assert done.stdout + done.stderr
    assert not Path("x").exists()


def test_init_keeps_what_is_there(tmp_path: Path) -> None:
    """Run again after an upgrade, it changes no settings. Design: the commands."""
    run("init", tmp_path / "r", status=0)
    (tmp_path / "r/fairtake.toml").write_text("settle_s = 3\n")
    (tmp_path / "r/profiles/stream.toml").unlink()
    said = run("init", tmp_path / "r", status=0).stdout
    assert (tmp_path / "r/fairtake.toml").read_text() == "settle_s = 3\n"
    assert "stream.toml" in said and "podcast.toml" not in said


def test_master_finishes_the_good_and_explains_the_bad(tmp_path: Path) -> None:
    """One bad take costs the others nothing, and status 1 says so. Design: the commands."""
    takes = tmp_path / "takes"
    takes.mkdir()
    spoken(takes / "good.wav")
    spoken(takes / os.fsdecode(b"odd \xff\n.wav"))
    spoken(takes / ("n" * 251 + ".wav"))
    (takes / "text.wav").write_text("no sound")
    (takes / "cut.wav").write_bytes(CUT.read_bytes())
    (takes / "empty.wav").touch()
    before = {p: p.read_bytes() for p in takes.iterdir()}
    done = run("master", *before, "--out", tmp_path / "out", "--profile", "speech", status=1)
    for name, code in (("text.wav", "not-audio"), ("cut.wav", "cut-short"), ("empty.wav", "empty")):
        assert f"{name}: {code}: " in done.stderr
    assert len(done.stdout.splitlines()) == 3 and len(done.stderr.splitlines()) == 3
    receipts = list((tmp_path / "out").glob("*.receipt.json"))
    assert len(receipts) == 3 and len(files_below(tmp_path / "out")) == 12
    for path in receipts:
        Receipt.model_validate(strict_json(path.read_text()))
    assert {p: p.read_bytes() for p in takes.iterdir()} == before


def test_master_overwrites_nothing(tmp_path: Path) -> None:
    """A second run stands beside the first. Design: nothing is ever overwritten."""
    spoken(tmp_path / "one.wav")
    for _ in range(2):
        run("master", tmp_path / "one.wav", "--out", tmp_path / "out", status=0)
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        f"one{n}{s}" for n in ("", "~2") for s in (".html", ".mp3", ".receipt.json", ".wav")
    ]
    assert (tmp_path / "out/one.wav").read_bytes() == (tmp_path / "out/one~2.wav").read_bytes()


def test_a_title_beside_the_take_is_heeded_and_held_to_account(tmp_path: Path) -> None:
    """title.toml gives tags and overrides; a wrong one stops its take. Design: the commands."""
    spoken(tmp_path / "one.wav")
    (tmp_path / "title.toml").write_text("[overrides.trim]\nhead_s = 0.6\n")
    run("master", tmp_path / "one.wav", "--out", tmp_path / "out", status=0)
    said = strict_json((tmp_path / "out/one.receipt.json").read_text())
    assert said["profile"]["settings"]["trim"]["head_s"] == 0.6
    (tmp_path / "title.toml").rename(tmp_path / "Title.TOML")  # some systems write it so
    (tmp_path / "Title.TOML").write_text("[overrides.trim]\nheads = 0.6\n")
    done = run("master", tmp_path / "one.wav", "--out", tmp_path / "out", status=1)
    assert "title-invalid" in done.stderr and "did you mean 'head_s'" in done.stderr


def test_measure_prints_one_json_document(tmp_path: Path) -> None:
    """Measures of the good, codes of the bad, no NaN, nothing else. Design: --json."""
    silence = tmp_path / "text.wav"
    silence.write_text("no sound")
    done = run("measure", BELL, silence, "--json", status=1)
    said = strict_json(done.stdout)
    assert Measures.model_validate(said[str(BELL)]).loudness_lufs is not None
    assert said[str(silence)]["code"] == "not-audio"
    assert done.stderr == ""


def test_measure_prints_every_measure() -> None:
    """Nothing is measured and then kept from people. Design: the receipt, Measures."""
    said = run("measure", BELL, status=0).stdout
    assert all(label in said for _, label, _ in FIGURES)
    assert {key for key, _, _ in FIGURES} == set(Measures.model_fields) - {
        "not_measurable",
        "doubtful",
    }


def test_status_as_json_and_in_words(root: Root) -> None:
    """One JSON document; status 1 while no service lives. Design: the commands."""
    drop(root, "new\nline.wav", b"x")
    failed_take(root, "bad.wav")
    said = strict_json(run("status", root.path, "--json", status=1).stdout)
    assert said["waiting"][0]["take"] == "new\nline.wav"
    assert said["quarantined"][0]["code"] == "silent"
    words = run("status", root.path, status=1).stdout
    assert "has never run here" in words and len(words.splitlines()) == 5
    assert "1 seen" not in words and "2 seen = 0 finished + 1 in quarantine + 1 pending." in words
    assert "bad.wav: silent: Silent. Speak." in words


def test_requeue_by_path_by_name_and_all(root: Root) -> None:
    """A name that is clear is enough; one that is not is refused. Design: the commands."""
    for name in ("A/one.wav", "B/one.wav", "A/two.wav", "three.wav"):
        failed_take(root, name)
    done = run("requeue", root.path, "two.wav", "one.wav", "gone.wav", "../fairtake.toml", status=1)
    assert "two.wav: back in the inbox as A/two.wav" in done.stdout
    assert "'one.wav' could be A/one.wav, B/one.wav." in done.stderr
    assert "'gone.wav' is not in quarantine; `fairtake status" in done.stderr
    assert reason_of(root, "A/one.wav") and not reason_of(root, "A/two.wav")
    run("requeue", root.path, "--all", status=0)
    assert files_below(root.quarantine) == []
    assert len(files_below(root.inbox)) == 4


def test_check_finds_every_problem_at_once(root: Root) -> None:
    """Two profiles, a default and a folder are wrong: four lines. Design: the commands."""
    assert run("check", root.path, status=0).stdout.splitlines()[-1] in (
        "All is in order.", "Nothing has to be mended."
    )  # fmt: skip
    (root.path / "fairtake.toml").write_text('default_profile = "gone"\n')
    (root.profiles / "podcast.toml").write_text("[trim]\nhead_s = 99\ntails = 1\n")
    (root.profiles / "own.toml").write_text("chain = [\n")
    root.originals.rmdir()
    said = run("check", root.path, status=2).stdout
    mends = [line for line in said.splitlines() if line.startswith("mend: ")]
    for word in ("'gone'", "podcast.toml, line 2", "own.toml", str(root.originals)):
        assert sum(word in line for line in mends) == 1, word
    assert "podcast.toml, line 3" in said and len(mends) == 4


def test_commands_without_sound_load_no_sound_libraries() -> None:
    """status and requeue answer at once on a small machine. Design: thin commands."""
    code = "import sys, fairtake.cli; print([m for m in ('scipy', 'numpy', 'soundfile') if m in sys.modules])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout == "[]\n"


def test_the_python_api_keeps_its_words() -> None:
    """Both words stay functions however often they are used. Design: API with the same words."""
    code = "import sys, fairtake; fairtake.measure(sys.argv[1]); "
    code += "print(callable(fairtake.master), callable(fairtake.measure))"
    said = subprocess.run(
        [sys.executable, "-c", code, BELL], capture_output=True, text=True, check=True
    )
    assert said.stdout == "True True\n"
