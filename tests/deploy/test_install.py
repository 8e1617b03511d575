"""deploy/install.sh and uninstall.sh: run for real, into folders of the test's own."""

from __future__ import annotations

import getpass
import os
import shutil
import signal
import subprocess
import sys
import sysconfig
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from wheels import CHECKOUT, wheel

from fairtake.folders import Root, open_root
from roots import BELL, Served, drop, files_below, is_finished, receipt_of, until

DEPLOY = CHECKOUT / "deploy"
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="they install on Linux")

#: A Python whose environments see what is installed here, so that nothing has to be fetched.
PYTHON = """#!/bin/sh
set -e
if [ "$1 $2" != "-m venv" ]; then exec {python} "$@"; fi
{python} -m venv --without-pip "$3"
for site in "$3"/lib/python*/site-packages; do echo {site} >"$site/as-here.pth"; done
"""


@dataclass
class Machine:
    """A place to install into."""

    home: Path
    said: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        python = self.home / "python"
        site = sysconfig.get_path("purelib")
        python.write_text(PYTHON.format(python=sys.executable, site=site))
        python.chmod(0o755)
        aside = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "PIP_"))}
        self.env = aside | {
            "PREFIX": str(self.home / "opt"), "ROOT": str(self.home / "takes"),
            "STATE": str(self.home / "state"), "ETC": str(self.home / "etc"),
            "ACCOUNT": getpass.getuser(), "PYTHON": str(python),
            "PIP_NO_DEPS": "1", "PIP_NO_INDEX": "1", "PIP_NO_COMPILE": "1",
        }  # fmt: skip

    def run(self, script: str, *options: str) -> int:
        done = subprocess.run(
            ["sh", DEPLOY / script, *options], env=self.env, capture_output=True, text=True
        )
        self.said.append(done.stdout + done.stderr)
        return done.returncode

    def install(self, version: str, instead: Mapping[str, str] | None = None) -> int:
        return self.run("install.sh", "--source", str(wheel(self.home, version, instead)))

    @property
    def program(self) -> tuple[str, ...]:
        return (str(self.home / "opt" / "current" / "bin" / "fairtake"),)

    @property
    def unit(self) -> Path:
        return self.home / "etc/systemd/system/fairtake.service"

    @property
    def version(self) -> str:
        done = subprocess.run([*self.program, "--version"], env=self.env, capture_output=True)
        return done.stdout.decode().split()[-1]

    @property
    def versions(self) -> list[str]:
        return sorted(os.listdir(self.home / "opt" / "versions"))

    def hurry(self) -> Root:
        """The ROOT, with quicker settings than the shipped ones."""
        file = self.home / "takes" / "fairtake.toml"
        text = file.read_text().replace("settle_s = 10.0", "settle_s = 0.5")
        file.write_text(text.replace("scan_s = 5.0", "scan_s = 0.5"))
        return open_root(self.home / "takes")


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Machine:
    """With version 90.0 installed: one that is not there already. The tests below go on from one another, and from here alone, too."""
    machine = Machine(tmp_path_factory.mktemp("machine"))
    assert machine.install("90.0") == 0, machine.said
    return machine


def test_the_unit_and_the_settings_name_the_places(machine: Machine) -> None:
    """What runs is what was installed, and may write where the settings say."""
    root, unit = machine.hurry(), machine.unit.read_text()
    assert root.state == machine.home / "state" and root.scratch.is_dir()
    assert f"ExecStart={machine.program[0]} serve {root.path}\n" in unit
    assert f"ReadWritePaths={root.path} {root.state}\n" in unit
    assert f"ExecPaths=/usr {machine.home / 'opt'}\n" in unit
    modes = [folder.stat().st_mode & 0o7777 for folder in (root.inbox, root.outbox)]
    assert modes == [0o2770, 0o2750]  # the group drops here, and reads there
    if shutil.which("setfacl"):
        (root.inbox / "The Book").mkdir()
        assert (root.inbox / "The Book").stat().st_mode & 0o070 == 0o070, "closed by the umask"


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("cli", "raise SystemExit('it does not even start')", "it does not even start"),
        ("check", "def problems(path): yield 'bad', 'All is wrong.'", "All is wrong."),
    ],
)
def test_a_version_that_does_not_answer_changes_nothing(
    machine: Machine, file: str, text: str, said: str
) -> None:
    """The old version stays what it was, and what was made of the new one goes."""
    before, unit = os.readlink(machine.home / "opt/current"), machine.unit.read_text()
    there = machine.versions
    assert machine.install("90.2", {f"fairtake/{file}.py": text}) == 1
    assert said in machine.said[-1]
    assert os.readlink(machine.home / "opt/current") == before and machine.version != "90.2"
    assert (machine.versions, machine.unit.read_text()) == (there, unit)


def test_upgraded_while_a_take_is_in_work_it_is_finished_by_the_new_version(
    machine: Machine,
) -> None:
    """The service ends as the unit ends it, the take goes back, and the next version makes it."""
    root = machine.hurry()
    with Served(root, program=machine.program, env=machine.env) as served:
        data = drop(root, "The Book/one.wav", BELL.read_bytes())
        until(served.is_working)
        assert served.end(signal.SIGTERM) == 0
    assert (root.inbox / "The Book/one.wav").read_bytes() == data
    assert machine.install("90.1") == 0, machine.said
    with Served(root, "--once", program=machine.program, env=machine.env) as served:
        assert served.process.wait(60) == 0
    receipt = receipt_of(root, "The Book/one")
    assert is_finished(root, "The Book/one.wav", data) and receipt is not None
    assert (machine.version, receipt.made_by["fairtake"]) == ("90.1", "90.1")


def test_installed_again_and_removed_every_take_stays(machine: Machine) -> None:
    """The installer may be run again, and removing the program removes no take and no setting."""
    root, unit = machine.hurry(), machine.unit.read_text()
    drop(root, "waits.wav", b"any bytes")
    before = {path: path.read_bytes() for path in files_below(root.path, root.state)}
    assert machine.install("90.1") == 0, machine.said
    assert len(machine.versions) == 2  # the one before stays, to go back to
    assert machine.unit.read_text() == unit
    assert machine.run("uninstall.sh") == 0, machine.said
    assert {p: p.read_bytes() for p in files_below(root.path, root.state)} == before
    assert not (machine.home / "opt").exists() and files_below(machine.home / "etc") == []
    assert f"{root.path} stays, with every take in it" in machine.said[-1]

    root.path.rename(machine.home / "away")  # as when its drive is not there
    assert machine.install("90.1") == 1 and not root.path.exists()
    assert "is its drive not there?" in machine.said[-1] and not (machine.home / "opt").exists()


def test_wrong_use_is_said_before_anything_is_done(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    assert machine.run("install.sh", "--rot", "/srv/x") == 1
    assert "There is no option '--rot'" in machine.said[-1]
    assert machine.run("install.sh", "--root", "takes") == 1
    assert "'takes' must be a full path" in machine.said[-1]
    assert machine.run("install.sh", "--root", "/srv/the takes") == 1
    assert machine.run("uninstall.sh", "--prefix", "/") == 1
    assert sorted(os.listdir(tmp_path)) == ["python"]


@pytest.mark.skipif(
    shutil.which("systemd-sysusers") is None or os.geteuid() != 0,
    reason="systemd-sysusers is not installed, or we are not root",
)
def test_the_account_and_its_folders_are_made_by_systemd(tmp_path: Path) -> None:
    """What the two files say is understood, and rights that somebody changed are left alone."""
    (tmp_path / "srv/fairtake").mkdir(parents=True)
    (tmp_path / "srv/fairtake").chmod(0o2751)
    (tmp_path / "etc").mkdir()
    for program, options, file in (
        ("systemd-sysusers", (), "fairtake.sysusers.conf"),
        ("systemd-tmpfiles", ("--create",), "fairtake.tmpfiles.conf"),
    ):
        command = [program, f"--root={tmp_path}", *options, DEPLOY / file]
        done = subprocess.run(command, capture_output=True, text=True)
        assert (done.returncode, done.stderr.replace("Creating", "")) != (1, ""), done
        assert done.returncode == 0, done.stderr
    name, _, uid, gid, _, _, shell = (tmp_path / "etc/passwd").read_text().strip().split(":")
    assert (name, shell) == ("fairtake", "/usr/sbin/nologin")
    for folder, mode in (("srv/fairtake", 0o2751), ("var/lib/fairtake", 0o755)):
        status = (tmp_path / folder).stat()
        assert (status.st_uid, status.st_gid) == (int(uid), int(gid))
        assert status.st_mode & 0o7777 == mode


@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="shellcheck is not installed")
def test_the_scripts_are_in_order() -> None:
    scripts = [*DEPLOY.glob("*.sh"), CHECKOUT / "tests" / "run.sh"]
    done = subprocess.run(
        ["shellcheck", "-x", *scripts], cwd=CHECKOUT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout
