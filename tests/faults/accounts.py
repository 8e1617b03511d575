"""A service and its droppers as accounts of their own, and one dropper who means harm.

The service is one account, honest people another, the dropper a third; the inbox can be written by
all of them, as on a server of a studio. What he does, he does to what is his: to takes of his own
while the service has them in hand. Nobody else may come to harm by it: no honest take waits for his,
and nothing outside the ROOT is moved, changed, or copied into it.
"""

from __future__ import annotations

import io
import json
import os
import random
import signal
import stat
import struct
import subprocess
import sys
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import soundfile
from books import Books, Wrong, files_below, hash_of, sha256
from live import Live, small_disk, until
from scenes import fresh, good
from steps import Found

#: Ids that nobody has; no names are needed.
SERVICE, HONEST, MALICIOUS, NEIGHBOUR = 64001, 64002, 64003, 64004
#: Between two looks at the books so much is done at once, with an honest take among it.
ACTS_A_ROUND = 5
#: An honest take is finished within this, whatever is done meanwhile; after a few that were not, the
#: next are waited for less.
PATIENCE_S, SHORT_S, MOST_STOPPED = 90.0, 5.0, 3
#: So often the service ends and begins anew, which puts takes back and takes up claims; then so many
#: of the acts are such as wait for that.
ROUNDS_A_LIFE, SWAPS_AT_AN_END = 2, 3
LONGEST_ACT_S = 4.0
#: A service that is told to end, or has only what is left to do, ends within this.
END_S = 180.0
#: Whatever is written goes here and no further, so that a sparse giant that is copied fills no machine.
DISK = "size=6g,mode=755"
GIANT_BYTES = 300 * 2**30
SECRET = b"a picture of nobody's business"


def picture(text: bytes = b"") -> bytes:
    """A PNG of one point, with a *text* in it."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    size = struct.pack(">IIBBBBB", 1, 1, 8, 2, 0, 0, 0)
    told = chunk(b"tEXt", b"Comment\0" + text) if text else b""
    point = chunk(b"IDAT", zlib.compress(bytes(4)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size) + told + point + chunk(b"IEND", b"")


def lengthy(data: bytes) -> bytes:
    """Two minutes of a take, so that whoever works on it is at it for a while."""
    sound, rate = soundfile.read(io.BytesIO(data))
    file = io.BytesIO()
    soundfile.write(file, np.tile(sound, 120), rate, format="WAV", subtype="PCM_16")
    return file.getvalue()


# --- what he does -----------------------------------------------------------------------------------


class Dropper:
    """One act, in a process of its own. Each method is one, and is named in `ACTS`."""

    ACTS = (
        "swap_title", "swap_again_and_again", "swap_take", "swap_cover", "swap_settings",
        "close_take", "close_title", "close_mix", "forge_claim", "forge_and_swap",
        "keep_descriptor", "write_in_gaps", "rename_under_hands", "replace", "take_away",
        "sparse_giant", "hostile_name", "pipe", "hard_link", "odd_times", "deep_folders",
        "endless_key",
    )  # fmt: skip

    #: After these, a take that is put back finds a link in the place of its title.
    SWAPS = ("swap_title", "forge_and_swap")

    def __init__(self, inbox: Path, outside: Path, number: int, seed: float) -> None:
        self.inbox, self.root, self.outside = inbox, inbox.parent, outside
        self.draw, self.end = random.Random(seed), time.monotonic() + LONGEST_ACT_S
        # Honest ones begin with an h: his come before them as often as behind.
        self.name, self.data = f"{self.draw.choice('az')}{number}", good(0.1 + number / 1000)

    # --- links ------------------------------------------------------------------------------------

    def swap_title(self) -> None:
        """The folder of a take becomes a link as soon as the take was claimed, and what he writes into
        it then has it put back."""
        self.data = lengthy(self.data)
        title = self._title()
        self._swap(title, title / "a.wav", title / "a.wav", self._somewhere())

    def swap_again_and_again(self) -> None:
        """The folder of a take is a link now and then, from its beginning."""
        title = self._title()
        while self._goes_on():
            title.rename(away := title.with_name(f".{title.name}.away"))
            title.symlink_to(self._somewhere())
            self._pause(0.1)
            title.unlink()
            away.rename(title)
            self._pause(0.5)

    def swap_take(self) -> None:
        """A take is a link every other moment, from when it may be claimed."""
        self._write(take := self.inbox / f"{self.name}.wav", self.data)
        time.sleep(0.5)
        self._flicker(take, self.outside / "vault/kept.wav")

    def swap_cover(self) -> None:
        title = self._title({"title.toml": b'cover = "cover.png"\n', "cover.png": picture()})
        self._wait_for_claim(title / "a.wav")
        self._flicker(title / "cover.png", self.outside / "vault/secret.png")

    def swap_settings(self) -> None:
        text = b'[tags]\nauthor = "M"\n'
        title = self._title({"title.toml": text})
        self._wait_for_claim(title / "a.wav")
        self._flicker(title / "title.toml", self.outside / "vault/settings.toml")

    # --- rights -----------------------------------------------------------------------------------

    def close_take(self) -> None:
        self._write(take := self.inbox / f"{self.name}.wav", self.data)
        self._pause(0.5)
        take.chmod(self.draw.choice([0, 0o200, 0o444, 0o4755]))

    def close_title(self) -> None:
        """At any moment; some are opened again, some never."""
        title = self._title()
        self._pause(1.0)
        title.chmod(self.draw.choice([0, 0o111, 0o444, 0o555, 0o700]))
        if self.draw.random() < 0.5:
            self._pause(2.0)
            title.chmod(0o777)

    def close_mix(self) -> None:
        mix = self._mix(self.inbox / f"{self.name}.mix")
        self._pause(0.5)
        place = self.draw.choice([mix, mix / "inner"])
        place.chmod(self.draw.choice([0, 0o555, 0o755, 0o700]))

    # --- claims -----------------------------------------------------------------------------------

    def forge_claim(self) -> None:
        """A mix that is a claim by its looks."""
        mix = self._forged(self.inbox / f"{self.name}.mix")
        self._wait_for_claim(mix)

    def forge_and_swap(self) -> None:
        """Put back into a title that is a link by now, it would lie among the claims."""
        self.data = lengthy(self.data)
        title = self._title()
        mix = self._forged(title / f"{self.name}.mix")
        self._swap(title, mix, mix / "voice.wav", self.root / ".fairtake/claims")

    # --- bytes ------------------------------------------------------------------------------------

    def keep_descriptor(self) -> None:
        """Who had it open before can write it after the claim, and when it is an original."""
        take = self.inbox / f"{self.name}.wav"
        with open(take, "w+b", buffering=0) as file:
            file.write(self.data)
            self._wait_for_claim(take)
            while self._goes_on():
                file.seek(self.draw.randrange(len(self.data)))
                file.write(self.draw.randbytes(100))
                self._pause(0.3)
            if self.draw.random() < 0.3:
                file.truncate(0)

    def write_in_gaps(self) -> None:
        """Short openings, between which it looks as it looked before."""
        take, at = self.inbox / f"{self.name}.wav", 0
        self._write(take, bytes(len(self.data)))
        then = take.stat().st_mtime_ns
        while at < len(self.data) and self._goes_on():
            with open(take, "r+b") as file:
                file.seek(at)
                at += file.write(self.data[at : at + len(self.data) // 5])
            os.utime(take, ns=(then, then))
            self._pause(0.4)

    def replace(self) -> None:
        take = self.inbox / f"{self.name}.wav"
        while self._goes_on():
            self._write(
                fresh := self.inbox / f".{self.name}.part", self.data + self.draw.randbytes(9)
            )
            fresh.rename(take)
            self._pause(0.4)

    def sparse_giant(self) -> None:
        with open(self.inbox / f"{self.name}.wav", "wb") as file:
            file.write(self.draw.choice([b"", self.data[:4096], b"fLaC" + bytes(100)]))
            file.truncate(GIANT_BYTES)

    def odd_times(self) -> None:
        self._write(take := self.inbox / f"{self.name}.wav", self.data)
        when = self.draw.choice([0, -(2**33), 2**33, 2**62 // 10**9])
        os.utime(take, (when, when))

    # --- names ------------------------------------------------------------------------------------

    def rename_under_hands(self) -> None:
        """File and folder change their names all the time, a folder into a mix and back."""
        title, places = self._title(), [f"{self.name}.mix", self.name, f"{self.name} b"]
        while self._goes_on():
            title = title.rename(self.inbox / self.draw.choice(places))
            for take in title.glob("*.wav"):
                take.rename(title / self.draw.choice(["a.wav", "b.wav", "b.part"]))
            self._pause(0.15)

    def take_away(self) -> None:
        self._write(take := self.inbox / f"{self.name}.wav", self.data)
        self._pause(1.2)
        take.unlink()

    def hostile_name(self) -> None:
        name = self.draw.choice([
            "{}\nline.wav", "{}\x1b[2J.wav", "{}\u202egnp.wav", "{} claim.json", "{} ..wav", "{}~2.wav",
            "{}.receipt.json", "{}.wav.reason.json", os.fsdecode(b"{}\xff\xfe.wav"),
            "{}" + "n" * 240 + ".wav", "{}%s$(x);'\".wav",
        ])  # fmt: skip
        self._write(self.inbox / name.replace("{}", self.name), self.data)

    def deep_folders(self) -> None:
        place, name = self.inbox / self.name, self.draw.choice(["d", "d" * 200])
        for _ in range(120 if name == "d" else 16):
            place.mkdir(mode=0o777)
            place = place / name
        place.mkdir(mode=0o777)
        self._write(place / "a.wav", self.data)

    # --- other things -----------------------------------------------------------------------------

    def pipe(self) -> None:
        if self.draw.random() < 0.5:
            os.mkfifo(self.inbox / f"{self.name}.wav")
        else:
            os.mkfifo(self._title() / "title.toml")

    def hard_link(self) -> None:
        """Somebody's file that he may write has a second name, and that one is dropped."""
        os.link(self.outside / "letter.wav", self.inbox / f"{self.name}.wav")

    def endless_key(self) -> None:
        self._title({"title.toml": b"a" + b".a" * 31_000 + b" = 1\n"})

    # --- how --------------------------------------------------------------------------------------

    def _goes_on(self) -> bool:
        return time.monotonic() < self.end

    def _pause(self, most_s: float) -> None:
        time.sleep(self.draw.uniform(0, most_s))

    def _write(self, path: Path, data: bytes) -> None:
        path.write_bytes(data)

    def _title(self, files: dict[str, bytes] | None = None) -> Path:
        title = self.inbox / self.name
        title.mkdir(mode=0o777)
        for name, data in {**(files or {}), "a.wav": self.data}.items():
            self._write(title / name, data)
        return title

    def _mix(self, mix: Path) -> Path:
        (mix / "inner").mkdir(mode=0o777, parents=True)
        self._write(mix / "voice.wav", self.data)
        self._write(mix / "inner/x.wav", self.data)
        self._write(mix / "cues.toml", b'[[voice]]\nfile = "voice.wav"\n')
        return mix

    def _forged(self, mix: Path) -> Path:
        self._mix(mix)
        kept = self.outside / "vault/kept.wav"
        files = [
            [str(kept), f"{self.name}{end}", sha256(kept.read_bytes())] for end in (".wav", ".mp3")
        ]
        plans = {
            "claim": {"path": f"{self.name}.wav", "place": self.name, "claimed_at": 1.0},
            "publish": {"files": files, "original": f"../outside/{self.name}", "sha256": sha256(self.data)},
        }  # fmt: skip
        for name, plan in plans.items():
            self._write(mix / f"{name}.json", json.dumps(plan).encode())
        self._write(mix / "take", self.data)
        (mix / "attempt-1").touch()
        return mix

    def _swap(self, title: Path, take: Path, file: Path, to: Path) -> None:
        """Once *take* was claimed its *file* is written, so that it has to go back, and its title flickers."""
        with open(file, "r+b", buffering=0) as kept:
            self._wait_for_claim(take)
            self._pause(1.0)
            kept.write(self.draw.randbytes(100))
            self._flicker(title, to)

    def _somewhere(self) -> Path:
        """Where the service may write, and nobody who drops takes."""
        inside = ("originals", "outbox", "quarantine", ".fairtake/claims", ".fairtake/scratch")
        return self.draw.choice([self.outside / "vault", *(self.root / name for name in inside)])

    def _flicker(self, path: Path, to: Path) -> None:
        """*path* is a link to *to* every other moment, too quickly to be looked at in between."""
        link, away = path.with_name(f".{path.name}.link"), path.with_name(f".{path.name}.away")
        link.symlink_to(to)
        while self._goes_on():
            for source, target in ((path, away), (link, path), (path, link), (away, path)):
                source.rename(target)

    def _wait_for_claim(self, path: Path) -> None:
        while self._goes_on() and path.exists():
            time.sleep(0.002)


def as_account(user: int, act: Callable[[], None]) -> int:
    """Have *act* done by *user* in a new process, whose id is given. Status 3: it was refused."""
    process = os.fork()
    if process:
        return process
    status = 1
    try:
        os.setgroups([])
        os.setresgid(user, user, user)
        os.setresuid(user, user, user)
        os.umask(0)
        act()
        status = 0
    except OSError:
        status = 3  # what he had was claimed before he came to it
    except Exception as e:
        print(f"{getattr(act, '__name__', act)}: {type(e).__name__}: {e}", file=sys.stderr)
    finally:
        os._exit(status)


# --- what may not come of it ----------------------------------------------------------------------


class Shared(Books):
    """The books of the honest takes, which are named h; what comes of his own is his."""

    def _strangers(self) -> Iterator[Wrong]:
        yield from (wrong for wrong in super()._strangers() if "'h" in wrong.what)

    def _left_behind(self) -> Iterator[Wrong]:
        return iter(())  # what he shut away may wait for him for ever


class Outside:
    """What lies beside the ROOT: the service may write there, and has no business to."""

    def __init__(self, place: Path) -> None:
        self.place = place
        (place / "vault").mkdir(parents=True)
        (place / "vault/kept.wav").write_bytes(good(0.95))
        (place / "vault/settings.toml").write_text('[tags]\nauthor = "private"\n')
        (place / "vault/secret.png").write_bytes(picture(SECRET))
        (place / "letter.wav").write_bytes(good(0.96))
        for path in (place, *place.rglob("*")):
            os.chown(path, SERVICE, SERVICE)
        os.chown(place / "letter.wav", NEIGHBOUR, NEIGHBOUR)
        (place / "vault/secret.png").chmod(0o600)
        (place / "letter.wav").chmod(0o666)
        self.before = self.seen()

    def seen(self) -> dict[str, tuple[object, ...]]:
        return {
            str(path.relative_to(self.place)): (
                there.st_mode, there.st_uid, there.st_ino,
                hash_of(path) if stat.S_ISREG(there.st_mode) else "",
            )
            for path in sorted(self.place.rglob("*"))
            if (there := path.lstat())
        }  # fmt: skip

    def wrong(self, root: Path) -> Iterator[Wrong]:
        now = self.seen()
        for name in sorted(now.keys() | self.before.keys()):
            if now.get(name) != self.before.get(name):
                yield Wrong("outside", f"{name!r} beside the ROOT was moved, made or changed")
        self.before = now
        for path in files_below(root / ".fairtake/claims"):
            if (
                path.parent.parent == root / ".fairtake/claims"
                and path.parent.lstat().st_uid != SERVICE
            ):
                yield Wrong("outside", f"{path.parent.name!r} among the claims is the dropper's")
        for path in files_below(root / "outbox"):
            if path.suffix == ".mp3" and SECRET in path.read_bytes():
                yield Wrong("outside", f"{path.name!r} shows a picture that was nobody's business")


# --- the part -----------------------------------------------------------------------------------------


class Accounts:
    """A service on a ROOT whose inbox everybody may write."""

    def __init__(self, folder: Path, draw: random.Random) -> None:
        self.folder, self.draw = folder, draw
        self.outside = Outside(folder / "outside")
        books = fresh(
            folder / "root", workers=2, most_attempts=2, hang_s=60, retry_most_s=2, unseen_s=1
        )
        self.books = Shared(books.root, {})
        (books.root / "originals/before.wav").write_bytes(good(0.97))
        for path in (books.root, *books.root.rglob("*")):
            os.chown(path, SERVICE, SERVICE)
        self.inbox = books.root / "inbox"
        self.inbox.chmod(0o777)
        self.books.stand()
        self.running: dict[int, str] = {}
        self.stopped = self.number = 0

    def run(self, acts: int) -> Iterator[Found]:
        """Act after act, and what came of them."""
        done = rounds = 0
        service = Live(self.books.root, under=self._under())
        try:
            while done < acts:
                rounds += 1
                ends = rounds % ROUNDS_A_LIFE == 0
                swaps = SWAPS_AT_AN_END if ends else 0
                titles = [self._act(Dropper.SWAPS) for _ in range(swaps)]
                for _ in range(swaps, ACTS_A_ROUND):
                    self._act(Dropper.ACTS)
                wrong = list[Wrong]()
                if ends or service.process.poll() is not None:
                    until(lambda titles=titles: any(t.is_symlink() for t in titles), LONGEST_ACT_S)
                    wrong = self._end(service)
                    service = Live(self.books.root, under=self._under())
                found = Found(
                    f"round {rounds}: {', '.join(self.running.values())}", hit=True, faults=0
                )
                found.wrong += [*wrong, *self._honest_take()]
                for name, refused in self._ended():
                    found.faults += not refused
                    if refused is None:
                        found.wrong.append(Wrong("bench", f"{name} broke down"))
                done += found.faults
                found.wrong += [*self.books.wrong_now(), *self.outside.wrong(self.books.root)]
                found.log = service.log[-4000:] if found.wrong else ""
                found.checked, self.books.checked = self.books.checked, 0
                yield found
        finally:
            for process in self.running:
                os.kill(process, signal.SIGKILL)
            wrong = self._end(service)
        yield self._last_look(wrong)

    def _last_look(self, wrong: list[Wrong]) -> Found:
        """Once he is gone, a run to the end."""
        last = Found("the end", hit=True, faults=0, wrong=wrong)
        service = Live(self.books.root, "--once", under=self._under())
        last.wrong += service.ended(END_S)
        last.wrong += [*self.books.wrong_at_the_end(), *self.outside.wrong(self.books.root)]
        last.checked, last.log = self.books.checked, service.log[-4000:]
        return last

    def _act(self, acts: Sequence[str]) -> Path:
        """One of *acts* is begun; the title it may make."""
        self.number += 1
        name = self.draw.choice(acts)
        dropper = Dropper(self.inbox, self.outside.place, self.number, self.draw.random())
        self.running[as_account(MALICIOUS, getattr(dropper, name))] = name
        return self.inbox / dropper.name

    def _ended(self) -> Iterator[tuple[str, bool | None]]:
        """The acts of a round, each whether it was refused; None for one that broke down."""
        for process, name in list(self.running.items()):
            status = os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
            del self.running[process]
            yield name, {0: False, 3: True}.get(status)

    def _honest_take(self) -> Iterator[Wrong]:
        """Every other one in a title of its own."""
        number = len(self.books.takes)
        name, data = f"h{number}{'/h' if number % 2 else ''}.wav", good(0.9 - number / 1000)
        target = self.inbox / name

        def drop() -> None:
            if target.parent != self.inbox:
                target.parent.mkdir(mode=0o777)
            target.with_name(".arriving").write_bytes(data)
            target.with_name(".arriving").rename(target)

        os.waitpid(as_account(HONEST, drop), 0)
        self.books.takes[name] = data
        receipt = (self.books.root / "outbox" / name).with_suffix(".receipt.json")
        patience_s = PATIENCE_S if self.stopped < MOST_STOPPED else SHORT_S
        if not until(receipt.exists, patience_s):
            self.stopped += 1
            yield Wrong("stopped", f"{name!r} was not finished in {patience_s:g} s")

    def _end(self, service: Live) -> list[Wrong]:
        status = service.process.poll()
        broken = (
            [Wrong("broke down", f"it ended by itself, {status}")] if status is not None else []
        )
        return [*broken, *service.end(patience_s=END_S)]

    def _under(self) -> list[str]:
        """What makes the service an account of its own, in a view of the machine in which this very
        Python can be reached where it lies below somebody's closed folder."""
        account = ["--reuid", str(SERVICE), "--regid", str(SERVICE), "--clear-groups"]
        python = Path(sys.executable).resolve()
        closed = [above for above in python.parents if not above.stat().st_mode & stat.S_IXOTH]
        if not closed:
            return ["setpriv", *account]
        above = closed[-1]
        inner = above / python.relative_to(above).parts[0]
        aside = self.folder / "aside"
        aside.mkdir(exist_ok=True)
        places = [str(above), str(inner), str(aside)]
        return ["unshare", "--mount", "sh", "-c", _OPENED, "sh", *places, "setpriv", *account]


_OPENED = """
set -e
mount --make-rprivate /
mount --bind "$2" "$3"
mount -t tmpfs -o mode=755,size=1m tmpfs "$1"
mkdir -p "$2"
mount --bind "$3" "$2"
shift 3
exec "$@"
"""


def accounts(folder: Path, acts: int, draw: random.Random) -> Iterator[Found]:
    folder.parent.chmod(0o755)
    with small_disk(folder, DISK):
        yield from Accounts(folder, draw).run(acts)


def impossible() -> str:
    """Why it cannot be done here, '' when it can."""
    if os.geteuid() != 0:
        return "only root may be several accounts"
    try:
        subprocess.run(["setpriv", "--version"], capture_output=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return "setpriv is not installed"
    return ""
