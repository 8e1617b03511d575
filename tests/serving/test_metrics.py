"""fairtake.serving.metrics: figures for a monitoring agent, read by prometheus_client's own parser."""

from __future__ import annotations

import copy
import logging
import shutil
import stat
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from fairtake.check import problems
from fairtake.errors import SettingsInvalid
from fairtake.folders import Root
from fairtake.service_settings import ServiceSettings
from fairtake.serving.job import Outcome
from fairtake.serving.log import start_log
from fairtake.serving.metrics import Free, Metrics, _family
from fairtake.serving.status import status
from fairtake.typed_file import parse_settings
from roots import Served, drop, new_root, receipt_of, spoken, until

Read = dict[tuple[str, tuple[str, ...]], float]


def measured(tmp_path: Path, **settings: Any) -> Root:
    (tmp_path / "agent").mkdir(exist_ok=True)
    return new_root(tmp_path / "root", metrics=str(tmp_path / "agent/fairtake.prom"), **settings)


def read(root: Root) -> Read:
    """Every sample, under its name and the values of its labels."""
    families = list(text_string_to_metric_families(Path(root.settings.metrics).read_text()))
    assert all(family.documentation and family.type in ("counter", "gauge") for family in families)
    return {
        (sample.name.removeprefix("fairtake_"), tuple(sample.labels.values())): sample.value
        for family in families
        for sample in family.samples
    }


def test_a_night_in_figures(tmp_path: Path) -> None:
    """Takes by outcome and code, seconds by verb, free space, what waits: written by a real service,
    read by the library of those who read such files. Exposition format 0.0.4; issue: metrics."""
    root = measured(tmp_path, log="json")
    drop(root, "T/bad.wav", b"no sound")
    drop(root, "T/good.wav", spoken(tmp_path / "v.wav"))
    with Served(root, "--once") as served:
        assert served.process.wait(60) == 1
    said = read(root)
    assert {key[1]: value for key, value in said.items() if key[0] == "takes_total"} == {
        ("finished", ""): 1, ("duplicate", ""): 0, ("quarantined", "not-audio"): 1
    }  # fmt: skip
    receipt = receipt_of(root, "T/good")
    assert receipt is not None
    for verb, seconds in receipt.took_s:
        assert said["seconds_total", (verb,)] == pytest.approx(seconds, abs=0.002)
    assert said["in_work_takes", ()] == said["waiting_takes", ()] == said["in_trouble", ()] == 0
    free = {key[1][0]: value for key, value in said.items() if key[0] == "free_bytes"}
    assert set(free) == {place["folder"] for place in status(root)["places"]}
    assert free["inbox"] == pytest.approx(shutil.disk_usage(root.inbox).free, rel=0.2)
    assert said["start_timestamp_seconds", ()] < said["heartbeat_timestamp_seconds", ()] <= time.time()  # fmt: skip
    path = Path(root.settings.metrics)
    assert "good" not in path.read_text() and "bad" not in path.read_text()
    assert stat.S_IMODE(path.stat().st_mode) == 0o644  # whatever the umask is
    assert list(path.parent.iterdir()) == [path]


def stopped(root: Root, *outcomes: Outcome) -> Read:
    """What stands in the file when a service has ended that met these."""
    metrics = Metrics(root)
    metrics.start()
    for outcome in outcomes:
        metrics.ended(outcome)
    metrics.end()
    return read(root)


def test_counters_go_on_where_the_file_left_them(tmp_path: Path) -> None:
    """A restart, and each run from cron, counts on; without the file from 0. By algebra."""
    root = measured(tmp_path)
    silent = Outcome("quarantined", "x.wav", "silent")
    assert stopped(root, silent, silent)["takes_total", ("quarantined", "silent")] == 2
    said = stopped(root, silent, Outcome("duplicate"), Outcome("surroundings"))
    assert said["takes_total", ("quarantined", "silent")] == 3
    assert said["takes_total", ("duplicate", "")] == 1
    path = Path(root.settings.metrics)
    for spoilt in (b"\xff\0", b'fairtake_takes_total{outcome="finished",code=""} NaN\n', b""):
        path.write_bytes(spoilt)
        assert stopped(root, silent)["takes_total", ("quarantined", "silent")] == 1
    path.write_text(
        'fairtake_seconds_total{verb="listen"} 1.5e+06\nfairtake_seconds_total{verb="plan"} 2\n'
    )
    said = stopped(root)
    assert said["seconds_total", ("listen",)] == 1.5e6 and said["seconds_total", ("plan",)] == 2


def test_the_oldest_that_waits_is_told_and_one_that_went_is_forgotten(tmp_path: Path) -> None:
    """Queue length and age. By algebra."""
    root = measured(tmp_path)
    metrics = Metrics(root)
    metrics.start()
    metrics.told(1, ["old.wav"], in_trouble=True)
    time.sleep(0.3)
    metrics.told(1, ["old.wav", "new.wav"], in_trouble=True)
    metrics.end()
    said = read(root)
    assert (said["waiting_takes", ()], said["in_work_takes", ()], said["in_trouble", ()]) == (
        2,
        1,
        1,
    )
    assert said["oldest_waiting_seconds", ()] >= 0.3
    metrics = Metrics(root)
    metrics.start()
    metrics.told(0, ["old.wav"], in_trouble=False)
    metrics.told(0, [], in_trouble=False)
    metrics.end()
    assert read(root)["oldest_waiting_seconds", ()] == 0


@pytest.mark.parametrize("value", ['a"b', "a\\b", "a\nb", '\\"\n', "ä"])
def test_a_label_comes_back_as_it_was(value: str) -> None:
    """Quotes, backslashes and line ends are escaped. Exposition format 0.0.4."""
    [family] = text_string_to_metric_families("".join(_family("x", "gauge", "X.", [({"l": value}, 1)])))  # fmt: skip
    assert family.samples[0].labels == {"l": value}


def test_a_folder_that_is_gone_or_silent_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And not asked again while it is silent: no thread a quarter minute for a share that hangs."""
    monkeypatch.setattr("fairtake.serving.metrics.PATIENCE_S", 0.2)
    root = measured(tmp_path)
    root.originals.rmdir()
    free = Free(root)
    held = threading.Event()
    free._asking["outbox"] = threading.Thread(target=held.wait, daemon=True)
    free._asking["outbox"].start()
    assert set(free.bytes()) == {"inbox", "quarantine", "state"}
    before = threading.active_count()
    free.bytes()
    assert threading.active_count() == before
    held.set()
    free._asking["outbox"].join()
    assert "outbox" in free.bytes()


def test_a_file_that_cannot_be_written_is_said_and_nobody_waits(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """check says it before, log and status while it lasts. Issue: never in the way of a take."""
    root = measured(tmp_path)
    (tmp_path / "agent").rmdir()
    assert any("metrics" in sentence for kind, sentence in problems(root.path) if kind == "bad")
    log = logging.getLogger("fairtake")
    for kept in ("handlers", "level", "propagate"):
        monkeypatch.setattr(log, kept, copy.copy(getattr(log, kept)))
    start_log("plain")
    metrics = Metrics(root)
    metrics.start()
    metrics.ended(Outcome("duplicate"))
    trouble = until(lambda: metrics.trouble)
    metrics.end()
    assert trouble.startswith("The metrics cannot be written: No such file or directory")
    [line] = capsys.readouterr().err.splitlines()
    assert line.split()[2] == "fault" and trouble in line


def test_only_a_name_that_collectors_read_is_accepted() -> None:
    """So that no other file of the owner's is ever written over by a slip of the pen."""
    with pytest.raises(SettingsInvalid) as e:
        parse_settings(b'metrics = "fairtake.toml"\n', ServiceSettings, SettingsInvalid, "x.toml")
    assert "line 1: metrics: " in e.value.message and ".prom" in e.value.message
