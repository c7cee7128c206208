"""``stopwise inspect``: one screen that says what took a frame's sharpness.

Recovery: frames with one known fault, drawn and written as raw files, and whether the
command names it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from typer.testing import CliRunner, Result

from lab.cli.main import app
from lab.edges.types import FloatArray
from lab.frames import FrameMetadata
from lab.frames.dng import write_dng
from lab.optics.edge_profile import EdgeProfile
from lab.optics.geometry import effective_f_number
from lab.optics.pupil import aberrated_otf
from lab.optics.sensor import pixel_mtf

SHAPE, SIDE_PX = (560, 780), 104
MAGNIFICATION, STOP, PITCH_UM, PUPIL_RATIO = 1.5, 8.0, 4.35, 0.9
RIG = ("-m", MAGNIFICATION, "--stop", STOP, "--pitch", PITCH_UM, "--pupil-ratio", PUPIL_RATIO)
N_EFF = float(effective_f_number(STOP, MAGNIFICATION, PUPIL_RATIO))
D_PX = 0.53 * N_EFF / PITCH_UM
GRID_PX = np.arange(-1000, 1000, 0.02)  # linear between: error below 1e-5 of the step
TURNS_DEG = (5.0, 37.0)  # squares in turn: edges of four directions


@lru_cache(maxsize=64)
def run(*arguments: object) -> Result:
    result = CliRunner().invoke(
        app, ["inspect", *(str(a) for a in arguments)], env={"COLUMNS": "80"}
    )
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def everywhere_in_focus(x: int) -> float:
    return 0.0


@lru_cache(maxsize=8)
def squares(
    *,
    waves: Callable[[int], float] = everywhere_in_focus,
    move_px: float = 0.0,
    move_deg: float = 0.0,
    ragged_px: float = 0.0,
) -> FloatArray:
    """Light from 0 to 1: nine dark squares, each edge with its own exact profile."""
    rows, cols = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float64)
    light = np.ones(SHAPE)
    rng = np.random.default_rng(11)
    for k, (y, x) in enumerate((y, x) for y in (-1, 0, 1) for x in (-1, 0, 1)):
        down = rows - (SHAPE[0] - 1) / 2 - 0.32 * y * SHAPE[0]
        right = cols - (SHAPE[1] - 1) / 2 - 0.32 * x * SHAPE[1]
        dark = np.ones(SHAPE)
        for side in range(4):
            angle = TURNS_DEG[k % 2] + 90 * side
            cos, sin = math.cos(math.radians(angle)), math.sin(math.radians(angle))
            along = move_px * math.cos(math.radians(move_deg - angle))

            def transfer(
                f: FloatArray, along: float = along, angle: float = angle, x: int = x
            ) -> FloatArray:
                blur = aberrated_otf(f * D_PX, waves(x)) * np.sinc(f * along)
                return np.asarray(blur * pixel_mtf(f, angle))

            distance = right * cos + down * sin - SIDE_PX / 2
            if ragged_px:
                contour = gaussian_filter1d(rng.standard_normal(1600), 1.5)
                contour *= ragged_px / contour.std()
                distance += np.interp(down * cos - right * sin, np.arange(-800, 800), contour)
            dark *= 1 - np.interp(distance, GRID_PX, EdgeProfile(transfer, 1 / D_PX)(GRID_PX))
        light -= dark
    return light


def write(
    path: Path,
    *,
    high: float = 9000.0,
    read: float = 4.0,
    slope_x: float = 0.0,
    **scene: Any,
) -> Path:
    rng = np.random.default_rng(8)
    level = 300 + (high - 300) * squares(**scene)
    level *= 1 + slope_x * np.linspace(-1, 1, SHAPE[1])
    level *= np.tile([[0.62, 1.0], [1.0, 0.71]], (SHAPE[0] // 2, SHAPE[1] // 2))
    level += np.sqrt(read**2 + 0.3 * level) * rng.standard_normal(SHAPE)
    write_dng(
        path,
        np.clip(level + 512, 0, 16383).round().astype(np.uint16),
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=FrameMetadata(camera="Club body"),
        unique_camera_model="Club body",
    )
    return path


SCENES: Mapping[str, Mapping[str, Any]] = {
    "sharp": {},
    "defocused": {"waves": lambda x: 0.45},
    "tilted": {"waves": lambda x: 0.25 * (x + 1)},
    "moved": {"move_px": 3.0, "move_deg": 28.0},
    "noisy": {"high": 1400.0, "read": 130.0},
    "clipped": {"high": 17_500.0},
    "ragged": {"ragged_px": 0.9},
    "lopsided": {"slope_x": 0.3},
}


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("frames")
    return {name: write(folder / f"{name}.dng", **scene) for name, scene in SCENES.items()}


@pytest.mark.parametrize(
    ("name", "cause", "options"),
    [
        ("sharp", None, ()),
        ("sharp", None, RIG),
        ("defocused", "focus", ()),
        ("defocused", "focus", RIG),
        ("tilted", "focus", ()),
        ("moved", "movement", ()),
        ("noisy", "exposure", ()),
        ("clipped", "exposure", ()),
        ("ragged", "target", ()),
    ],
)
def test_the_fault_is_named(
    frames: dict[str, Path], name: str, cause: str | None, options: tuple[object, ...]
) -> None:
    result = run(frames[name], *options, "--most", 20, "--json")
    assert result.exit_code == (1 if name == "clipped" else 0)
    seen = json.loads(result.stdout)
    found = [one["name"] for one in seen["likely_loss"]]
    assert found[:1] == ([] if cause is None else [cause])
    first = seen["likely_loss"][0] if found else {}
    if name == "defocused":
        assert first["defocus_waves"] == pytest.approx(0.45, abs=0.06)
    if name == "tilted":
        assert "the right is" in first["evidence"][0]
    if name == "moved":
        assert first["movement_px"] == pytest.approx(3.0, rel=0.05)
        assert first["movement_deg"] == pytest.approx(28, abs=3)
    if name == "noisy":
        assert seen["exposure"]["advice_stops"] > 2
        assert "underexposed" in seen["exposure"]["flags"]
    if name == "ragged":
        ragged = [edge["raggedness_px"] for edge in seen["edges"] if edge["raggedness_px"]]
        assert 0.3 < np.median(ragged) < 0.9  # of what is finer than the blur less shows
    if name == "sharp" and options:
        # The simulator's light is one wavelength and so is the prediction.
        assert seen["of_diffraction"] == pytest.approx(1, abs=0.02)
        assert seen["of_diffraction_std"] == pytest.approx(0.04, abs=0.01)


def test_one_screen_of_80_columns(frames: dict[str, Path]) -> None:
    for name in ("moved", "ragged", "lopsided"):
        lines = run(frames[name]).stdout.splitlines()
        assert max(map(len, lines)) <= 80, name
        assert len(lines) <= 24, name


def test_the_screen_of_a_moved_frame(frames: dict[str, Path]) -> None:
    lines = run(frames["moved"]).stdout.splitlines()
    assert lines[0] == "moved.dng: 780 x 560 px, raw mosaic, 0.0 % clipped"
    assert lines[1].startswith("Exposure: green brightest, 0.8 stops below clipping; step ")
    places = [line.split("  ")[0] for line in lines]
    top = places.index("centre")
    assert places[top : top + 9] == [
        *("centre", "top left", "top", "top right", "left", "right"),
        *("bottom left", "bottom", "bottom right"),
    ]
    said = " ".join(" ".join(lines[top + 9 :]).split())
    assert "Likely loss: points to movement (or astigmatism), about" in said
    assert "px along 28 deg" in said or "px along 27 deg" in said or "px along 29 deg" in said
    assert "Mend: Flash" in said


def test_places_hold_the_means_of_their_edges(frames: dict[str, Path]) -> None:
    seen = json.loads(run(frames["moved"], "--most", 20, "--json").stdout)
    assert sum(place["edges"] for place in seen["places"]) == len(seen["edges"])
    for place in seen["places"]:
        ways = [value for value, _ in place["by_direction"].values()]
        assert place["mtf50_cyc_per_px"] == pytest.approx(np.mean(ways))
        assert 0 < place["mtf50_std"] < 0.1 * place["mtf50_cyc_per_px"]


def test_uneven_light_is_said_with_its_side(frames: dict[str, Path]) -> None:
    said = " ".join(run(frames["lopsided"]).stdout.split())
    assert "right 0.7 stops brighter than the other side. Too uneven" in said


def test_clipped_channels_are_named_with_the_mend(frames: dict[str, Path]) -> None:
    result = run(frames["clipped"], "--most", 7)
    assert result.exit_code == 1
    said = " ".join(result.stdout.split())
    assert "Exposure: clipped: green" in said
    assert "Advice: lower it by 1.0 stops" in said
    assert " red " not in said


def test_edges_lists_every_edge_as_well(frames: dict[str, Path]) -> None:
    plain = run(frames["sharp"], "--most", 7).stdout
    listed = run(frames["sharp"], "--most", 7, "--edges").stdout
    assert listed.startswith(plain)
    table = listed[len(plain) :].splitlines()
    assert table[0].startswith("edge at x, y")
    assert len([line for line in table if "," in line.split("  ")[0]]) == 8


def test_the_stop_tells_how_much_there_was_to_lose(frames: dict[str, Path]) -> None:
    said = " ".join(run(frames["defocused"], *RIG, "--most", 7).stdout.split())
    assert f"of diffraction's MTF50 at effective f/{N_EFF:.3g} (prediction uncertain by" in said
    rig = ("-m", 4, "--stop", 16, "--pitch", 4.35)
    wrong = " ".join(run(frames["sharp"], *rig, "--most", 7).stdout.split())
    assert "Sharper than diffraction allows" in wrong
    assert "Likely loss" not in wrong
