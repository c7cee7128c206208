"""A headless Chromium that stays open: load a page, press keys, look, count requests.

Driven by its own debugging protocol over two pipes, with the standard library alone. The
browser has nothing of its own on the network.
"""

from __future__ import annotations

import base64
import json
import os
import select
import subprocess
import time
from pathlib import Path
from typing import Any

from tests.browser import FLAGS

__all__ = ["LiveBrowser"]


class LiveBrowser:
    """One tab of a fresh profile; a context manager that ends the browser."""

    def __init__(self, folder: Path) -> None:
        to_browser, self._write = os.pipe()
        self._read, from_browser = os.pipe()
        # The protocol's pipes must be descriptors 3 and 4.
        command = f'exec chromium "$@" 3<&{to_browser} 4>&{from_browser}'
        flags = [
            *FLAGS,
            "--remote-debugging-pipe",
            f"--user-data-dir={folder / 'live-profile'}",
            "about:blank",
        ]
        self._process = subprocess.Popen(
            ["bash", "-c", command, "bash", *flags],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._buffer = b""
        self._number = 0
        self._session: str | None = None
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> LiveBrowser:
        return self

    def __exit__(self, *error: object) -> None:
        os.close(self._write)
        self._process.kill()
        self._process.wait(10)
        os.close(self._read)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One command's result; events that come meanwhile are kept.

        Raises
        ------
        RuntimeError
            If the browser refuses it.
        """
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        deadline = time.monotonic() + 30
        while True:
            got = self._receive(deadline)
            if got.get("id") == self._number:
                if "error" in got:
                    raise RuntimeError(f"{method}: {got['error']}")
                result: dict[str, Any] = got["result"]
                return result
            self.events.append(got)

    def _receive(self, deadline: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], max(deadline - time.monotonic(), 0))
            if not ready:
                raise TimeoutError("the browser does not answer")
            self._buffer += os.read(self._read, 1 << 20)
        message, _, self._buffer = self._buffer.partition(b"\0")
        whole: dict[str, Any] = json.loads(message)
        return whole

    def evaluate(self, expression: str) -> Any:
        """Value of a JavaScript expression in the page; promises are waited for.

        Raises
        ------
        RuntimeError
            If it throws.
        """
        got = self.call(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in got:
            raise RuntimeError(got["exceptionDetails"])
        return got["result"].get("value")

    def wait_for(self, expression: str, timeout_s: float = 20.0) -> None:
        """Wait until an expression is true in the page.

        Raises
        ------
        TimeoutError
            If it is not by then.
        """
        deadline = time.monotonic() + timeout_s
        while not self.evaluate(expression):
            if time.monotonic() > deadline:
                raise TimeoutError(f"not true in the page: {expression}")
            time.sleep(0.05)

    def open(self, url: str) -> None:
        """Load a page and wait until its document is there."""
        self.call("Page.navigate", url=url)
        self.wait_for(f"document.readyState !== 'loading' && location.href === {json.dumps(url)}")

    def press(self, key: str) -> None:
        """Press and release one key, such as "n", "Tab" or "Enter"."""
        codes = {"Tab": (9, ""), "Enter": (13, "\r"), " ": (32, " ")}
        code, text = codes.get(key, (ord(key[0].upper()), key))
        for kind in ("keyDown", "keyUp"):
            down = {"text": text} if kind == "keyDown" and text else {}
            self.call(
                "Input.dispatchKeyEvent", type=kind, key=key, windowsVirtualKeyCode=code, **down
            )

    def look(
        self, path: Path, *, width: int = 1280, height: int = 800, scheme: str = "light"
    ) -> None:
        """Write a picture of the page at a size and in a colour scheme."""
        self.resize(width, height, scheme)
        shot = self.call("Page.captureScreenshot", format="png")
        path.write_bytes(base64.b64decode(shot["data"]))

    def resize(self, width: int, height: int, scheme: str) -> None:
        """Set the page's size and colour scheme."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        self.call(
            "Emulation.setEmulatedMedia",
            features=[{"name": "prefers-color-scheme", "value": scheme}],
        )

    def requests(self) -> list[str]:
        """Addresses of all requests that the page made."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[str]:
        """Errors and warnings of the console, and exceptions."""
        found = []
        for event in self.events:
            method, params = event.get("method"), event.get("params", {})
            if method == "Runtime.exceptionThrown":
                found.append(str(params["exceptionDetails"]))
            elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning"):
                found.append(str(params["args"]))
            elif method == "Log.entryAdded":
                found.append(str(params["entry"]))
        return found
