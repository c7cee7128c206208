"""What took a frame's sharpness: edges with a known cause, and whether it is named.

Recovery throughout, but where a test says exact. Edges are drawn as figures: a known
transfer function per direction and place, MTF50 solved from it, noise added to both.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from numpy.testing import assert_allclose

from lab.edges.loss import FrameLoss, likely_loss
from lab.edges.loss_evidence import EdgeFigures, blur_shape, common_movement
from lab.edges.types import FloatArray
from lab.optics.pupil import aberrated_otf, clear_pupil_mtf
from lab.optics.sensor import pixel_mtf
from lab.optics.system import crossing

F = np.linspace(0, 1, 101)
D_PX = 2.3  # wavelength times f-number
UPRIGHT, OBLIQUE = (5.0, 95.0), (5.0, 95.0, 38.0, 128.0)
Lens = Callable[[FloatArray, float, float, float], FloatArray]  # f, normal, x, y


def in_focus(f: FloatArray, angle: float, x: float, y: float) -> FloatArray:
    return clear_pupil_mtf(f * D_PX)


def defocused(waves: Callable[[float, float], float]) -> Lens:
    return lambda f, angle, x, y: np.abs(aberrated_otf(f * D_PX, waves(x, y)))


def moved(lens: Lens, length: float, axis: float) -> Lens:
    def transfer(f: FloatArray, angle: float, x: float, y: float) -> FloatArray:
        along = length * math.cos(math.radians(axis - angle))
        return np.asarray(lens(f, angle, x, y) * np.abs(np.sinc(f * along)))

    return transfer


def frame(
    lens: Lens = in_focus,
    *,
    angles: Sequence[float] = UPRIGHT,
    places: Sequence[float] = (-0.7, 0.03, 0.72),
    noise: float = 0.002,
    scatter: float = 0.0,
    seed: int = 3,
    flags: tuple[str, ...] = (),
    raggedness_px: float | None = None,
) -> list[EdgeFigures]:
    """Two edges of each direction at each place; ``noise`` is relative, of MTF50."""
    rng = np.random.default_rng(seed)
    edges = []
    for x in places:
        for y in places:
            for normal in angles:
                for angle in (normal, normal - 180):

                    def system(
                        f: FloatArray, angle: float = angle, x: float = x, y: float = y
                    ) -> FloatArray:
                        return np.asarray(lens(f, angle, x, y) * pixel_mtf(f, angle))

                    true = crossing(system, 0.5, 1 / D_PX)
                    assert true is not None
                    off = 1 + noise * rng.standard_normal() + scatter * rng.standard_normal()
                    upright = abs(math.cos(math.radians(angle))) > math.sqrt(0.5)
                    edges.append(
                        EdgeFigures(
                            field_x=x,
                            field_y=y,
                            direction="vertical" if upright else "horizontal",
                            angle_deg=angle,
                            mtf50_cyc_per_px=true * off,
                            mtf50_std=noise * true,
                            frequency_cyc_per_px=F,
                            mtf=system(F / off),
                            mtf_std=np.full(F.size, noise / 2),
                            raggedness_px=raggedness_px,
                            flags=flags,
                        )
                    )
    return edges


def names(loss: FrameLoss) -> list[str]:
    return [cause.name for cause in loss.causes]


# What is named


@pytest.mark.parametrize("diffraction_px", [None, D_PX])
def test_a_perfect_lens_has_lost_nothing(diffraction_px: float | None) -> None:
    loss = likely_loss(frame(), diffraction_px=diffraction_px, diffraction_std=0.03)
    assert loss.causes == ()
    assert loss.notes == ()
    assert [place.name for place in loss.places] == [
        *("centre", "top left", "top", "top right", "left", "right"),
        *("bottom left", "bottom", "bottom right"),
    ]
    assert all(place.edges == 4 for place in loss.places)
    if diffraction_px is not None:
        assert loss.of_diffraction == pytest.approx(1, abs=0.005)
        assert loss.of_diffraction_std == pytest.approx(0.03, rel=0.01)


@pytest.mark.parametrize(
    ("waves", "diffraction_px"),
    [
        (0.3, None),
        (-0.55, None),
        (0.3, D_PX),
        (-0.55, 1.04 * D_PX),
        (0.9, D_PX),
        (0.9, 1.04 * D_PX),
    ],
)
def test_defocus_is_named_with_its_amount(waves: float, diffraction_px: float | None) -> None:
    loss = likely_loss(
        frame(defocused(lambda x, y: waves)), diffraction_px=diffraction_px, diffraction_std=0.04
    )
    assert names(loss) == ["focus"]
    (focus,) = loss.causes
    true = 1 - loss.places[0].mtf50_cyc_per_px / likely_loss(frame()).places[0].mtf50_cyc_per_px
    assert focus.loss == pytest.approx(true, abs=0.06)  # the lens alone; the pixel hides some
    assert focus.defocus_waves == pytest.approx(abs(waves), abs=0.08)
    assert "One frame cannot tell" in focus.evidence[1]
    if abs(waves) < 0.6:  # beyond, the shape nears that of even blur: see below
        assert "cannot tell defocus from spherical aberration" in focus.evidence[1]
        assert focus.otherwise == "spherical aberration"


@pytest.mark.parametrize(
    ("slope_x", "slope_y", "soft"), [(0.4, 0.0, "right"), (0.03, -0.35, "top")]
)
def test_a_tilted_target_is_focus_and_the_soft_side_is_named(
    slope_x: float, slope_y: float, soft: str
) -> None:
    tilt = defocused(lambda x, y: slope_x * (x + 0.8) + slope_y * (y - 0.8))
    loss = likely_loss(frame(tilt))
    assert names(loss) == ["focus"]
    assert f"the {soft} is" in loss.causes[0].evidence[0]
    assert f"the {soft} side" in loss.causes[0].mend
    assert loss.causes[0].p_noise is not None
    assert loss.causes[0].p_noise < 1e-6


@pytest.mark.parametrize("base", [in_focus, defocused(lambda x, y: 0.4 + 0.2 * x)])
@pytest.mark.parametrize(("length", "axis"), [(2.4, -60.0), (3.0, 23.0), (4.5, 80.0), (2.2, -2.0)])
def test_movement_is_named_with_length_and_axis(base: Lens, length: float, axis: float) -> None:
    loss = likely_loss(frame(moved(base, length, axis), angles=OBLIQUE))
    movement = next(cause for cause in loss.causes if cause.name == "movement")
    assert movement.movement_px == pytest.approx(length, rel=0.06)
    assert movement.movement_deg is not None
    assert (movement.movement_deg - axis + 90) % 180 - 90 == pytest.approx(0, abs=3)
    assert movement.p_noise is not None
    assert movement.p_noise < 1e-6
    if base is in_focus:
        assert loss.causes[0] is movement


@pytest.mark.parametrize(("axis", "way"), [(5.0, "sideways"), (95.0, "up and down")])
def test_two_directions_tell_the_least_movement_only(axis: float, way: str) -> None:
    for off, share in ((0.0, 1.0), (20.0, math.sqrt(math.cos(math.radians(40))))):
        found = common_movement(frame(moved(in_focus, 3.3, axis + off)))
        assert found is not None
        assert not found.is_axis_known
        assert (found.axis_deg - axis + 90) % 180 - 90 == pytest.approx(0, abs=1)
        # Exact to the second order of the movement: L**2 (cos**2 - sin**2) is what shows.
        assert found.length_px == pytest.approx(3.3 * share, rel=0.03)
    loss = likely_loss(frame(moved(in_focus, 3.3, axis + 20)))
    assert names(loss)[0] == "movement"
    assert loss.causes[0].movement_deg is None
    assert f"{way} at least" in loss.causes[0].evidence[1]


def test_astigmatism_over_the_field_is_not_taken_for_movement() -> None:
    def lens(f: FloatArray, angle: float, x: float, y: float) -> FloatArray:
        along = math.cos(2 * (math.radians(angle) - math.atan2(y, x))) * (x * x + y * y)
        return np.abs(aberrated_otf(f * D_PX, 0.18 * (1 + along)))

    found = common_movement(frame(lens, angles=OBLIQUE))
    assert found is not None
    assert "movement" not in names(
        likely_loss(frame(lens, angles=OBLIQUE, places=(-0.7, 0.03, 0.72)))
    )


def test_soft_corners_point_to_glass() -> None:
    loss = likely_loss(frame(defocused(lambda x, y: 0.3 * (x * x + y * y))))
    assert names(loss) == ["glass"]
    assert "corners are" in loss.causes[0].evidence[0]


@pytest.mark.parametrize("stated", [0.93, 1.0, 1.05])
def test_no_cause_takes_more_than_is_missing(stated: float) -> None:
    """Exact: the picture's loss with its pixel, not the lens's own, which is larger."""
    edges = frame(defocused(lambda x, y: 0.28), noise=0.0002)
    loss = likely_loss(edges, diffraction_px=stated * D_PX, diffraction_std=0.04)
    assert loss.of_diffraction is not None
    (cause,) = loss.causes
    own = blur_shape(edges[:4], stated * D_PX, 0.04)
    assert own is not None
    assert cause.name == "focus"
    assert cause.loss is not None
    assert 0.1 < cause.loss <= 1 - loss.of_diffraction
    if own.loss > 1 - loss.of_diffraction + 0.01:
        assert f"% of its MTF50; of the picture's {100 * cause.loss:.0f} %" in cause.evidence[0]


def test_even_blur_is_glass_where_the_stop_is_known_and_nothing_where_it_is_not() -> None:
    def lens(f: FloatArray, angle: float, x: float, y: float) -> FloatArray:
        return np.asarray(in_focus(f, angle, x, y) * np.exp(-2 * (np.pi * 0.9 * f) ** 2))

    for soft in (lens, defocused(lambda x, y: 0.85)):  # which looks like it
        loss = likely_loss(frame(soft))
        assert loss.causes == ()
        assert "not that of a lens in focus" in loss.notes[0]
    loss = likely_loss(frame(lens), diffraction_px=D_PX, diffraction_std=0.03)
    assert names(loss) == ["glass"]
    assert "One frame cannot tell" in loss.causes[0].evidence[0]
    assert "both directions alike" in loss.causes[0].evidence[0]
    (edge, *_) = frame(lens)  # of one direction: there is nothing to be alike
    loss = likely_loss([edge], diffraction_px=D_PX, diffraction_std=0.03)
    assert names(loss) == ["glass"]
    assert "alike" not in loss.causes[0].evidence[0]
    # So unsure a prediction says nothing.
    assert names(likely_loss(frame(lens), diffraction_px=D_PX, diffraction_std=0.3)) == []


def test_noise_points_to_exposure() -> None:
    loss = likely_loss(frame(noise=0.12, flags=("noisy",)))
    assert names(loss)[0] == "exposure"
    assert "Noise leaves MTF50 open to" in loss.causes[0].evidence[0]
    (cause,) = likely_loss(
        [], rejections=["the step is only 3.1 times the noise (at least 6)"]
    ).causes
    assert (cause.name, cause.loss) == ("exposure", 1.0)
    (cause,) = likely_loss(
        [], rejections=["40 % of the edge's pixels are clipped: halve"] * 3
    ).causes
    assert cause.evidence == ("3 of 3 edges are clipped.",)
    assert cause.mend.startswith("Lower the exposure")


def test_edges_lost_in_their_blur_point_to_focus() -> None:
    (cause,) = likely_loss([], rejections=["the blur is too wide for the region: both"] * 2).causes
    assert cause.name == "focus"
    assert likely_loss([], rejections=["the edge lies at the border"]).causes == ()


def test_ragged_edges_point_to_the_target() -> None:
    edges = frame(flags=("ragged-edge",), raggedness_px=0.6)
    loss = likely_loss(edges)
    assert names(loss) == ["target"]
    f = likely_loss(frame()).places[0].mtf50_cyc_per_px
    # Exact: 1 - exp(-2 (pi r f)**2), the characteristic function of a Gaussian contour.
    assert loss.causes[0].loss == pytest.approx(
        1 - math.exp(-2 * (math.pi * 0.6 * f) ** 2), rel=0.01
    )
    few = [*edges[:5], *frame()[5:]]
    assert names(likely_loss(few)) == []


def test_overshoot_points_to_the_target_and_its_light() -> None:
    loss = likely_loss(frame(flags=("overshoot",)))
    assert names(loss) == ["target"]
    assert "overshoot" in loss.causes[0].evidence[0]


def test_sharper_than_diffraction_is_said() -> None:
    loss = likely_loss(frame(), diffraction_px=1.3 * D_PX, diffraction_std=0.03)
    assert loss.is_impossible
    assert "harper than diffraction allows" in loss.notes[0]
    assert not likely_loss(frame(), diffraction_px=1.3 * D_PX, diffraction_std=0.2).is_impossible


def test_one_edge_cannot_tell_movement_and_says_so() -> None:
    (edge, *_) = frame()
    loss = likely_loss([edge])
    assert loss.causes == ()
    assert loss.notes == ("Edges of one direction only: movement cannot be told.",)
    assert common_movement([edge]) is None


# How sure


def test_noise_alone_makes_the_stated_share_of_differences() -> None:
    # Scatter beyond the stated noise included: 250 frames, P < 0.1 in 10 %, +- 2.4 std.
    for scatter in (0.0, 0.01):
        chances = []
        for seed in range(250):
            found = common_movement(_redrawn(scatter, seed))
            assert found is not None
            chances.append(found.p_noise)
        share = np.mean(np.array(chances) < 0.1)
        assert share == pytest.approx(0.1, abs=0.045), scatter


_STILL = frame(noise=1e-9, angles=OBLIQUE, places=(-0.6, 0.7))


def _redrawn(scatter: float, seed: int) -> list[EdgeFigures]:
    """The same edges with other errors; drawing them anew takes long."""
    from dataclasses import replace

    rng = np.random.default_rng(seed)
    noise = 0.004
    edges = []
    for edge in _STILL:
        off = 1 + math.hypot(noise, scatter) * rng.standard_normal()
        value = edge.mtf50_cyc_per_px
        edges.append(
            replace(
                edge,
                mtf50_cyc_per_px=value * off,
                mtf50_std=noise * value,
                mtf=np.interp(F / off, F, edge.mtf),
            )
        )
    return edges


def test_the_shape_of_a_perfect_lens_is_that_of_any_perfect_lens() -> None:
    # Exact, but for the grid of curves: what the fit takes for the stop is the true one.
    shape = blur_shape(frame(noise=1e-6, places=(0.03,)))
    assert shape is not None
    assert not shape.is_defocus
    assert shape.focused_misfit < 0.004
    known = blur_shape(frame(noise=1e-6, places=(0.03,)), D_PX)
    assert known is not None
    assert_allclose([known.loss, known.defocus_waves], 0, atol=0.01)
    # Exact: MTF50 of a clear pupil, by which the loss is counted.
    found = crossing(clear_pupil_mtf, 0.5, 1.0)
    assert found == pytest.approx(0.403973, abs=1e-6)


@pytest.mark.parametrize(
    "arguments", [{"diffraction_px": 0.0}, {"diffraction_px": -1.0}, {"diffraction_std": -0.1}]
)
def test_what_no_prediction_can_be_is_refused(arguments: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="diffraction_px must be > 0"):
        likely_loss(frame(places=(0.03,)), **arguments)  # type: ignore[arg-type]
