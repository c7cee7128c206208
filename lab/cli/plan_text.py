"""A plan as the lines that ``stopwise plan`` prints, 80 columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import typer

from lab.cli.summary import print_left_ended, rule_text, stop_text
from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.aperture_limits import ApertureLimit, Criteria
    from lab.session.plan import Plan, PlanPoint, PlanSeries

__all__ = ["print_plan", "target_sentences"]

_HEADS = (
    *("stop", "eff.", "image", "object", "Nyq.", "wave", "geom.", "step"),
    *("n", "light", "hand "),
)
_COLUMNS = 80
_MARK_OF = {"within": "", "wider": "*", "smaller": "+"}
_MARKS = {
    "*": "*: wider than this lens opens: none of its stops is wide enough.",
    "+": "+: beyond its smallest stop: none of its stops goes too far.",
}


def print_plan(plan: Plan, criteria: Criteria, limits: Sequence[ApertureLimit]) -> None:
    """Each magnification's stops, then limits, light and target, then what is assumed."""
    pitch = plan.rig.body.pixel_pitch_um
    typer.echo(f"{plan.rig.name}, {pitch:g} um pixels, light of {1e3 * plan.wavelength_um:g} nm")
    for series in plan.series:
        _print_series(series)
    typer.echo()
    print_wrapped(
        "Stops are exact: f/2.8 is 2.83, f/11 is 11.3. eff.: f-number at the sensor; image, "
        "object: MTF50 of diffraction and pixel, cycles per mm on the sensor and in the subject; "
        "Nyq.: its share of half a cycle a pixel, percent; "
        "wave, geom.: depth in um, within a quarter wave and a blur disc of two pixels; step, n: "
        "of the rail in um, and frames, to bracket the peak; light: stops to add; hand: longest "
        "exposure that costs no more than a tenth of the contrast at MTF50"
        + (", !: the light below lasts longer." if _is_any_over_budget(plan) else ".")
    )
    _print_limits(plan, criteria, limits)
    _print_light(plan)
    _print_target(plan)
    typer.echo("\nTaken for granted, until 'stopwise fit' measures it")
    for sentence in plan.assumptions:
        print_wrapped(sentence, indent="- ")


def _print_series(series: PlanSeries) -> None:
    from lab.session.new_session import ring_text, setting_text

    said = f"{series.magnification:.4g}x. {setting_text(series)}"
    if series.optics.per_marked is not None:
        said += f" Effective = {series.optics.per_marked:.3f} x the exact stop."
    typer.echo()
    print_wrapped(said)
    points = series.shot_points
    print_table(_HEADS, [_row(series, point) for point in points])
    if any(point.is_front_limited for point in points):
        last = max(
            (p for p in series.points if p.is_front_limited), key=lambda p: p.marked_stop or 0
        )
        print_wrapped(
            f"Down to {ring_text(last)} what stands before the lens sets the cone: "
            "the ring changes nothing there."
        )
    if "rail-too-coarse" in series.flags:
        print_wrapped("The rail's finest step is coarser than a bracket wants at some stop.")


def _is_any_over_budget(plan: Plan) -> bool:
    return any(s.is_over_budget(p) for s in plan.series for p in s.shot_points)


def _row(series: PlanSeries, point: PlanPoint) -> list[str]:
    from lab.session.new_session import ring_text

    mark = "!" if series.is_over_budget(point) else " "
    return [
        ring_text(point),
        f"{point.effective_f_number:.1f}",
        f"{point.mtf50_image_cyc_per_mm:.1f}",
        f"{point.mtf50_object_cyc_per_mm:.0f}",
        f"{point.nyquist_percent:.0f}",
        _length(point.depth_wave_um),
        _length(point.depth_geometric_um),
        f"{point.focus_step_um:g}",
        str(point.frames),
        "-" if point.added_stops is None else f"{point.added_stops:+.1f}",
        f"{_time(point.longest_exposure_s)}{mark}",
    ]


def _length(um: float) -> str:
    return f"{um:.0f}" if um >= 10 else f"{um:.1f}"


def _time(seconds: float) -> str:
    """As on a shutter, to two digits."""
    if seconds >= 0.3:
        return f"{seconds:.2g}"
    return f"1/{float(f'{1 / seconds:.2g}'):.0f}"


def _print_limits(plan: Plan, criteria: Criteria, limits: Sequence[ApertureLimit]) -> None:
    from lab.session.plan_target import equivalent_stop

    with_detail = criteria.detail_um is not None
    typer.echo("\nHow far to stop down, by criterion and by rule of thumb")
    header = ["size", "pitch", f"{criteria.loss_percent:g} % off", f"{criteria.airy_pixels:g} px"]
    header += ["print", *([f"{criteria.detail_um:g} um"] if with_detail else [])]
    rows = []
    for one in limits:
        stops = [one.loss_stop, one.pixels_stop, one.print_stop]
        cells = [f"{stop_text(stop)}{_mark(one, stop) or ' '}" for stop in stops]
        if one.is_detail_finer:
            cells.append("finer ")
        elif with_detail:
            cells.append(f"{stop_text(one.detail_stop)}{_mark(one, one.detail_stop) or ' '}")
        rows.append([f"{one.magnification:.4g}x", f"{one.pixel_pitch_um:g}", *cells])
    _print_with_rules(header, rows, limits)
    marks = {
        _mark(one, stop)
        for one in limits
        for stop in (
            *(one.loss_stop, one.pixels_stop, one.print_stop, one.detail_stop),
            *(stop for _, stop in one.rules),
        )
    }
    said = [words for mark, words in _MARKS.items() if mark in marks]
    if said:
        print_wrapped(" ".join(said))
    if plan.series[0].optics.per_marked is None:
        print_wrapped(
            "An objective has no ring: these are stops of a symmetric lens, on whose ring it would "
            "stand at "
            + ", ".join(
                f"{stop_text(equivalent_stop(s.points[0].effective_f_number, s.magnification))} "
                f"({s.magnification:.4g}x)"
                for s in plan.series
            )
            + "."
        )
    detail_said = (
        ""
        if not with_detail
        else f" {criteria.detail_um:g} um: lines and gaps of that width keep "
        f"{100 * criteria.contrast:g} % of their contrast (-: at no stop; finer: than the pixels)."
    )
    print_wrapped(
        f"{criteria.loss_percent:g} % off: MTF50 lost from the widest stop of a perfect lens. "
        f"{criteria.airy_pixels:g} px: the Airy disc is that wide. print: it is as wide as the "
        "sensor's diagonal / 1500, the blur that prints bear: on 36 x 24 mm the rules for 2x, 3x "
        "and 4x say just this; f/11 scaled is f/11 / (1 + m), twice as strict."
        f"{detail_said} A real lens is soft wide open, so "
        "its best stop lies further down: measure it."
    )


def _mark(limit: ApertureLimit, stop: float | None) -> str:
    """What to put behind a limit that lies beyond the lens's stops; empty within them."""
    return "" if stop is None else _MARK_OF[limit.on_lens(stop)]


def _print_with_rules(
    header: list[str], rows: list[list[str]], limits: Sequence[ApertureLimit]
) -> None:
    """The table with the rules of thumb behind it, on as many lines as 80 columns need."""
    widths = [max(len(row[i]) for row in (header, *rows)) for i in range(len(header))]
    room = _COLUMNS - sum(widths) - 2 * len(widths)
    table = []
    for row, one in zip(rows, limits, strict=True):
        lines: list[str] = []
        for text, stop in one.rules:
            said = _rule(text, stop) + _mark(one, stop)
            if lines and len(lines[-1]) + len(said) + 3 <= room:  # a blank, and a comma or two
                lines[-1] += f", {said}"
            else:
                lines = [*(f"{line}," if line is lines[-1] else line for line in lines), said]
        empty = [""] * len(row)
        table += [[*(empty if k else row), line] for k, line in enumerate(lines or ["-"])]
    print_left_ended([[*header, "rules of thumb"], *table])


def _rule(text: str, stop: float) -> str:
    """A rule as written where it names the ring, else with where it comes to stand."""
    return (
        f"f/11 scaled: {stop_text(stop)}"
        if text == "infinity f/11"
        else (rule_text(text) if ": " in text else f"{text}: {stop_text(stop)}")
    )


def _print_light(plan: Plan) -> None:
    one = plan.shooting
    sizes = ", ".join(f"{s.hand_blur_um:.2g} um at {s.magnification:.4g}x" for s in plan.series)
    budgets = [p.blur_budget_um for s in plan.series for p in s.shot_points]
    typer.echo("\nLight and movement")
    print_wrapped(
        f"With ambient light {one.ambient_under_stops:g} stops under, flash makes "
        f"{100 * (1 - one.ambient_share):.1f} % of the picture. Shutter {_time(one.shutter_s)} s "
        f"and flash {_time(one.flash_s)} s (t0.1) then blur like {_time(one.effective_exposure_s)} "
        f"s: a hand that moves {one.hand_speed_mm_per_s:g} mm/s smears {sizes} on the sensor. "
        f"The budget is {_budget_text(budgets)}."
    )
    print_wrapped(
        f"{_over_budget_text(plan)} Never look into the flash at close range; heads get hot."
    )


def _budget_text(budgets_um: Sequence[float]) -> str:
    """Blur that the stops bear: one value where they read alike."""
    least, most = (f"{v:.2g} um" for v in (min(budgets_um), max(budgets_um)))
    return least if least == most else f"{least} to {most}, from the widest stop to the smallest"


def _over_budget_text(plan: Plan) -> str:
    """Which stops a hand smears in the planned light, and the mend."""
    from lab.session.new_session import ring_text

    over = {
        series.magnification: [ring_text(p) for p in series.shot_points if series.is_over_budget(p)]
        for series in plan.series
    }
    said = ", ".join(
        f"{size:.4g}x "
        + ("at every stop" if len(stops) == len(series.shot_points) else f"at {', '.join(stops)}")
        for (size, stops), series in zip(over.items(), plan.series, strict=True)
        if stops
    )
    if not said:
        return "No stop is over budget in the hand."
    return (
        f"Over budget in the hand (!): {said}. Put the rig on a support, darken the room, or turn "
        "the flash down, which shortens it."
    )


def _print_target(plan: Plan) -> None:
    typer.echo("\nThe target")
    for sentence in target_sentences(plan):
        print_wrapped(sentence)


def target_sentences(plan: Plan) -> tuple[str, ...]:
    """How the edge must be made and lit, a line each."""
    from lab.session.plan_target import plan_lighting, plan_need

    need = plan_need(plan)
    serving = [one.key for one in need.technologies if one.serves]
    made = (
        f"Made: the edge may be {need.blur_limit_um:.2g} um wide (one deviation) for "
        f"{need.magnification:.4g}x; "
        + (
            f"served by {', '.join(serving)}."
            if serving
            else "no usual one is that sharp: measure yours and state its blur."
        )
    )
    advice = plan_lighting(plan)
    if advice is None:
        return made, "Lit: no diffuser fills so wide a cone; use a condenser of its own."
    width, height = (math.ceil(side) for side in advice.diffuser_mm)
    return made, (
        f"Lit: from behind, through an even diffuser of {width} x {height} mm or more, "
        f"{advice.diffuser_distance_mm:g} mm behind the edge; 'stopwise target' says more."
    )
