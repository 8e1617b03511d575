"""fairtake.serving.notices: told by a real command and a real server, and never in a take's way."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from fairtake.errors import SettingsInvalid
from fairtake.folders import Root, open_root
from fairtake.service_settings import ServiceSettings
from fairtake.serving.errand import KEPT_BYTES, run_errand
from fairtake.serving.job import Outcome
from fairtake.serving.notices import MOST_WAITING, Notices
from fairtake.serving.status import status
from fairtake.shipped import config_folder
from fairtake.typed_file import parse_settings
from roots import Served, drop, is_finished, new_root, reason_of, spoken, strict_json, until

pytestmark = pytest.mark.skipif(
    os.name != "posix", reason="groups of processes are killed by POSIX"
)

SCHEMA = json.loads((config_folder() / "schemas/notice.schema.json").read_text("utf-8"))
FINISHED = Outcome("finished", "T/one", failed_checks=("noise floor of the mp3",))
QUARANTINED = Outcome("quarantined", "T/bad.wav", "silent", "The take is silent.")


def notified(tmp_path: Path, **settings: Any) -> Root:
    return new_root(tmp_path / "root", workers=1, notify=settings)


def python(code: str) -> list[str]:
    return [sys.executable, "-c", f"import os, sys, time\n{code}"]


def kept(folder: Path) -> list[str]:
    """A command that keeps each notice as a file of its own, complete under its name."""
    folder.mkdir()
    target = f"{folder}/{{os.getpid()}}"
    return python(
        f"open(f'{target}.part', 'w').write(sys.stdin.read()); os.rename(f'{target}.part', f'{target}.json')"
    )


def read(folder: Path) -> list[dict[str, Any]]:
    """The notices kept there, each by its schema, single ones first."""
    found = [strict_json(path.read_text()) for path in folder.glob("*.json")]
    for notice in found:
        jsonschema.validate(notice, SCHEMA)
    return sorted(found, key=lambda notice: (notice["event"] != "quarantined", notice["at"]))


class Listener(ThreadingHTTPServer):
    """A web server on loopback that answers as *answer* does, and keeps what it got."""

    def __init__(self, answer: Callable[[BaseHTTPRequestHandler], None]) -> None:
        self.got: list[tuple[str, str, bytes]] = []
        listener = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                listener.got.append((self.path, self.headers["Content-Type"], body))
                answer(self)

            do_GET = do_POST

            def log_message(self, *_: Any) -> None:
                pass

        super().__init__(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server_port}/hook?key=secret"


@contextmanager
def listening(answer: Callable[[BaseHTTPRequestHandler], None]) -> Iterator[Listener]:
    with Listener(answer) as listener:
        thread = threading.Thread(target=listener.serve_forever, kwargs={"poll_interval": 0.05})
        thread.start()
        try:
            yield listener
        finally:
            listener.shutdown()
            thread.join()


def fine(request: BaseHTTPRequestHandler) -> None:
    request.send_response(204)
    request.end_headers()


def refusal(request: BaseHTTPRequestHandler) -> None:
    request.send_error(500, "Out of order")


def elsewhere(request: BaseHTTPRequestHandler) -> None:
    request.send_response(302)
    request.send_header("Location", "file:///etc/passwd")
    request.end_headers()


@contextmanager
def deaf() -> Iterator[str]:
    """An address that takes the call and never answers."""
    with socket.create_server(("127.0.0.1", 0)) as ear:
        yield f"http://127.0.0.1:{ear.getsockname()[1]}/"


@pytest.fixture(autouse=True)
def no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("no_proxy", "127.0.0.1")


# --- in a service ---------------------------------------------------------------------------------


def test_a_night_is_told_by_command_and_by_post_while_takes_go_on(tmp_path: Path) -> None:
    """A batch with its counts and paths, a quarantined take at once; both ways get the same. A take
    that was dropped while the command never ends is finished all the same. Design: errors for people."""
    with listening(fine) as listener:
        root = notified(tmp_path, command=kept(tmp_path / "kept"), url=listener.url, quiet_s=1)
        drop(root, "T/bad.wav", b"no sound")
        data = drop(root, "T/good.wav", spoken(tmp_path / "v.wav"))
        with Served(root):
            until(lambda: len(read(tmp_path / "kept")) == 2)
            until(lambda: len(listener.got) == 2)
    single, batch = read(tmp_path / "kept")
    reason = reason_of(root, "T/bad.wav")
    assert reason is not None
    assert single["quarantined"] == batch["quarantined"] == [{
        "take": "T/bad.wav", "reason": str(root.quarantine / "T/bad.wav.reason.json"),
        "code": reason.code, "message": reason.message, "advice": reason.advice,
        "document": json.loads((root.quarantine / "T/bad.wav.reason.json").read_text()),
    }]  # fmt: skip
    [finished] = batch["finished"]
    assert (finished["take"], finished["receipt"]) == ("T/good.wav", str(root.outbox / "T/good.receipt.json"))  # fmt: skip
    assert finished["document"] == json.loads((root.outbox / "T/good.receipt.json").read_text())
    assert (single["event"], batch["event"]) == ("quarantined", "batch-ended")
    assert batch["counts"] | {"missed_checks": 0} == {
        "finished": 1, "missed_checks": 0, "quarantined": 1, "duplicates": 0, "waiting": 0
    }  # fmt: skip
    assert is_finished(root, "T/good.wav", data)
    assert {(path, kind) for path, kind, _ in listener.got} == {("/hook?key=secret", "application/json")}  # fmt: skip
    assert [json.loads(body) for *_, body in listener.got] == [single, batch]


def test_a_run_from_cron_ends_its_batch_and_bears_with_who_cannot_be_told(tmp_path: Path) -> None:
    """Takes and status 0 are not touched by a command that hangs and an address that fails: they are
    given up, killed with what they started, and said in the log. Issue: never in the way of a take."""
    pid = tmp_path / "pid"
    hangs = python(f"pid = os.fork()\nif not pid: open({str(pid)!r}, 'w').write(str(os.getpid()))\ntime.sleep(600)")  # fmt: skip
    with listening(refusal) as listener:
        root = notified(tmp_path, command=hangs, url=listener.url, timeout_s=2)
        data = drop(root, "one.wav", spoken(tmp_path / "v.wav"))
        with Served(root, "--once") as served:
            assert served.process.wait(60) == 0
    assert is_finished(root, "one.wav", data)
    [line] = [line for line in served.log.splitlines() if line.split()[2] == "fault"]
    assert "The command of [notify] failed: it was killed when 2 s were over." in line
    assert "The POST of [notify] failed: it ended with status 1: the answer was 500 Out of order" in line  # fmt: skip
    assert "secret" not in served.log
    until(lambda: not is_alive(int(pid.read_text())))


def is_alive(pid: int) -> bool:
    try:
        return (Path("/proc") / str(pid) / "stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


# --- without one ----------------------------------------------------------------------------------


def told(notices: Notices) -> str:
    """What a batch of one take comes to: the trouble, '' when there is none."""
    notices.start()
    notices.ended("T/one.wav", FINISHED)
    notices.end(patiently=True)
    return notices.trouble


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("sys.exit(3)", "it ended with status 3."),
        ("sys.exit('first\\nno modem\\n')", "it ended with status 1: no modem."),
        ("os.kill(os.getpid(), 15)", "it was ended by signal 15."),
        ("", ""),
        ("sys.stderr.write('x' * 10_000_000)", ""),
    ],
    ids=["status", "words", "signal", "never reads", "talks much"],
)
def test_how_a_command_ended_is_said(tmp_path: Path, code: str, said: str) -> None:
    """Its status and the last line it said. Design: errors for people."""
    trouble = told(Notices(notified(tmp_path, command=python(code))))
    assert trouble == (f"The command of [notify] failed: {said}" if said else "")


def test_a_command_that_is_not_there_is_named(tmp_path: Path) -> None:
    """No shell looks at it, either. Design: errors for people."""
    trouble = told(Notices(notified(tmp_path, command=["no such; echo $HOME"])))
    assert "no such; echo $HOME: No such file" in trouble


@pytest.mark.parametrize(
    ("answer", "said"),
    [(refusal, "the answer was 500 Out of order"), (elsewhere, "302 Found, a redirect, which is not followed"),
     (lambda request: time.sleep(3), "it was killed when 1 s were over")],
    ids=["failing", "redirect", "slow"],
)  # fmt: skip
def test_what_the_address_answered_is_said(tmp_path: Path, answer: Any, said: str) -> None:
    """Nor is it asked a second time, or anywhere else. RFC 9110, 15.4."""
    with listening(answer) as listener:
        trouble = told(Notices(notified(tmp_path, url=listener.url, timeout_s=1.0 if "killed" in said else 20)))  # fmt: skip
        assert said in trouble and "secret" not in trouble
        assert len(listener.got) == 1


def test_the_loop_never_waits_and_the_batch_s_notice_outlives_a_flood(tmp_path: Path) -> None:
    """With nobody answering, ten times as many takes fail as can wait; the batch tells of all, as soon
    as somebody answers again. Issue: a bounded queue."""
    asked = []

    def late_once(request: BaseHTTPRequestHandler) -> None:
        asked.append(1)
        time.sleep(3 if len(asked) == 1 else 0)
        fine(request)

    with listening(late_once) as listener:
        notices = Notices(notified(tmp_path, url=listener.url, timeout_s=2))
        notices.start()
        for _ in range(10 * MOST_WAITING):
            notices.ended("T/bad.wav", QUARANTINED)
        notices.told(busy=False, waiting=7)
        assert len(listener.got) <= 1  # nobody has waited for an answer
        notices.end(patiently=True)
        told = [json.loads(body) for *_, body in listener.got]
    assert [notice["event"] for notice in told] == ["quarantined", "batch-ended"]
    assert told[-1]["counts"]["quarantined"] == 10 * MOST_WAITING == len(told[-1]["quarantined"])
    assert told[-1]["counts"]["waiting"] == 7 and "thrown away" in notices.trouble


def test_takes_that_come_close_together_are_one_batch(tmp_path: Path) -> None:
    """It ends after the quiet, or with the service; nothing done is no batch. Design: one notice a night."""
    root = notified(tmp_path, command=kept(tmp_path / "kept"), quiet_s=1)
    notices = Notices(root)
    notices.start()
    for busy in (True, False, True):
        notices.ended("T/one.wav", FINISHED)
        notices.told(busy, waiting=0)
    notices.ended("T/one.wav", Outcome("duplicate", "T/one"))
    until(lambda: notices.told(False, 0) or read(tmp_path / "kept"))
    notices.ended("T/one.wav", Outcome("duplicate", "T/one"))
    notices.ended("T/one.wav", Outcome("surroundings"))
    notices.end(patiently=True)
    [batch] = read(tmp_path / "kept")
    assert (batch["counts"]["finished"], batch["counts"]["missed_checks"]) == (3, 3)
    assert batch["finished"][0]["missed_checks"] == ["noise floor of the mp3"]
    assert batch["counts"]["duplicates"] == 1


def test_without_anybody_to_tell_nothing_is_started(tmp_path: Path) -> None:
    """Off by default. Issue: notices."""
    before = threading.active_count()
    notices = Notices(new_root(tmp_path / "root"))
    assert told(notices) == "" and threading.active_count() == before


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux binds processes")
def test_a_command_ends_with_the_service(tmp_path: Path) -> None:
    """SIGKILL leaves nothing behind. Requirement 16: no left-over process."""
    pid = tmp_path / "pid"
    command = python(f"open({str(pid)!r}, 'w').write(str(os.getpid())); time.sleep(600)")
    code = f"from fairtake.serving.errand import run_errand\nrun_errand({command!r}, b'', 600)"
    service = subprocess.Popen([sys.executable, "-c", code])
    until(lambda: pid.exists() and pid.read_text())
    service.send_signal(signal.SIGKILL)
    service.wait()
    until(lambda: not is_alive(int(pid.read_text())))


def detached(pid: Path, then: str) -> list[str]:
    """A command that starts a process in a session of its own, twice removed, says its id in *pid*, and
    goes on with *then*."""
    return python(
        "if not os.fork():\n os.setsid()\n if os.fork(): os._exit(0)\n"
        f" open({str(pid)!r}, 'w').write(str(os.getpid())); time.sleep(600)\n"
        f"while not os.path.exists({str(pid)!r}): time.sleep(0.01)\n{then}"
    )


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux lets orphans be adopted")
@pytest.mark.parametrize("then", ["time.sleep(600)", "sys.exit(0)"])
def test_what_a_command_started_apart_ends_with_its_time(tmp_path: Path, then: str) -> None:
    """A session of its own is no way out: neither for a command that is killed, nor for what one that
    ended leaves running. Requirement 16: no left-over process."""
    pid = tmp_path / "pid"
    said = run_errand(detached(pid, then), b"", 2)
    assert "when 2 s were over" in said
    until(lambda: not is_alive(int(pid.read_text())), 2)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux lets orphans be adopted")
def test_what_a_command_started_apart_ends_with_the_service(tmp_path: Path) -> None:
    """SIGKILL leaves nothing behind, in no session. Requirement 16: no left-over process."""
    pid = tmp_path / "pid"
    command = detached(pid, "time.sleep(600)")
    code = f"from fairtake.serving.errand import run_errand\nrun_errand({command!r}, b'', 600)"
    service = subprocess.Popen([sys.executable, "-c", code])
    until(lambda: pid.exists() and pid.read_text())
    service.send_signal(signal.SIGKILL)
    service.wait()
    until(lambda: not is_alive(int(pid.read_text())), 5)


def test_how_a_command_ended_is_told(tmp_path: Path) -> None:
    """Its own status or signal, and nothing of who looks after it. By construction."""
    assert run_errand(python("sys.exit(0)"), b"", 20) == ""
    assert run_errand(python("sys.exit('no desk')"), b"", 20) == "it ended with status 1: no desk"
    ended = "it was ended by signal 9"
    assert run_errand(python("import signal; os.kill(os.getpid(), 9)"), b"", 20) == ended
    assert "No such file" in run_errand([str(tmp_path / "none")], b"", 20)


def test_only_the_last_of_what_is_said_is_kept() -> None:
    """A command that talks for hours fills nothing. By algebra."""
    said = run_errand(python("sys.stderr.write('y' * 1_000_000); sys.exit(2)"), b"", 20)
    assert said == f"it ended with status 2: {'y' * KEPT_BYTES}"


@pytest.mark.parametrize(
    "text",
    ['url = "ftp://h/x"', 'url = "file:///etc/passwd"', 'url = "http://"', 'url = "http://h:0/"',
     'url = "h/x"', 'url = "http://a:b@h/"', 'url = "http://h/a b"', 'url = "http://h/\\n"',
     'command = "tell me"', 'command = [""]', 'command = ["a\\u0000"]', "timeout_s = 0", "quit_s = 3"],
)  # fmt: skip
def test_what_cannot_be_told_to_is_refused_with_its_line(text: str) -> None:
    """http and https alone, a list of words and no shell. Design: the settings' fault."""
    with pytest.raises(SettingsInvalid) as e:
        parse_settings(f"[notify]\n{text}\n".encode(), ServiceSettings, SettingsInvalid, "x.toml")
    assert e.value.message.split(":")[0].endswith("x.toml, line 2")


def test_trouble_with_notices_is_told_and_makes_nothing_unhealthy(tmp_path: Path) -> None:
    """As that of the ledger: a health check that restarts a service would stand in takes' way."""
    from fairtake.serving.heartbeat import beat

    root = open_root(new_root(tmp_path / "root").path)
    beat(root.heartbeat, time.time(), [], {}, "", notices="No modem.", metrics="No disk.")
    said = status(root)
    assert said["healthy"] and said["service"]["notices"] == "No modem."
    done = subprocess.run([sys.executable, "-m", "fairtake", "status", root.path], capture_output=True, text=True)  # fmt: skip
    assert "Takes are safe, but: No modem." in done.stdout
    assert "Takes are safe, but: No disk." in done.stdout
