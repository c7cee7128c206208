"""What is known of an inspected frame: options, session, and what each serves for alone."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from lab.cli.inspect_setting import Shot, read_shots
from lab.cli.main import app
from lab.edges.types import NoiseModel
from lab.frames import FrameMetadata
from lab.frames.dng import write_dng
from lab.optics.edge_profile import EdgeProfile
from lab.optics.pupil import clear_pupil_mtf
from lab.simulate.render import render_edge

SESSION = """
[session]
name = "Micromounts"
[body]
name = "Club body"
pixel_pitch_um = 3.76
sensor_mm = [23.5, 15.7]
[lens]
name = "Enlarger 75"
pupil_ratio = 0.8
[target]
kind = "blade"
[[series]]
magnification = 2.0
stops = [5.6]
frames_per_stop = 3
frames = "2x/*.dng"
"""


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(
        app, ["inspect", *(str(a) for a in arguments)], env={"COLUMNS": "80"}
    )
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture(scope="module")
def frame(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One edge in a session's folder, as a lens of 3.1 px cut-off period shows it."""
    folder = tmp_path_factory.mktemp("session")
    (folder / "session.toml").write_text(SESSION)
    path = folder / "frames" / "2x" / "A.dng"
    path.parent.mkdir(parents=True)
    pixels = render_edge(
        (260, 340),
        angle_deg=7.0,
        profile=EdgeProfile(lambda f: np.asarray(clear_pupil_mtf(3.1 * f)), 1 / 3.1),
        low=900.0,
        high=9000.0,
        noise=NoiseModel(read_std=2.0, gain=0.3),
        rng=np.random.default_rng(6),
    )
    write_dng(
        path,
        pixels.round().astype(np.uint16),
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=FrameMetadata(camera="Club body"),
        unique_camera_model="Club body",
    )
    return path


@pytest.fixture(scope="module")
def loose(frame: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same frame without a session."""
    path = tmp_path_factory.mktemp("loose") / "A.dng"
    path.write_bytes(frame.read_bytes())
    return path


def words(result: Result) -> str:
    assert result.exit_code == 0
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    return " ".join(result.stdout.split())


def test_figures_are_per_mm_where_the_pitch_is_known(loose: Path) -> None:
    # Exact: a cycle per pixel of 4.35 um is 1000 / 4.35 cycles per mm, in the subject m times.
    plain = json.loads(run(loose, "--json").stdout)["places"][0]
    assert plain["mtf50_image_cyc_per_mm"] is plain["mtf50_object_cyc_per_mm"] is None
    told = json.loads(run(loose, "--pitch", 4.35, "-m", 2.5, "--json").stdout)
    image = plain["mtf50_cyc_per_px"] / 4.35e-3
    for one in (told["places"][0], told["edges"][0]):
        assert one["mtf50_image_cyc_per_mm"] == pytest.approx(image)
        assert one["mtf50_object_cyc_per_mm"] == pytest.approx(2.5 * image)
    said = words(run(loose, "--pitch", 4.35, "-m", 2.5, "--edges"))
    assert "per mm: pixel pitch 4.35 um (--pitch), magnification 2.5x place" in said
    assert f"{image:.1f}" in said
    assert f"{2.5 * image:.1f}" in said
    assert "MTF50 cy/mm" in said
    assert "cy/px" not in said
    said = words(run(loose, "--pitch", 4.35))
    assert "in the subject" not in said
    assert f"{image:.1f}" in said
    said = words(run(loose))
    assert f"{plain['mtf50_cyc_per_px']:.4f}" in said
    assert "give -m, --stop and --pitch" in said


def test_a_sessions_frame_has_its_pitch_and_pupil_ratio(frame: Path) -> None:
    said = words(run(frame, "-m", 2, "--stop", 5.6))
    assert "pixel pitch 3.76 um (session.toml)" in said
    assert "taken as 1" not in said
    # Exact: f/5.6 is 2**2.5; at 2x and pupil ratio 0.8 times 1 + 2 / 0.8.
    seen = json.loads(run(frame, "-m", 2, "--stop", 5.6, "--json").stdout)
    assert seen["effective_f_number"] == pytest.approx(2**2.5 * 3.5)
    assert seen["target_edge"] is not None
    assert "pixel pitch 5 um (--pitch)" in words(run(frame, "--pitch", 5))


def test_a_session_that_cannot_be_read_spoils_nothing(tmp_path: Path, frame: Path) -> None:
    (tmp_path / "session.toml").write_text("[body]\npixel_pitch_um = 3")
    path = tmp_path / "frames" / "A.dng"
    path.parent.mkdir()
    path.write_bytes(frame.read_bytes())
    said = words(run(path))
    assert "MTF50 cy/px" in said
    assert "Pitch and pupil ratio of the session are not used: " in said


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (["-m", 2], "cycles per mm in the subject need --pitch too"),
        (["--stop", 5.6], "at --stop needs -m and --pitch too: the effective f-number grows"),
        (["--stop", 5.6, "--pitch", 4.35], "at --stop needs -m too: "),
        (["--stop", 5.6, "-m", 2], "at --stop needs --pitch too: the pitch turns pixels into mm"),
        (["--pupil-ratio", 0.9], "--pupil-ratio was not used"),
    ],
)
def test_each_option_alone_serves_or_says_what_it_lacks(
    loose: Path, options: list[object], expected: str
) -> None:
    said = words(run(loose, *options))
    assert said.count(expected) == 1
    assert "centre" in said  # the frame is measured all the same
    assert "The target's edge" not in said
    assert "For the lens's limit give" not in said
    effective = "Effective f-number: f/17 (f/5.6 on the ring at 2x; pupil ratio taken as 1"
    assert (effective in said) == ("-m" in options and "--stop" in options)


def test_the_effective_f_number_and_diffraction_of_a_shot() -> None:
    # Exact: 2**3 (1 + 1.5 / 0.9) = 21.333; the ratio's share of its uncertainty is m / (P + m).
    shot = Shot(pixel_pitch_um=4.35, magnification=1.5, marked_stop=8.0, pupil_ratio=0.9)
    assert shot.effective_f_number == pytest.approx(21.3333, abs=1e-4)
    found = shot.diffraction(0.53)
    assert found is not None
    assert found[0] == pytest.approx(0.53 * 21.3333 / 4.35, rel=1e-5)
    assert found[1] == pytest.approx(math.hypot(0.03, 0.05 * 1.5 / 2.4))
    assert shot.missing == ()
    assert Shot(magnification=1.5, pixel_pitch_um=4.35).diffraction(0.53) is None


def test_one_note_for_frames_alike_and_values_in_their_order(tmp_path: Path) -> None:
    paths = [tmp_path / "A.dng", tmp_path / "B.dng"]
    shots = read_shots(paths, [1.0, 3.0], [5.6], 4.35, None)
    assert [(s.magnification, s.marked_stop) for s in shots] == [(1.0, 5.6), (3.0, 5.6)]
    assert [s.notes for s in shots] == [(), ()]
