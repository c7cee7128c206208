"""What does the optical model of a session say, in tables and plain sentences?

``lens_section``: the lens's fitted figures, what takes the contrast at each stop, the
rules of thumb, and what these frames cannot say.
"""

from __future__ import annotations

from collections.abc import Mapping

from lab.inference.results import LensResult, LensSeries, RuleResult
from reports import words
from reports.drawing import Drawings
from reports.field_figure import draw_field
from reports.field_section import field_section, field_sentences
from reports.markup import figure, prose, table, text
from reports.page_controls import series_part
from reports.residual_figure import draw_residuals

__all__ = ["lens_section"]

# A dash to see, words to hear.
_NO_DEPTH = '<span role="img" aria-label="none">-</span>'
_VERDICTS = {
    "holds": "holds",
    "too cautious": "too cautious: one may stop down further",
    "too bold": "too bold: it costs more sharpness than permitted",
    "cannot tell": "cannot tell",
}


def lens_section(
    lens: LensResult,
    *,
    drawings: Drawings | None = None,
    object_ratios: Mapping[float, float] | None = None,
) -> str:
    """The section of the page, headings included.

    Parameters
    ----------
    lens : LensResult
    drawings : Drawings, optional
        Of the report, where it shows them elsewhere too.
    object_ratios : mapping, optional
        Of a magnification, object-side over image-side frequency; without it tables show the
        image side alone. [-], > 0
    """
    drawings = Drawings() if drawings is None else drawings
    quality = (
        f"All frames, colours and magnifications together; brackets scatter "
        f"{words.number(lens.excess_percent, 1)} % about the model."
    )
    if not lens.describes:
        quality += " It does not describe this lens well: the interpolated optimum is given above."
    parts = [
        '<h2 id="lens">The lens, from all frames together</h2>',
        f"<p>{prose(quality)}</p>",
    ]
    if any(one.rules for one in lens.series):
        parts.append(_rules(lens))
    for index, one in enumerate(lens.series, start=1):
        ratio = (object_ratios or {}).get(one.magnification)
        parts.append(_at_one(one, index, drawings, ratio))
    parts.append(_figures(lens))
    if lens.cannot_say:
        items = "\n".join(
            f"<li>{text(words.with_micro(sentence))}</li>" for sentence in lens.cannot_say
        )
        parts.append(f"<h3>What these frames cannot say</h3>\n<ul>\n{items}\n</ul>")
    if lens.frames_in_doubt:
        parts.append(f"<p>Frames that do not fit: {text(', '.join(lens.frames_in_doubt))}.</p>")
    return "\n".join(part for part in parts if part)


def _at_one(series: LensSeries, index: int, drawings: Drawings, ratio: float | None) -> str:
    """All of one magnification, in parts that a reader may hide."""
    drawn = (
        ("field", drawings.of(draw_field, series, f"field-{index}")),
        ("residuals", drawings.of(draw_residuals, series, f"residuals-{index}")),
    )
    figures = [figure(one, attributes=f' data-part="{p}"') for p, one in drawn if one is not None]
    parts = (
        f'<div data-part="{series_part(series.magnification)}">',
        f"<h3>At {text(words.magnification_words(series.magnification))}</h3>",
        _part("tables", _shares(series)),
        _detail(series),
        "\n".join(('<div class="pair">', *figures, "</div>")) if figures else "",
        _part("tables", field_section(series, object_ratio=ratio)),
        field_sentences(series),
        "</div>",
    )
    return "\n".join(part for part in parts if part)


def _part(part: str, html: str) -> str:
    return f'<div data-part="{part}">\n{html}\n</div>' if html else ""


def _detail(series: LensSeries) -> str:
    """In which stop fine lines stand out most, by colour and for a detail."""
    sentences = []
    if series.detail_um is not None and series.detail_stop is not None:
        span = words.stop_span(series.detail_low95, series.detail_high95)
        sentences.append(
            f"Lines {words.number(series.detail_um, 1)} µm wide in the subject show most contrast "
            f"at {words.estimated_stop(series.detail_stop)} (95 % interval {span})."
        )
    if series.channels:
        listed = "; ".join(
            f"{one.channel} {words.estimated_stop(one.optimum_stop)} "
            f"({words.stop_span(one.optimum_low95, one.optimum_high95)})"
            for one in series.channels
        )
        sentences.append(f"Sharpest stop by colour: {listed}.")
    return f"<p>{prose(' '.join(sentences))}</p>" if sentences else ""


def _rules(lens: LensResult) -> str:
    rows = [_rule_row(series, one) for series in lens.series for one in series.rules]
    caption = (
        "Rules of thumb (common practice) put to the test. Loss: of MTF50 at the rule's limit "
        "against the optimum, 95 % interval. Depth: of field at the deepest sharp stop over that "
        "at the limit."
    )
    head = ("Series", "Rule: not past", "Verdict", "Probability", "Loss at its limit", "Depth")
    parts = [series_part(series.magnification) for series in lens.series for _ in series.rules]
    return table(caption, head, rows, parts=parts)


def _rule_row(series: LensSeries, one: RuleResult) -> tuple[str, ...]:
    loss = "not measured"
    if one.loss_percent is not None and one.loss_low95 is not None:
        digits = words.telling_digits(one.loss_low95, one.loss_high95, 0)
        span = words.interval_words(one.loss_low95, one.loss_high95, digits)
        loss = f"{words.number(one.loss_percent, digits)} % ({span})"
    depth = (
        _NO_DEPTH if one.depth_given_away is None else f"{words.number(one.depth_given_away, 1)} ×"
    )
    verdict = _VERDICTS[one.verdict] + (f" ({text(one.reason)})" if one.reason else "")
    return (
        words.magnification_words(series.magnification),
        text(one.rule),
        verdict,
        f"{words.number(100 * one.probability, 0)} %",
        loss,
        depth,
    )


def _shares(series: LensSeries) -> str:
    rows = [
        (
            words.marked_stop(stop.marked_stop),
            words.plus_minus(stop.effective_f_number, stop.effective_f_number_std, 2),
            *(
                f"{words.number(100 * share, 0)} %"
                for share in (
                    stop.diffraction_share,
                    stop.aberration_share,
                    stop.defocus_share,
                    stop.pixel_share,
                    stop.residual_share,
                )
            ),
            f"{words.number(stop.beyond_model_percent, 1, signed=True)} %",
            words.plus_minus(stop.focus_shift_um, stop.focus_shift_std_um, 1, signed=True),
        )
        for stop in series.stops
    ]
    caption = (
        f"At {words.magnification_words(series.magnification)}: effective "
        "f\N{NON-BREAKING HYPHEN}number by the model, what takes the contrast at MTF50 (shares "
        "add up to 100 %), and focus shift: how far the model's best focus moves in the subject "
        "from that of the first stop, by spherical aberration alone. Frames' focus positions do "
        "not enter it."
    )
    head = (
        "Marked stop",
        "Effective f\N{NON-BREAKING HYPHEN}number by the model",
        "Diffraction",
        "Spherical aberration",
        "Focus",
        "Pixel",
        "Residual blur",
        "Beyond the model",
        "Focus shift, µm",
    )
    return table(caption, head, rows, wide=True)


def _figures(lens: LensResult) -> str:
    rows = [
        (
            text(one.name),
            words.plus_minus(one.value, one.std, 3)
            + (f" {text(words.with_micro(one.unit))}" if one.unit else ""),
            "measured" if one.measured else "not measured: as known beforehand",
        )
        for one in lens.figures
    ]
    rows += [
        (
            f"effective f\N{NON-BREAKING HYPHEN}number over N (1 + m), by {text(cone.name)} alone",
            words.plus_minus(cone.over_nominal, cone.std, 3),
            "measured",
        )
        for cone in lens.cones
    ]
    return table(
        "Figures of the lens and rig, ± 1 standard uncertainty.", ("What", "Value", ""), rows
    )
