"""Rendered frames: exact profiles and levels, noise statistics, signs, bad input."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab.edges.types import FloatArray, NoiseModel
from lab.frames.frame import CHANNELS
from lab.optics.edge_profile import EdgeProfile
from lab.simulate.render import mean_frame, render_edge, render_frame
from lab.simulate.rig import SimulatedRig, channel_transfer, cutoff_cyc_per_px
from targets.layout import Field, Mark, Square

RIG = SimulatedRig(n_rows=400, n_cols=600, tilt_x_deg=0.4, tilt_y_deg=-0.3, rotation_deg=1.2)
PLAIN = replace(RIG, tilt_x_deg=0.0, tilt_y_deg=0.0, rotation_deg=0.0, centre_shift_px=(0.0, 0.0))
SQUARES = (
    Square(name="a", centre_mm=(-0.31, -0.14), side_mm=0.22, rotation_deg=5.3),
    Square(name="b", centre_mm=(0.24, 0.09), side_mm=0.22, rotation_deg=-7.1),
)
SITES = {"red": [(0, 0)], "green": [(0, 1), (1, 0)], "blue": [(1, 1)]}


def make_field(squares: tuple[Square, ...] = (), marks: tuple[Mark, ...] = ()) -> Field:
    return Field(
        name="test",
        magnification_low=2.0,
        magnification_high=2.0,
        width_mm=1.3,
        height_mm=0.87,
        squares=squares,
        marks=marks,
        code_text="test",
    )


def profile_at(rig: SimulatedRig, channel: str, stop: float, shift_um: float, angle_deg: float):
    setting = {"magnification": 2.0, "stop": stop, "channel": channel}
    return EdgeProfile(
        channel_transfer(rig, focus_shift_um=shift_um, edge_angle_deg=angle_deg, **setting),
        cutoff_cyc_per_px(rig, **setting),
    )


def darkness(
    rig: SimulatedRig, squares: tuple[Square, ...], channel: str, stop: float, offset_um: float
) -> FloatArray:
    """Sum over squares of the products of strips, from the squares' outlines in mm."""
    row, col = np.mgrid[0 : rig.n_rows, 0 : rig.n_cols].astype(float)
    px_per_mm = 2000 / 4.35 * (1 + rig.lateral_colour[CHANNELS.index(channel)])
    right = (col - (rig.n_cols - 1) / 2 - rig.centre_shift_px[0]) / px_per_mm
    down = (row - (rig.n_rows - 1) / 2 - rig.centre_shift_px[1]) / px_per_mm
    turn = np.deg2rad(rig.rotation_deg)  # clockwise as seen, rows going down
    x = right * np.cos(turn) + down * np.sin(turn)
    y = -right * np.sin(turn) + down * np.cos(turn)
    total = np.zeros_like(row)
    for square in squares:
        outside = {}
        for edge in square.edges():
            middle = np.mean([edge.start_mm, edge.end_mm], axis=0)
            distance_mm = (x - middle[0]) * edge.normal[0] + (y - middle[1]) * edge.normal[1]
            shift_um = rig.shift_from_object_um(2.0, offset_um, *middle)
            angle = np.rad2deg(np.arctan2(edge.normal[1], edge.normal[0])) + rig.rotation_deg
            profile = profile_at(rig, channel, stop, shift_um, float(angle))
            outside[edge.name] = profile(distance_mm * px_per_mm)
        total += (1 - outside["left"] - outside["right"]) * (1 - outside["top"] - outside["bottom"])
    return total


@pytest.mark.parametrize(("stop", "offset_um"), [(2.83, -190.0), (4.0, -20.0), (22.0, 30.0)])
def test_edges_follow_the_exact_profile_tails_and_all(stop: float, offset_um: float) -> None:
    rig = replace(RIG, corner_shading=0.0, dark_share=0.0)
    frame = mean_frame(
        rig, make_field(SQUARES), magnification=2.0, stop=stop, focus_offset_object_um=offset_um
    )
    for channel, sites in SITES.items():
        expected = darkness(rig, SQUARES, channel, stop, offset_um)
        level = 0.7 * (16383 - 512) * rig.sensitivity[CHANNELS.index(channel)]
        for row, col in sites:
            got = 1 - frame[row::2, col::2] / level
            # Half the share of 3e-4 beyond which tails are coarse, and 1e-4 for the tables.
            assert got == pytest.approx(np.minimum(expected[row::2, col::2], 1), abs=2.5e-4)


def test_profile_across_the_middle_of_an_edge() -> None:
    # Sharp lens: 40 px inside the square's ends the other pair of edges is worth a constant.
    rig = replace(PLAIN, corner_shading=0.0, dark_share=0.0)
    square = Square(name="a", centre_mm=(0.0, 0.0), side_mm=0.44, rotation_deg=0.0)
    frame = mean_frame(
        rig, make_field((square,)), magnification=2.0, stop=4.0, focus_offset_object_um=-50.0
    )
    half_px = 0.22 * 2000 / 4.35
    profile = profile_at(rig, "green", 4.0, 4 * -50.0, 0.0)
    row = 200
    cols = np.arange(300 + 21, 600, 2)
    x = cols - 299.5
    strip = 1 - profile(x - half_px) - profile(-x - half_px)
    along = 1 - profile([0.5 - half_px, -0.5 - half_px]).sum()
    got = 1 - frame[row, cols] / (0.7 * (16383 - 512))
    assert got == pytest.approx(strip * along, abs=1e-4)
    assert got[0] > 0.98
    assert 1e-4 < got[-1] < 3e-3  # the tail is there, 200 px out


def test_levels_without_noise() -> None:
    rig = replace(PLAIN, corner_shading=0.2, dark_share=0.05, exposure=0.5)
    clear = mean_frame(rig, make_field(), magnification=2.0, stop=4.0, focus_offset_object_um=0.0)
    full_dn = 0.5 * (16383 - 512)
    assert clear[200, 299] == pytest.approx(full_dn, rel=1e-4)
    assert clear[200, 300] == pytest.approx(full_dn * 0.62, rel=1e-4)
    assert clear[199, 299] == pytest.approx(full_dn * 0.71, rel=1e-4)
    # Corners lose 20 %; halfway along the columns 600 / hypot(400, 600) of it, squared.
    assert clear[0, 0] == pytest.approx(full_dn * 0.62 * 0.8, rel=1e-6)
    assert clear[0, -1] == pytest.approx(full_dn * 0.8, rel=1e-6)
    assert clear[200, 1] < clear[200, 299]
    dark = mean_frame(
        rig,
        make_field((Square(name="a", centre_mm=(0.0, 0.0), side_mm=0.6, rotation_deg=3.0),)),
        magnification=2.0,
        stop=2.83,
        focus_offset_object_um=-170.0,
    )
    # Tails of edges 138 px away still lift the middle: 4 x 0.0645 lambda N / x at most.
    lift = 4 * 0.0645 * 0.53 * rig.effective_f_number(2.0, 2.83) / 4.35 / 138
    assert 0.05 < dark[200, 299] / full_dn < 0.05 + 1.1 * lift


def test_marks_are_dark_where_they_should_be() -> None:
    bar = Mark(role="scale", polygon_mm=((0.1, 0.1), (0.3, 0.1), (0.3, 0.16), (0.1, 0.16)))
    turns = 2 * np.pi * np.arange(48) / 48
    disc = Mark(
        role="orientation",
        polygon_mm=tuple((-0.3 + 0.06 * np.cos(t), -0.2 + 0.06 * np.sin(t)) for t in turns),
    )
    off_frame = Mark(role="text", polygon_mm=((0.6, 0.4), (0.7, 0.4), (0.7, 0.5)))
    rig = replace(PLAIN, corner_shading=0.0, dark_share=0.0, sensitivity=(1.0, 1.0, 1.0))
    frame = mean_frame(
        rig,
        make_field(marks=(bar, disc, off_frame)),
        magnification=2.0,
        stop=5.6,
        focus_offset_object_um=0.0,
    )
    got = 1 - frame / (0.7 * (16383 - 512))
    px_per_mm = 2000 / 4.35
    assert got[199 - 92, 299 - 138] == pytest.approx(1.0, abs=1e-3)  # the disc's centre
    assert got[199 + 60, 299 + 92] == pytest.approx(1.0, abs=1e-3)  # the bar's
    assert got[199 + 92, 299 - 138] == pytest.approx(0.0, abs=1e-6)
    # Blur moves darkness about but keeps its sum: the shapes' areas.
    assert got[:200, :300].sum() == pytest.approx(np.pi * 0.06**2 * px_per_mm**2, rel=0.01)
    assert got[200:380, 300:560].sum() == pytest.approx(0.2 * 0.06 * px_per_mm**2, rel=0.01)


def test_tilted_target_is_sharp_on_the_side_that_is_in_focus() -> None:
    # Receding to the right, the target's right square needs a negative offset.
    rig = replace(PLAIN, tilt_x_deg=15.0, spherical_um=0.0)
    squares = tuple(
        Square(name=name, centre_mm=(x, 0.0), side_mm=0.2, rotation_deg=5.0)
        for name, x in (("left", -0.35), ("right", 0.35))
    )
    height_um = 350 * np.tan(np.deg2rad(15.0))
    grey = {}
    for offset_um in (-height_um, height_um):
        frame = mean_frame(
            rig,
            make_field(squares),
            magnification=2.0,
            stop=2.83,
            focus_offset_object_um=offset_um,
        )
        green = frame[0::2, 1::2] / frame[0::2, 1::2].max()
        between = (green > 0.2) & (green < 0.8)
        grey[offset_um] = between[:, :150].sum(), between[:, 150:].sum()
    left, right = grey[-height_um]
    assert left > 3 * right
    left, right = grey[height_um]
    assert right > 3 * left


def test_noise_recovers_gain_and_read_noise() -> None:
    # 24 pairs of clear frames at rising exposure: variance against mean is a line.
    mean, variance = [], []
    rng = np.random.default_rng(11)
    for exposure in np.geomspace(0.002, 0.8, 24):
        rig = replace(PLAIN, corner_shading=0.0, exposure=exposure, electrons_per_dn=2.5)
        one, two = (
            render_frame(
                rig,
                make_field(),
                magnification=2.0,
                stop=4.0,
                focus_offset_object_um=0.0,
                rng=rng,
            )[0::2, 0::2].astype(float)
            for _ in range(2)
        )
        mean.append((one.mean() + two.mean()) / 2 - 512)
        variance.append((one - two).var() / 2)
    weight = 1 / np.array(variance)  # a variance is known to a constant share of itself
    gain, read_variance = np.polyfit(mean, variance, 1, w=weight)
    # 60000 pixels a pair: each variance to 0.6 %, the line to better than that.
    assert gain == pytest.approx(1 / 2.5, rel=0.01)
    assert np.sqrt(read_variance) == pytest.approx(rig.noise.read_std, rel=0.02)
    assert rig.noise.read_std == pytest.approx(np.hypot(4.5 / 2.5, 12**-0.5))


def test_few_electrons_are_poisson() -> None:
    rig = replace(
        PLAIN,
        corner_shading=0.0,
        read_noise_electrons=0.0,
        electrons_per_dn=1.0,
        exposure=4 / (16383 - 512),
    )
    frame = render_frame(
        rig,
        make_field(),
        magnification=2.0,
        stop=4.0,
        focus_offset_object_um=0.0,
        rng=np.random.default_rng(3),
    )
    green = frame[0::2, 1::2].astype(float) - 512
    n = green.size
    assert green.mean() == pytest.approx(4, abs=4 * 2 / n**0.5)
    # Third central moment of a Poisson distribution is its mean; a Gaussian's is 0.
    assert ((green - green.mean()) ** 3).mean() == pytest.approx(4, rel=0.1)


def test_full_scale_clips_and_black_stays() -> None:
    rig = replace(RIG, exposure=1.4, dark_share=0.0)
    frame = render_frame(
        rig,
        make_field(SQUARES),
        magnification=2.0,
        stop=4.0,
        focus_offset_object_um=-70.0,
        rng=np.random.default_rng(1),
    )
    assert frame.dtype == np.uint16
    assert frame.max() == 16383
    assert (frame == 16383).mean() > 0.3
    assert 512 - 10 < frame.min() < 512 + 159  # tails lift the dark by less than 1 %


def test_same_seed_same_frame() -> None:
    def shoot(seed: int) -> np.ndarray:
        return render_frame(
            RIG,
            make_field(SQUARES),
            magnification=2.0,
            stop=8.0,
            focus_offset_object_um=0.0,
            rng=np.random.default_rng(seed),
        )

    assert np.array_equal(shoot(5), shoot(5))
    assert not np.array_equal(shoot(5), shoot(6))


@pytest.mark.parametrize(
    "change",
    [{"magnification": 0.0}, {"stop": 1.4}, {"focus_offset_object_um": float("nan")}],
)
def test_bad_setting_is_refused(change: dict[str, float]) -> None:
    setting = {"magnification": 2.0, "stop": 4.0, "focus_offset_object_um": 0.0} | change
    with pytest.raises(ValueError, match="must"):
        render_frame(RIG, make_field(SQUARES), rng=np.random.default_rng(0), **setting)


PROFILE = EdgeProfile(lambda f: np.maximum(1 - f / 0.4, 0), 0.4)


@pytest.mark.parametrize("angle_deg", [4.0, 93.0, -171.0])
def test_edge_region_follows_its_profile(angle_deg: float) -> None:
    got = render_edge(
        (60, 81), angle_deg=angle_deg, profile=PROFILE, low=30.0, high=900.0, position_px=2.3
    )
    normal = np.array([np.sin(np.deg2rad(angle_deg)), np.cos(np.deg2rad(angle_deg))])
    for row, col in [(0, 0), (17, 44), (29, 40), (59, 80)]:
        distance = np.dot(normal, [row - 29.5, col - 40.0]) - 2.3
        assert got[row, col] == pytest.approx(30 + 870 * float(PROFILE(distance)), abs=1e-9)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0])
def test_bent_edge_departs_by_its_sagitta(angle_deg: float) -> None:
    got = render_edge(
        (81, 81), angle_deg=angle_deg, profile=PROFILE, low=0.0, high=1.0, sagitta_px=3.0
    )
    lines = got if angle_deg == 0 else got.T
    at = np.array([np.interp(0.5, line, np.arange(81) - 40.0) for line in lines[[40, 0, 80]]])
    # 40 of the 40.5 px to the region's end.
    assert at == pytest.approx([0.0, 3 * (40 / 40.5) ** 2, 3 * (40 / 40.5) ** 2], abs=0.02)


def test_edge_noise_has_the_model_variance() -> None:
    noise = NoiseModel(read_std=3.0, gain=0.25)
    setting = {"angle_deg": 5.0, "profile": PROFILE, "low": 40.0, "high": 4000.0}
    clean = render_edge((200, 200), **setting)
    noisy = render_edge((200, 200), noise=noise, rng=np.random.default_rng(2), **setting)
    scaled = (noisy - clean) / np.sqrt(noise.variance(clean))
    for part in (scaled[:, :80], scaled[:, 120:]):
        assert part.std() == pytest.approx(1.0, abs=4 / (2 * part.size) ** 0.5)
    with pytest.raises(ValueError, match="rng"):
        render_edge((20, 20), noise=noise, **setting)


@pytest.mark.parametrize(
    "change", [{"shape": (0, 9)}, {"angle_deg": float("nan")}, {"high": float("inf")}]
)
def test_bad_edge_is_refused(change: dict[str, object]) -> None:
    setting = {"shape": (9, 9), "angle_deg": 5.0, "low": 0.0, "high": 1.0} | change
    with pytest.raises(ValueError, match="must"):
        render_edge(setting.pop("shape"), profile=PROFILE, **setting)
