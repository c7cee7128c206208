"""What do the places of the field say, in words: how square, how flat, how well centred?

Directions are those of the picture as the frame shows it. Nothing is measured here.
"""

from __future__ import annotations

import math

from lab.inference.results import FieldPoint, FieldShape, FieldStop
from reports import words
from reports.squaring import squaring_words

__all__ = [
    "place_words",
    "radius_percent",
    "shape_sentences",
    "sharpest_stop",
    "stop_nearest",
]

_SIDES = (
    *("right", "lower right", "lower", "lower left"),
    *("left", "upper left", "upper", "upper right"),
)
_SURE = 1.96  # standard uncertainties
_HINT = 0.01  # chance of as much asymmetry in a centred lens, below which it is told
_FLAGS = {
    "too-few-points": "Too few places were measured to tell tilt from curvature.",
    "points-in-a-line": "The places measured lie in a line: tilt and curvature cannot be told.",
    "positions-unknown": "Frames rocked by hand do not tell on which side of focus a place lies.",
    "shape-does-not-fit": "The places do not lie on a plane and a bowl: is the target flat?",
    "model-does-not-fit": "Some places do not fit the model: their figures are in doubt.",
}


def place_words(point: FieldPoint) -> str:
    """``upper left, 75 %``: side of the frame, and the way from centre to corner."""
    eighth = round(math.degrees(math.atan2(point.field_y, point.field_x)) / 45) % 8
    return f"{_SIDES[eighth]}, {words.number(radius_percent(point), 0)}\xa0%"


def radius_percent(point: FieldPoint) -> float:
    """The way from centre to corner at which a place lies. [%]."""
    return 100 * math.hypot(point.field_x, point.field_y)


def stop_nearest(point: FieldPoint, stop: float | None) -> FieldStop | None:
    """The place's figures at the measured stop nearest to one; without one, its sharpest."""
    if not point.stops:
        return None
    if stop is None:
        return sharpest_stop(point)
    return min(point.stops, key=lambda one: abs(math.log(one.marked_stop / stop)))


def sharpest_stop(point: FieldPoint) -> FieldStop | None:
    """The measured stop with the highest MTF50, geometric mean of both directions."""
    return max(
        point.stops,
        key=lambda one: one.mtf50_radial_cyc_per_mm * one.mtf50_tangential_cyc_per_mm,
        default=None,
    )


def shape_sentences(shape: FieldShape) -> tuple[str, ...]:
    """Tilt with what to do about it, curvature, and a hint of decentring where there is one."""
    out = [_FLAGS[flag] for flag in shape.flags if flag in _FLAGS]
    if shape.tilt_x_deg is not None and shape.tilt_y_deg is not None:
        out += [_tilt(shape), _curvature(shape), _centring(shape)]
    return tuple(sentence for sentence in out if sentence)


def _tilt(shape: FieldShape) -> str:
    axes = (
        (shape.tilt_x_deg, shape.tilt_x_std_deg, ("right", "left")),
        (shape.tilt_y_deg, shape.tilt_y_std_deg, ("lower", "upper")),
    )
    found, moves = [], []
    for value, std, (positive, negative) in axes:
        if value is None or std is None:
            continue
        side = positive if value > 0 else negative
        found.append(f"{words.plus_minus(abs(value), std, 3)}° away at the {side} side")
        if abs(value) > _SURE * std:
            moves.append(side)
    advice = (
        f" To square it, {squaring_words(moves)}." if moves else " No tilt beyond the uncertainty."
    )
    return f"Target against the plane in focus: {', '.join(found)}.{advice}"


def _curvature(shape: FieldShape) -> str:
    bend, std = shape.curvature_corner_um, shape.curvature_corner_std_um
    if bend is None or std is None:
        return ""
    size = words.plus_minus(abs(bend), std, 1)
    if abs(bend) <= _SURE * std:
        return f"Field curvature: {size} µm in the subject at the corners: flat as far as seen."
    side = "towards" if bend > 0 else "away from"
    return f"Field curvature: at the corners focus lies {size} µm {side} the lens, in the subject."


def _centring(shape: FieldShape) -> str:
    chance, azimuth_deg = shape.asymmetry_chance, shape.asymmetry_azimuth_deg
    if chance is None or azimuth_deg is None:
        return ""
    if chance > _HINT:
        return "Coma and astigmatism are alike all round: no hint of decentring."
    side = _SIDES[round(azimuth_deg / 45) % 8]
    shown = "below 0.1 %" if chance < 0.001 else f"{words.number(100 * chance, 1)} %"
    return (
        f"Coma and astigmatism grow towards the {side} side; a centred lens shows as much with a "
        f"chance of {shown}: it may be decentred, or the chart's centre off the axis."
    )
