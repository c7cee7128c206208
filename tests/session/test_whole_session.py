"""4 magnifications x 6 stops x 7 frames of a lens that reports no f-number, to the figures.

Without hand editing by the order of capture and by slates; by a frames.csv that was
proposed and completed; and with each fault that a session can have: it is reported with
the frames' names, and the rest has its place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lab.frames import read_frame
from lab.frames.dng import write_dng
from lab.session.draft import Problem
from lab.session.propose import write_frame_table
from lab.session.running import measure_session, stored_session
from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.rig import SimulatedRig
from targets.slates import Slate
from tests.session.shoot import MAGNIFICATIONS, PER_STOP, STOPS, Shoot
from tests.session.slate_frames import write_slate_frame


def by_order(shoot: Shoot) -> None:
    pass


def by_slates(shoot: Shoot) -> None:
    shoot.slates()


def by_table(shoot: Shoot) -> None:
    shoot.table(*(f"{f},{m:g},{stop:g},{um:g},," for f, (m, stop, um) in shoot.truth.items()))


WAYS = (by_order, by_slates, by_table)


@pytest.mark.parametrize("way", WAYS)
def test_all_168_frames_have_their_place(tmp_path: Path, way: Callable[[Shoot], None]) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    way(shoot)
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []
    assert sum(frame.use for frame in assignment.frames) == 168


# Each fault is made at 2x, f/5.6 (IMG_57 to IMG_63), and returns the frames it touches.


def missing_frame(shoot: Shoot) -> set[str]:
    shoot.remove("2x/IMG_60.dng")
    return {f"2x/IMG_{n}.dng" for n in (57, 58, 59, 61, 62, 63)}


def missing_stop(shoot: Shoot) -> set[str]:
    for n in range(57, 64):
        shoot.remove(f"2x/IMG_{n}.dng")
    if "2x/SLATE_9.dng" in shoot.looks:
        shoot.remove("2x/SLATE_9.dng")
        del shoot.looks["2x/SLATE_9.dng"]
    return set()


def extra_frame(shoot: Shoot) -> set[str]:
    shoot.add("2x/IMG_60b.dng", 60)
    return {f"2x/IMG_{n}.dng" for n in range(57, 64)} | {"2x/IMG_60b.dng"}


def swapped_stop(shoot: Shoot) -> set[str]:
    """f/5.6 and f/8 were shot in the other order; slates told the truth."""
    touched = set()
    for file, (m, stop, um) in shoot.truth.items():
        if m == 2.0 and stop in (5.6, 8.0):
            true = {5.6: 8.0, 8.0: 5.6}[stop]
            shoot.truth[file] = (m, true, um)
            shoot.change(file, exposure_s=shoot.exposure_s(m, true))
            touched.add(file)
    if "2x/SLATE_9.dng" in shoot.looks:
        nine, ten = shoot.looks["2x/SLATE_9.dng"], shoot.looks["2x/SLATE_10.dng"]
        shoot.looks |= {"2x/SLATE_9.dng": ten, "2x/SLATE_10.dng": nine}
    return touched


def wrong_iso(shoot: Shoot) -> set[str]:
    shoot.change("2x/IMG_60.dng", iso=800.0)
    return {"2x/IMG_60.dng"}


@pytest.mark.parametrize("fault", [missing_frame, missing_stop, extra_frame])
def test_a_wrong_count_is_reported_and_the_rest_has_its_place(
    tmp_path: Path, fault: Callable[[Shoot], set[str]]
) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    fault(shoot)
    (problem,) = shoot.assign().problems
    used = sum(file.startswith("2x/") for file in shoot.metadata)
    assert problem.severity == "error"
    assert f"Series 2x (2x/*.dng): {used} frames, but 6 stops x 7" in problem.text
    assert ("one of the stops" in problem.text or "1 of the stops" in problem.text) == (
        fault is missing_stop
    )
    # All of the series lost its stops, none of the others did, and all are still measured.
    assert set(shoot.wrong(shoot.assign())) == set(problem.files)
    assert {file[:3] for file in problem.files} == {"2x/"}
    assert all(frame.use and frame.magnification for frame in shoot.assign().frames)


@pytest.mark.parametrize("fault", [missing_frame, missing_stop, extra_frame])
def test_slates_leave_no_more_than_the_faulty_stop_in_doubt(
    tmp_path: Path, fault: Callable[[Shoot], set[str]]
) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    shoot.slates()
    touched = fault(shoot)
    assignment = shoot.assign()
    assert {p.severity for p in assignment.problems} == {"warning"}
    n = {missing_frame: 6, missing_stop: 0, extra_frame: 8}[fault]
    assert f"f/5.6 has {n}" in assignment.problems[0].text
    assert set(shoot.wrong(assignment)) == touched  # of these the focus positions alone
    places = {f.file: f for f in assignment.frames}
    assert {places[file].marked_stop for file in touched} <= {5.6}


@pytest.mark.parametrize("way", [by_order, by_slates])
def test_a_swapped_stop_is_reported(tmp_path: Path, way: Callable[[Shoot], None]) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    way(shoot)
    touched = swapped_stop(shoot)
    (problem,) = shoot.assign().problems
    assert set(problem.files) == touched
    if way is by_order:
        assert "the exposure at f/5.6, f/8 goes neither with the f-number" in problem.text
    else:
        assert "sources disagree" in problem.text
        assert shoot.wrong(shoot.assign()) == []


@pytest.mark.parametrize("way", WAYS)
def test_a_wrong_iso_is_reported(tmp_path: Path, way: Callable[[Shoot], None]) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    way(shoot)
    touched = wrong_iso(shoot)
    (problem,) = shoot.assign().problems
    assert set(problem.files) == touched
    assert "2x/IMG_60.dng (800, most frames at f/5.6 100)" in problem.text
    assert shoot.wrong(shoot.assign()) == []


def test_a_missing_frame_is_mended_by_the_proposed_table(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    short = missing_frame(shoot)
    path = write_frame_table(tmp_path, shoot.assign())
    lines = []
    for line in path.read_text("utf-8").splitlines():
        file = line.split(",")[0]
        if file in short:  # the stop that is short: its stop and positions by hand
            _, stop, um = shoot.truth[file]
            line = f"{file},,{stop:g},{um:g},,yes"
        lines.append(line)
    path.write_text("\n".join(lines), encoding="utf-8")
    assignment = shoot.assign()
    assert assignment.problems == ()
    assert shoot.wrong(assignment) == []


# The same with pixels


@pytest.fixture(scope="module")
def pixels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Raw files of a whole session with slates: one picture at each magnification, 42 times."""
    folder = tmp_path_factory.mktemp("whole")
    plan = DemoPlan(
        rig=SimulatedRig(n_rows=200, n_cols=300),
        stops=(5.6,),
        frames_per_stop=1,
        series=tuple(
            DemoSeries(magnification=m, true_magnification=1.002 * m, focus_step_um=20.0)
            for m in MAGNIFICATIONS
        ),
    )
    write_demo_session(folder, seed=5, workers=1, plan=plan)
    (folder / "truth.json").unlink()
    toml = (folder / "session.toml").read_text("utf-8")
    toml = toml.replace("stops = [5.6]", f"stops = {list(STOPS)}")
    toml = toml.replace("frames_per_stop = 1", f"frames_per_stop = {PER_STOP}")
    (folder / "session.toml").write_text(toml, encoding="utf-8")
    count = 0
    for m in MAGNIFICATIONS:
        (picture,) = (folder / "frames" / f"{m:g}x").iterdir()
        frame = read_frame(picture)
        picture.unlink()
        for stop in STOPS:
            for i in range(-1, PER_STOP):
                count += 1
                path = picture.with_name(f"IMG_{count:04d}.dng")
                time = f"2024:05:01 10:{count // 60:02d}:{count % 60:02d}"
                metadata = replace(frame.metadata, captured_at=time)
                if i < 0:
                    write_slate_frame(path, Slate(magnification=m, marked_stop=stop), metadata)
                    continue
                write_dng(
                    path,
                    np.round(frame.pixels + 512).astype(np.uint16),
                    pattern="RGGB",
                    black_dn=512,
                    white_dn=16383,
                    bits=14,
                    metadata=metadata,
                    unique_camera_model="Club body",
                )
    return folder


@pytest.mark.slow
def test_a_session_with_slates_and_a_truncated_file_is_measured(pixels: Path) -> None:
    broken = pixels / "frames" / "2x" / "IMG_0053.dng"  # at 2x, the fourth of f/2.8
    whole = broken.read_bytes()
    broken.write_bytes(whole[: len(whole) // 3])
    told: list[tuple[Problem, ...]] = []
    looked: list[tuple[int, int]] = []
    measured = measure_session(
        pixels, tell=told.append, slate_progress=lambda *at: looked.append(at)
    )
    assert measured.assignment.problems == ()
    ((unreadable,),) = told
    assert unreadable.files == ("2x/IMG_0053.dng",)
    assert "Cannot be read: 2x/IMG_0053.dng: is cut short" in unreadable.text
    assert (looked[0], looked[-1]) == ((0, 192), (192, 192))
    assert Counter(f.status for f in measured.frames) == {"measured": 167, "unreadable": 1}
    tally = Counter((f.magnification, f.marked_stop) for f in measured.frames)
    assert tally == {(m, stop): PER_STOP for m in MAGNIFICATIONS for stop in STOPS}
    assert {f.source for f in measured.assignment.frames} == {"slate"}
    assert stored_session(pixels) == measured
    # The frames were looked at once for all; the slates gone, the order says the same.
    looked.clear()
    for frame in measured.assignment.frames:
        if "slate" in frame.flags:
            (pixels / "frames" / frame.file).unlink()
    again = measure_session(pixels, slate_progress=lambda *at: looked.append(at))
    assert looked == [(167, 168), (168, 168)]  # the broken one is tried again
    assert {f.source for f in again.assignment.frames} == {"order"}
    assert again.frames == measured.frames
