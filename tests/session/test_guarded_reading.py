"""A decoder that crashes, hangs or eats memory costs one frame, whichever command meets it."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import lab
from lab.frames import FrameMetadata, read_metadata
from lab.session import kept_metadata
from lab.session.guarded_process import Limits
from lab.session.inventory import read_inventory
from lab.session.kept_metadata import metadata_from_json, metadata_to_json, new_metadata
from lab.session.running import measure_session, stored_session
from tests.cli.watched import Watched, empty_session
from tests.conftest import SimulatedSession
from tests.session import crashing

ROOT = Path(lab.__file__).parents[1]
FAULTY = ROOT / "tests" / "faulty_decoders"
# Limits that a small frame keeps and a test can wait for.
COMMAND = """
import lab.session.workers as workers
workers._LIMIT_S, workers._LIMIT_S_PER_PIXEL, workers._LIMIT_BYTES_PER_PIXEL = {limit_s}, 0, 25
from lab.cli.main import app
app()
"""
CRASHED, HUNG = "crashed the process that read it (SIGSEGV)", "took longer than"
BOMBED = "needed more than"  # so much memory
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="memory is limited on Linux alone")


def run(*args: Any, limit_s: float = 4.0) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", COMMAND.format(limit_s=limit_s), *map(str, args)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(FAULTY), str(ROOT)])},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def spoilt(frames: list[Path], *faults: str) -> list[Path]:
    """The first frames renamed so that their decoders fail; in the same order."""
    return [
        frame.rename(frame.with_name(f"{frame.stem}-{fault}.dng"))
        for frame, fault in zip(frames, faults, strict=False)
    ]


def test_measure(tiny: SimulatedSession, tiny_copy: Callable[..., Path]) -> None:
    folder = tiny_copy(measured=False)
    frames = sorted((folder / "frames" / "2x").iterdir())
    spoilt(frames, "tags-crash", "tags-hang", "tags-bomb", "raw-crash")
    done = run("measure", folder, "--json", "--workers", "2")
    assert done.returncode == 0, done.stderr
    records = {Path(one["file"]).stem[9:]: one for one in json.loads(done.stdout)}
    sound = [one for one in json.loads(done.stdout) if one["status"] == "measured"]
    assert len(sound) == len(frames) - 4
    for fault, said in [
        ("tags-crash", CRASHED),
        ("tags-hang", HUNG),
        ("tags-bomb", BOMBED),
        ("raw-crash", CRASHED),
    ]:
        assert records[fault]["status"] == "unreadable"
        assert said in records[fault]["reason"]
        assert "use = no in frames.csv" in records[fault]["reason"]


def test_inspect(tiny: SimulatedSession, tiny_copy: Callable[..., Path]) -> None:
    folder = tiny_copy(measured=False)
    frames = sorted((folder / "frames" / "2x").iterdir())
    bad = spoilt(frames, "tags-crash", "raw-hang", "tags-bomb")
    done = run("inspect", *bad, frames[-1], "--json", limit_s=12.0)
    assert done.returncode == 2
    (document,) = [json.loads(done.stdout)]
    assert document["file"] == frames[-1].name
    assert any(edge["status"] == "measured" for edge in document["edges"])
    lines = done.stderr.splitlines()
    for line, path, said in zip(lines, bad, (CRASHED, HUNG, BOMBED), strict=True):
        assert line.startswith(f"stopwise: {path.name}: {said}")
        assert "Copy it from the card again" in line


def test_watch(tiny: SimulatedSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "session"
    frames = empty_session(tiny.folder, folder)
    place = folder / "frames" / "2x"
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(FAULTY), str(ROOT)]))
    # A quarter of the limit is for a look.
    with Watched(folder, command=COMMAND.format(limit_s=16.0)) as watched:
        for number, fault in enumerate(("raw-crash", "tags-hang", "raw-bomb")):
            said = (CRASHED, HUNG, BOMBED)[number]
            shutil.copy(frames[number], place / f"IMG_{number:04}-{fault}.dng")
            document = watched.document()
            assert document["status"] == "unreadable"
            assert document["reason"].startswith(said)
            assert "shoot again" in document["reason"]
        shutil.copy(frames[3], place)
        good = watched.document()
        assert (good["file"], good["status"]) == (f"2x/{frames[3].name}", "measured")
        assert watched.stop() == 0


# Metadata


def test_what_a_measured_session_says_opens_no_frame(
    tiny: SimulatedSession, tiny_copy: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tiny_copy(measured=True)
    whole = read_inventory(folder).metadata
    assert all(one.camera for one in whole.values())

    def refused(*_: object) -> None:
        raise AssertionError("a frame was opened")

    monkeypatch.setattr(kept_metadata.GuardedProcess, "give", refused)
    monkeypatch.setattr("lab.frames.metadata.read_tags", refused)
    assert read_inventory(folder).metadata == whole
    assert stored_session(folder) == tiny.measured
    renamed = folder / "frames" / "2x" / "IMG_0001.dng"
    renamed.rename(renamed.with_name("IMG_0000.dng"))  # known by its contents, not its name
    assert read_inventory(folder).metadata["2x/IMG_0000.dng"] == whole["2x/IMG_0001.dng"]


def test_metadata_that_crash_the_decoder_cost_themselves(
    tiny: Any, tiny_copy: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tiny_copy(measured=False)
    whole = read_inventory(folder).metadata
    monkeypatch.setattr(kept_metadata, "read_metadata", crashing.evil_metadata)
    found = read_inventory(folder)
    assert list(found.lost) == [found.hashes["2x/IMG_0002.dng"]]
    assert found.metadata["2x/IMG_0002.dng"] == FrameMetadata()
    assert {f: m for f, m in found.metadata.items() if "0002" not in f} == {
        f: m for f, m in whole.items() if "0002" not in f
    }
    lost = [one for one in measure_session(folder).frames if one.status != "measured"]
    assert [(one.file, one.status) for one in lost] == [("2x/IMG_0002.dng", "unreadable")]
    monkeypatch.undo()  # the reader was mended
    assert measure_session(folder) == tiny.measured


def test_one_process_reads_all_and_none_reads_nothing(tiny: SimulatedSession) -> None:
    paths = {str(i): path for i, path in enumerate((tiny.folder / "frames" / "2x").iterdir())}
    metadata, lost = new_metadata(paths, Limits())
    assert metadata == {key: read_metadata(path) for key, path in paths.items()}
    assert lost == {}
    assert new_metadata({}, Limits()) == ({}, {})


def test_metadata_survive_the_store_and_a_scribbled_text_is_read_again() -> None:
    one = FrameMetadata(camera="Body 2", exposure_s=0.125, iso=200.0, f_number=5.6)
    text = metadata_to_json({"ab": one, "cd": FrameMetadata()})
    assert metadata_from_json(text) == {"ab": one, "cd": FrameMetadata()}
    for bad in (
        None,
        "",
        "[]",
        '{"method": 0}',
        text.replace("iso", "owner"),
        text.replace("200.0", '"200"'),
        text[:-9],
    ):
        assert metadata_from_json(bad) == {}
