"""What did the session find, on one page that needs nothing else?

``render_page`` words a `SessionResult` as a single HTML file: the answer for
each magnification first, then figures and tables, how it was measured, what to
doubt, and where every figure comes from. It requests nothing and is whole without
its script, which lets a reader choose and look closer. It names no file: frames are
counted. The same result gives the same bytes. Nothing is measured here; with
`SimulatedTruth` the page sets a simulation's known values beside the result.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path

from lab.inference.results import (
    SIMULATED_WORDS,
    LensResult,
    SeriesResult,
    SessionResult,
    StopPoint,
    is_simulated,
)
from lab.inference.trial_records import TrialResult
from reports import words
from reports.care import CARE
from reports.drawing import Drawings
from reports.figures import draw_focus, draw_mtf
from reports.first_screen import first_screen
from reports.lens_section import lens_section
from reports.markup import document, figure, prose, table, text
from reports.page_controls import Parts, controls, parts_of, series_part
from reports.page_script import SCRIPT
from reports.stops_figure import draw_stops
from reports.tables import colour_table, plot_attributes, stop_table, with_effective_stops
from reports.trial_section import trial_section

__all__ = ["SimulatedTruth", "render_page", "write_page"]


@dataclass(frozen=True, kw_only=True)
class SimulatedTruth:
    """What a simulated session's frames were rendered from.

    Attributes
    ----------
    points : tuple of (magnification, marked_stop, mtf50_image_cyc_per_mm)
        True peak MTF50 of each stop.
    optimum_stops : tuple of (magnification, optimum_stop)
        True optimum of each magnification.
    """

    points: tuple[tuple[float, float, float], ...]
    optimum_stops: tuple[tuple[float, float], ...]


_NEUTRAL = re.compile(r"frame-\d+")  # a name that says nothing of its owner


def write_page(
    result: SessionResult,
    path: str | Path,
    *,
    truth: SimulatedTruth | None = None,
    trials: Sequence[TrialResult] = (),
    drawings: Drawings | None = None,
) -> None:
    """Write the page of a session as UTF-8.

    Parameters
    ----------
    result : SessionResult
        The session.
    path : str or Path
        The file to write; its folder must exist.
    truth : SimulatedTruth, optional
    trials : sequence of TrialResult
    drawings : Drawings, optional
        See `render_page`.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    page = render_page(result, truth=truth, trials=trials, drawings=drawings)
    Path(path).write_text(page, encoding="utf-8", newline="\n")


def render_page(
    result: SessionResult,
    *,
    truth: SimulatedTruth | None = None,
    trials: Sequence[TrialResult] = (),
    drawings: Drawings | None = None,
) -> str:
    """The page of a session as one HTML text.

    Parameters
    ----------
    result : SessionResult
        The session.
    truth : SimulatedTruth, optional
        For a simulated session: the page then compares truth and result. That it is
        simulated stands at its top without it too, where the result says so.
    trials : sequence of TrialResult
        The session's, each a section of its own.
    drawings : Drawings, optional
        Of the report, where it shows them elsewhere too.
    """
    drawings = Drawings() if drawings is None else drawings
    header = [
        f"<h1>{text(result.name)}</h1>",
        f'<p class="quiet">{text(result.lens_name)} on {text(result.body_name)}, '
        f"{text(result.channel)} channel.</p>",
    ]
    if truth is not None or is_simulated(result):
        link = '<a href="#truth">The simulated truth</a> stands beside the result.'
        header.append(
            '<p class="simulated" role="note"><strong>Simulated session.</strong> '
            f"{SIMULATED_WORDS}{'' if truth is None else f' {link}'}</p>"
        )
    parts = parts_of(result, trials, with_truth=truth is not None)
    main = [
        first_screen(result, tuple(part for part, _ in parts.series)),
        _links(result, trials, parts),
        controls(parts),
    ]
    for index, (one, (part, _)) in enumerate(zip(result.series, parts.series, strict=True), 1):
        main.append(_section(_series(one, index, parts, drawings), part, "series"))
    if result.lens is not None:
        lens = _without_names(result.lens, result)
        ratios = dict(_object_ratios(result))
        section = lens_section(lens, drawings=drawings, object_ratios=ratios)
        main.append(_section(section, "lens"))
    for index, trial in enumerate(trials, start=1):
        section = trial_section(trial, name=f"trial-{index}", drawings=drawings)
        main.append(_section(section, f"trial-{index}"))
    if truth is not None:
        main.append(_section(_truth(result, truth), "truth"))
    main += [_method(result), _doubt(result, trials), CARE, _provenance(result)]
    return document(
        f"{result.name} | stopwise",
        "\n".join(header),
        "\n".join(main),
        "<p>Made by stopwise. This page is one file and asks nothing of any network.</p>",
        script=SCRIPT,
    )


def _section(html: str, part: str, kind: str = "part") -> str:
    return f'<div class="{kind}" data-part="{part}">\n{html}\n</div>'


def _links(result: SessionResult, trials: Sequence[TrialResult], parts: Parts) -> str:
    links = [
        (part, f"series-{index}", f"Measured at {name}")
        for index, (part, name) in enumerate(parts.series, start=1)
    ]
    if result.lens is not None:
        links.append(("lens", "lens", "The lens and the rules of thumb"))
    links += [
        (f"trial-{index}", f"trial-{index}", f"Trial: {text(one.name)}")
        for index, one in enumerate(trials, start=1)
    ]
    links += [("", "method", "How this was measured"), ("", "doubt", "What to doubt")]
    items = "".join(
        f'<li{_named(part)}><a href="#{target}">{said}</a></li>' for part, target, said in links
    )
    return f'<nav aria-label="On this page"><ul class="links">{items}</ul></nav>'


def _named(part: str) -> str:
    return f' data-part="{part}"' if part else ""


def _without_names(lens: LensResult, result: SessionResult) -> LensResult:
    """The model with frames in doubt counted, unless their names are neutral."""
    named = lens.frames_in_doubt
    if all(_NEUTRAL.fullmatch(name) for name in named):
        return lens
    count = f"{len(named)} of {sum(result.frames_by_status.values()) or len(named)}"
    return replace(lens, frames_in_doubt=(count,))


def _object_ratios(result: SessionResult) -> Iterator[tuple[float, float]]:
    """Object-side over image-side frequency at each magnification, as its records have it."""
    for series in result.series:
        ratios = (
            point.mtf50_object_cyc_per_mm / point.mtf50_image_cyc_per_mm
            for point in series.points
            if words.has_mtf50(point)
        )
        ratio = next(ratios, math.nan)
        if 0 < ratio < math.inf:
            yield series.magnification, ratio


def _series(series: SeriesResult, index: int, parts: Parts, drawings: Drawings) -> str:
    said = [
        f'<h2 id="series-{index}">Measured at '
        f"{words.magnification_words(series.magnification)}</h2>",
        f'<p class="quiet">{prose(words.capital(words.measured_magnification_words(series)))}.</p>',
    ]
    if series.points:
        stops = drawings.of(draw_stops, series, f"stops-{index}")
        if stops is not None:
            plot = plot_attributes(series, stops, table_name=f"stop-table-{index}")
            stops = with_effective_stops(series, stops)
            said.append(figure(stops, attributes=' data-part="stops"', plot=plot))
        pair = (
            ("mtf", drawings.of(draw_mtf, series, f"mtf-{index}")),
            ("focus", drawings.of(draw_focus, series, f"focus-{index}")),
        )
        said.append('<div class="pair">')
        said += [
            figure(one, attributes=f' data-part="{part}"') for part, one in pair if one is not None
        ]
        said += [
            "</div>",
            '<div data-part="tables">',
            stop_table(series, name=f"stop-table-{index}"),
        ]
        if series.colours:
            colours = tuple(parts.colour(one.channel) for one in series.colours)
            said.append(colour_table(series, parts=colours))
        said.append("</div>")
    else:
        said.append("<p>No stop of this series could be measured.</p>")
    return "\n".join(said)


def _truth(result: SessionResult, truth: SimulatedTruth) -> str:
    rows: list[tuple[str, ...]] = []
    inside: list[bool] = []
    errors: list[float] = []
    for magnification, stop, true in truth.points:
        point = _find_point(result, magnification, stop)
        name = f"{words.magnification_words(magnification)}, {words.marked_stop(stop)}"
        if point is None or not words.has_mtf50(point):
            rows.append((name, words.number(true, 2), "not measured", "unknown", "unknown"))
            continue
        error = 100 * (point.mtf50_image_cyc_per_mm / true - 1)
        errors.append(abs(error))
        holds = _holds(point.mtf50_low95, point.mtf50_high95, true, inside)
        measured = words.plus_minus(point.mtf50_image_cyc_per_mm, point.mtf50_std, 2)
        difference = f"{words.number(error, signed=True)} %"
        rows.append((name, words.number(true, 2), measured, difference, holds))
    optimum_rows: list[tuple[str, ...]] = []
    optimum_inside: list[bool] = []
    for magnification, true in truth.optimum_stops:
        series = _find_series(result, magnification)
        measured_stop = None if series is None else series.optimum_stop
        difference = "unknown"
        if measured_stop is not None and math.isfinite(measured_stop):
            stops = 2 * math.log2(measured_stop / true)
            difference = f"{words.number(stops, 2, signed=True)} stops"
        holds = (
            "unknown"
            if series is None
            else _holds(series.optimum_low95, series.optimum_high95, true, optimum_inside)
        )
        optimum_rows.append(
            (
                words.magnification_words(magnification),
                words.estimated_stop(true, 2),
                words.estimated_stop(measured_stop, 2),
                "unknown"
                if series is None
                else words.stop_span(series.optimum_low95, series.optimum_high95, 2),
                difference,
                holds,
            )
        )
    largest = f"The largest difference is {words.number(max(errors), 1)} %." if errors else ""
    finding = (
        "The simulation knows each value it rendered; the measurement did not. "
        f"The 95 % interval of MTF50 holds the truth at {sum(inside)} of {len(inside)} stops; "
        f"that of the optimum at {sum(optimum_inside)} of {len(optimum_inside)} "
        f"magnifications. {largest}"
    )
    return "\n".join(
        (
            '<h2 id="truth">Simulated truth beside the result</h2>',
            f"<p>{prose(finding)}</p>",
            table(
                "True and measured peak MTF50, image side, cycles/mm (± 1 standard uncertainty).",
                ("Stop", "Truth", "Measured", "Difference", "Inside 95 % interval?"),
                rows,
                parts=[series_part(magnification) for magnification, _, _ in truth.points],
            ),
            table(
                "True and measured optimum.",
                (
                    "Series",
                    "Truth",
                    "Measured",
                    "95 % interval",
                    "Difference",
                    "Inside it?",
                ),
                optimum_rows,
                parts=[series_part(magnification) for magnification, _ in truth.optimum_stops],
            ),
        )
    )


def _method(result: SessionResult) -> str:
    ratio = f"{words.number(result.pupil_ratio, 3)}, {text(_ratio_source(result))}"
    focal = words.number(result.focal_length_mm, missing="not stated")
    rows = [
        ("Body", text(result.body_name)),
        ("Lens", text(result.lens_name)),
        ("Focal length", focal if focal == "not stated" else f"{focal} mm"),
        ("Pixel pitch", f"{words.number(result.pixel_pitch_um, 2)} µm"),
        ("Pupil ratio (exit over entrance)", ratio),
        ("Channel", text(result.channel)),
        (
            "Wavelength",
            f"{words.number(result.wavelength_um, 3)} µm ({text(result.light_source)})",
        ),
    ]
    return f"""<h2 id="method">How this was measured</h2>
<p>A slanted edge was photographed in a bracket through focus at every stop. In each frame the
edge gives the MTF of lens and pixel together, in one raw colour, without sharpening. MTF50 is the
frequency at which that MTF falls to one half: higher is sharper. The figure of a stop is the peak
of its through-focus bracket, not its luckiest frame.</p>
<p>Image-side frequencies are counted on the sensor. Object-side ones are the image-side ones times
the magnification: how fine a detail of the subject still shows. The effective f-number is the
marked stop times 1 + magnification / pupil ratio. Predicted diffraction is that of a perfect lens
at the effective f-number, with the same pixel and colour, so it compares like with like.</p>
<p>The optimum is that of one optical model fitted to all frames (pupil ratio, ring, spherical
aberration, residual blur), or, where that does not describe the lens, of a smooth curve through
the stops, which is the curve drawn. The large figure on each card is the measured stop nearest to
the optimum. ± is one standard uncertainty unless 95 % is said. The cost of one stop further
is the difference of two measured stops, their uncertainties taken as independent; where no such
stop was measured it is read off the curve.</p>
{table("Rig and light.", ("What", "Value"), rows)}"""


def _doubt(result: SessionResult, trials: Sequence[TrialResult]) -> str:
    cautions = "\n".join(
        f"<li>{text(words.with_micro(caution))}</li>" for caution in result.cautions
    )
    parts = ['<h2 id="doubt">What to doubt</h2>']
    parts.append(f"<ul>\n{cautions}\n</ul>" if cautions else "<p>No caution was recorded.</p>")
    places: dict[str, dict[str, list[str]]] = {}
    for flag, where, what in _flags(result):
        places.setdefault(flag, {}).setdefault(where, []).append(what)
    if places:
        rows = [
            (
                text(words.flag_words(flag)),
                escape(words.flag_sentence(flag) or "") or "No explanation is kept for this flag.",
                ";<br>".join(f"{where}: {', '.join(what)}" for where, what in found.items()),
            )
            for flag, found in sorted(places.items())
        ]
        parts.append(table("Flags raised, and where.", ("Flag", "What it means", "Where"), rows))
    else:
        parts.append("<p>No flag was raised.</p>")
    if result.frames_by_status:
        of_trials = Counter(frame.status for trial in trials for frame in trial.frames)
        counts = [
            (
                text(status),
                str(result.frames_by_status.get(status, 0)),
                *((str(of_trials[status]),) if trials else ()),
            )
            for status in sorted({*result.frames_by_status, *of_trials})
        ]
        if trials:
            head: tuple[str, ...] = ("Status", "Frames of the stops", "Frames of trials")
        else:
            head = ("Status", "Frames")
        parts.append(table("Frames by what became of them.", head, counts))
    return "\n".join(parts)


def _provenance(result: SessionResult) -> str:
    if not result.provenance:
        return "<h2>Where the figures come from</h2>\n<p>No provenance was recorded.</p>"
    rows = [(text(key), text(value)) for key, value in sorted(result.provenance.items())]
    caption = "What these figures can be computed again from."
    return f"<h2>Where the figures come from</h2>\n{table(caption, ('What', 'Value'), rows)}"


def _flags(result: SessionResult) -> Iterator[tuple[str, str, str]]:
    """Each flag with the series and what in it raised the flag."""
    for flag in result.flags:
        yield flag, "Session", "all of it"
    for series in result.series:
        where = words.magnification_words(series.magnification)
        for flag in series.flags:
            yield flag, where, "the series"
        for point in series.points:
            stop = words.marked_stop(point.marked_stop)
            samples = point.focus_samples
            in_frames = Counter(flag for sample in samples for flag in set(sample.flags))
            for flag in sorted({*point.flags, *in_frames}):
                count = in_frames[flag]
                share = f" ({count} of {len(samples)} frames)" if count else ""
                yield flag, where, stop + share


def _holds(low95: float | None, high95: float | None, true: float, tally: list[bool]) -> str:
    """Yes, no or unknown; the known ones are tallied."""
    if low95 is None or high95 is None or not (math.isfinite(low95) and math.isfinite(high95)):
        return "unknown"
    tally.append(low95 <= true <= high95)
    return "yes" if tally[-1] else "no"


def _find_series(result: SessionResult, magnification: float) -> SeriesResult | None:
    matches = (s for s in result.series if math.isclose(s.magnification, magnification))
    return next(matches, None)


def _find_point(result: SessionResult, magnification: float, stop: float) -> StopPoint | None:
    series = _find_series(result, magnification)
    points = () if series is None else series.points
    return next((p for p in points if math.isclose(p.marked_stop, stop)), None)


def _ratio_source(result: SessionResult) -> str:
    if result.pupil_ratio_source == "assumed":
        return "assumed: effective f-numbers and predicted diffraction rest on it"
    return f"from {result.pupil_ratio_source}"
