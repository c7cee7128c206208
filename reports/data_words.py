"""What does each column, quantity and name in the data files mean, and in which unit?"""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["COLUMNS", "ENDINGS", "QUANTITIES", "Quantity"]


class Quantity(NamedTuple):
    """A quantity of data.csv: its meaning, unit, and side ("" where it has none)."""

    meaning: str
    unit: str
    side: str = ""


_CYC = "cycles per mm"
_EITHER = "image or object, as in its row"

COLUMNS = {
    "series": "Number of the magnification in the session, from 1",
    "trial": "Name of the trial",
    "magnification": "Nominal: image size over object size; no unit",
    "marked_stop": "Number on the ring; no unit",
    "effective_f_number": "F-number of the cone at the sensor; no unit",
    "subject": "What of the stop or series the figure is of: a frame, a square of the chart, a "
    "condition, a rule, a figure of the lens",
    "channel": "Raw colour, or white; where empty, the channel of the session",
    "quantity": "Name of the quantity; its own row in this table says what it is",
    "value": "The figure, in the unit of its row",
    "std": "Standard uncertainty of the value, in the same unit",
    "low95": "Lower end of its 95 % interval, in the same unit",
    "high95": "Upper end of its 95 % interval, in the same unit",
    "unit": "Unit of value, std, low95 and high95; empty = a pure number",
    "side": "image = on the sensor, object = in the subject; empty where neither applies",
    "note": "Flags and verdicts that go with the figure",
}

QUANTITIES = {
    "mtf50": Quantity(
        "Peak over focus of the frequency at which lens and pixel together keep half the "
        "contrast, at the field's centre",
        _CYC,
        _EITHER,
    ),
    "diffraction_mtf50": Quantity("The same by diffraction and pixel alone", _CYC, "image"),
    "percent_of_diffraction": Quantity("mtf50 over diffraction_mtf50", "%"),
    "best_focus": Quantity("Rail position of the peak, from the bracket's middle", "um", "object"),
    "frames_measured": Quantity("Frames that could be measured", "frames"),
    "frames_used": Quantity("Frames that shape the peak", "frames"),
    "frame_mtf50": Quantity(
        "MTF50 of one frame; in a trial, of the softer direction at its sharpest place",
        _CYC,
        "image",
    ),
    "frame_focus_position": Quantity(
        "Rail position of one frame, from the bracket's middle", "um", "object"
    ),
    "measured_magnification": Quantity("Magnification as the target shows it", ""),
    "optimum_stop": Quantity("Sharpest stop, as an exact f-number on the ring's scale", ""),
    "optimum_mtf50": Quantity("MTF50 at the sharpest stop", _CYC, "image"),
    "interpolated_optimum_stop": Quantity(
        "Sharpest stop by a smooth curve through the stops, without the model of the lens", ""
    ),
    "deepest_sharp_stop": Quantity(
        "Largest f-number that loses no more than the permitted share of the optimum's MTF50", ""
    ),
    "lateral_colour_px": Quantity(
        "How far the colour's image lies outside green's at the frame's corner", "px", "image"
    ),
    "lateral_colour": Quantity("The same as a length", "um", _EITHER),
    "focus_difference": Quantity("Best focus of the colour less that of green", "um", "object"),
    "model_effective_f_number": Quantity("Effective f-number by the fitted model of the lens", ""),
    "model_mtf50": Quantity("MTF50 by the fitted model of the lens", _CYC, "image"),
    "model_optimum_stop": Quantity("Sharpest stop by the fitted model of the lens", ""),
    "model_optimum_mtf50": Quantity("MTF50 at that stop, by the model", _CYC, "image"),
    "model_deepest_sharp_stop": Quantity("Deepest sharp stop by the fitted model of the lens", ""),
    "loss_share": Quantity(
        "Share of the lost contrast that the cause in subject takes; a stop's add up to 1", ""
    ),
    "beyond_model": Quantity("What the bracket showed beyond the model, in frequency", "%"),
    "focus_shift": Quantity("Best focus against that of the first stop", "um", "object"),
    "channel_optimum_stop": Quantity("Sharpest stop in one colour at its own best focus", ""),
    "channel_optimum_mtf50": Quantity("MTF50 there", _CYC, "image"),
    "detail_stop": Quantity("Stop at which lines of that width have the most contrast", ""),
    "rule_stop": Quantity("Stop that the rule of thumb names", ""),
    "rule_loss": Quantity("MTF50 lost at that stop against the optimum", "%"),
    "rule_depth_given_away": Quantity(
        "Depth of field of the deepest sharp stop over that of the rule's stop", ""
    ),
    "field_x": Quantity("Place in the frame, right of its centre, half the diagonal = 1", ""),
    "field_y": Quantity("Place in the frame, below its centre, half the diagonal = 1", ""),
    "focus_offset": Quantity("Focus at the place against that on axis", "um", _EITHER),
    "astigmatism": Quantity(
        "Focus of contrast along the field's radius less that along its circle", "um", "image"
    ),
    "coma": Quantity("Path length at the rim of the widest stop", "um"),
    "field_mtf50_radial": Quantity(
        "MTF50 of contrast along the field's radius, at the place's best focus", _CYC, "image"
    ),
    "field_mtf50_tangential": Quantity(
        "MTF50 of contrast along the field's circle, at the place's best focus", _CYC, "image"
    ),
    "tilt_x": Quantity("Tilt of the target: > 0 where its right side recedes", "deg", "object"),
    "tilt_y": Quantity("Tilt of the target: > 0 where its lower side recedes", "deg", "object"),
    "field_curvature": Quantity(
        "How far a flat target lies beyond focus at the frame's corners", "um", "object"
    ),
    "lens_figure": Quantity(
        "Figure of the fitted model of the lens that subject names", "as in its row"
    ),
    "effective_over_nominal": Quantity(
        "Effective f-number over marked stop x (1 + magnification), by one property alone", ""
    ),
    "keeper_limit": Quantity("Least MTF50 of a keeper", _CYC, "image"),
    "frames_counted": Quantity("Frames measured, and rejected as too blurred", "frames"),
    "keepers": Quantity("Frames at or above keeper_limit", "frames"),
    "keeper_share": Quantity("keepers over frames_counted", ""),
    "median_mtf50": Quantity("Median of the condition's frames", _CYC, "image"),
    "frames_for_one": Quantity("Frames that bring at least one keeper in 95 % of tries", "frames"),
    "exposure": Quantity("Shutter time", "s"),
    "flash_t01": Quantity("Time for which the flash is above a tenth of its peak", "s"),
    "ambient_share": Quantity("Share of the exposure that is not the flash's", ""),
    "median_speed": Quantity("Median speed of movement", "um per s", "object"),
    "p90_speed": Quantity("Speed that nine in ten frames do not pass", "um per s", "object"),
    "keeper_share_difference": Quantity("Difference of two conditions' keeper_share", ""),
    "median_mtf50_difference": Quantity(
        "Difference of two conditions' median_mtf50", _CYC, "image"
    ),
    "movement": Quantity("Length of the movement that blurred the frame", "um", _EITHER),
    "movement_axis": Quantity(
        "Axis of the movement, clockwise from the right as the frame is seen", "deg"
    ),
    "speed": Quantity("Speed of the movement; 0 where none shows", "um per s", "object"),
    "defocus": Quantity("Defocus at the pupil's rim", "waves"),
}

ENDINGS = {
    "_std": "standard uncertainty, in the unit of the figure beside it",
    "_low95": "lower end of a 95 % interval",
    "_high95": "upper end of a 95 % interval",
    "_um": "micrometres; _image_ on the sensor, _object_ in the subject",
    "_mm": "millimetres",
    "_px": "widths of a pixel",
    "_deg": "degrees",
    "_s": "seconds",
    "_um_per_s": "micrometres a second, in the subject",
    "_um2": "square micrometres",
    "_cyc_per_mm": "cycles per mm; _image_ on the sensor, _object_ in the subject",
    "_percent": "per cent",
    "_waves": "wavelengths of path length at the pupil's rim",
    "_stop": "f-number on the ring's scale",
    "_share": "part of the whole, 0 to 1",
    "_p": "chance of as large a difference where there is none, 0 to 1",
}
