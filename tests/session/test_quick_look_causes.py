"""Movement and scale in one quick look: recovery on simulated frames, and bad input."""

from __future__ import annotations

import shutil
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from lab.cli.watch_setting import FrameTable, Setting, read_setting
from lab.errors import LabError
from lab.frames import read_frame, write_dng
from lab.session.edge_losses import directions_differ, edge_figures
from lab.session.quick_look import ChartGuess, LookTask, look_at
from tests.cli.watched import empty_session
from tests.conftest import SimulatedSession


def setting_of(session: SimulatedSession, folder: Path) -> Setting:
    empty_session(session.folder, folder)
    return read_setting(folder, None, None, None, 0.1)


def smeared(path: Path, source: Path, axis: int, steps: int) -> Path:
    """The frame as if it had moved ``2 * steps`` px: even shifts, so that colours stay."""
    frame = read_frame(source)
    pixels = sum(np.roll(frame.pixels, 2 * k, axis) for k in range(steps)) / steps + 512
    write_dng(
        path,
        np.clip(np.rint(pixels), 0, 16383).astype(np.uint16),
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=frame.metadata,
    )
    return path


@pytest.mark.parametrize(("axis", "softer"), [(1, "vertical"), (0, "horizontal")])
def test_movement_is_named_with_its_length(
    tiny: SimulatedSession, tmp_path: Path, axis: int, softer: str
) -> None:
    setting = setting_of(tiny, tmp_path / "session")
    record = tiny.measured.frames[1]
    source = tiny.folder / "frames" / record.file
    path = smeared(tmp_path / "moved.dng", source, axis, 3)
    look = look_at(replace(setting.task(record.file, None), path=path))
    assert min(look.by_direction, key=lambda way: look.by_direction[way]) == softer
    assert look.losses[0].name == "movement"
    # Three positions 2 px apart: the variance of an even movement of sqrt(32) = 5.7 px, exact.
    assert look.losses[0].movement_px == pytest.approx(32**0.5, rel=0.05)
    sound = look_at(replace(setting.task(record.file, None), path=source))
    assert sound.losses == ()


def test_chart_at_another_magnification_is_said_to_be_so(
    tiny: SimulatedSession, tmp_path: Path
) -> None:
    # The frame is at 2.006x; the session of this test lists 1.4x and 3.5x.
    folder = tmp_path / "session"
    setting = setting_of(tiny, folder)
    record = tiny.measured.frames[0]
    task = setting.task(record.file, None)
    (chart,) = task.charts
    task = replace(
        task,
        path=tiny.folder / "frames" / record.file,
        charts=tuple(replace(chart, magnification=m) for m in (1.4, 3.5)),
        others=(replace(chart, magnification=2.9), replace(chart, magnification=2.1)),
    )
    look = look_at(task)
    assert look.status == "lost"
    assert look.magnification == pytest.approx(2.006, rel=2e-3)
    assert look.reason == (
        "the chart measures 2.01x in this frame, but session.toml says 1.4x or 3.5x. Set the "
        "magnification again, or correct session.toml."
    )
    assert look_at(replace(task, others=task.others[:1])).magnification is None


def test_other_guesses_reach_beyond_the_chart_and_leave_out_the_session(
    tiny: SimulatedSession, tmp_path: Path
) -> None:
    task = setting_of(tiny, tmp_path / "session").task("2x/A.dng", None)
    tried = sorted(guess.magnification for guess in task.others)
    assert tried[0] < 1.25 and tried[-1] > 3.3
    assert all(abs(np.log(m / 2)) > np.log(1.09) for m in tried)
    whole = sorted([*tried, 2.0])
    assert max(b / a for a, b in pairwise(whole)) < 1.35  # 15 % either way


def test_edges_that_tell_nothing(tiny: SimulatedSession) -> None:
    frame = tiny.measured.frames[0]
    ways = {e.direction: e for e in frame.edges if e.channel == "green" and e.mtf50_std}
    one, other = list(ways.values())[:2]
    assert one.mtf50_cyc_per_px is not None
    assert not directions_differ([one])
    assert directions_differ([one, replace(other, mtf50_cyc_per_px=0.7 * one.mtf50_cyc_per_px)])
    lost = replace(other, status="rejected", mtf50_cyc_per_px=None)
    assert not directions_differ([one, lost])
    with pytest.raises(ValueError, match="without figures"):
        edge_figures(lost, (400, 600))


def test_frame_without_a_chart_to_look_for_keeps_its_reason(tmp_path: Path) -> None:
    mosaic = np.random.default_rng(2).integers(900, 940, (400, 600)).astype(np.uint16)
    from lab.frames import FrameMetadata

    path = tmp_path / "grey.dng"
    write_dng(
        path,
        mosaic,
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=FrameMetadata(),
    )
    look = look_at(LookTask(path=path, file="grey.dng"))
    assert (look.status, look.magnification) == ("lost", None)


def test_frame_table_is_read_again_and_keeps_what_it_knew(
    tiny: SimulatedSession, tmp_path: Path
) -> None:
    folder = tmp_path / "session"
    frames = empty_session(tiny.folder, folder)
    setting = read_setting(folder, None, None, None, 0.1)
    table = FrameTable(setting)
    csv = folder / "frames.csv"
    assert not table.refresh([])
    csv.write_text("file,marked_stop\n2x/IMG_0001.dng,8\n")
    assert table.refresh([])  # the frame is not there yet
    assert table.trouble.startswith("frames.csv is wrong and what it said before holds: row 2")
    assert table.rows == {}
    assert not table.refresh([])
    shutil.copy(frames[0], folder / "frames" / "2x" / "IMG_0001.dng")
    assert table.refresh(["2x/IMG_0001.dng"])
    assert table.trouble == ""
    assert table.rows["2x/IMG_0001.dng"].marked_stop == 8
    csv.write_text("file,marked_stop\n2x/IMG_0001.dng,eight\n")
    assert table.refresh(["2x/IMG_0001.dng"])
    assert "marked_stop: must be a number more than 0" in table.trouble
    assert table.rows["2x/IMG_0001.dng"].marked_stop == 8
    csv.unlink()
    assert table.refresh(["2x/IMG_0001.dng"])
    assert (table.rows, table.trouble) == ({}, "")


def test_row_with_a_magnification_narrows_what_is_looked_for(
    tiny: SimulatedSession, tmp_path: Path
) -> None:
    from lab.session.frame_table import FrameRow

    setting = setting_of(tiny, tmp_path / "session")
    row = FrameRow(file="A.dng", magnification=2.0)
    assert setting.task("A.dng", row).told_by == "frames.csv"
    assert [type(g) for g in setting.task("A.dng", row).charts] == [ChartGuess]
    with pytest.raises(LabError):
        read_setting(tmp_path / "nowhere", None, None, None, 0.1)
