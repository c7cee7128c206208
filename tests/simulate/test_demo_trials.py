"""Trials of the demo session on disk: order, exposure times, tables and truth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from lab.errors import SessionError
from lab.session.inventory import read_inventory
from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.demo_trials import CLUB_TRIALS, DemoCondition, DemoTrial
from lab.simulate.hand import Hand
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import SimulatedTruth, read_truth, write_truth

TRIAL = DemoTrial(
    name="Hands",
    folder="hands",
    magnification=1.0,
    true_magnification=1.004,
    stop=5.6,
    frames_per_condition=2,
    conditions=(
        DemoCondition(name="stand", exposure_s=1 / 125),
        DemoCondition(
            name="by hand",
            hand=Hand(focus_std_um=500.0, speed_um_per_s=2000.0, tilt_std_deg=0.4),
            exposure_s=1 / 30,
        ),
        DemoCondition(
            name="by hand, flash",
            hand=Hand(speed_um_per_s=3000.0),
            exposure_s=1 / 60,
            flash_t01_s=1 / 2000,
            ambient_share=0.05,
        ),
    ),
)
PLAN = DemoPlan(
    rig=SimulatedRig(n_rows=120, n_cols=180, pixel_pitch_um=12.0),
    stops=(4.0,),
    frames_per_stop=2,
    series=(DemoSeries(magnification=1.0, true_magnification=1.01, focus_step_um=40.0),),
    trials=(TRIAL,),
)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, SimulatedTruth]:
    folder = tmp_path_factory.mktemp("demo-trials")
    return folder, write_demo_session(folder, seed=4, workers=1, plan=PLAN)


def test_conditions_follow_from_the_order_of_capture(session) -> None:
    folder, truth = session
    inventory = read_inventory(folder)
    assignment = inventory.assigned({})
    assert assignment.problems == ()
    places = {f.file: (f.condition, f.exposure_s) for f in assignment.frames if f.trial == "Hands"}
    assert len(places) == 6
    times = {"stand": 1 / 125, "by hand": 1 / 30, "by hand, flash": 1 / 60}
    for frame in truth.trials[0].frames:
        condition, exposure_s = places[frame.file]
        assert condition == frame.condition
        assert exposure_s == pytest.approx(times[condition], rel=1e-3)


def test_session_file_states_flash_and_reference(session) -> None:
    folder, _ = session
    (series,) = read_inventory(folder).config.trials
    assert (series.magnification, series.stops, series.frames) == (1.0, (5.6,), "hands/*.dng")
    assert series.trial is not None
    assert series.trial.reference == "stand"
    assert [c.exposure_s for c in series.trial.conditions] == [None] * 3  # as the camera wrote
    assert [c.flash_t01_s for c in series.trial.conditions] == [None, None, 1 / 2000]
    assert [c.ambient_share for c in series.trial.conditions] == [None, None, 0.05]


def test_truth_of_each_frame(session) -> None:
    """Exact: of a stand nothing is lost; lengths follow from speed and time."""
    folder, truth = session
    assert read_truth(folder / "truth.json") == truth
    (trial,) = truth.trials
    stand, hand, flash = (trial.frames[i : i + 2] for i in (0, 2, 4))
    for frame in stand:
        assert (frame.kind, frame.length_px, frame.defocus_waves) == ("sharp", 0, 0)
        assert frame.mtf50_image_cyc_per_mm == pytest.approx(trial.mtf50_image_cyc_per_mm, rel=1e-3)
    for frame in hand:
        assert frame.length_px == pytest.approx(frame.speed_object_um_per_s / 30 * 1.004 / 12)
        assert frame.kind == ("linear" if frame.movement_loss > frame.focus_loss else "focus")
        least = max(frame.focus_loss, frame.movement_loss)
        left = frame.mtf50_image_cyc_per_mm / trial.mtf50_image_cyc_per_mm
        assert 0 < left < 1 - least + 1e-3  # both together cost no less than either
    for frame in flash:
        assert frame.defocus_waves == 0
        assert 0 < frame.length_px < frame.speed_object_um_per_s / 60 * 1.004 / 12 / 10


def test_a_record_without_trials_is_that_of_earlier_versions(session, tmp_path: Path) -> None:
    _, truth = session
    path = tmp_path / "truth.json"
    bare = replace(truth, trials=())
    write_truth(bare, path)
    assert set(json.loads(path.read_text())) == {"seed", "channel", "pupil_ratio", "series"}
    assert read_truth(path) == bare
    record = json.loads(path.read_text()) | {"trials": [3]}
    path.write_text(json.dumps(record))
    with pytest.raises(SessionError, match="no readable truth"):
        read_truth(path)


def test_trials_leave_the_brackets_as_they_are(session, tmp_path: Path) -> None:
    folder, truth = session
    bare = write_demo_session(tmp_path, seed=4, workers=1, plan=replace(PLAN, trials=()))
    assert bare == replace(truth, trials=())
    for path in (tmp_path / "frames").rglob("*.dng"):
        other = folder / path.relative_to(tmp_path)
        assert other.read_bytes() == path.read_bytes(), path.name


def test_the_club_shoots_56_frames_in_trials() -> None:
    counts = [len(one.conditions) * one.frames_per_condition for one in CLUB_TRIALS]
    assert sum(counts) == 56  # as the demo's help and ``write_demo_session`` say
