"""fairtake.terminal: real commands on a real terminal, 80 columns wide, and what a person sees there."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from rich.live import Live

import crashing
from fairtake.folders import Root, claim, quarantine
from fairtake.serving.heartbeat import beat
from fairtake.serving.serve import Service
from fairtake.serving.standing import Standing
from fairtake.terminal.shown import ended_by_signals, in_order
from files.making import voice, write
from roots import FAIRTAKE, drop, files_below, is_finished, new_root, spoken, until

#: A folder and a file in it: markup, and a word to the terminal that gives its window a title.
HOSTILE = "[red]x[/]\x1b]0;evil\x07.wav"
HOSTILE_SHOWN = r"[red]x[/]\x1b]0;evil\x07.wav"
WIDE = "日本語の録音 長い名前のテイク.wav"
COLUMNS = 80
COLOURS_AND_PLACES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
HIDDEN, SHOWN = "\x1b[?25l", "\x1b[?25h"
ALTERNATE, ORDINARY = "\x1b[?1049h", "\x1b[?1049l"
WIPED = "\x1b[2K"
CTRL_C = b"\x03"
NOT_AUDIO = b"this is no sound"
MOMENT = r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d"


class Terminal:
    """A command on a terminal of its own, and all that came there."""

    def __init__(self, command: tuple[Any, ...], rows: int, **popen: Any) -> None:
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", rows, COLUMNS, 0, 0))
        plain = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS", "LINES")}
        self.process = subprocess.Popen(
            command,
            **{"stdin": theirs, "stdout": theirs, "stderr": theirs, **popen},
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
            env={**plain, "TERM": "xterm-256color"},
        )
        os.close(theirs)
        self._said = b""

    @property
    def said(self) -> str:
        """Everything so far, escapes and all."""
        while select.select([self._ours], [], [], 0)[0]:
            try:
                said = os.read(self._ours, 65536)
            except OSError:  # the last of those who wrote is gone
                break
            if not said:
                break
            self._said += said
        return self._said.decode("utf-8", "replace")

    @property
    def shown(self) -> str:
        """The same without colours and places; nothing else that a terminal obeys is in it."""
        shown = COLOURS_AND_PLACES.sub("", self.said)
        assert all(c.isprintable() or c in "\r\n" for c in shown), shown
        return shown.replace("\r", "")

    @property
    def lines(self) -> list[str]:
        return [line.rstrip() for line in self.shown.split("\n")]

    def see(self, text: str) -> None:
        until(lambda: text in self.shown or self.process.poll() is not None)
        assert text in self.shown, self.shown

    def press(self, keys: bytes) -> None:
        os.write(self._ours, keys)

    def end(self) -> int:
        """Wait for the end, and see the terminal left as it was; the exit status."""
        until(lambda: self.said is not None and self.process.poll() is not None)
        said = self.said
        assert said.count(HIDDEN) == 0 or said.rindex(SHOWN) > said.rindex(HIDDEN)
        assert said.count(ALTERNATE) == said.count(ORDINARY)
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._ours)


@contextmanager
def on_terminal(*arguments: Any, rows: int = 24, **popen: Any) -> Iterator[Terminal]:
    """``fairtake`` with *arguments* on a terminal; ended at the end of the block."""
    terminal = Terminal((*FAIRTAKE, *map(os.fspath, arguments)), rows, **popen)
    try:
        yield terminal
    finally:
        terminal.close()


def piped(*arguments: Any) -> subprocess.CompletedProcess[str]:
    """The same into pipes, where the environment begs for colour."""
    environment = {**os.environ, "FORCE_COLOR": "1", "TERM": "xterm-256color"}
    command = [*FAIRTAKE, *map(os.fspath, arguments)]
    return subprocess.run(command, capture_output=True, text=True, env=environment)


def cells(line: str) -> int:
    """Columns a line takes, by the Unicode table of the standard library."""
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in line)


def percents(shown: str) -> list[int]:
    return [int(n) for n in re.findall(r"(\d+)%", shown)]


@pytest.fixture
def root(tmp_path: Path) -> Root:
    return new_root(tmp_path / "root")


def failed_take(root: Root, name: str) -> None:
    drop(root, name, name.encode())
    claimed = claim(root, name)
    assert claimed is not None
    quarantine(root, claimed, crashing.reason(claimed.name))


def table_in(lines: list[str]) -> list[str]:
    """The closing table and what follows it."""
    return lines[max(n for n, line in enumerate(lines) if line.startswith("take ")) :]


# --- master --------------------------------------------------------------------------------------


def test_one_take_shows_how_far_it_is_and_then_says_what_it_always_says(tmp_path: Path) -> None:
    """A bar over the whole take that never goes back, gone at the end; no table for one line."""
    write(tmp_path / "one.wav", voice(seconds=20), 48000)
    plain = piped("master", tmp_path / "one.wav", "--out", tmp_path / "plain")
    with on_terminal("master", tmp_path / "one.wav", "--out", tmp_path / "out") as terminal:
        assert terminal.end() == 0
        assert re.search(r"one\.wav  (listen|plan|render|encode|prove) +━", terminal.shown)
        seen = percents(terminal.shown)
        assert len(set(seen)) > 2 and seen == sorted(seen)
        assert terminal.said.rindex(WIPED) > terminal.said.rindex("━")
        assert terminal.shown.endswith(plain.stdout) and plain.stdout.count("\n") == 1
        assert "verdict" not in terminal.shown and "of 1" not in terminal.shown


def test_several_takes_end_with_a_table_and_a_sentence(tmp_path: Path) -> None:
    """Each take's figures and its verdict in words; the one that failed is explained, too."""
    takes = [tmp_path / name for name in ("one.wav", "text.wav", WIDE)]
    spoken(takes[0])
    takes[1].write_bytes(NOT_AUDIO)
    spoken(takes[2])
    with on_terminal("master", *takes, "--out", tmp_path / "out") as terminal:
        assert terminal.end() == 1
        lines = terminal.lines
    assert any(re.match(r" *2 of 3 ", line) for line in lines)
    assert any(re.match(r"one\.wav +done +━+ +100%  in \d+ s", line) for line in lines)
    assert any(line.startswith("text.wav: not-audio: This file is not audio") for line in lines)
    table = table_in(lines)
    figures = r" +0:\d\d\.\d +−\d+\.\d dBFS +−\d+\.\d +−\d+\.\d +"
    assert re.match(rf"one\.wav{figures}(ready|look at it)", table[1])
    assert re.match(r"text\.wav +– +– +– +– +failed: not-audio", table[2])
    assert re.search(rf"日本語.*….*\.wav{figures}(ready|look at it)", "\n".join(table[3:]))
    assert re.search(r"^[0-2] of 3 ready\.", "\n".join(table), re.MULTILINE)
    assert max(map(cells, table)) <= COLUMNS


def test_what_goes_into_a_file_stays_plain_while_somebody_looks(tmp_path: Path) -> None:
    """Programs read stdout, whatever the terminal beside it shows."""
    for name in ("one.wav", "two.wav"):
        spoken(tmp_path / name)
    takes = [tmp_path / "one.wav", tmp_path / "two.wav"]
    plain = piped("master", *takes, "--out", tmp_path / "plain")
    with (
        open(tmp_path / "lines", "wb") as lines,
        on_terminal("master", *takes, "--out", tmp_path / "out", stdout=lines) as terminal,
    ):
        assert terminal.end() == 0
        assert "verdict" in terminal.shown
    assert (tmp_path / "lines").read_text() == plain.stdout and len(plain.stdout.splitlines()) == 2


def test_ctrl_c_tells_what_was_finished_before(tmp_path: Path) -> None:
    """What is finished is finished, and the terminal is as it was."""
    spoken(tmp_path / "one.wav")
    takes = [tmp_path / "one.wav"] * 9
    with on_terminal("master", *takes, "--out", tmp_path / "out") as terminal:
        terminal.see("3 of 9")
        terminal.press(CTRL_C)
        assert terminal.end() == 1
        assert re.search(r" of [2-8] ready\.", terminal.shown)
    assert not list((tmp_path / "out").glob(".*"))


def test_sigterm_puts_terminal_and_scratch_in_order(tmp_path: Path) -> None:
    """The cursor is there again, and no scratch is left beside the finished files."""
    write(tmp_path / "long.wav", voice(seconds=20), 48000)
    with on_terminal("master", tmp_path / "long.wav", "--out", tmp_path / "out") as terminal:
        terminal.see("long.wav  ")
        terminal.process.send_signal(signal.SIGTERM)
        assert terminal.end() == 128 + signal.SIGTERM
    assert files_below(tmp_path / "out") == []


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_while_a_display_begins_leaves_the_terminal_in_order(number: int) -> None:
    """It may come between the first picture and all that is to end with it. By a signal sent there."""
    said = io.StringIO()
    console = Console(file=said, force_terminal=True, _environ={"TERM": "xterm-256color"})

    class Drawn:
        def __rich__(self) -> str:
            if number not in sent:
                sent.append(number)
                os.kill(os.getpid(), number)
            return "a take"

    sent: list[int] = []
    with (
        pytest.raises((SystemExit, KeyboardInterrupt)),
        ended_by_signals(),
        in_order(Live(Drawn(), console=console)),
    ):
        pytest.fail("it began all the same")
    written = said.getvalue()
    assert HIDDEN in written and written.rindex(SHOWN) > written.rindex(HIDDEN)


# --- serve ---------------------------------------------------------------------------------------


def test_serve_keeps_its_log_and_shows_below_it_what_is_in_work(root: Root, tmp_path: Path) -> None:
    """Log lines stay whole; under them takes and counts, and at last a table. No name acts."""
    data = spoken(tmp_path / "spoken.wav")
    for name in ("good.wav", HOSTILE, WIDE):
        drop(root, name, data)
    drop(root, "text.wav", NOT_AUDIO)
    with on_terminal("serve", root.path, "--once", rows=50) as terminal:
        assert terminal.end() == 1
        lines = terminal.lines
    assert any(re.fullmatch(rf'{MOMENT}  published    "good.wav"  place: good.*', x) for x in lines)
    assert any(re.match(r"(good|text)\.wav +(start|listen) +━+.* \d+%", line) for line in lines)
    assert any("waiting. Since the start: " in line for line in lines)
    table = table_in(lines)
    assert re.match(r"text\.wav +in quarantine +not-audio: This file is not", table[1])
    for name in ("good.wav", HOSTILE_SHOWN):
        assert any(re.match(rf"{re.escape(name)} +finished ", line) for line in table), name
    assert "3 finished, 1 in quarantine. `fairtake status` says what to do." in table
    assert max(map(cells, table)) <= COLUMNS
    assert is_finished(root, "good.wav", data)


@pytest.mark.parametrize("how", ["Ctrl-C", "SIGTERM"])
def test_serve_ends_in_good_order_and_gives_the_terminal_back(root: Root, how: str) -> None:
    """Signals end the service as they do without a display: the take goes back, status 0."""
    spoken(root.inbox / "one.wav")
    with on_terminal("serve", root.path) as terminal:
        terminal.see("0 waiting. Since the start: 0 finished, 0 in quarantine.")
        until(lambda: re.search(r"one\.wav +start +━", terminal.shown))
        if how == "Ctrl-C":
            terminal.press(CTRL_C)
        else:
            terminal.process.send_signal(signal.SIGTERM)
        assert terminal.end() == 0
        assert terminal.lines[-2].endswith("  stopped      finished: 0  quarantined: 0")
    assert (root.inbox / "one.wav").exists()


def test_a_display_that_fails_disturbs_no_service(root: Root) -> None:
    """It is told nothing more, and the takes are done as if nobody had looked."""
    seen = []

    def show(standing: Standing) -> None:
        seen.append(standing)
        raise RuntimeError("the terminal is on fire")

    drop(root, "text.wav", NOT_AUDIO)
    service = Service(root, once=True, show=show)
    service.run()
    assert len(seen) == 1 and service.failed == 1


# --- status --------------------------------------------------------------------------------------


def test_status_says_first_whether_all_is_well(root: Root) -> None:
    """A service lives, one take is in work, nothing failed: one sentence, and how far the take is."""
    drop(root, "A/one.wav", b"x")
    claimed = claim(root, "A/one.wav")
    assert claimed is not None
    doing = [{"job": claimed.job, "take": claimed.path, "verb": "encode", "share": 0.0}]
    beat(root.heartbeat, time.time(), doing, {}, "")
    with on_terminal("status", root.path) as terminal:
        assert terminal.end() == 0
        lines = terminal.lines
    assert lines[0] == "All is well: 1 still to come."
    assert any(re.match(r"  A/one\.wav +encode +━+.* 46%", line) for line in lines)
    assert re.match(r"  inbox, outbox, .*state +\d+\.\d GB free", lines[-2])


def test_status_says_what_to_do_and_cuts_long_lists(root: Root) -> None:
    """No service, 11 takes in quarantine, 22 that wait: what, why, and what to do, in 80 columns."""
    for name in (HOSTILE, f"A/{WIDE}", *(f"take {n:02}.wav" for n in range(20))):
        drop(root, name, b"x")
    for n in range(11):
        failed_take(root, f"bad {n}.wav")
    with on_terminal("status", root.path, rows=60) as terminal:
        assert terminal.end() == 1
        lines = terminal.lines
    assert "never run here. Start it: fairtake serve" in " ".join(lines[:2])
    assert "Waiting (22)" in lines and "In quarantine (11)" in lines
    assert [line for line in lines if "more" in line] == ["  and 12 more"]  # not: "and 1 more"
    assert (
        sum(bool(re.fullmatch(r"  bad \d+\.wav +silent: Silent\. Speak\.", x)) for x in lines) == 11
    )
    assert any(re.fullmatch(rf"  {re.escape(HOSTILE_SHOWN)} +for the service", x) for x in lines)
    waits = {cells(line[: line.index("for the service")]) for line in lines if "for the s" in line}
    assert len(waits) == 1  # reasons stand under each other, beside wide letters too
    assert max(map(cells, lines)) <= COLUMNS


def test_watch_keeps_the_screen_current_until_ctrl_c(root: Root) -> None:
    """A screen of its own, which shows what was dropped meanwhile and fits; then status 0."""
    for n in range(40):
        failed_take(root, f"take {n:02}.wav")
    with on_terminal("status", root.path, "--watch", rows=16) as terminal:
        terminal.see("Ctrl-C ends this.")
        first = terminal.said
        assert first.count(ALTERNATE) == 1 and ORDINARY not in first
        assert first.count("\n") < 16
        drop(root, HOSTILE, b"x")
        terminal.see(HOSTILE_SHOWN)
        terminal.press(CTRL_C)
        assert terminal.end() == 0
        assert "Aborted" not in terminal.shown


def test_watch_gives_the_screen_back_when_it_is_ended(root: Root) -> None:
    """SIGTERM leaves no terminal on the other screen, without a cursor."""
    with on_terminal("status", root.path, "--watch") as terminal:
        terminal.see("Ctrl-C ends this.")
        terminal.process.send_signal(signal.SIGTERM)
        assert terminal.end() == 128 + signal.SIGTERM


def test_watch_into_a_pipe_speaks_when_something_has_changed(root: Root) -> None:
    """Plain status again, not every two seconds but when it differs; Ctrl-C ends it with 0."""
    command = [*FAIRTAKE, "status", str(root.path), "--watch"]
    drop(root, "one.wav", b"x")
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            first = [process.stdout.readline() for _ in range(4)]
            time.sleep(2.5)  # it looks again and has nothing to say
            drop(root, "two.wav", b"x")
            second = [process.stdout.readline() for _ in range(6)]
        finally:
            process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
        rest = process.stdout.read()
    assert first[-1] == "  waiting    one.wav: the service\n"
    assert second[0] == "\n" and second[-2:] == [first[-1], first[-1].replace("one", "two")]
    assert rest == ""


def test_watch_is_not_for_programs(root: Root) -> None:
    """JSON documents one after another are no document. Exit status 2: wrong use."""
    done = piped("status", root.path, "--json", "--watch")
    assert done.returncode == 2 and "--json" in done.stderr and done.stdout == ""


# --- where nobody looks --------------------------------------------------------------------------


def test_a_pipe_gets_no_escapes_and_the_lines_of_ever(root: Root, tmp_path: Path) -> None:
    """Programs read these lines; not even an environment that forces colour changes them."""
    for name in ("one.wav", "two.wav"):
        spoken(tmp_path / name)
    drop(root, "text.wav", NOT_AUDIO)
    takes = [tmp_path / "one.wav", tmp_path / "two.wav"]
    commands: list[tuple[Any, ...]] = [
        ("master", *takes, "--out", tmp_path / "out"), ("serve", root.path, "--once"),
        ("status", root.path), ("measure", tmp_path / "one.wav"),
    ]  # fmt: skip
    said = [piped(*command) for command in commands]
    for done in said:
        assert "\x1b" not in done.stdout + done.stderr
    master, serve, status, _ = said
    assert len(master.stdout.splitlines()) == 2 and master.stderr == ""
    assert serve.stdout == "" and all(re.match(r"\d{4}-", x) for x in serve.stderr.splitlines())
    assert status.stdout.splitlines()[-1].startswith("  quarantine text.wav: not-audio: ")


def test_a_job_in_the_background_leaves_the_terminal_to_others(root: Root) -> None:
    """Whoever types beside it gets lines at most, and keeps the cursor."""
    behind = (
        "import subprocess, sys; sys.exit(subprocess.run(sys.argv[1:], process_group=0).returncode)"
    )
    terminal = Terminal((sys.executable, "-c", behind, *FAIRTAKE, "status", str(root.path)), 24)
    try:
        assert terminal.end() == 1
        assert "0 seen = 0 finished" in terminal.said and "\x1b" not in terminal.said
    finally:
        terminal.close()


def test_rich_is_loaded_only_where_somebody_looks(root: Root) -> None:
    """`--help` and commands in scripts start as quickly as ever."""
    code = "import sys; from fairtake.cli import main\ntry: main()\nfinally: print('rich' in sys.modules)"
    for arguments in (["--help"], ["status", str(root.path)]):
        command = [sys.executable, "-c", code, *arguments]
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.stdout.splitlines()[-1] == "False", done.stderr
