"""What ``stopwise inspect`` prints of the target's own edge.

A verdict stands where the figures are sure of it, with them; else what would tell more.
It computes nothing but percentages.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import typer

from lab.cli.terminal import print_wrapped

if TYPE_CHECKING:
    from lab.session.target_estimate import FrameTarget, TargetEstimate

__all__ = ["print_target"]


def print_target(estimate: TargetEstimate) -> None:
    """What the frames say of the target's own edge."""
    from targets.fidelity import DEFAULT_LOSS

    typer.echo("The target's edge (from the edges near each frame's centre, um on the target)")
    for frame in estimate.frames:
        print_wrapped(f"{frame.file} ({_where(frame)}): {_frame_words(frame)}")
    blur, judged, highest = estimate.blur, estimate.judged, estimate.mtf_loss_high95
    if blur is None or judged is None or highest is None:
        return
    place = f"of the contrast at diffraction's MTF50 at {_where(judged)}"
    limit = f"the limit of {_percent(DEFAULT_LOSS)} %"
    loss, lowest = estimate.mtf_loss, estimate.mtf_loss_low95
    if loss is None or lowest is None:
        print_wrapped(
            f"Its own blur is at most {_um(blur.blur_upper95_um)} um (95 %, standard deviation): "
            f"no more than {_percent(highest)} % {place}, even if lens, focus and movement added "
            "nothing."
        )
        if highest <= DEFAULT_LOSS:
            print_wrapped(f"Within {limit}: it serves.")
            return
        print_wrapped(
            f"{_raggedness_words(judged, limit)}Frames at a second magnification, same stop and "
            "best focus, tell its blur from the lens's."
        )
        return
    print_wrapped(
        f"Its own blur is {_um(blur.blur_um)} um (95 %: {_um(blur.blur_low95_um)} to "
        f"{_um(blur.blur_high95_um)}; standard deviation, raggedness included). Lens, focus and "
        f"movement add {_um(blur.residual_image_um)} um on the sensor."
    )
    verdict = f"these frames cannot tell whether it keeps within {limit}"
    if highest <= DEFAULT_LOSS:
        verdict = f"within {limit}, it serves"
    elif lowest > DEFAULT_LOSS:
        verdict = f"above {limit}"
    print_wrapped(
        f"It takes {_percent(loss)} % (95 %: {_percent(lowest)} to {_percent(highest)}) {place}: "
        f"{verdict}."
    )
    print_wrapped(
        "This holds for frames in best focus at one stop. Aberration that grows with the "
        "magnification is counted as the target's."
    )


def _raggedness_words(frame: FrameTarget, limit: str) -> str:
    """What the contour alone takes, where it is sure to keep to the limit or not to."""
    from lab.edges.target_quality import least_raggedness
    from targets.fidelity import DEFAULT_LOSS, edge_mtf_loss

    value, std = frame.raggedness_object_um, frame.raggedness_std_um
    if value is None or std is None:
        return ""
    f, hidden = frame.diffraction_mtf50_object_cyc_per_mm, least_raggedness(value, std)
    ends = (value, max(value - 1.96 * std, 0.0), max(value + 1.96 * std, hidden))
    taken, low, high = (float(edge_mtf_loss(f, 0.0, ragged_um)) for ragged_um in ends)
    if value > hidden and low > DEFAULT_LOSS:
        return (
            f"Its raggedness alone takes {_percent(taken)} % (95 %: {_percent(low)} to "
            f"{_percent(high)}), above {limit}: a straighter edge shows more of the lens. "
        )
    if high <= DEFAULT_LOSS:
        return f"Its raggedness alone takes at most {_percent(high)} %, within {limit}. "
    return ""


def _where(frame: FrameTarget) -> str:
    return f"{frame.magnification:g}x, f/{frame.marked_stop:g}"


def _frame_words(frame: FrameTarget) -> str:
    from lab.edges.target_quality import least_raggedness

    value, std = frame.raggedness_object_um, frame.raggedness_std_um
    if value is None or std is None:
        ragged = "raggedness unknown"
    elif value > least_raggedness(value, std):
        ragged = f"raggedness {_um(value)} (uncertainty {_um(std)})"
    else:
        ragged = f"no raggedness beyond noise, which hides {_um(least_raggedness(value, std))}"
    if frame.excess is None:
        return f"{ragged}; its blur is left out: {frame.reason}."
    left = math.sqrt(max(frame.excess.variance_um2, 0.0)) / frame.magnification
    edges = "1 edge" if frame.edges == 1 else f"{frame.edges} edges"
    return f"{edges}, {ragged}; blur beyond diffraction and pixel {_um(left)}."


def _percent(share: float) -> str:
    return f"{100 * share:.1f}"


def _um(value: float | None) -> str:
    """Micrometres to two decimals, or to three figures where they are many."""
    assert value is not None
    return f"{value:.2f}" if value < 10 else f"{value:.3g}"
