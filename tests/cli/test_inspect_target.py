"""``stopwise inspect`` of several frames, and what it says of the target's own edge."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from lab.cli.inspect_target_text import print_target
from lab.cli.main import app
from lab.edges.target_quality import ExcessBlur, TargetBlur
from lab.edges.types import NoiseModel
from lab.frames import FrameMetadata
from lab.frames.dng import write_dng
from lab.optics.edge_profile import EdgeProfile
from lab.optics.geometry import effective_f_number
from lab.optics.system import channel_band, system_mtf
from lab.session.target_estimate import FrameTarget, TargetEstimate
from lab.simulate.render import render_edge

# A blade before an invented lens: its blur on the target, the lens's on the sensor.
BLUR_UM, RESIDUAL_UM, PITCH_UM, PUPIL_RATIO = 2.1, 1.1, 4.35, 0.9
BAND = channel_band(0.53)
RIG = ("--pitch", PITCH_UM, "--pupil-ratio", PUPIL_RATIO)


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(
        app, ["inspect", *(str(a) for a in arguments)], env={"COLUMNS": "80"}
    )
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def _write(
    path: Path,
    magnification: float,
    seed: int,
    *,
    exact_stop: float = 2**2.5,
    residual_um: float = RESIDUAL_UM,
    blur_um: float = BLUR_UM,
) -> Path:
    n_eff = float(effective_f_number(exact_stop, magnification, PUPIL_RATIO))
    profile = EdgeProfile(
        lambda f: system_mtf(
            f * (1e3 / PITCH_UM),
            wavelength_um=BAND,
            f_number=n_eff,
            pixel_pitch_um=PITCH_UM,
            edge_angle_deg=5.0,
            blur_std_um=math.hypot(residual_um, magnification * blur_um),
        ),
        PITCH_UM / (min(BAND.wavelength_um) * n_eff),
    )
    pixels = render_edge(
        (300, 400),
        angle_deg=5.0,
        profile=profile,
        low=1200.0,
        high=9000.0,
        noise=NoiseModel(read_std=2.0, gain=0.3),
        rng=np.random.default_rng(seed),
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
def frames(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("blade")
    return _write(folder / "A.dng", 1.0, 1), _write(folder / "B.dng", 3.0, 2)


def test_two_magnifications_tell_the_targets_blur(frames: tuple[Path, Path]) -> None:
    result = run(*frames, "-m", 1, "-m", 3, "--stop", 5.6, *RIG, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    document = json.loads(result.stdout)
    assert list(document) == ["frames", "target_edge"]
    assert [one["file"] for one in document["frames"]] == ["A.dng", "B.dng"]
    target = document["target_edge"]
    # Recovery.
    assert target["blur_low95_um"] < BLUR_UM < target["blur_high95_um"]
    assert target["blur_um"] == pytest.approx(BLUR_UM, rel=0.03)
    assert target["blur_upper95_um"] > BLUR_UM
    assert target["residual_image_um"] == pytest.approx(RESIDUAL_UM, rel=0.3)
    for one, m in zip(target["frames"], (1.0, 3.0), strict=True):
        assert (one["magnification"], one["marked_stop"], one["reason"]) == (m, 5.6, "")
        true = RESIDUAL_UM**2 + (m * BLUR_UM) ** 2
        assert one["excess"]["variance_um2"] == pytest.approx(true, rel=0.05)


def test_each_frame_of_several_is_as_it_is_alone(frames: tuple[Path, Path]) -> None:
    together = json.loads(run(*frames, "--json").stdout)
    assert together["target_edge"] is None
    for path, one in zip(frames, together["frames"], strict=True):
        alone = json.loads(run(path, "--json").stdout)
        assert alone == one
        assert list(alone) == [
            *("file", "rows", "columns", "clipped_percent", "flags", "reason", "slate"),
            *("exposure", "pixel_pitch_um", "magnification", "effective_f_number", "places"),
            *("of_diffraction", "of_diffraction_std", "likely_loss", "notes", "edges"),
        ]


def test_text_says_it_in_plain_words_within_80_columns(frames: tuple[Path, Path]) -> None:
    plain = run(*frames, *RIG[:2])
    result = run(*frames, "-m", 1, "-m", 3, "--stop", 5.6, *RIG)
    assert result.exit_code == 0
    # What the lens could do is known now; the frames' figures stay.
    figures = [line for line in plain.stdout.splitlines() if line.startswith("centre ")]
    assert len(figures) == 2
    shown = [line for line in result.stdout.splitlines() if line.startswith("centre ")]
    assert [line.rsplit(maxsplit=1)[0] for line in shown] == figures  # and the subject's
    assert "diffraction's MTF50 at effective f/11.9 (prediction" in " ".join(result.stdout.split())
    said = " ".join(result.stdout[result.stdout.index("The target's edge") :].split())
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    target = json.loads(run(*frames, "-m", 1, "-m", 3, "--stop", 5.6, *RIG, "--json").stdout)[
        "target_edge"
    ]
    assert f"Its own blur is {target['blur_um']:.2f} um (95 %: " in said
    assert f"It takes {100 * target['mtf_loss']:.1f} % (95 %: " in said
    assert "at 3x, f/5.6: above the limit of 5.0 %." in said
    assert "A.dng (1x, f/5.6): 1 edge, no raggedness beyond noise" in said
    assert "pupil-ratio" not in said
    assert "taken as 1" in run(*frames, "-m", 2, "--stop", 5.6, "--pitch", 4.35).stdout


def test_one_frame_gives_a_bound_and_one_value_serves_all(frames: tuple[Path, Path]) -> None:
    one = json.loads(run(frames[0], "-m", 1, "--stop", 5.6, *RIG, "--json").stdout)
    assert one["file"] == "A.dng"
    assert one["target_edge"]["blur_um"] is None
    everything = math.hypot(BLUR_UM, RESIDUAL_UM)
    assert one["target_edge"]["blur_upper95_um"] == pytest.approx(everything, rel=0.1)
    text = " ".join(run(frames[0], "-m", 1, "--stop", 5.6, *RIG).stdout.split())
    assert f"Its own blur is at most {one['target_edge']['blur_upper95_um']:.2f} um" in text
    assert f"no more than {100 * one['target_edge']['mtf_loss_high95']:.1f} % of the" in text
    # One frame has nothing against a straight edge, and says what would tell more.
    assert "%, within the limit of 5.0 %. Frames at a second magnification" in text
    assert "soft" not in text[text.index("The target's edge") :]
    both = json.loads(run(*frames, "-m", 2, "--stop", 5.6, *RIG, "--json").stdout)
    assert [f["magnification"] for f in both["target_edge"]["frames"]] == [2.0, 2.0]


def test_a_lens_at_its_limit_shows_that_a_target_serves(tmp_path: Path) -> None:
    # A perfect edge, at a magnification that makes little of a wrong pupil ratio.
    path = _write(tmp_path / "C.dng", 0.1, 4, exact_stop=16.0, residual_um=0.0, blur_um=0.0)
    said = " ".join(run(path, "-m", 0.1, "--stop", 16, *RIG).stdout.split())
    assert "at 0.1x, f/16, even if lens, focus and movement added nothing. Within the " in said
    assert "limit of 5.0 %: it serves." in said


def test_a_wrong_stop_is_said_and_gives_no_blur(frames: tuple[Path, Path]) -> None:
    result = run(frames[0], "-m", 1, "--stop", 64, *RIG)
    assert result.exit_code == 0
    said = " ".join(result.stdout.split())
    assert "its blur is left out: sharper than diffraction allows" in said
    assert "Its own blur" not in said


def test_a_frame_with_nothing_in_it_does_not_spoil_the_other(
    frames: tuple[Path, Path], tmp_path: Path
) -> None:
    blank = tmp_path / "blank.dng"
    write_dng(
        blank,
        np.random.default_rng(1).normal(6000, 40, (300, 400)).astype(np.uint16),
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=FrameMetadata(camera="Club body"),
        unique_camera_model="Club body",
    )
    result = run(frames[0], blank, "-m", 1, "--stop", 5.6, *RIG)
    assert result.exit_code == 0
    assert "Nothing to measure" in result.stdout
    assert "no edge of it could be measured" in " ".join(result.stdout.split())
    result = run(blank, blank, "-m", 1, "--stop", 5.6, *RIG, "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["target_edge"]["blur_upper95_um"] is None


@pytest.mark.parametrize(
    ("ragged_um", "std_um", "expected"),
    [
        # Exact: before a lens of 100 cycles per mm 1.2 um take 1 - exp(-2 (0.1 pi 1.2)**2) =
        # 24.7 %; the interval is that of 1.2 +- 1.96 x 0.1 um.
        (1.2, 0.1, "Its raggedness alone takes 24.7 % (95 %: 18.0 to 31.9), above the limit of"),
        # 0.1 + 1.96 x 0.05 um take 0.77 %; noise hides sqrt(3) x 0.1 um, which is less.
        (0.1, 0.05, "Its raggedness alone takes at most 0.8 %, within the limit of 5.0 %. Fra"),
        # Neither is sure.
        (1.2, 0.5, ""),
        (0.0, 0.5, ""),
        (None, None, ""),
    ],
)
def test_one_frame_speaks_of_raggedness_only_where_it_is_sure(
    capsys: pytest.CaptureFixture[str], ragged_um: float, std_um: float, expected: str
) -> None:
    frame = FrameTarget(
        file="A.dng",
        magnification=1.5,
        marked_stop=8.0,
        effective_f_number=21.3,
        edges=4,
        raggedness_object_um=ragged_um,
        raggedness_std_um=std_um,
        excess=ExcessBlur(variance_um2=7.0, variance_std_um2=0.5, per_prediction_um2=3.0),
        diffraction_mtf50_object_cyc_per_mm=100.0,
    )
    blur = TargetBlur(blur_upper95_um=1.9)
    print_target(TargetEstimate(frames=(frame,), blur=blur, judged=frame, mtf_loss_high95=0.51))
    said = " ".join(capsys.readouterr().out.split())
    assert "at most 1.90 um (95 %, standard deviation): no more than 51.0 % of the" in said
    assert "Frames at a second magnification, same stop and best focus" in said
    assert expected in said
    assert ("Its raggedness alone" in said) == bool(expected)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--pitch", "4350"], "--pitch 4350: pixels are 0.5 to 50 um"),
        (["-m", "-1"], "--magnification -1"),
        (["--stop", "0"], "--stop 0"),
        (["--pupil-ratio", "nan"], "--pupil-ratio nan"),
        (
            ["-m", "1", "--stop", "5.6", "--pitch", "4350"],
            "--pitch 4350: pixels are 0.5 to 50 um",
        ),
        (["-m", "1", "--stop", "5.6", "--pitch", "nan"], "--pitch nan"),
        (["-m", "0", "--stop", "5.6", "--pitch", "4.35"], "--magnification 0"),
        (["-m", "nan", "--stop", "5.6", "--pitch", "4.35"], "--magnification nan"),
        (["-m", "1", "--stop", "-8", "--pitch", "4.35"], "--stop -8"),
        (["-m", "1", "--stop", "inf", "--pitch", "4.35"], "--stop inf"),
        (
            ["-m", "1", "--stop", "8", "--pitch", "4.35", "--pupil-ratio", "0"],
            "--pupil-ratio 0: give a number above zero",
        ),
        (
            ["-m", "1", "-m", "2", "-m", "3", "--stop", "8", "--pitch", "4.35"],
            "--magnification: given 3 times for 2 frames",
        ),
        (
            ["-m", "1", *["--stop", "8"] * 3, "--pitch", "4.35"],
            "--stop: given 3 times for 2 frames",
        ),
    ],
)
def test_options_that_do_not_fit_are_refused(
    frames: tuple[Path, Path], options: list[str], said: str
) -> None:
    result = run(*frames, *options)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("stopwise: ")
    assert said in result.stderr


def test_an_unreadable_second_frame_costs_itself_alone(
    frames: tuple[Path, Path], tmp_path: Path
) -> None:
    result = run(frames[0], tmp_path / "gone.dng")
    alone = run(frames[0])
    assert (result.exit_code, alone.exit_code) == (2, 0)
    assert result.stdout == alone.stdout
    assert "gone.dng: there is no such file." in result.stderr
