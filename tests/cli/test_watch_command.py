"""`stopwise watch` as a process: arrivals, partial writes, stopping, resuming, its server."""

from __future__ import annotations

import http.client
import os
import pty
import select
import shutil
import signal
import sys
import time
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from typer.testing import CliRunner

from lab.cli.big_letters import big
from lab.cli.main import app
from tests.cli.watched import Watched, empty_session
from tests.conftest import SimulatedSession


def test_session_is_followed_through_partial_writes_stop_resume_and_a_dead_worker(
    tiny: SimulatedSession, tmp_path: Path
) -> None:
    folder = tmp_path / "my session"
    frames = empty_session(tiny.folder, folder)
    place = folder / "frames" / "2x"
    with Watched(folder) as watched:
        shutil.copy(frames[0], place)
        first = watched.document()
        assert first["status"] == "measured"
        assert (first["marked_stop"], first["frame_of_bracket"]) == (4.0, 1)
        assert first["trend"] == "first"
        assert first["next_shot"] == {"magnification": 2.0, "marked_stop": 4.0, "frame": 2}
        assert first["clipped"] is False
        assert len(first["corners"]) == 4

        contents = frames[1].read_bytes()
        with (place / frames[1].name).open("wb", buffering=0) as writing:
            writing.write(contents[:100_001])
            assert watched.is_silent(0.6)
            writing.write(contents[100_001:300_002])
            assert watched.is_silent(0.6)
            writing.write(contents[300_002:])
        closed = time.monotonic()
        second = watched.document()
        assert time.monotonic() - closed < 4  # generous: other tests may run beside this one
        assert second["file"] == f"2x/{frames[1].name}"
        assert second["status"] == "measured"
        assert second["trend"] in ("rising", "falling", "level")

        (place / "IMG_0900.dng").write_bytes(b"no picture at all")
        third = watched.document()
        assert (third["file"], third["status"]) == ("2x/IMG_0900.dng", "unreadable")
        assert third["reason"].startswith("is no raw file")
        (place / "IMG_0900.dng").unlink()
        assert watched.stop() == 0
        assert watched.errors() == ""
    assert sorted(p.name for p in folder.iterdir()) == ["frames", "session.toml", "target.json"]
    with Watched(folder) as watched:
        again = [watched.document(), watched.document()]
        assert sorted(d["file"] for d in again) == [first["file"], second["file"]]
        figures = {d["file"]: d["mtf50_cyc_per_px"] for d in again}
        # Its edges are now expected where the other frame has them: other pixels, same edge.
        assert figures[first["file"]] == pytest.approx(first["mtf50_cyc_per_px"], rel=5e-3)
        found = readers(watched.pid)
        assert len(found) == 2
        for reader in found:
            os.kill(reader, signal.SIGKILL)  # as a file can that brings its reader down
        shutil.copy(frames[2], place)
        assert watched.document()["frame_of_bracket"] == 3
        assert watched.stop(signal.SIGTERM) == 0


def test_frames_csv_that_changes_counts_at_once_and_a_broken_one_stops_nothing(
    tiny: SimulatedSession, tmp_path: Path
) -> None:
    folder = tmp_path / "session"
    frames = empty_session(tiny.folder, folder)
    place = folder / "frames" / "2x"
    (folder / "frames.csv").write_text("file,marked_stop\n2x/IMG_0007.dng,8\n")
    with Watched(folder) as watched:
        shutil.copy(frames[0], place / "IMG_0007.dng")
        first = watched.document()
        assert first["marked_stop"] == 8  # the row waited for its frame
        (folder / "frames.csv").write_text("file,marked_stop\n2x/IMG_0007.dng,wide\n")
        time.sleep(0.5)
        shutil.copy(frames[1], place / "IMG_0008.dng")
        assert watched.document()["status"] == "measured"
        (folder / "frames.csv").write_text("file,marked_stop\n2x/IMG_0009.dng,4\n")
        shutil.copy(frames[2], place / "IMG_0009.dng")
        assert watched.document()["marked_stop"] == 4
        (place / "IMG_0010.dng").touch()
        empty = watched.document()
        assert (empty["status"], empty["reason"][:19]) == ("unreadable", "is empty (0 bytes).")
        assert watched.stop() == 0
        said = " ".join(watched.errors().split())
    assert "row 2, file: there is no frame '2x/IMG_0007.dng'" in said
    assert "row 2, marked_stop: must be a number more than 0 or blank, not 'wide'" in said


def asked(
    url: str, method: str = "GET", headers: dict[str, str] | None = None, path: str | None = None
) -> tuple[int, str]:
    parts = urlsplit(url)
    assert parts.hostname is not None
    connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=10)
    try:
        connection.request(method, parts.path if path is None else path, headers=headers or {})
        answer = connection.getresponse()
        for header in ("Content-Security-Policy", "Cache-Control"):
            assert answer.getheader(header)
        return answer.status, answer.read().decode()
    finally:
        connection.close()


def test_server_answers_only_to_the_token_and_its_own_name(tmp_path: Path) -> None:
    with Watched(tmp_path) as watched:
        parts = urlsplit(watched.url)
        token = parts.path.strip("/")
        assert parts.hostname == "127.0.0.1"
        assert len(token) >= 32
        assert asked(watched.url)[0] == 200
        for path in ("/", "/events", f"/{token}", f"/{token}x/", f"/{token}/../", "/favicon.ico"):
            assert asked(watched.url, path=path)[0] == 404, path
        assert asked(watched.url, headers={"Host": f"evil.example:{parts.port}"})[0] == 404
        assert asked(watched.url, headers={"Host": f"localhost:{parts.port}"})[0] == 200
        mark = f"{parts.path}mark"
        assert asked(watched.url, "POST", path=mark)[0] == 303
        for origin in ("http://evil.example", "null"):
            assert asked(watched.url, "POST", {"Origin": origin}, path=mark)[0] == 404
        assert asked(watched.url, "POST", path="/mark")[0] == 404
        assert asked(watched.url, path=mark)[0] == 404

        run = CliRunner().invoke(app, ["watch", str(tmp_path), "--port", str(parts.port)])
        assert run.exit_code == 2
        assert f"--port {parts.port}" in run.stderr

        connection = http.client.HTTPConnection("127.0.0.1", parts.port, timeout=10)
        connection.request("GET", f"{parts.path}events")
        answer = connection.getresponse()
        assert answer.getheader("Content-Type") == "text/event-stream"
        assert answer.readline().startswith(b"data: {")
        assert watched.stop() == 0
        assert b"event: stopped" in answer.read()  # a page that is open is told
        connection.close()
    with pytest.raises(OSError, match="refused"):
        asked(watched.url)


def readers(pid: int) -> list[int]:
    """The processes that read files: children of the server that a run's child is."""

    def children(of: int) -> list[int]:
        listed = [*Path(f"/proc/{of}/task").glob("*/children")]  # by the thread that made them
        if not listed:
            pytest.skip("no list of child processes here")
        return [int(child) for one in listed for child in one.read_text().split()]

    return [one for server in children(pid) for one in children(server)]


def test_terminal_shows_large_letters_and_takes_keys(
    tiny: SimulatedSession, tmp_path: Path
) -> None:
    folder = tmp_path / "session"
    frames = empty_session(tiny.folder, folder)
    shutil.copy(frames[0], folder / "frames" / "2x")
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ.update(COLUMNS="80", LINES="24")
        code = "from lab.cli.main import app; app()"
        os.execv(sys.executable, [sys.executable, "-c", code, "watch", str(folder)])
    shown = b""

    def read_until(text: str) -> None:
        nonlocal shown
        end = time.monotonic() + 40
        while text not in shown.decode("utf-8", "ignore"):
            assert time.monotonic() < end, shown.decode("utf-8", "ignore")[-3000:]
            if select.select([terminal], [], [], 0.2)[0]:
                shown += os.read(terminal, 1 << 16)

    read_until(big("NEXT F/4 2/3")[1])
    lines = shown.decode().split("\x1b[H\x1b[J")[-1].split("\r\n")
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    os.write(terminal, b"n")
    read_until(big("NEXT F/8 1/3")[1])
    assert "IMG_0001" in (folder / "watch.json").read_text()
    os.write(terminal, b"u")
    time.sleep(0.5)
    assert "IMG_0001" not in (folder / "watch.json").read_text()
    os.write(terminal, b"q")
    read_until("To resume")
    assert "\x1b[?1049l" in shown.decode("utf-8", "ignore")
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 0
    os.close(terminal)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["nowhere"], "there is no such folder"),
        (["session", "-m", "2"], "session.toml says that already"),
        (["loose", "-m", "-2"], "give a number > 0"),
        (["marked"], "is not what stopwise watch wrote"),
        (["broken"], "not valid TOML"),
    ],
)
def test_wrong_input_ends_with_2_and_a_mend(
    tiny: SimulatedSession,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    options: list[str],
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    empty_session(tiny.folder, tmp_path / "session")
    for name in ("loose", "marked", "broken"):
        (tmp_path / name).mkdir()
    (tmp_path / "marked" / "watch.json").write_text("[]")
    (tmp_path / "broken" / "session.toml").write_text("[session")
    run = CliRunner().invoke(app, ["watch", *options])
    assert run.exit_code == 2
    assert said in run.stderr
    assert "Traceback" not in run.output


def test_large_letters_are_three_rows_and_unknown_ones_a_question_mark() -> None:
    assert big("1/3")[0].startswith("\N{LOWER HALF BLOCK}")
    assert big("~") == big("?")
    assert len({len(line) for line in big("8.8")}) <= 2
    for word in ("\N{UPWARDS ARROW} 37.5  BEST 39.9", "NOT CLIPPED", "3.5X F/16 10/12"):
        assert max(map(len, big(word))) < 80
