"""What stands in deploy/ for containers, macOS and Windows: well formed, and at one with the program."""

from __future__ import annotations

import plistlib
import re
import xml.etree.ElementTree as ElementTree
from typing import Any

import pytest
from wheels import CHECKOUT

from fairtake.serving.serve import PUBLISH_PATIENCE_S

DEPLOY = CHECKOUT / "deploy"
TASK = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"


def containerfile() -> dict[str, list[str]]:
    """Every instruction, each with what follows it, in order."""
    text = (DEPLOY / "Containerfile").read_text().replace("\\\n", " ")
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line and not line.startswith("#"):
            word, _, rest = line.partition(" ")
            found.setdefault(word, []).append(rest)
    return found


def test_the_image_holds_what_it_needs_and_runs_without_rights() -> None:
    """What is copied is there, and the last stage is left by root for good."""
    said = containerfile()
    copied = [name for line in said["COPY"] if "--from" not in line for name in line.split()[:-1]]
    texts = {"pyproject.toml", "hatch_build.py", "README.md", "LICENSE", "LICENCES.md"}
    assert set(copied) == texts | {"deploy/requirements.lock", "config", "service"}
    assert "gcc" in said["RUN"][0] and "--require-hashes" in said["RUN"][1]
    assert all((CHECKOUT / name).exists() for name in copied)
    assert len(said["FROM"]) == 2
    assert [user.split(":")[0] for user in said["USER"]] == ["10001"]
    assert said["VOLUME"] == ["/srv/fairtake"] and '"serve", "/srv/fairtake"' in said["CMD"][0]
    [health] = said["HEALTHCHECK"]
    assert "fairtake status /srv/fairtake --json" in health


def test_compose_takes_every_right_away() -> None:
    """A read-only system, no network, no capability, and time to bring takes back."""
    yaml = pytest.importorskip("yaml")
    service: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text())["services"][
        "fairtake"
    ]
    assert service["read_only"] is True and service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["network_mode"] == "none" and service["tmpfs"][0].startswith("/tmp:")
    assert [volume["target"] for volume in service["volumes"]] == [
        "/srv/fairtake"
    ]  # renames, see there
    assert (DEPLOY / service["build"]["context"] / service["build"]["dockerfile"]).is_file()
    assert float(service["stop_grace_period"].rstrip("s")) > 2 * PUBLISH_PATIENCE_S


def test_the_property_list_is_one() -> None:
    """launchd.plist(5): known keys, and the ones this service depends on."""
    with open(DEPLOY / "org.fairtake.serve.plist", "rb") as file:
        said = plistlib.load(file)
    assert set(said) == {
        "Label", "ProgramArguments", "UserName", "RunAtLoad", "KeepAlive", "ThrottleInterval",
        "ExitTimeOut", "ProcessType", "Umask", "SoftResourceLimits", "EnvironmentVariables",
        "WorkingDirectory", "StandardErrorPath", "StandardOutPath",
    }  # fmt: skip
    assert said["Label"] == "org.fairtake.serve" and said["KeepAlive"] == {"SuccessfulExit": False}
    program, command, root = said["ProgramArguments"]
    assert program.endswith("/bin/fairtake") and (command, root) == (
        "serve",
        said["WorkingDirectory"],
    )
    assert said["ExitTimeOut"] > 2 * PUBLISH_PATIENCE_S and said["Umask"] == 0o027


def test_the_task_never_ends_by_itself_and_is_one() -> None:
    """Task Scheduler Schema: no time limit, one instance, started with the machine and by the clock."""
    task = ElementTree.parse(DEPLOY / "fairtake-task.xml").getroot()
    assert task.tag == f"{TASK}Task" and [part.tag.removeprefix(TASK) for part in task] == [
        "RegistrationInfo", "Triggers", "Principals", "Settings", "Actions",
    ]  # fmt: skip
    said = {element.tag.removeprefix(TASK): element.text or "" for element in task.iter()}
    assert said["ExecutionTimeLimit"] == "PT0S" and said["MultipleInstancesPolicy"] == "IgnoreNew"
    assert said["DisallowStartIfOnBatteries"] == said["StopIfGoingOnBatteries"] == "false"
    assert 1 <= int(said["Count"]) <= 255  # an unsigned byte there
    assert re.search(r"fairtake\.exe serve D:\\Takes 2>> ", said["Arguments"])
