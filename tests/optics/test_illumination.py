"""Light for a target: diffusers by right triangles, lamps by brute force, sentences that fit."""

from __future__ import annotations

import numpy as np
import pytest

from lab.optics.illumination import (
    COHERENCE_RATIO,
    LampSetup,
    diffuser_distance_for,
    diffuser_for,
    lamp_angles_deg,
    lamp_evenness,
    lighting_advice,
    lighting_sentences,
)
from lab.optics.partial_coherence import coherence_ratio_for, mtf50_error

# Invented.
LAMPS = LampSetup(
    working_distance_mm=70.0, lens_front_mm=44.0, lamp_mm=90.0, lamp_distance_mm=260.0
)


# Diffuser


def test_diffuser_of_a_right_triangle() -> None:
    # Exact: S NA = 0.6 makes a 3-4-5 triangle, tangent 0.75.
    assert diffuser_for(7.2, 0.24, 30.0, 2.5) == pytest.approx(7.2 + 1.5 * 30)


def test_diffuser_and_distance_are_inverses() -> None:
    field, aperture = np.array([36.0, 12.0, 7.2]), np.array([0.03, 0.1, 0.15])
    width = diffuser_for(field, aperture, 23.0)
    np.testing.assert_allclose(diffuser_distance_for(width, field, aperture), 23.0)


def test_every_point_of_the_field_sees_its_cone_on_the_diffuser() -> None:
    # Exact: a ray at the cone's rim from the field's rim lands on the diffuser's rim.
    field, aperture, distance = 14.0, 0.11, 41.0
    sine = COHERENCE_RATIO * aperture
    lands = field / 2 + distance * sine / np.sqrt(1 - sine**2)
    assert diffuser_for(field, aperture, distance) / 2 == pytest.approx(lands)


def test_the_light_asked_for_keeps_mtf50_within_half_a_percent() -> None:
    assert mtf50_error(COHERENCE_RATIO) < 0.005
    assert coherence_ratio_for(0.005) < COHERENCE_RATIO


# Lamps


def _seen_by_rays(angle_deg: float, field: float, aperture: float) -> bool:
    """Does any ray from a lamp mirror into the lens's cone, or meet the lens's front?"""
    rng = np.random.default_rng(3)
    n = 200_000
    angle = np.deg2rad(angle_deg)
    place = rng.uniform(-0.5, 0.5, n) * LAMPS.lamp_mm
    place[: n // 2] = -LAMPS.lamp_mm / 2  # the rim decides: look there often
    x = LAMPS.lamp_distance_mm * np.sin(angle) + place * np.cos(angle)
    z = LAMPS.lamp_distance_mm * np.cos(angle) - place * np.sin(angle)
    at = rng.uniform(-0.5, 0.5, n) * field
    height = LAMPS.working_distance_mm
    mirrored = at - (x - at) / z * height  # where it stands at the lens's front
    pupil = height * np.tan(np.arcsin(aperture))
    shaded = (z > height) & (np.abs(at + (x - at) / z * height) < LAMPS.lens_front_mm / 2)
    return bool(np.any(np.abs(mirrored) < pupil) or np.any(shaded))


@pytest.mark.parametrize(("field", "aperture"), [(7.2, 0.15), (36.0, 0.09), (24.0, 0.42)])
def test_lamps_stand_where_no_ray_says_otherwise(field: float, aperture: float) -> None:
    clear = lamp_angles_deg(LAMPS, field, aperture)
    assert clear is not None
    assert not _seen_by_rays(clear[0], field, aperture)
    assert not _seen_by_rays(50.0, field, aperture)
    assert _seen_by_rays(clear[0] - 0.7, field, aperture)


def test_the_mirror_decides_where_the_lens_is_slim() -> None:
    # Exact: of a small lamp far off, the mirror image leaves the cone where the angle's
    # tangent is (half field + pupil) / working distance.
    slim = LampSetup(
        working_distance_mm=50.0, lens_front_mm=0.01, lamp_mm=0.01, lamp_distance_mm=1e5
    )
    clear = lamp_angles_deg(slim, 12.0, 0.6)  # pupil 37.5 mm
    assert clear is not None
    assert clear[0] == pytest.approx(np.rad2deg(np.arctan((6 + 37.5) / 50)), abs=0.15)


def test_no_angle_clears_a_wide_lens_close_up() -> None:
    near = LampSetup(
        working_distance_mm=12.0, lens_front_mm=70.0, lamp_mm=200.0, lamp_distance_mm=300.0
    )
    assert lamp_angles_deg(near, 7.2, 0.15) is None
    advice = lighting_advice(
        sensor_mm=(35.9, 23.9),
        magnifications=[5.0],
        marked_stops=[4.0],
        pupil_ratio=0.9,
        lamps=near,
    )
    assert advice.lamps is not None
    assert advice.lamps.angle_deg is None
    assert any("no angle" in sentence for sentence in lighting_sentences(advice))


@pytest.mark.parametrize("angle_deg", [10.0, 45.0, 63.0])
def test_evenness_of_a_small_field(angle_deg: float) -> None:
    # Exact to second order: 1 + (7.5 sin**2 - 1.5) (x / L)**2 along, 1 - 1.5 (y / L)**2
    # across, from the expansion of cos / r**2 for both lamps.
    along = (7.5 * np.sin(np.deg2rad(angle_deg)) ** 2 - 1.5) * (7 / 500) ** 2
    across = -1.5 * (4 / 500) ** 2
    least, most = min(along, 0) + across, max(along, 0)
    assert 1 - lamp_evenness((14.0, 8.0), 500.0, angle_deg) == pytest.approx(most - least, rel=0.01)


def test_evenness_gains_with_distance() -> None:
    found = [lamp_evenness((36.0, 24.0), distance, 45.0) for distance in (80.0, 160.0, 320.0)]
    assert found == sorted(found)
    assert found[0] < 0.9 < found[1] < found[2] < 1


# Advice


def test_the_most_demanding_magnification_decides() -> None:
    def advice(*magnifications: float, distance_mm: float) -> tuple[float, float]:
        return lighting_advice(
            sensor_mm=(35.9, 23.9),
            magnifications=magnifications,
            marked_stops=[8.0, 2.8, 5.6],
            pupil_ratio=1.3,
            distance_mm=distance_mm,
        ).diffuser_mm

    for distance in (20.0, 400.0):
        low, high = advice(1.2, distance_mm=distance), advice(4.5, distance_mm=distance)
        assert advice(1.2, 4.5, distance_mm=distance) == (
            max(low[0], high[0]),
            max(low[1], high[1]),
        )
    # Near, the field decides; far, the aperture: NA = m / (2 N (1 + m / P)).
    assert advice(1.2, distance_mm=20.0) > advice(4.5, distance_mm=20.0)
    assert advice(1.2, distance_mm=400.0) < advice(4.5, distance_mm=400.0)
    aperture = 4.5 / (2 * 2.8 * (1 + 4.5 / 1.3))
    sine = COHERENCE_RATIO * aperture
    width = 35.9 / 4.5 + 800 * sine / np.sqrt(1 - sine**2)
    assert advice(4.5, distance_mm=400.0)[0] == pytest.approx(width)


def test_a_very_wide_lens_gets_what_a_diffuser_can_give() -> None:
    advice = lighting_advice(
        sensor_mm=(23.5, 15.6), magnifications=[5.0], marked_stops=[1.1], pupil_ratio=1.0
    )
    assert advice.largest_aperture == pytest.approx(5 / 13.2)
    assert advice.coherence_ratio == pytest.approx(0.9 * 13.2 / 5)
    assert advice.mtf50_error > mtf50_error(COHERENCE_RATIO)


@pytest.mark.parametrize("lamps", [None, LAMPS])
def test_sentences_are_short_and_hold_the_figures(lamps: LampSetup | None) -> None:
    advice = lighting_advice(
        sensor_mm=(35.9, 23.9),
        magnifications=[1.0, 3.0],
        marked_stops=[2.8, 11.0],
        pupil_ratio=1.0,
        distance_mm=120.0,
        lamps=lamps,
    )
    told = lighting_sentences(advice)
    assert all(len(sentence) <= 75 and sentence.endswith(".") for sentence in told)
    text = " ".join(told)
    width, height = (int(np.ceil(side)) for side in advice.diffuser_mm)
    assert f"{width} x {height} mm" in text
    assert "120 mm behind" in text
    assert "0.5 % too high" in text
    for caution in ("Never look into flash", "hot", "sharp", "Local rules"):
        assert caution in text
    if lamps is not None:
        assert advice.lamps is not None
        assert f"Stand each {advice.lamps.angle_deg:.0f} degrees" in text
        assert f"Below {advice.lamps.smallest_angle_deg:.0f} degrees" in text


def test_lamps_go_steeper_than_usual_where_they_must() -> None:
    near = LampSetup(
        working_distance_mm=40.0, lens_front_mm=70.0, lamp_mm=60.0, lamp_distance_mm=300.0
    )
    advice = lighting_advice(
        sensor_mm=(35.9, 23.9), magnifications=[1.5], marked_stops=[4.0], pupil_ratio=1, lamps=near
    )
    assert advice.lamps is not None
    assert advice.lamps.smallest_angle_deg is not None
    assert advice.lamps.angle_deg is not None
    assert advice.lamps.angle_deg > advice.lamps.smallest_angle_deg > 45


# Bad input


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 0.1, 20.0), "object_field_mm"),
        ((7.0, float("nan"), 20.0), "aperture"),
        ((7.0, 0.1, -2.0), "distance_mm"),
        ((7.0, 0.4, 20.0), "must be < 1"),
    ],
)
def test_diffuser_arguments(arguments: tuple[float, float, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        diffuser_for(*arguments)


def test_a_diffuser_smaller_than_the_field_serves_nowhere() -> None:
    with pytest.raises(ValueError, match="diffuser_mm must be > object_field_mm"):
        diffuser_distance_for(20.0, 24.0, 0.1)


@pytest.mark.parametrize(
    ("change", "message"),
    [({"lamp_distance_mm": 40.0}, "lamp_distance_mm"), ({"lens_front_mm": 0.0}, "lens_front_mm")],
)
def test_lamps_have_a_size_and_a_place(change: dict[str, float], message: str) -> None:
    given = {
        "working_distance_mm": 60.0,
        "lens_front_mm": 50.0,
        "lamp_mm": 90.0,
        "lamp_distance_mm": 300.0,
    }
    with pytest.raises(ValueError, match=message):
        LampSetup(**(given | change))


@pytest.mark.parametrize(
    ("distance", "angle", "message"),
    [(10.0, 45.0, "lamp_distance_mm"), (300.0, 90.0, "angle_deg"), (300.0, -1.0, "angle_deg")],
)
def test_evenness_arguments(distance: float, angle: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        lamp_evenness((36.0, 24.0), distance, angle)


def test_advice_needs_a_lens_narrower_than_the_light_can_be() -> None:
    with pytest.raises(ValueError, match=r"must be < 0\.9"):
        lighting_advice(
            sensor_mm=(35.9, 23.9), magnifications=[5.0], marked_stops=[0.4], pupil_ratio=1.0
        )
