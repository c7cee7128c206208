"""From measured frames to what they say of the target: which edges, which doubts."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from lab.optics.geometry import effective_f_number
from lab.optics.system import channel_band, crossing, diffraction_mtf50, system_mtf
from lab.session.records import EdgeRecord
from lab.session.target_estimate import ShotFrame, TargetEstimate, estimate_target
from targets.fidelity import edge_mtf_loss

# All invented.
PITCH_UM, PUPIL_RATIO, MARKED, RESIDUAL_UM = 4.2, 0.85, 5.6, 1.2
BAND = channel_band(0.53)


def edge(mtf50: float, x: float = 0.05, **how: float) -> EdgeRecord:
    values = {"raggedness_object_um": 0.4, "raggedness_std_um": 0.03, **how}
    return EdgeRecord(
        **{"name": f"edge {x}", "square": "", "channel": "green", "direction": "vertical"},
        **{"field_x": x, "field_y": 0.0, "centre_row": 100, "centre_col": 100, "angle_deg": 6.0},
        **{"status": "measured", "mtf50_cyc_per_px": mtf50, "mtf50_std": 0.002 * mtf50, **values},
    )


def true_mtf50(magnification: float, blur_um: float) -> float:
    found = crossing(
        lambda f: system_mtf(
            f,
            wavelength_um=BAND,
            # The ring's 5.6 is 2**2.5.
            f_number=float(effective_f_number(2**2.5, magnification, PUPIL_RATIO)),
            pixel_pitch_um=PITCH_UM,
            edge_angle_deg=6.0,
            blur_std_um=math.hypot(RESIDUAL_UM, magnification * blur_um),
        ),
        0.5,
        400.0,
    )
    assert found is not None
    return found * PITCH_UM * 1e-3


def frame(magnification: float, blur_um: float) -> ShotFrame:
    return ShotFrame(
        file=f"{magnification:g}x.dng",
        edges=(edge(true_mtf50(magnification, blur_um)), edge(0.02, x=0.8)),
        magnification=magnification,
        marked_stop=MARKED,
    )


def estimate(frames: list[ShotFrame], pupil_ratio: float | None = PUPIL_RATIO) -> TargetEstimate:
    return estimate_target(
        frames,
        channel="green",
        pixel_pitch_um=PITCH_UM,
        pupil_ratio=pupil_ratio,
        wavelength_um=BAND,
    )


def test_two_magnifications_give_the_blur_and_what_it_takes() -> None:
    found = estimate([frame(0.9, 1.6), frame(2.8, 1.6)])
    assert found.blur is not None
    assert found.blur.blur_um == pytest.approx(1.6, abs=1e-4)
    assert found.blur.residual_image_um == pytest.approx(RESIDUAL_UM, abs=1e-3)
    assert found.blur.blur_low95_um is not None
    assert found.blur.blur_high95_um is not None
    assert found.blur.blur_low95_um < 1.6 < found.blur.blur_high95_um
    assert found.judged == found.frames[1]  # the finer detail
    n_eff = float(effective_f_number(2**2.5, 2.8, PUPIL_RATIO))
    alone = 2.8 * diffraction_mtf50(wavelength_um=BAND, f_number=n_eff)
    assert found.judged.effective_f_number == pytest.approx(n_eff)
    assert found.judged.diffraction_mtf50_object_cyc_per_mm == pytest.approx(alone)
    for loss, blur in (
        (found.mtf_loss, found.blur.blur_um),
        (found.mtf_loss_low95, found.blur.blur_low95_um),
        (found.mtf_loss_high95, found.blur.blur_high95_um),
    ):
        assert loss == pytest.approx(float(edge_mtf_loss(alone, blur)))


def test_one_magnification_gives_a_bound() -> None:
    found = estimate([frame(2.8, 1.6)])
    assert found.blur is not None
    assert found.blur.blur_um is None
    assert (found.mtf_loss, found.mtf_loss_low95) == (None, None)
    # All of it may be the target's: its own blur and the residual over the magnification.
    everything = math.hypot(1.6, RESIDUAL_UM / 2.8)
    assert everything < found.blur.blur_upper95_um < 1.15 * everything
    assert found.mtf_loss_high95 is not None


def test_edges_near_the_centre_count_and_their_raggedness() -> None:
    (one,) = estimate([frame(1.4, 0.5)]).frames
    assert one.edges == 1  # the soft one at the border is left out
    assert (one.raggedness_object_um, one.raggedness_std_um) == pytest.approx((0.4, 0.03))
    bare = frame(1.4, 0.5)
    unknown = replace(bare.edges[0], raggedness_object_um=None, raggedness_std_um=None)
    (one,) = estimate([replace(bare, edges=(unknown,))]).frames
    assert (one.raggedness_object_um, one.raggedness_std_um) == (None, None)


def test_a_guessed_pupil_ratio_makes_the_figures_less_sure() -> None:
    frames = [frame(0.9, 1.6), frame(2.8, 1.6)]
    sure, unsure = estimate(frames), estimate(frames, pupil_ratio=None)
    assert sure.blur is not None
    assert unsure.blur is not None
    widths = []
    for blur in (sure.blur, unsure.blur):
        assert blur.blur_low95_um is not None
        assert blur.blur_high95_um is not None
        widths.append(blur.blur_high95_um - blur.blur_low95_um)
        assert blur.blur_low95_um < 1.6 < blur.blur_high95_um
    assert widths[1] > 2 * widths[0]


def test_a_frame_sharper_than_diffraction_is_left_out_and_says_so() -> None:
    good = frame(2.8, 0.3)
    wrong = replace(frame(0.9, 0.3), marked_stop=11.0)
    far_off = replace(frame(0.9, 0.3), marked_stop=45.0)
    found = estimate([wrong, good, far_off])
    for one in (found.frames[0], found.frames[2]):
        assert one.excess is None
        assert "sharper than diffraction allows" in one.reason
    assert found.frames[1].excess is not None
    assert found.blur == estimate([good]).blur


def test_a_frame_without_edges_gives_nothing() -> None:
    empty = replace(frame(1.4, 0.5), edges=())
    found = estimate([empty])
    assert found.frames[0].reason == "no edge of it could be measured"
    assert (found.blur, found.judged, found.mtf_loss_high95) == (None, None, None)


@pytest.mark.parametrize("pupil_ratio", [0.0, -1.0, math.nan])
def test_a_wrong_pupil_ratio_is_refused(pupil_ratio: float) -> None:
    with pytest.raises(ValueError, match="pupil_ratio"):
        estimate([frame(1.4, 0.5)], pupil_ratio=pupil_ratio)
