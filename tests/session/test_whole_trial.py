"""A simulated trial from raw files to kinds and lengths of blur, against its truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from lab.inference.trial_analysis import TrialStill, analyse_trial, trial_still
from lab.inference.trial_records import TrialFrame, TrialResult
from lab.session.running import measure_session
from lab.simulate.demo import DemoPlan, write_demo_session
from lab.simulate.demo_trials import DemoCondition, DemoTrial
from lab.simulate.hand import Hand
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import TrueFrame, TrueTrial

MOVEMENTS = ("linear", "oscillating", "pulse")


@dataclass(frozen=True)
class Whole:
    """A trial's truth and result, frame by frame."""

    truth: TrueTrial
    result: TrialResult
    still: TrialStill | None
    problems: tuple[object, ...]

    def pairs(self, condition: str) -> list[tuple[TrueFrame, TrialFrame]]:
        found = {frame.file: frame for frame in self.result.frames}
        return [(t, found[t.file]) for t in self.truth.frames if t.condition == condition]


def whole(folder: Path, seed: int, rig: SimulatedRig, trial: DemoTrial) -> Whole:
    plan = DemoPlan(rig=rig, series=(), trials=(trial,))
    truth = write_demo_session(folder, seed=seed, workers=1, plan=plan)
    measured = measure_session(folder)
    (series,) = measured.config.trials
    result = analyse_trial(measured.config, measured.assignment, measured.frames, series)
    still = trial_still(measured.config, measured.frames, series)
    return Whole(truth.trials[0], result, still, measured.assignment.problems)


def slow_hand(folder: Path, seed: int, rig: SimulatedRig, frames: int, hand: Hand) -> Whole:
    trial = DemoTrial(
        name="Hands",
        folder="hands",
        magnification=1.0,
        true_magnification=1.004,
        stop=8.0,
        frames_per_condition=frames,
        conditions=(
            DemoCondition(name="stand", exposure_s=1 / 60),
            DemoCondition(name="by hand", hand=hand, exposure_s=1 / 60),
        ),
    )
    return whole(folder, seed, rig, trial)


def test_a_tiny_trial_tells_movement_from_a_stand(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Recovery, one frame each."""
    from lab.cli.demo import print_keepers
    from lab.cli.shutter import shutter
    from lab.cli.trial_text import print_trial
    from lab.optics.shutter import slowest_safe_s
    from reports.shutter_figure import safe_words

    rig = SimulatedRig(n_rows=400, n_cols=600)
    # 600 um/s is 2.3 px at 1/60 s.
    trial = slow_hand(tmp_path, 8, rig, 1, Hand(focus_std_um=20.0, speed_um_per_s=600.0))
    assert trial.problems == ()
    assert [f.kind for _, f in trial.pairs("stand")] == ["sharp"]
    for true, found in trial.pairs("by hand"):
        assert true.length_px > 1
        assert (true.kind, found.kind) == ("linear", "linear")
        assert found.length_px == pytest.approx(true.length_px, rel=0.05, abs=0.1)
        assert abs((found.axis_deg - true.axis_deg + 90) % 180 - 90) < 5
        assert found.speed_object_um_per_s == pytest.approx(true.speed_object_um_per_s, rel=0.06)
    print_keepers(trial.result)
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].endswith("most lost to")
    assert lines[2].split()[:4] == ["stand", "1", "of", "1"]
    assert lines[2].endswith(" -")  # none was lost
    assert lines[3].split()[:5] == ["by", "hand", "0", "of", "1"]
    assert lines[3].endswith("movement")
    assert max(map(len, lines)) <= 80

    # The same lens, hence the same safe times, in `stopwise shutter`.
    still, half = trial.still, trial.result.curves[0]
    assert still is not None
    assert half.slowest_safe_s == slowest_safe_s(
        still.image,
        magnification=still.magnification,
        speed_um_per_s=half.speed_um_per_s,
        loss_percent=10,
    )
    print_trial(trial.result)
    told = capsys.readouterr().out.splitlines()
    assert told[0].startswith("Hands: 1x, f/8")  # before what is said of it
    assert told[1].startswith("Most keepers: ")
    assert "µ" not in "".join(told)
    shutter(tmp_path, loss=10.0, blur=0.0)
    said = capsys.readouterr().out
    assert safe_words(half.slowest_safe_s) in said.split("MTF50 kept")[0]
    assert "sharpest frame of 'stand'" in " ".join(said.split())
    shutter(tmp_path, loss=10.0, blur=0.0, pupil_ratio=1.2)
    assert "a perfect lens" in capsys.readouterr().out


@pytest.fixture(scope="module")
def hands(tmp_path_factory: pytest.TempPathFactory) -> list[Whole]:
    rig = SimulatedRig(n_rows=600, n_cols=900)
    hand = Hand(focus_std_um=600.0, speed_um_per_s=600.0, tilt_std_deg=0.3)
    return [slow_hand(tmp_path_factory.mktemp("hands"), seed, rig, 6, hand) for seed in (3, 4)]


@pytest.mark.slow
def test_kinds_and_lengths_of_a_slow_hand(hands: list[Whole]) -> None:
    """Recovery: every frame blurred by more than a pixel, focus against movement.

    Focus scatters so that it blurs some frames more than movement does.
    """
    pairs = [pair for trial in hands for pair in trial.pairs("by hand")]
    measured = [(t, f) for t, f in pairs if f.kind is not None and t.length_px > 1]
    assert len(measured) >= 8
    assert {t.kind for t, _ in measured} == {"focus", "linear"}
    right = [
        (f.kind in MOVEMENTS) == (t.kind == "linear") and f.kind != "sharp" for t, f in measured
    ]
    assert np.mean(right) >= 0.95
    for true, found in measured:
        if true.kind == "linear":
            assert found.length_px == pytest.approx(true.length_px, rel=0.05, abs=0.1), true


@pytest.mark.slow
def test_sharpness_and_keepers_of_a_slow_hand(hands: list[Whole]) -> None:
    """Recovery: keepers are those that the transfer function makes ones."""
    for trial in hands:
        limit = 0.9 * trial.truth.mtf50_image_cyc_per_mm
        assert all(f.is_keeper for _, f in trial.pairs("stand"))
        for true, found in trial.pairs("by hand"):
            if abs(true.mtf50_image_cyc_per_mm / limit - 1) > 0.02:
                assert found.is_keeper == (true.mtf50_image_cyc_per_mm > limit), true
