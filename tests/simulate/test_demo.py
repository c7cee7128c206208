"""The demo session on disk: readable by the rooms that analyse it, the same for any worker."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import rawpy

from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.render import render_frame
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import SimulatedTruth, read_truth
from targets.layout import read_layout

PLAN = DemoPlan(
    rig=SimulatedRig(n_rows=120, n_cols=180, pixel_pitch_um=12.0),
    stops=(4.0, 11.0),
    frames_per_stop=3,
    series=(
        DemoSeries(magnification=1.0, true_magnification=1.01, focus_step_um=40.0),
        DemoSeries(magnification=2.0, true_magnification=2.0, focus_step_um=20.0),
    ),
)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, SimulatedTruth, list]:
    folder = tmp_path_factory.mktemp("demo")
    calls: list[tuple[int, int]] = []
    truth = write_demo_session(
        folder, seed=4, workers=1, plan=PLAN, progress=lambda *done: calls.append(done)
    )
    return folder, truth, calls


def test_every_frame_is_there_and_reported(session) -> None:
    folder, _, calls = session
    assert calls == [(i, 12) for i in range(1, 13)]
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.dng"))
    assert names == [f"frames/{1 + (i > 6)}x/IMG_{i:04d}.dng" for i in range(1, 13)]


def test_raw_reader_gives_back_mosaic_and_levels(session) -> None:
    folder, _, _ = session
    with rawpy.imread(str(folder / "frames/1x/IMG_0002.dng")) as raw:
        mosaic = raw.raw_image_visible.copy()
        assert raw.black_level_per_channel[:3] == [512, 512, 512]
        assert raw.white_level == 16383
        assert raw.raw_pattern.tolist() == [[0, 1], [3, 2]]
    assert mosaic.shape == (120, 180)
    # Clear ground of the green sites near 0.7 of full scale, exposure within 6 %.
    ground = np.percentile(mosaic[40:80:2, 61:121:2], 90) - 512.0
    assert ground / (16383 - 512) == pytest.approx(0.7, rel=0.08)


def test_session_file_names_the_rig_and_the_frames(session) -> None:
    from lab.session.config import read_session

    folder, _, _ = session
    config = read_session(folder)
    assert config.body.pixel_pitch_um == 12.0
    assert config.body.sensor_mm == pytest.approx((2.16, 1.44))
    assert config.lens.pupil_ratio == 0.88
    assert config.lens.exif_f_number == "absent"
    assert [one.frames for one in config.series] == ["1x/*.dng", "2x/*.dng"]
    assert config.series[1].stops == (4.0, 11.0)
    assert config.series[1].focus_steps_um == (20.0, 20.0)
    layout = read_layout(folder / "target.json")
    assert sorted(one.magnification_low for one in layout.fields) == [1.0, 2.0]


def test_frames_carry_times_in_order_and_no_f_number(session) -> None:
    import exifread

    folder, _, _ = session
    times = []
    for path in sorted(folder.rglob("*.dng")):
        with path.open("rb") as file:
            tags = exifread.process_file(file, details=False)
        assert "EXIF FNumber" not in tags
        times.append((str(tags["EXIF DateTimeOriginal"]), str(tags["EXIF SubSecTimeOriginal"])))
    assert times == sorted(set(times))


def test_truth_is_on_disk_and_brackets_hold_best_focus(session) -> None:
    folder, truth, _ = session
    assert read_truth(folder / "truth.json") == truth
    assert [one.true_magnification for one in truth.series] == [1.01, 2.0]
    for series in truth.series:
        peaks = [point.mtf50_image_cyc_per_mm for point in series.points]
        assert series.optimum_mtf50_image_cyc_per_mm >= max(peaks)
        assert 2.8 < series.optimum_stop < 11.4
    # The first bracket's middle frame is within half a step of best focus.
    point = truth.series[0].points[0]
    with rawpy.imread(str(folder / "frames/1x/IMG_0002.dng")) as raw:
        middle = raw.raw_image_visible.astype(float)
    best, far = (
        render_frame(
            PLAN.rig,
            _field_of(folder, 1.0),
            magnification=1.01,
            stop=4.0,
            focus_offset_object_um=point.best_focus_object_um + away_um,
            rng=np.random.default_rng(0),
        ).astype(float)
        for away_um in (0.0, 400.0)
    )
    assert np.abs(middle - best).mean() < 0.5 * np.abs(middle - far).mean()


def _field_of(folder: Path, magnification: float):
    return read_layout(folder / "target.json").field_for(magnification)


def test_workers_do_not_change_a_byte(session, tmp_path: Path) -> None:
    folder, truth, _ = session
    before = dict(os.environ)
    assert write_demo_session(tmp_path, seed=4, workers=2, plan=PLAN) == truth
    assert dict(os.environ) == before
    paths = [path.relative_to(folder) for path in sorted(folder.rglob("*")) if path.is_file()]
    assert len(paths) == 15
    for path in paths:
        assert (folder / path).read_bytes() == (tmp_path / path).read_bytes(), path


def test_failure_stops_the_workers_and_restores_the_environment(tmp_path: Path) -> None:
    def fail(done: int, total: int) -> None:
        raise InterruptedError(f"{done} of {total}")

    before = dict(os.environ)
    with pytest.raises(InterruptedError, match="1 of 12"):
        write_demo_session(tmp_path, seed=4, workers=2, plan=PLAN, progress=fail)
    assert dict(os.environ) == before
    assert not (tmp_path / "frames/2x/IMG_0012.dng").exists()


@pytest.mark.parametrize(("seed", "workers"), [(-1, 1), (1, 0)])
def test_bad_arguments_are_refused(tmp_path: Path, seed: int, workers: int) -> None:
    with pytest.raises(ValueError, match="seed"):
        write_demo_session(tmp_path, seed=seed, workers=workers, plan=PLAN)
