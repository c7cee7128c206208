"""What ``stopwise inspect`` prints: one screen a frame, and the target's edge.

The screen answers in order: is it well exposed, how sharp is it where, what took the
rest, what to do. It computes nothing but percentages.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import typer

from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.edges.loss import Cause, FrameLoss
    from lab.edges.loss_evidence import Place
    from lab.frames.exposure import Exposure
    from lab.session.store import EdgeRecord
    from lab.session.target_estimate import FrameTarget, TargetEstimate

__all__ = ["Inspected", "print_edges", "print_frame", "print_target"]

_SHOWN_STOPS = 0.05  # less would read as 0.0


@dataclass(frozen=True, kw_only=True)
class Inspected:
    """A measured frame without its pixels; ``slate`` is what one in the frame says, or ""."""

    name: str
    shape: tuple[int, int]
    is_mosaic: bool
    clipped_percent: float
    flags: tuple[str, ...]
    reason: str
    records: tuple[EdgeRecord, ...]
    raggedness_px: tuple[float | None, ...]  # of each record
    more: bool
    slate: str
    exposure: Exposure
    loss: FrameLoss


def print_frame(one: Inspected, most: int) -> None:
    """The one-screen answer for a frame."""
    _print_head(one)
    if one.reason:
        print_wrapped(f"Nothing to measure: {one.reason}", hanging="")
        return
    rejected = [r for r in one.records if r.status != "measured"]
    measured = [r for r in one.records if r.status == "measured"]
    if measured:
        by_direction = {w for place in one.loss.places for w in place.by_direction}
        ways = [w for w in ("vertical", "horizontal") if w in by_direction]
        print_table(
            ["place", "edges", "MTF50 cy/px", "95 %", *ways],
            [_place_row(place, ways) for place in one.loss.places],
        )
    _print_rejected(rejected)
    if one.more:
        print_wrapped(f"More edges were found than the {most} measured; --most raises the limit.")
    _print_flags(measured)
    _print_verdict(one)


def _print_head(one: Inspected) -> None:
    kind = "raw mosaic" if one.is_mosaic else "finished picture"
    typer.echo(
        f"{one.name}: {one.shape[1]} x {one.shape[0]} px, {kind}, "
        f"{one.clipped_percent:.1f} % clipped"
    )
    if "tone-mapped" in one.flags:
        print_wrapped(
            "Not raw: tone curve and sharpening of the picture change MTF50. "
            "The figures below are indicative only.",
            hanging="",
        )
    if one.slate:
        print_wrapped(f"Slate: {one.slate}", hanging="")
    print_wrapped(f"Exposure: {_exposure_words(one.exposure)}")
    light = _light_words(one.exposure)
    if light:
        print_wrapped(f"Light: {light}")


def _exposure_words(exposure: Exposure) -> str:
    clipped = [c for c in exposure.channels if c.is_clipped]
    if clipped:
        said = ", ".join(f"{c.channel} {100 * c.clipped_share:.2g} %" for c in clipped)
        words = [f"clipped: {said}"]
    else:
        words = [
            f"{exposure.nearest_channel} brightest, {exposure.headroom_stops:.1f} stops below "
            "clipping"
        ]
    if exposure.step_in_noise is not None:
        words.append(f"step {exposure.step_in_noise:.0f} times the noise")
    change = exposure.advice_stops
    if change == 0:
        advice = "leave it"
    else:
        advice = f"{'raise' if change > 0 else 'lower'} it by {abs(change):.1f} stops"
    if exposure.advice_reason and not clipped:
        advice += f" ({exposure.advice_reason})"
    elif clipped:
        advice += ", then look again"
    return f"{'; '.join(words)}. Advice: {advice}."


def _light_words(exposure: Exposure) -> str:
    parts = []
    corners, sides = exposure.corner_falloff_stops, exposure.side_to_side_stops
    if corners is not None and abs(corners) >= _SHOWN_STOPS:
        less = 100 * (1 - 2**-corners)
        darker = "darker" if corners >= 0 else "brighter"
        parts.append(
            f"corners {abs(corners):.1f} stops ({abs(less):.0f} %) {darker} than the centre"
        )
    if sides is not None and sides >= _SHOWN_STOPS:
        parts.append(f"{exposure.brighter_side} {sides:.1f} stops brighter than the other side")
    if not parts:
        return "" if corners is None or sides is None else "even over the frame."
    uneven = "uneven-light" in exposure.flags
    return ", ".join(parts) + (". Too uneven: move or widen the light." if uneven else ".")


def _place_row(place: Place, ways: Sequence[str]) -> list[str]:
    value, std = place.mtf50_cyc_per_px, place.mtf50_std
    ends = [place.by_direction.get(way) for way in ways]
    return [
        place.name,
        str(place.edges),
        f"{value:.4f}",
        f"{value - 1.96 * std:.4f} to {value + 1.96 * std:.4f}",
        *("-" if end is None else f"{end[0]:.4f}" for end in ends),
    ]


def _print_rejected(rejected: Sequence[EdgeRecord]) -> None:
    """How many, and the reason of most of them, figures aside; --edges has every one."""
    import re

    groups: dict[str, list[str]] = {}
    for record in rejected:
        groups.setdefault(re.sub(r"\d+(\.\d+)?", "", record.reason), []).append(record.reason)
    if not groups:
        return
    most = max(groups.values(), key=len)
    edges = "1 edge" if len(rejected) == 1 else f"{len(rejected)} edges"
    others = len(rejected) - len(most)
    listed = f"; {others} for other reasons (--edges lists them)" if others else ""
    print_wrapped(f"{edges} rejected: {most[0]}{listed}.")


def _print_flags(measured: Sequence[EdgeRecord]) -> None:
    """How many edges carry which doubt, in a line."""
    flags = list(dict.fromkeys(flag for r in measured for flag in r.flags))
    if flags:
        said = ", ".join(
            f"{flag.replace('-', ' ')} ({sum(flag in r.flags for r in measured)})" for flag in flags
        )
        print_wrapped(f"Doubts (edges): {said}. --edges explains them.")


def _print_verdict(one: Inspected) -> None:
    loss = one.loss
    of, of_std = loss.of_diffraction, loss.of_diffraction_std
    if of is not None and of_std is not None:
        print_wrapped(
            f"The {loss.places[0].name} has {100 * of:.0f} % of diffraction's MTF50 "
            f"(prediction uncertain by {100 * of_std:.0f} %)."
        )
    for note in loss.notes:
        print_wrapped(note)
    for i, cause in enumerate(loss.causes):
        _print_cause(cause, "Likely loss" if i == 0 else "Also")
    if loss.causes or loss.is_impossible or not loss.places:
        return
    alike = "Likely loss: none shows. Directions and places agree"
    if of is None:
        print_wrapped(f"{alike}. What the lens could do at this stop: give -m, --stop and --pitch.")
    else:
        print_wrapped(f"{alike}; what is missing is within the prediction's uncertainty.")


def _print_cause(cause: Cause, label: str) -> None:
    share = f", about {100 * cause.loss:.0f} % of MTF50" if cause.loss else ""
    if cause.name == "exposure":  # takes certainty, not sharpness
        share = ""
    also = f" (or {cause.otherwise})" if cause.otherwise else ""
    print_wrapped(f"{label}: points to {cause.name}{also}{share}. {' '.join(cause.evidence)}")
    print_wrapped(f"Mend: {cause.mend}", indent="  ", hanging="    ")


def print_edges(one: Inspected) -> None:
    """Every edge of a frame with its notes."""
    from string import ascii_lowercase

    from reports.words import flag_sentence

    measured = [r for r in one.records if r.mtf50_cyc_per_px is not None]
    notes = list(dict.fromkeys(flag for r in measured for flag in r.flags))
    if measured:
        print_table(
            ["edge at x, y", "angle", "MTF50 cy/px", "95 %", "10-90 % px", "notes"],
            [_edge_row(r, notes) for r in measured],
        )
    for letter, flag in zip(ascii_lowercase, notes, strict=False):
        print_wrapped(f"{letter}: {flag_sentence(flag) or flag}", hanging="   ")
    for r in one.records:
        if r.status != "measured":
            print_wrapped(f"edge at {r.centre_col:.0f}, {r.centre_row:.0f} rejected: {r.reason}")


def _edge_row(record: EdgeRecord, notes: list[str]) -> list[str]:
    from targets.fidelity import gaussian_product

    value, std = record.mtf50_cyc_per_px, record.mtf50_std
    assert value is not None
    assert std is not None
    # 10 to 90 % width of the Gaussian edge that has this MTF50.
    width = 2.563103 * gaussian_product(0.5) / value
    return [
        f"{record.centre_col:.0f}, {record.centre_row:.0f}",
        f"{record.angle_deg:.1f}",
        f"{value:.4f}",
        f"{value - 1.96 * std:.4f} to {value + 1.96 * std:.4f}",
        f"{width:.1f}",
        "".join(sorted("abcdefghijklmnopqrstuvwxyz"[notes.index(flag)] for flag in record.flags))
        or "-",
    ]


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
    limit = f"(limit {_percent(DEFAULT_LOSS)} %)"
    loss, lowest = estimate.mtf_loss, estimate.mtf_loss_low95
    if loss is None or lowest is None:
        print_wrapped(
            f"Its own blur is at most {_um(blur.blur_upper95_um)} um (95 %, standard deviation): "
            "all that is left beyond diffraction and pixel may be the target's. Frames at a "
            "second magnification, same stop and best focus, tell it from the lens's."
        )
        verdict = "it serves" if highest <= DEFAULT_LOSS else "it may be too soft"
        print_wrapped(f"That takes at most {_percent(highest)} % {place}: {verdict} {limit}.")
        return
    print_wrapped(
        f"Its own blur is {_um(blur.blur_um)} um (95 %: {_um(blur.blur_low95_um)} to "
        f"{_um(blur.blur_high95_um)}; standard deviation, raggedness included). Lens, focus and "
        f"movement add {_um(blur.residual_image_um)} um on the sensor."
    )
    verdict = "these frames cannot tell whether it serves"
    if highest <= DEFAULT_LOSS:
        verdict = "it serves"
    elif lowest > DEFAULT_LOSS:
        verdict = "it is too soft"
    print_wrapped(
        f"It takes {_percent(loss)} % (95 %: {_percent(lowest)} to {_percent(highest)}) {place}: "
        f"{verdict} {limit}."
    )
    print_wrapped(
        "This holds for frames in best focus at one stop. Aberration that grows with the "
        "magnification is counted as the target's."
    )


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
