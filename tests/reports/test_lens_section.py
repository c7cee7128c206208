"""The model of the lens on the page: figures, rules, places, and what is left over."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from lab.inference.results import (
    ChannelOptimum,
    ConeResult,
    FieldPoint,
    FieldShape,
    FieldStop,
    LensFigure,
    LensResidual,
    LensResult,
    LensSeries,
    LensStop,
    RuleResult,
)
from reports.field_words import place_words, shape_sentences, sharpest_stop, stop_nearest
from reports.lens_section import lens_section
from reports.residual_figure import draw_residuals

# All invented.
POINT = FieldPoint(
    square="3",
    magnification=2.0,
    field_x=0.6,
    field_y=-0.45,
    x_object_mm=6.5,
    y_object_mm=-4.9,
    focus_offset_image_um=40.0,
    focus_offset_image_std_um=3.0,
    focus_offset_object_um=10.0,
    focus_offset_object_std_um=0.75,
    focus_shared_object_um=(0.1,),
    astigmatism_um=-21.0,
    astigmatism_std_um=4.0,
    coma2_um2=0.04,
    coma2_std_um2=0.01,
    stops=tuple(
        FieldStop(
            marked_stop=stop,
            mtf50_radial_cyc_per_mm=radial,
            mtf50_radial_std=0.3,
            mtf50_tangential_cyc_per_mm=circle,
            mtf50_tangential_std=0.4,
            percent_radial=71.0,
            percent_tangential=83.0,
        )
        for stop, radial, circle in ((2.8, 21.0, 30.0), (4.0, 33.0, 37.0), (5.6, 34.5, 36.0))
    ),
    chi_square=1.1,
    frames_used=17,
)
SHAPE = FieldShape(
    magnification=2.0,
    points_used=4,
    tilt_x_deg=-0.21,
    tilt_x_std_deg=0.02,
    tilt_y_deg=0.01,
    tilt_y_std_deg=0.02,
    curvature_corner_um=14.0,
    curvature_corner_std_um=2.0,
    chi_square=1.0,
    asymmetry_chance=0.4,
    asymmetry_azimuth_deg=10.0,
)
SERIES = LensSeries(
    magnification=2.0,
    stops=(
        LensStop(
            marked_stop=4.0,
            effective_f_number=12.9,
            effective_f_number_std=0.1,
            over_nominal=1.075,
            mtf50_image_cyc_per_mm=44.0,
            mtf50_std=0.4,
            diffraction_share=0.7,
            aberration_share=0.1,
            defocus_share=0.02,
            pixel_share=0.1,
            residual_share=0.08,
            beyond_model_percent=-0.4,
            focus_shift_um=-12.3,
            focus_shift_std_um=0.4,
        ),
    ),
    optimum_stop=4.3,
    channels=(
        ChannelOptimum(
            channel="white",
            optimum_stop=4.4,
            optimum_low95=4.1,
            optimum_high95=4.8,
            mtf50_image_cyc_per_mm=43.0,
        ),
    ),
    detail_um=4.4,
    detail_stop=4.1,
    detail_low95=3.9,
    detail_high95=4.3,
    rules=(
        RuleResult(
            rule="2x: f/8",
            verdict="too bold",
            reason="",
            probability=0.99,
            limit_stop=8.0,
            loss_percent=41.0,
            loss_low95=39.0,
            loss_high95=43.0,
            depth_given_away=None,
        ),
    ),
    field=(POINT,),
    shape=SHAPE,
    residuals=tuple(
        LensResidual(
            file=f"{k}.dng",
            marked_stop=4.0,
            channel="green",
            defocus_waves=-1 + k / 3,
            mtf=0.001 * (-1) ** k,
            mtf_std=0.001,
        )
        for k in range(7)
    ),
)
LENS = LensResult(
    figures=(LensFigure(name="pupil ratio", unit="", value=0.88, std=0.006, measured=True),),
    correlated=(),
    cones=(ConeResult(name="diffraction", over_nominal=1.08, std=0.002),),
    series=(SERIES,),
    chi_square=1.0,
    excess_percent=0.4,
    frames_in_doubt=("<b>6.dng",),
    describes=True,
    cannot_say=("One magnification only.",),
)


def seen(html: str) -> str:
    """Text as read, tags left out."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_the_section_holds_rules_shares_places_and_figures() -> None:
    page = seen(lens_section(LENS))
    for words in (
        "too bold: it costs more sharpness than permitted",
        "41 % (39 to 43)",
        "Lines 4.4 µm wide in the subject show most contrast at f/4.1",
        "white f/4.4 (f/4.1 to f/4.8)",
        "upper right, 75",
        "+10.0",
        "33.0 ±",
        "0.14 to 0.24",  # of coma: roots of 0.04 -+ 1.96 x 0.01
        "One magnification only.",
        "0.880 ± 0.006",
        "−12.3 ± 0.4",
    ):
        assert words in page.replace("\xa0", " "), words
    assert "&lt;" not in page.replace("&lt;b&gt;", "")  # no mark-up shown as text
    assert "<b>6" not in lens_section(LENS)


def test_a_model_that_does_not_describe_the_lens_says_so() -> None:
    page = seen(lens_section(replace(LENS, describes=False)))
    assert "does not describe this lens well" in page


def test_a_series_without_places_or_residuals_has_neither() -> None:
    bare = replace(SERIES, field=(), shape=None, residuals=(), detail_stop=None, channels=())
    page = lens_section(replace(LENS, series=(bare,)))
    assert "Places of the field" not in page
    assert "<figure" not in page
    assert draw_residuals(bare) is None


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [
        (0.5, 0.02, "right, 50"),
        (0.4, 0.3, "lower right, 50"),
        (-0.02, 0.5, "lower, 50"),
        (-0.6, -0.45, "upper left, 75"),
        (0.01, -0.5, "upper, 50"),
    ],
)
def test_places_are_named_as_the_frame_shows_them(x: float, y: float, words: str) -> None:
    assert place_words(replace(POINT, field_x=x, field_y=y)).startswith(words)


def test_stops_of_a_place() -> None:
    best = sharpest_stop(POINT)
    assert best is not None
    assert best.marked_stop == 5.6  # 34.5 x 36 is more than 33 x 37
    near = stop_nearest(POINT, 4.3)
    assert near is not None
    assert near.marked_stop == 4.0
    assert stop_nearest(POINT, None) == best
    assert sharpest_stop(replace(POINT, stops=())) is None
    assert stop_nearest(replace(POINT, stops=()), 4.0) is None


def test_squareness_is_told_with_its_mend() -> None:
    tilt, curvature, centring = shape_sentences(SHAPE)
    assert "away at the left side" in tilt
    assert "bring the target's left side nearer" in tilt  # the other axis is within its doubt
    assert "towards the lens" in curvature
    assert "no hint of decentring" in centring


def test_what_cannot_be_told_of_the_field_is_said() -> None:
    none = FieldShape(magnification=1.0, points_used=2, flags=("too-few-points",))
    assert shape_sentences(none) == ("Too few places were measured to tell tilt from curvature.",)
    flat = replace(SHAPE, tilt_x_deg=0.01, curvature_corner_um=-1.0)
    tilt, curvature, _ = shape_sentences(flat)
    assert "No tilt beyond the uncertainty" in tilt
    assert "flat as far as seen" in curvature
    leaning = replace(SHAPE, asymmetry_chance=0.0004, asymmetry_azimuth_deg=-92.0)
    assert "towards the upper side" in shape_sentences(leaning)[2]
    assert "below 0.1 %" in shape_sentences(leaning)[2]


def test_residuals_are_drawn_with_their_finding() -> None:
    drawn = draw_residuals(SERIES)
    assert drawn is not None
    assert "95 % of 7 readings" in drawn.caption
    assert "within 0.1 percent points" in drawn.caption
    assert drawn.svg.count("<use") >= 7  # a dot each
