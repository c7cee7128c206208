"""A depth plan as the lines and the JSON that ``stopwise depth`` prints, 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from lab.cli.summary import stop_text
from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.inference.depth import BestStop
    from lab.inference.depth_plan import CropComparison, DepthPlan, StopDepth

__all__ = ["plan_document", "print_finer", "print_plan"]


def _value(plan: DepthPlan, value: float, std: float = 0.0) -> str:
    """Sharpness as the plan counts it; what is lost in words."""
    if value == 0:
        return "lost"
    scale = 1.0 if plan.detail_um is None else 100.0
    shown = f"{value * scale:.1f}"
    return shown if std == 0 else f"{shown} ± {std * scale:.1f}"


def _what(plan: DepthPlan) -> str:
    return "anything" if plan.detail_um is None else f"{plan.detail_um:g} um lines"


def _unit(plan: DepthPlan) -> str:
    return " cy/mm" if plan.detail_um is None else " %"


def _interval(plan: DepthPlan, best: BestStop) -> str:
    if best.held_low95 is None or best.held_high95 is None:
        return ""
    return f" (95 %: {_value(plan, best.held_low95)} to {_value(plan, best.held_high95)})"


def print_plan(
    plan: DepthPlan, marked: tuple[float, ...], comparison: CropComparison | None
) -> None:
    """Each stop's figures, then the best single shot, the stack and the crop.

    Parameters
    ----------
    plan : DepthPlan
    marked : tuple of float
        Number on the ring of each of the plan's stops.
    comparison : CropComparison or None
    """
    sharp = "MTF50 in the subject, cycles per mm"
    if plan.detail_um is not None:
        sharp = f"contrast of {plan.detail_um:g} um lines and gaps, percent"
    typer.echo(f"{plan.magnification:.4g}x, {plan.depth_um:g} um deep; sharpness: {sharp}")
    timed = any(point.time_s is not None for point in plan.points)
    header = ["stop", "effective", "in focus", f"held over {plan.depth_um:g} um"]
    header += [f"{plan.loss_percent:g} % depth, um", "frames", "time"]
    print_table(
        header if timed else header[:-1],
        [
            _row(plan, stop, point)[: None if timed else -1]
            for stop, point in zip(marked, plan.points, strict=True)
        ],
    )
    best, unit = plan.best, _unit(plan)
    at_end = " (end)" if "best-stop-at-end" in best.flags else ""
    between = (
        ""
        if best.low95 is None
        else f" (95 %: {stop_text(best.low95)} to {stop_text(best.high95)})"
    )
    if best.held > 0:
        print_wrapped(
            f"one shot: {stop_text(best.stop)}{at_end}{between}, effective "
            f"{best.f_number:.1f}, holds "
            f"{_value(plan, best.held)}{unit}{_interval(plan, best)}, "
            f"{_value(plan, best.focused)}{unit} in focus; the closed form "
            f"(blur of defocus = of diffraction) gives {stop_text(plan.equal_blurs_stop)}"
        )
    else:
        print_wrapped(
            f"one shot: no stop here holds {_what(plan)} over {plan.depth_um:g} um; "
            "the closed form (blur of defocus = of diffraction) gives "
            f"{stop_text(plan.equal_blurs_stop)}"
        )
    stack = plan.stack
    if stack.frames is None:
        typer.echo(f"stack: no stop here shows {_what(plan)} even in focus")
    else:
        end = " (end)" if "best-stop-at-end" in plan.sharpest.flags else ""
        spread = f" ± {stack.depth_std_um:.2g}" if stack.depth_std_um else ""
        time = "" if stack.time_s is None else f", {_time(stack.time_s)}"
        print_wrapped(
            f"stack: sharpest at {stop_text(stack.stop)}{end}, {_value(plan, stack.focused)}"
            f"{unit}, step {stack.depth_um:.3g}{spread} um, {stack.frames} frames{time}"
        )
    if comparison is not None:
        _print_comparison(plan, comparison)


def _row(plan: DepthPlan, marked: float, point: StopDepth) -> list[str]:
    spread = f" ± {point.depth_std_um:.1f}" if point.depth_std_um else ""
    return [
        stop_text(marked),
        f"{point.effective_f_number:.1f}",
        _value(plan, point.focused, point.focused_std),
        _value(plan, point.held, point.held_std),
        "-" if point.frames is None else f"{point.depth_um:.1f}{spread}",
        "-" if point.frames is None else str(point.frames),
        "-" if point.time_s is None else _time(point.time_s),
    ]


def _time(seconds: float) -> str:
    """Minutes and seconds; seconds alone below two minutes."""
    whole = round(seconds)
    return f"{seconds:.3g} s" if whole < 120 else f"{whole // 60} min {whole % 60:02d} s"


def _print_comparison(plan: DepthPlan, comparison: CropComparison) -> None:
    other = comparison.cropped
    width = 100 * comparison.crop_width
    held = (
        "loses the detail"
        if other.held <= 0
        else f"holds {_value(plan, other.held)}{_unit(plan)}{_interval(plan, other)}"
    )
    full = f"{plan.magnification:.4g}x"
    if comparison.better == "cannot tell":
        said = "which shows more cannot be told"
        if comparison.ratio_low95 is not None and comparison.ratio_high95 is not None:
            said += (
                f" ({full} over the crop, 95 %: {comparison.ratio_low95:.3f} to "
                f"{comparison.ratio_high95:.3f})"
            )
    else:
        winner = f"the full frame at {full}" if comparison.better == "full" else "the crop"
        said = f"{winner} shows {_more(comparison)}"
    print_wrapped(
        f"against {comparison.cropped_magnification:.4g}x cropped to {width:.0f} % of its width "
        f"({width**2 / 100:.0f} % of the pixels): at {stop_text(other.stop)} it {held} over the "
        f"same depth; {said}"
    )


def _more(comparison: CropComparison) -> str:
    """By how much the better one is ahead, as a share of what the other holds."""
    ratio, low, high = comparison.ratio, comparison.ratio_low95, comparison.ratio_high95
    if ratio is None or ratio == 0:
        return "what the other loses"
    if comparison.better == "cropped":
        ratio = 1 / ratio
        low, high = (None, None) if low is None or high is None else (1 / high, 1 / low)
    shown = f"{100 * (ratio - 1):.1f} % more"
    if low is not None and high is not None:
        shown += f" (95 %: {100 * (low - 1):.1f} to {100 * (high - 1):.1f} %)"
    return shown


def print_finer(plan: DepthPlan) -> None:
    """What a figure finer than the pixels' limit means."""
    wanted = "MTF50 in focus is" if plan.detail_um is None else f"{plan.detail_um:g} um lines are"
    print_wrapped(
        f"note: at {plan.magnification:.4g}x {wanted} finer than half a cycle a pixel; the lens "
        "shows it, but the pixels mix it with false patterns."
    )


def plan_document(
    plan: DepthPlan,
    marked: tuple[float, ...],
    comparison: CropComparison | None,
    criterion: tuple[float, float] | None,
) -> dict[str, Any]:
    """The same figures for machines; ``None`` where there is none."""
    from dataclasses import asdict

    out = {
        "magnification": plan.magnification,
        "depth_um": plan.depth_um,
        "detail_um": plan.detail_um,
        "sharpness": "mtf50_object_cyc_per_mm" if plan.detail_um is None else "contrast",
        "loss_percent": plan.loss_percent,
        "stops": [
            {"marked_stop": stop, **asdict(point)}
            for stop, point in zip(marked, plan.points, strict=True)
        ],
        "one_shot": _best_document(plan.best),
        "equal_blurs_stop": plan.equal_blurs_stop,
        "sharpest": _best_document(plan.sharpest),
        "stack": asdict(plan.stack),
        "flags": list(plan.flags),
        "against": None,
        "published_criterion_stops": None if criterion is None else list(criterion),
    }
    if comparison is not None:
        out["against"] = {
            "magnification": comparison.cropped_magnification,
            "crop_width": comparison.crop_width,
            "one_shot": _best_document(comparison.cropped),
            "ratio": comparison.ratio,
            "ratio_low95": comparison.ratio_low95,
            "ratio_high95": comparison.ratio_high95,
            "better": comparison.better,
        }
    return out


def _best_document(best: BestStop) -> dict[str, Any]:
    return {
        "stop": best.stop,
        "low95": best.low95,
        "high95": best.high95,
        "effective_f_number": best.f_number,
        "held": best.held,
        "held_low95": best.held_low95,
        "held_high95": best.held_high95,
        "focused": best.focused,
        "flags": list(best.flags),
    }
