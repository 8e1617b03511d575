"""Where everything of a ROOT lies."""

from __future__ import annotations

from pathlib import Path

from fairtake.errors import NotARoot, SettingsInvalid
from fairtake.service_settings import ServiceSettings
from fairtake.typed_file import read_settings

SETTINGS_FILE = "fairtake.toml"
STATE_FOLDER = ".fairtake"


class Root:
    """A ROOT: its settings and its folders."""

    def __init__(self, path: Path, settings: ServiceSettings) -> None:
        self.path, self.settings = path, settings
        self.inbox = path / "inbox"
        self.outbox = self._place(settings.outbox, "outbox")
        self.originals = self._place(settings.originals, "originals")
        self.quarantine = self._place(settings.quarantine, "quarantine")
        self.state = self._place(settings.state, STATE_FOLDER)
        self.profiles = path / "profiles"
        # A claim is a rename, so claims stay on the inbox's file system wherever the state lies.
        self.claims = path / STATE_FOLDER / "claims"
        self.scratch = self.state / "scratch"
        self.heartbeat = self.state / "heartbeat.json"
        # With the claims, too: whatever is set meanwhile, there is one service for them.
        self.lock = self.claims.parent / "lock"
        # A folder of its own, so that it may be put on another disk.
        self.ledger = self.state / "ledger" / "takes.sqlite"

    def _place(self, setting: str, name: str) -> Path:
        return self.path / (setting or name)  # an absolute setting replaces ROOT

    @property
    def folders(self) -> tuple[Path, ...]:
        """Every folder the service needs."""
        return (self.inbox, self.outbox, self.originals, self.quarantine, self.claims, self.scratch)

    def make_folders(self) -> None:
        for folder in self.folders:
            folder.mkdir(parents=True, exist_ok=True)


def open_root(path: Path) -> Root:
    """The ROOT at *path*. Raises `NotARoot` and `SettingsInvalid`."""
    path = path.absolute()
    try:
        settings = read_settings(path / SETTINGS_FILE, ServiceSettings, SettingsInvalid)
    except (FileNotFoundError, NotADirectoryError):
        raise NotARoot(f"{path} holds no {SETTINGS_FILE}.") from None
    return Root(path, settings)
