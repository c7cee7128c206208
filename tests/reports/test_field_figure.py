"""From the centre to the corners: what is drawn, what is said, and when nothing is."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from lab.inference.results import FieldPoint, LensSeries
from reports.drawing import PALETTE
from reports.field_figure import draw_field
from reports.field_section import field_section
from reports.field_words import radius_percent
from reports.lens_section import lens_section
from reports.page_controls import series_part
from tests.reports.test_lens_section import LENS, POINT, SERIES


def lower(point: FieldPoint, share: float) -> FieldPoint:
    """Half as far from the centre on the other side, its MTF50 times ``share``."""
    return replace(
        point,
        field_x=-0.5 * point.field_x,
        field_y=-0.5 * point.field_y,
        stops=tuple(
            replace(
                one,
                mtf50_radial_cyc_per_mm=share * one.mtf50_radial_cyc_per_mm,
                mtf50_tangential_cyc_per_mm=share * one.mtf50_tangential_cyc_per_mm,
            )
            for one in point.stops
        ),
    )


def two_stops() -> LensSeries:
    first = SERIES.stops[0]
    wide = replace(first, marked_stop=2.8, mtf50_image_cyc_per_mm=35.0, mtf50_std=0.5)
    return replace(SERIES, stops=(wide, first), field=(POINT, lower(POINT, 0.9)))


def marks(svg: str) -> list[tuple[float, float]]:
    """Dots of contrast along the radius, with that of the key."""
    found = re.findall(
        rf'<use [^>]*x="([\d.]+)" y="([\d.]+)" style="fill: {PALETTE["measured"]}', svg
    )
    return [(float(x), float(y)) for x, y in found]


def test_the_caption_states_the_weakest_place_and_its_interval() -> None:
    """Exact: 0.9 x 33 of 44 cycles/mm; 0.3 and 0.4 combine to 0.915 percent points."""
    drawn = draw_field(two_stops())
    assert drawn is not None
    assert drawn.caption.startswith(
        "Least of the centre's MTF50 that a place keeps at 2× and f/4: 67.5 % (95 % interval "
        "65.7 to 69.3) along the radius at lower left, 38\xa0% of the way to the corner."
    )
    assert "Places lie 38 to 75 % of the way to the corner" in drawn.caption
    for words in ("dots, contrast along the radius", "squares, along the circle", "95 % bars"):
        assert words in drawn.caption
    assert drawn.alternative.startswith("2 graphs, one for each stop")
    assert "f/2.8: centre by the model 35.0 cycles/mm; least kept 54.0 %" in drawn.alternative
    assert "95 % interval" in drawn.alternative


def test_each_place_stands_at_its_way_from_the_centre_and_at_what_it_keeps() -> None:
    """Exact: the picture's own scale is read off two panels that share it."""
    drawn = draw_field(two_stops())
    assert drawn is not None
    panels = [marks(drawn.svg)[k : k + 2] for k in (0, 2)]
    kept = [[100 * v / c for v in (r, 0.9 * r)] for r, c in ((21.0, 35.0), (33.0, 44.0))]
    ways = [radius_percent(POINT), 0.5 * radius_percent(POINT)]
    assert ways == pytest.approx([75.0, 37.5])
    per_percent = (panels[0][0][0] - panels[0][1][0]) / (ways[0] - ways[1])
    assert panels[1][0][0] - panels[1][1][0] == pytest.approx(37.5 * per_percent, abs=0.02)
    rise = (panels[0][1][1] - panels[0][0][1]) / (kept[0][0] - kept[0][1])
    assert rise > 0
    assert panels[1][1][1] - panels[1][0][1] == pytest.approx(
        rise * (kept[1][0] - kept[1][1]), abs=0.02
    )
    # The level of the second panel's first place against the first panel's: one scale.
    assert panels[0][0][1] - panels[1][0][1] == pytest.approx(
        rise * (kept[1][0] - kept[0][0]), abs=0.02
    )


def test_the_stop_nearest_the_optimum_is_marked_and_no_other() -> None:
    drawn = draw_field(two_stops())
    assert drawn is not None
    assert re.findall(r">(f/[^<]*)<", drawn.svg) == ["f/2.8", "f/4, nearest the optimum"]
    without = draw_field(replace(two_stops(), optimum_stop=None))
    assert without is not None
    assert re.findall(r">(f/[^<]*)<", without.svg) == ["f/2.8", "f/4"]
    assert "at 2× and f/4" in without.caption  # the sharpest


def test_without_places_or_centre_nothing_is_drawn() -> None:
    assert draw_field(replace(SERIES, field=())) is None
    assert draw_field(replace(SERIES, stops=())) is None
    other = replace(SERIES.stops[0], marked_stop=22.0)
    assert draw_field(replace(SERIES, stops=(other,))) is None
    dark = replace(SERIES.stops[0], mtf50_image_cyc_per_mm=0.0)
    assert draw_field(replace(SERIES, stops=(dark,))) is None


def test_an_absurd_bar_leaves_the_others_readable() -> None:
    wild = replace(
        POINT, stops=tuple(replace(one, mtf50_tangential_std=1e6) for one in POINT.stops)
    )
    drawn = draw_field(replace(two_stops(), field=(wild, POINT)))
    assert drawn is not None
    ticks = [float(t) for t in re.findall(r"text-anchor: end[^>]*>(\d+)<", drawn.svg)]
    assert max(ticks) <= 250


def test_a_flat_field_lies_in_the_middle_of_its_panel() -> None:
    """Exact: places within 2 % of the centre; the axis runs 10 % to both sides of them."""
    first = two_stops().stops[1]
    level = first.mtf50_image_cyc_per_mm
    flat = replace(
        POINT,
        stops=tuple(
            replace(
                one,
                mtf50_radial_cyc_per_mm=0.99 * level,
                mtf50_tangential_cyc_per_mm=0.98 * level,
                mtf50_radial_std=0.001,
                mtf50_tangential_std=0.001,
            )
            for one in POINT.stops
        ),
    )
    one = replace(two_stops(), stops=(replace(first, mtf50_std=0.001),), field=(flat,))
    drawn = draw_field(one)
    assert drawn is not None
    found = re.findall(r'text-anchor: end[^>]*y="([\d.]+)">(\d+)<', drawn.svg)
    at = {int(value): float(y) for y, value in found}
    assert min(at) <= 92 and max(at) >= 105
    assert at[min(at)] > at[100] > at[max(at)]


def test_parts_of_a_magnification_can_be_hidden_together() -> None:
    html = lens_section(LENS)
    part = series_part(2.0)
    start = html.index(f'<div data-part="{part}">')
    for piece in ("<h3>At ", "Places of the field", 'data-part="field"', 'data-part="residuals"'):
        assert html.index(piece) > start, piece
    assert f'<tr data-part="{part}"><th scope="row">2×</th><td><bdi>2x: f/8' in html
    # The figures of lens and rig are those of all magnifications.
    assert html.index("Figures of the lens and rig") > html.index("</div>\n", start)


def test_the_table_of_places_follows_the_side_that_is_chosen() -> None:
    html = field_section(SERIES, object_ratio=2.006)
    assert '<span data-object="MTF50 along the radius, object side">' in html
    assert '<span data-object="66.2 ± 0.6">33.0 ± 0.3</span>' in html.replace("\xa0", " ")
    assert "data-object" not in field_section(SERIES)
