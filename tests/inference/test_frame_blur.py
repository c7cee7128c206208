"""Defocus told from movement in one frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lab.edges.types import Rejection
from lab.inference.frame_blur import (
    KINDS,
    FrameBlur,
    Optics,
    ProfileEdge,
    fit_reference,
    frame_blur,
    mtf50_losses,
)
from lab.inference.frame_blur_model import FrameModel, lens_at, lens_table, movement_otf
from tests.bench.trial_study import DIFFRACTION_PX, Truth, displacements, frame_edges, true_optics


def told(truth: Truth, seed: int = 3) -> FrameBlur:
    blur = frame_blur(frame_edges(truth, np.random.default_rng(seed)), true_optics())
    assert isinstance(blur, FrameBlur), blur
    assert sum(blur.probability.values()) == pytest.approx(1)
    assert set(blur.probability) == set(KINDS)
    assert blur.kind == max(KINDS, key=blur.probability.__getitem__)
    return blur


@pytest.mark.parametrize("kind", KINDS[2:])
def test_exact_the_factor_is_the_transform_of_the_path_about_its_centroid(kind):
    f = np.linspace(0.01, 0.45, 12)
    path, light = displacements(kind, 5.3)
    path = path - light @ path
    direct = np.exp(-2j * np.pi * f[:, None] * path) @ light
    factor = movement_otf(kind, f, np.array([5.3, -5.3]))
    assert factor[0] == pytest.approx(direct, abs=2e-3)
    assert factor[1] == pytest.approx(direct.conj(), abs=2e-3)


@pytest.mark.parametrize("kind", KINDS[2:])
def test_exact_edges_without_noise_leave_nothing_over(kind):
    truth = Truth(plane=(0.2, 0.1, -0.05), movement=kind, length_px=4.1, axis_deg=33.0, radial=True)
    optics = true_optics()
    edges = frame_edges(truth, np.random.default_rng(2), noise=1e-6)
    model = FrameModel(edges, DIFFRACTION_PX)
    w20 = model.field @ (np.array(truth.plane) + [mtf50_losses(optics).sharpest_waves, 0, 0])
    along = 4.1 * np.cos(np.deg2rad(33.0) - model.angle)
    lens, _ = lens_at(lens_table(optics.w040, model.n_node), w20)
    transfer = lens * model.even_blur(optics.blur_std_px) * model.movement_alone(kind, along)
    shift = np.zeros(len(edges))
    for _ in range(4):
        left = model.reduce(transfer, [], shift)
        shift = left.shift_px
    # Against bins of 0.01 noise in 20 pixels each: chi-square per degree far below 1.
    assert np.max(left.gram[:, 0, 0] / model.n_bins) < 0.05


def test_exact_losses_vanish_where_nothing_is_lost_and_grow():
    losses = mtf50_losses(true_optics())
    assert losses.of_focus(np.array([losses.sharpest_waves])) == pytest.approx(0, abs=1e-12)
    assert losses.of_focus(losses.sharpest_waves + np.array([0.2, 0.5, 0.9])).min() > 0.02
    for kind in KINDS[2:]:
        grown = losses.of_movement(kind, np.array([0.0, 0.7, -1.9, 5.0, 11.0]))
        assert grown[0] == pytest.approx(0, abs=1e-12) and np.all(np.diff(grown) > 0)
    # MTF50 where the movement is all: sinc(0.60335) = 1/2 (root of sin x = x / 2).
    wide = losses.by_length["linear"][-1]
    sharp = 0.60335 / 60 / (1 - wide)
    assert losses.of_movement("linear", 50.0) == pytest.approx(1 - 0.60335 / 50 / sharp, rel=2e-3)


def test_recovery_a_sharp_frame():
    blur = told(Truth(plane=(0.02, 0.01, 0.0)))
    assert blur.kind == "sharp" and not blur.is_axis_known
    assert blur.movement_loss < 0.02 and blur.focus_loss < 0.02


@pytest.mark.parametrize("waves", [0.6, -0.9])
def test_recovery_defocus(waves):
    blur = told(Truth(plane=(waves, 0.05, -0.04)))
    assert blur.kind == "focus" and blur.probability["focus"] > 0.99
    mean = float(np.dot((1.0, 0.0, 0.05), (waves, 0.05, -0.04)))
    assert abs(blur.defocus_waves) == pytest.approx(abs(mean), abs=0.02)


@pytest.mark.parametrize(
    ("kind", "length", "axis"), [("linear", 2.6, 24.0), ("oscillating", 2.2, -63.0)]
)
def test_recovery_an_even_movement(kind, length, axis):
    blur = told(
        Truth(
            plane=(0.12, 0.05, -0.05), movement=kind, length_px=length, axis_deg=axis, radial=True
        )
    )
    assert blur.kind == blur.movement == kind and blur.is_axis_known
    assert abs(blur.length_px - length) < max(4 * blur.length_std_px, 0.02)
    assert blur.length_std_px < 0.05
    assert blur.axis_deg == pytest.approx(axis, abs=max(4 * blur.axis_std_deg, 0.2))
    assert 0.9 < blur.chi_square_per_degree < 1.1


def test_recovery_a_pulse_tells_its_axis_from_two_directions_too():
    blur = told(Truth(plane=(0.1, 0, 0.04), movement="pulse", length_px=4.4, axis_deg=-38.0))
    assert blur.kind == "pulse" and blur.is_axis_known
    assert blur.length_px == pytest.approx(4.4, abs=max(4 * blur.length_std_px, 0.02))
    assert blur.axis_deg == pytest.approx(-38.0, abs=0.6)


def test_recovery_two_directions_leave_an_even_movements_axis_open():
    # Squares turned by 5.7 deg: an axis at 35 looks like one at 2 * 5.7 - 35.
    blur = told(Truth(plane=(0.1, 0, 0.04), movement="linear", length_px=5.0, axis_deg=35.0))
    assert blur.kind == "linear" and not blur.is_axis_known
    assert min(abs(blur.axis_deg - 35.0), abs(blur.axis_deg + 23.6)) < 0.6
    assert blur.length_px == pytest.approx(5.0, abs=0.1)


def test_recovery_defocus_that_takes_more_than_the_movement_names_the_frame():
    blur = told(Truth(plane=(0.7, 0, 0.1), movement="linear", length_px=2.0, axis_deg=50.0))
    assert blur.kind == "focus" and blur.focus_loss > blur.movement_loss > 0
    assert blur.length_px == pytest.approx(2.0, abs=max(4 * blur.length_std_px, 0.05))


def test_recovery_one_bad_edge_does_not_decide():
    truth = Truth(plane=(0.1, 0, 0.0), movement="linear", length_px=3.0, axis_deg=20.0, radial=True)
    edges = frame_edges(truth, np.random.default_rng(4))
    bad = edges[7]
    ripple = 60 * np.sin(bad.x_px)
    edges[7] = ProfileEdge(
        field_x=bad.field_x,
        field_y=bad.field_y,
        angle_deg=bad.angle_deg,
        x_px=bad.x_px,
        level=bad.level + ripple,
        std=bad.std,
    )
    blur = frame_blur(edges, true_optics())
    assert blur.kind == "linear"
    assert blur.length_px == pytest.approx(3.0, abs=0.05)


def test_recovery_the_optics_from_frames_on_either_side_of_focus():
    rng = np.random.default_rng(6)
    frames = [frame_edges(Truth(plane=(w, 0.03, -0.02)), rng)[::3] for w in (0.12, -0.1)]
    optics = fit_reference(frames, DIFFRACTION_PX)
    truth = true_optics()
    assert optics.w040_std < 0.05 and optics.blur_std_px_std < 0.02
    assert abs(optics.w040 - truth.w040) < 4 * optics.w040_std
    assert abs(optics.blur_std_px - truth.blur_std_px) < 4 * optics.blur_std_px_std
    assert optics.chi_square_per_degree == pytest.approx(1, abs=0.1)


def test_bad_input():
    edges = frame_edges(Truth(plane=(0.1, 0.0, 0.0)), np.random.default_rng(1))
    few = frame_blur(edges[:3], true_optics())
    assert isinstance(few, Rejection) and "at least 4" in few.reason
    one_way = frame_blur(edges[::2], true_optics())
    assert isinstance(one_way, Rejection) and "one direction" in one_way.reason
    with pytest.raises(ValueError, match="at least one frame"):
        fit_reference([], DIFFRACTION_PX)
    with pytest.raises(ValueError, match="at least one frame"):
        fit_reference([edges, []], DIFFRACTION_PX)
    with pytest.raises(ValueError, match="diffraction_px"):
        fit_reference([edges], 0.0)
    with pytest.raises(ValueError, match="diffraction_px"):
        Optics(diffraction_px=-1.0)
    with pytest.raises(ValueError, match="w040"):
        replace(true_optics(), w040=5.0)
    good = {"field_x": 0.1, "field_y": 0.2, "angle_deg": 3.0}
    x = np.arange(-3.0, 3.0, 0.25)
    with pytest.raises(ValueError, match="one shape"):
        ProfileEdge(**good, x_px=x, level=x[1:], std=x * 0 + 1)
    with pytest.raises(ValueError, match="std"):
        ProfileEdge(**good, x_px=x, level=x, std=x * 0)
    with pytest.raises(ValueError, match="finite"):
        ProfileEdge(**(good | {"angle_deg": np.nan}), x_px=x, level=x, std=x * 0 + 1)
