"""What did each stop and each colour of one magnification give, in figures?

``stop_table``: every stop's peak, uncertainty and predicted diffraction.
``colour_table``: where red and blue lie against green. Both are HTML and print
the record as it is, each figure to the digits that its uncertainty carries.
"""

from __future__ import annotations

from lab.inference.results import SeriesResult
from reports import words
from reports.markup import table, text

__all__ = ["colour_table", "stop_table"]

_NOT_MEASURED = "not measured"


def stop_table(series: SeriesResult) -> str:
    """The measured stops of one magnification, a row each."""
    digits = words.decimals([p.mtf50_std for p in series.points])
    head = (
        "Marked stop",
        "Effective f\N{NON-BREAKING HYPHEN}number",
        "MTF50, image side",
        "95 % interval",
        "MTF50, object side",
        "Predicted diffraction, image side",
        "Share of diffraction",
        "Best focus, µm",
        "Frames used of measured",
        "Flags",
    )
    rows = [
        (
            words.marked_stop(p.marked_stop),
            words.number(p.effective_f_number),
            words.plus_minus(p.mtf50_image_cyc_per_mm, p.mtf50_std, digits),
            words.interval_words(p.mtf50_low95, p.mtf50_high95, digits),
            words.number(p.mtf50_object_cyc_per_mm, digits),
            words.number(p.diffraction_mtf50_image_cyc_per_mm, digits),
            _percent(p.percent_of_diffraction),
            words.number(p.best_focus_um, 0),
            f"{p.frames_used} of {p.frames_measured}",
            ", ".join(text(words.flag_words(flag)) for flag in p.flags) or "none",
        )
        for p in series.points
    ]
    caption = (
        f"Stops measured at {words.magnification_words(series.magnification)}. Frequencies in "
        "cycles/mm, with ± 1 standard uncertainty; image side is on the sensor."
    )
    return table(caption, head, rows, wide=True)


def colour_table(series: SeriesResult) -> str:
    """Lateral and longitudinal colour of one magnification, a row for each raw colour.

    Raises
    ------
    ValueError
        If the series holds no colours.
    """
    if not series.colours:
        raise ValueError("a table of colours needs at least one")
    px_digits = words.decimals([c.lateral_corner_std_px for c in series.colours])
    focus_digits = words.decimals([c.focus_difference_std_um for c in series.colours])
    # A pixel is some micrometres wide: one decimal fewer is as fine.
    um_digits = max(1, px_digits - 1)
    head = (
        "Channel",
        "Shift at the corner, px",
        "The same on the sensor, µm",
        "The same at the subject, µm",
        "Shift of best focus, µm",
    )
    rows = [
        (
            text(c.channel),
            words.plus_minus(
                c.lateral_corner_px,
                c.lateral_corner_std_px,
                px_digits,
                missing=_NOT_MEASURED,
                signed=True,
            ),
            *(
                words.number(um, um_digits, missing=_NOT_MEASURED, signed=True)
                for um in (c.lateral_corner_image_um, c.lateral_corner_object_um)
            ),
            words.plus_minus(
                c.focus_difference_um,
                c.focus_difference_std_um,
                focus_digits,
                missing=_NOT_MEASURED,
                signed=True,
            ),
        )
        for c in series.colours
    ]
    caption = (
        f"Colour at {words.magnification_words(series.magnification)}, "
        f"{words.marked_stop(series.colours[0].marked_stop)}: each raw colour's place against "
        "green's, with ± 1 standard uncertainty. At the frame's corner (lateral colour) outwards "
        "is positive; best focus (longitudinal colour) is on the object side, positive the way "
        "focus positions rise."
    )
    return table(caption, head, rows)


def _percent(value: float) -> str:
    known = words.number(value, 0)
    return known if known == "unknown" else f"{known} %"
