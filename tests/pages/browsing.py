"""A real browser, headless, and what an accessibility check says of a page."""

from __future__ import annotations

import functools
import json
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

BROWSER, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
needs_browser = pytest.mark.skipif(
    not (BROWSER and DRIVER),
    reason="needs chromium and chromedriver (Debian: chromium, chromium-driver)",
)
#: The second word of a violation's impact from which on it is held against a page.
SERIOUS = ("serious", "critical")


class Browser:
    """An open browser window."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, page: Path, words: str = "") -> None:
        self.driver.get(page.as_uri() + words)

    def run(self, code: str, *arguments: Any) -> Any:
        return self.driver.execute_script(code, *arguments)

    def find(self, selector: str) -> Any:
        return self.driver.find_element("css selector", selector)

    def look(self, scheme: str, width: int, height: int = 900) -> None:
        """In *scheme* light or dark, and as wide as a phone or a desk."""
        feature = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", feature)
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)

    def complaints(self) -> list[str]:
        """What the console said since it was asked last."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requests(self) -> list[str]:
        """Every address that was asked for since this was asked last."""
        said = [
            json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")
        ]
        return [
            one["params"]["request"]["url"]
            for one in said
            if one["method"] == "Network.requestWillBeSent"
        ]  # fmt: skip

    def violations(self) -> list[str]:
        """What axe-core finds that is serious, a line each."""
        self.run(axe())
        found = self.driver.execute_async_script(
            "const done = arguments[0]; axe.run(document, {}).then((r) => done(r.violations));"
        )
        return [
            f"{v['id']}: {v['help']}: {[n['html'][:160] for n in v['nodes'][:3]]}"
            for v in found
            if v["impact"] in SERIOUS
        ]


@contextmanager
def browser() -> Iterator[Browser]:
    from selenium.webdriver import Chrome, ChromeOptions
    from selenium.webdriver.chrome.service import Service

    options = ChromeOptions()
    options.binary_location = BROWSER
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
                 "--mute-audio", "--window-size=1200,1600"):  # fmt: skip
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = Chrome(options=options, service=Service(executable_path=DRIVER))
    try:
        yield Browser(driver)
    finally:
        driver.quit()


@functools.cache
def axe() -> str:
    """The accessibility checker's script, fetched from npm. Skips the test where that cannot be."""
    if not shutil.which("npm"):
        pytest.skip("needs npm, to fetch axe-core")
    with tempfile.TemporaryDirectory() as folder:
        fetched = subprocess.run(
            ["npm", "pack", "axe-core@4", "--silent"], cwd=folder, capture_output=True, timeout=120
        )
        packs = list(Path(folder).glob("*.tgz"))
        if fetched.returncode or not packs:
            pytest.skip("axe-core could not be fetched from npm")
        with tarfile.open(packs[0]) as pack:
            script = pack.extractfile("package/axe.min.js")
            assert script is not None
            return script.read().decode()
