"""Headless Chromium with nothing of its own on the network."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

__all__ = ["FLAGS", "run_chromium"]

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
