"""A headless Chromium, spoken to in WebDriver's plain JSON over HTTP (W3C WebDriver), for our own pages."""

from __future__ import annotations

import base64
import json
import os
import re
import subprocess
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PATIENCE_S = 30.0
A4_CM = {"width": 21.0, "height": 29.7}
FLAGS = ["--headless=new", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run", "--hide-scrollbars"]
STARTED = re.compile(r"started successfully on port (\d+)")
PDF_PAGE = re.compile(rb"/Type\s*/Page\b(?!s)")


@dataclass(frozen=True, slots=True)
class Browser:
    """One window."""

    url: str

    def show(self, page: Path, width: int, *, dark: bool = False) -> None:
        """Open a file in a view this wide, as on a light or a dark desk."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._devtools("Emulation.setEmulatedMedia", {"features": [scheme]})
        size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        self._devtools("Emulation.setDeviceMetricsOverride", size)
        self._post("url", {"url": page.as_uri()})

    def run(self, script: str) -> Any:
        """What a piece of script returns; the page's own policy does not reach it."""
        return self._post("execute/sync", {"script": script, "args": []})

    def wait_for(self, script: str) -> Any:
        """What a piece of script hands to its last argument."""
        return self._post("execute/async", {"script": script, "args": []})

    def complaints(self) -> list[str]:
        """What the browser itself said of the page: what a policy stopped, what could not be fetched."""
        return [str(one["message"]) for one in self._post("se/log", {"type": "browser"})]

    def pdf_pages(self) -> int:
        """How many pages of A4 the page takes when printed."""
        wanted = {"page": A4_CM, "margin": dict.fromkeys(("top", "bottom", "left", "right"), 1.25)}
        pdf = base64.b64decode(self._post("print", wanted))
        return len(PDF_PAGE.findall(pdf))

    def _devtools(self, command: str, params: dict[str, Any]) -> None:
        self._post("goog/cdp/execute", {"cmd": command, "params": params})

    def _post(self, what: str, body: dict[str, Any]) -> Any:
        return post(f"{self.url}/{what}", body)


def post(url: str, body: dict[str, Any]) -> Any:
    """One command; its value."""
    request = urllib.request.Request(url, json.dumps(body).encode(), {"Content-Type": "application/json"})  # noqa: S310 - this machine
    with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:  # noqa: S310 - this machine
        return json.load(answer)["value"]


@contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """A browser with its state in ``folder``, gone afterwards."""
    environment = {**os.environ, "HOME": str(folder), "TMPDIR": str(folder)}
    log = folder / "chromedriver.log"
    command = ["chromedriver", "--port=0", f"--log-path={log}"]
    driver = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)  # noqa: S603 - the test's own tool
    try:
        if driver.stdout is None:
            raise RuntimeError("chromedriver has no voice")
        heard = (STARTED.search(line) for line in driver.stdout)
        port = int(next(found[1] for found in heard if found))
        # Chromium's sandbox cannot be had by root; the pages shown are our own.
        flags = FLAGS + (["--no-sandbox"] if os.geteuid() == 0 else [])
        options = {"goog:chromeOptions": {"args": flags}, "goog:loggingPrefs": {"browser": "ALL"}}
        made = post(f"http://127.0.0.1:{port}/session", {"capabilities": {"alwaysMatch": options}})
        url = f"http://127.0.0.1:{port}/session/{made['sessionId']}"
        post(f"{url}/timeouts", {"script": 20_000, "pageLoad": 20_000})
        yield Browser(url)
        with suppress(OSError):
            urllib.request.urlopen(
                urllib.request.Request(url, method="DELETE"),
                timeout=PATIENCE_S,
            ).close()
    finally:
        driver.terminate()
        driver.wait(PATIENCE_S)
