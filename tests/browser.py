"""Headless Chromium with nothing of its own on the network."""

from __future__ import annotations

import shutil
import subprocess
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.live_browser import LiveBrowser

__all__ = ["FLAGS", "axe_source", "press_named", "run_chromium", "shut_off"]

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)

_KEYS = {
    **{"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40},
    **{"Home": 36, "End": 35, "Escape": 27},
}


def axe_source() -> str | None:
    """Script of the accessibility checker axe-core, from a package that ships it; or None."""
    found = find_spec("axe_core_python")
    if found is None or not found.submodule_search_locations:
        return None
    script = Path(next(iter(found.submodule_search_locations))) / "axe.min.js"
    return script.read_text("utf-8") if script.exists() else None


def press_named(browser: LiveBrowser, key: str) -> None:
    """Press and release a key that writes nothing, such as "ArrowRight" or "Escape"."""
    for kind in ("rawKeyDown", "keyUp"):
        browser.call(
            "Input.dispatchKeyEvent",
            type=kind,
            key=key,
            code=key,
            windowsVirtualKeyCode=_KEYS[key],
        )


def shut_off(browser: LiveBrowser) -> None:
    """Let nothing through to any network, and fail what is asked for."""
    browser.call("Network.setBlockedURLs", urls=["http://*", "https://*", "ws://*", "wss://*"])
    browser.call(
        "Network.emulateNetworkConditions",
        offline=True,
        latency=0,
        downloadThroughput=0,
        uploadThroughput=0,
    )


def run_chromium(folder: Path, *arguments: str) -> bytes:
    """Run it with a fresh profile in a folder; what it printed.

    Raises
    ------
    subprocess.SubprocessError
        If it fails or takes longer than two minutes.
    """
    profile = folder / "profile"
    command = [
        "chromium",
        *FLAGS,
        f"--user-data-dir={profile}",
        *arguments,
    ]
    run = subprocess.run(command, check=True, capture_output=True, timeout=120)
    shutil.rmtree(profile, ignore_errors=True)
    return run.stdout
