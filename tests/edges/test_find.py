"""Recovery: edges of known place and direction; frames with nothing to find."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from lab.edges.find import find_edges
from lab.edges.types import EdgeRegion, Rejection
from lab.edges.window import region_inside
from lab.frames.frame import Frame

SHAPE = (480, 640)
OFFSET = 7.3  # of the blade from the frame's centre, along its normal [px]
RGGB = np.array([[0, 1], [1, 2]], np.int8)
SENSITIVITY = np.array([0.5, 1.0, 0.7])  # invented


def frame(scene: npt.NDArray[np.float64], *, seed: int | None, mosaic: bool = True) -> Frame:
    """Scene [DN] seen by a mosaic or three planes, with shot and read noise (invented)."""
    n_row, n_col = scene.shape
    if mosaic:
        sites = np.tile(SENSITIVITY[RGGB], (n_row // 2 + 1, n_col // 2 + 1))[:n_row, :n_col]
        pixels = scene * sites
    else:
        pixels = scene[:, :, np.newaxis] * SENSITIVITY
    if seed is not None:
        rng = np.random.default_rng(seed)
        pixels = pixels + rng.normal(size=pixels.shape) * np.sqrt(9 + np.maximum(pixels, 0))
    return Frame(
        path=Path("invented.dng"),
        pixels=pixels.astype(np.float32),
        pattern=RGGB if mosaic else np.zeros((0, 0), np.int8),
        saturated=np.zeros(scene.shape, np.bool_),
        white_dn=4000.0,
    )


def blade(
    angle_deg: float,
    *,
    blur_px: float,
    dark: float = 200.0,
    bright: float = 2000.0,
    shading: float = 0.3,
    shape: tuple[int, int] = SHAPE,
) -> npt.NDArray[np.float64]:
    """One Gaussian-blurred edge across the frame, light falling off towards the corners."""
    row = np.arange(shape[0])[:, np.newaxis] - (shape[0] - 1) / 2
    col = np.arange(shape[1]) - (shape[1] - 1) / 2
    angle = np.radians(angle_deg)
    x = row * np.sin(angle) + col * np.cos(angle) - OFFSET
    edge = dark + (bright - dark) * ndtr(x / blur_px)
    return np.asarray(edge * (1 - shading * (row**2 + col**2) / (row[0] ** 2 + col[0] ** 2)))


def miss(region: EdgeRegion, angle_deg: float) -> tuple[float, float]:
    """Error of direction [deg] and of position along the normal [px]."""
    angle = np.radians(angle_deg)
    row = region.centre_row - (SHAPE[0] - 1) / 2
    col = region.centre_col - (SHAPE[1] - 1) / 2
    turn = (region.angle_deg - angle_deg + 180) % 360 - 180
    return abs(turn), abs(row * np.sin(angle) + col * np.cos(angle) - OFFSET)


def found(frame: Frame, *, most: int = 40) -> tuple[EdgeRegion, ...]:
    result = find_edges(frame, most=most)
    assert not isinstance(result, Rejection), result.reason
    for region in result:
        assert region_inside(region, frame.shape)
        assert region.length_px >= 40
        assert -180 < region.angle_deg <= 180
    return result


@pytest.mark.parametrize("angle", [*range(0, 360, 15), 93, 273])
def test_a_blade_is_found_in_every_direction(angle: int) -> None:
    regions = found(frame(blade(angle, blur_px=1.5), seed=angle))
    assert regions[0].length_px > 300
    for region in regions:
        turn, away = miss(region, angle)
        assert turn < 0.3
        assert away < 0.3


@pytest.mark.parametrize("angle", [3, 48, 138, 227])
@pytest.mark.parametrize("blur_px", [0.4, 6.0, 15.6])  # 10 to 90 %: 1, 15 and 40 px
def test_a_blade_is_found_at_every_blur(angle: int, blur_px: float) -> None:
    regions = found(frame(blade(angle, blur_px=blur_px), seed=angle, mosaic=False))
    for region in regions:
        turn, away = miss(region, angle)
        assert turn < 1.0
        assert away < 1.0
    assert regions[0].half_width_px > 2 * blur_px


@pytest.mark.parametrize(("contrast", "length"), [(0.5, 300), (0.1, 80)])
def test_weak_edges_stand_out_of_the_noise(contrast: float, length: float) -> None:
    scene = blade(33, blur_px=2, dark=1000 * (1 - contrast), bright=1000)
    region = found(frame(scene, seed=1))[0]
    assert region.length_px > length
    assert miss(region, 33) == pytest.approx((0, 0), abs=1.0)


def test_a_long_edge_comes_in_pieces_that_share_no_part() -> None:
    shape = (300, 2600)
    regions = found(frame(blade(88, blur_px=2, shape=shape), seed=4))
    assert all(region.length_px <= 1024 for region in regions)
    ends = sorted((r.centre_col - r.length_px / 2, r.centre_col + r.length_px / 2) for r in regions)
    assert sum(r.length_px for r in regions) > 2100
    for (_, stop), (start, _) in pairwise(ends):
        assert start > stop - 4  # the edge is tilted by 2 degrees against the columns


def test_both_sides_of_a_bar_and_its_width_are_seen() -> None:
    scene = np.full(SHAPE, 2000.0)
    scene[:, 300:350] = 200
    left, right = sorted(
        found(frame(gaussian_filter(scene, 1.5), seed=5)), key=lambda r: r.centre_col
    )
    assert (left.centre_col, right.centre_col) == pytest.approx((299.5, 349.5), abs=0.5)
    assert abs(left.angle_deg) == pytest.approx(180, abs=0.3)  # bright to the left
    assert right.angle_deg == pytest.approx(0, abs=0.3)
    for region in (left, right):
        assert 25 < region.half_width_px < 50  # not beyond the other side of the bar


def test_edges_come_best_first_and_no_more_than_asked_for() -> None:
    scene = np.full(SHAPE, 1000.0)
    for i, side in enumerate((60, 160, 110)):
        scene[100 : 100 + side, 40 + 200 * i : 40 + 200 * i + side] = 300
    regions = found(frame(gaussian_filter(scene, 1.5), seed=6))
    lengths = [region.length_px for region in regions]
    assert len(regions) == 12
    assert lengths == sorted(lengths, reverse=True)
    assert len(found(frame(gaussian_filter(scene, 1.5), seed=6), most=3)) == 3


def test_a_pattern_of_six_by_six_does_not_matter() -> None:
    scene = frame(blade(23, blur_px=2), seed=7)
    six = Frame(
        path=scene.path,
        pixels=scene.pixels,
        pattern=np.tile(RGGB, (3, 3)),
        saturated=scene.saturated,
        white_dn=scene.white_dn,
    )
    assert miss(found(six)[0], 23) == pytest.approx((0, 0), abs=0.5)


@pytest.mark.parametrize("level", [1000.0, 8.0])
def test_a_flat_frame_is_called_uniform(level: float) -> None:
    for seed in (None, 8):
        result = find_edges(frame(np.full(SHAPE, level), seed=seed))
        assert isinstance(result, Rejection)
        assert "nearly uniform" in result.reason


@pytest.mark.parametrize("seed", range(6))
def test_noise_and_shading_alone_give_no_edge(seed: int) -> None:
    rng = np.random.default_rng(seed)
    row, col = np.indices(SHAPE)
    shaded = 1500 - 1200 * np.hypot(row - 240, col - 320) / 400
    rough = shaded * (1 + 0.3 * rng.normal(size=SHAPE))
    result = find_edges(frame(rough, seed=None))
    assert isinstance(result, Rejection)
    assert "no straight edge at least 40 px long" in result.reason


def test_a_disc_has_no_straight_edge() -> None:
    row, col = np.indices(SHAPE)
    scene = np.where(np.hypot(row - 240, col - 320) < 170, 200.0, 2000.0)
    assert isinstance(find_edges(frame(gaussian_filter(scene, 1.5), seed=9)), Rejection)


@pytest.mark.parametrize("grain_px", [1.0, 4.0, 12.0])
def test_texture_gives_an_answer_and_no_long_edge(grain_px: float) -> None:
    grain = gaussian_filter(np.random.default_rng(10).normal(size=SHAPE), grain_px)
    result = find_edges(frame(1000 + 300 * grain / grain.std(), seed=10))
    if not isinstance(result, Rejection):
        assert max(region.length_px for region in result) < 100


@pytest.mark.parametrize("scene", [np.zeros(SHAPE), np.zeros((41, 60)), np.zeros((39, 600))])
def test_empty_and_small_frames_are_rejected(scene: npt.NDArray[np.float64]) -> None:
    assert isinstance(find_edges(frame(scene, seed=None)), Rejection)


@pytest.mark.parametrize("most", [0, -1])
def test_bad_input(most: int) -> None:
    with pytest.raises(ValueError, match="most"):
        find_edges(frame(np.zeros(SHAPE), seed=None), most=most)
