"""
A headless Chromium, driven over the WebDriver protocol; no client library needed.

Source:
    W3C WebDriver, Recommendation of 5 June 2018: sections 8 (sessions), 13 (scripts), 15.2
    (actions), 17.1 (keys); commands under ``goog`` and ``se`` are ChromeDriver's own.
"""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

KEYS = {"Tab": "\ue004", "Enter": "\ue007", "Space": " ", "Shift": "\ue008", "End": "\ue010"}
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


def missing() -> str:
    """Return why no browser can be driven here, "" where one can."""
    absent = [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]
    return f"not installed: {', '.join(absent)} (Debian: chromium, chromium-driver)" * bool(absent)


class Browser:
    """One session."""

    def __init__(self, base: str, data: Path) -> None:
        self._base = base
        options = {"args": [*FLAGS, f"--user-data-dir={data}"]}
        made = self._call(
            "POST",
            "/session",
            {
                "capabilities": {
                    "alwaysMatch": {
                        "goog:chromeOptions": options,
                        "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
                    }
                }
            },
        )
        self._session = f"/session/{made['sessionId']}"

    def _call(self, method: str, path: str, content: object = None) -> Any:
        data = None if method != "POST" else json.dumps(content or {}).encode()
        request = urllib.request.Request(f"{self._base}{path}", data=data, method=method)
        with urllib.request.urlopen(request, timeout=120) as answer:
            return json.load(answer)["value"]

    def close(self) -> None:
        """End the session and its browser."""
        self._call("DELETE", self._session)

    def open(self, page: Path) -> None:
        """Load *page* from disk."""
        self._call("POST", f"{self._session}/url", {"url": page.as_uri()})

    def run(self, script: str, *arguments: object) -> Any:
        """Return what the body *script* returns."""
        body = {"script": script, "args": list(arguments)}
        return self._call("POST", f"{self._session}/execute/sync", body)

    def wait_for(self, script: str, *arguments: object) -> Any:
        """Return what *script* hands to its last argument, a function."""
        body = {"script": script, "args": list(arguments)}
        return self._call("POST", f"{self._session}/execute/async", body)

    def press(self, *names: str) -> None:
        """Press keys one after the other, `Shift+Tab` together."""
        steps = []
        for name in names:
            keys = [KEYS.get(key, key) for key in name.split("+")]
            steps += [{"type": "keyDown", "value": key} for key in keys]
            steps += [{"type": "keyUp", "value": key} for key in reversed(keys)]
        source = {"type": "key", "id": "keyboard", "actions": steps}
        self._call("POST", f"{self._session}/actions", {"actions": [source]})

    def cdp(self, command: str, **parameters: object) -> Any:
        """Return the answer to a command of the developer tools."""
        body = {"cmd": command, "params": parameters}
        return self._call("POST", f"{self._session}/goog/cdp/execute", body)

    def size(self, width: int, height: int, *, phone: bool = False) -> None:
        """Lay the page out for a screen of that many CSS pixels."""
        self.cdp(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=phone,
        )  # fmt: skip

    def scheme(self, name: str) -> None:
        """Prefer `light` or `dark`."""
        features = [{"name": "prefers-color-scheme", "value": name}]
        self.cdp("Emulation.setEmulatedMedia", features=features)

    def shot(self, path: Path, *, whole: bool = False) -> None:
        """Write a picture of the window, or of the whole page."""
        taken = self.cdp("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(taken["data"]))

    def print_pdf(self) -> bytes:
        """Return the page as it prints."""
        return base64.b64decode(self.cdp("Page.printToPDF", printBackground=False)["data"])

    def said(self) -> list[str]:
        """Return what stands in the console since the last call, whatever its level."""
        rows = self._call("POST", f"{self._session}/se/log", {"type": "browser"})
        return [f"{row['level']} {row['message']}" for row in rows]

    def requested(self) -> list[str]:
        """Return the addresses that were asked for since the last call."""
        rows = self._call("POST", f"{self._session}/se/log", {"type": "performance"})
        events = [json.loads(row["message"])["message"] for row in rows]
        return [
            event["params"]["request"]["url"]
            for event in events
            if event["method"] == "Network.requestWillBeSent"
        ]


@contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """Start driver and browser with an empty profile in *folder*; end both."""
    driver = subprocess.Popen(
        ["chromedriver", "--port=0"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        assert driver.stdout is not None
        port = next(
            found[1]
            for line in driver.stdout
            if (found := re.search(r"started successfully on port (\d+)", line))
        )
        session = Browser(f"http://127.0.0.1:{port}", folder / "profile")
        try:
            yield session
        finally:
            session.close()
    finally:
        driver.terminate()
        driver.wait(10)
        if driver.stdout is not None:
            driver.stdout.close()
