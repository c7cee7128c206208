"""Nothing is sent anywhere: every command runs where whatever reaches for a network is refused."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.watched import Watched, empty_session
from tests.conftest import SimulatedSession

ROOT = Path(__file__).parents[1]
WALK = """
import sys
from lab.cli.main import app
for words in {walk!r}:
    try:
        app(words, standalone_mode=False)
    except SystemExit as end:
        assert not end.code, (words, end.code)
    print("did", words[0])
"""
IN_A_WORKER = """
from pathlib import Path
from lab.session.workers import worker_pool
from tests.test_no_network import REACHING
if __name__ == "__main__":
    with worker_pool(1) as run:
        print(list(run(REACHING, ["192.0.2.7"])))
"""


def reach(address: str) -> None:
    """Connect to an address that nobody has (RFC 5737)."""
    socket.create_connection((address, 9), timeout=1)


class Reaching:
    """Work for a pool of processes."""

    do = staticmethod(reach)

    @staticmethod
    def lost(item: str, loss: str) -> str:
        return f"{item}: {loss}"


REACHING = Reaching()


def environment(log: Path, **more: str) -> dict[str, str]:
    path = os.pathsep.join([str(ROOT / "tests" / "no_network"), str(ROOT)])
    return {**os.environ, "PYTHONPATH": path, "NETWORK_LOG": str(log), **more}


def run(code: str, log: Path, folder: Path) -> subprocess.CompletedProcess[str]:
    script = folder / "script.py"
    script.write_text(code, encoding="utf-8")
    return subprocess.run(
        [sys.executable, script],
        env=environment(log),
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )


def test_every_command_does_without_a_network(
    tiny_copy: Callable[..., Path], tmp_path: Path
) -> None:
    folder = tiny_copy(measured=False)
    other = shutil.copytree(folder, tmp_path / "other")
    frame = str(next((folder / "frames" / "2x").glob("*.dng")))
    walk = [
        ["plan", "-m", "2", "--pitch", "4.35", "--new", "planned"],
        ["target", "chart", "-m", "1", "-m", "3", "--technology", "chrome-on-glass"],
        ["shutter", "--help"],
        ["trial-plan", "--help"],
        ["inspect", frame, "-m", "2", "--stop", "4"],
        ["measure", str(folder), "--propose"],
        ["measure", str(folder), "--workers", "2"],
        ["measure", str(other), "--workers", "2"],
        ["fit", str(folder)],
        ["depth", str(folder), "-m", "2", "--depth", "100"],
        ["report", str(folder), "--bundle", "bundle.zip"],
        ["compare", str(folder), str(other), "--out", "compared"],
    ]
    log = tmp_path / "network.txt"
    done = run(f'if __name__ == "__main__":\n{_indented(WALK.format(walk=walk))}', log, tmp_path)
    assert done.returncode == 0, done.stderr
    assert [line for line in done.stdout.splitlines() if line.startswith("did ")] == [
        f"did {words[0]}" for words in walk
    ]
    assert not log.exists(), log.read_text()


def _indented(code: str) -> str:
    return "".join(f"    {line}\n" for line in code.splitlines())


@pytest.mark.parametrize("where", ["in the command's process", "in a worker of it"])
def test_whatever_reaches_for_a_network_is_caught(tmp_path: Path, where: str) -> None:
    """So the test above can fail."""
    log = tmp_path / "network.txt"
    here = "from tests.test_no_network import reach\nreach('192.0.2.7')\n"
    done = run(here if "command" in where else IN_A_WORKER, log, tmp_path)
    assert "no network: socket." in done.stdout + done.stderr
    assert "192.0.2.7" in log.read_text()


def test_watch_listens_on_the_loopback_address_alone(
    tiny: SimulatedSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "network.txt"
    for name, value in environment(log, ALLOWED_BIND="127.0.0.1").items():
        monkeypatch.setenv(name, value)
    folder = tmp_path / "session"
    frames = empty_session(tiny.folder, folder)
    with Watched(folder) as watched:
        shutil.copy(frames[0], folder / "frames" / "2x")
        assert watched.document()["status"] == "measured"
        listening = _listening(watched.pid)
        assert watched.stop() == 0
    assert not log.exists(), log.read_text()
    if listening is not None:
        port = int(watched.url.split(":")[2].split("/")[0])
        assert listening == {("127.0.0.1", port)}


def _listening(pid: int) -> set[tuple[str, int]] | None:
    """Addresses on which a process takes connections, IPv6 ones as they stand; None: unknown."""
    tables = [Path(f"/proc/{pid}/net/{name}") for name in ("tcp", "tcp6")]
    if not tables[0].exists():
        return None
    own = {os.readlink(link) for link in Path(f"/proc/{pid}/fd").iterdir()}
    found = set()
    for table in tables:
        for line in table.read_text().splitlines()[1:] if table.exists() else ():
            cells = line.split()
            if cells[3] == "0A" and f"socket:[{cells[9]}]" in own:
                host, port = cells[1].split(":")
                known = len(host) == 8
                name = socket.inet_ntoa(bytes.fromhex(host)[::-1]) if known else host
                found.add((name, int(port, 16)))
    return found
