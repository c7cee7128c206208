"""What ``stopwise inspect`` prints of a frame: one screen.

The screen answers in order: is it well exposed, how sharp is it where, what took the
rest, what to do. It computes nothing but percentages.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import typer

from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.cli.inspect_setting import Shot
    from lab.edges.loss import Cause, FrameLoss
    from lab.edges.loss_evidence import Place
    from lab.frames.exposure import Exposure
    from lab.session.records import EdgeRecord

__all__ = ["Inspected", "print_edges", "print_frame"]

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
    shot: Shot


def print_frame(one: Inspected, most: int) -> None:
    """The one-screen answer for a frame."""
    _print_head(one)
    if one.reason:
        print_wrapped(f"Nothing to measure: {one.reason}", hanging="")
        return
    rejected = [r for r in one.records if r.status != "measured"]
    measured = [r for r in one.records if r.status == "measured"]
    if measured:
        _print_places(one)
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


def _print_places(one: Inspected) -> None:
    """MTF50 of each place, in the unit that is known."""
    shot, places = one.shot, one.loss.places
    image, subject = shot.image_per_px, shot.object_per_px
    if image is not None:
        whole = "" if one.is_mosaic else ", if it was not resized"
        size = "" if shot.magnification is None else f", magnification {shot.magnification:g}x"
        print_wrapped(
            f"MTF50 in cycles per mm: pixel pitch {shot.pixel_pitch_um:g} um "
            f"({shot.pitch_source}{whole}){size}"
        )
    by_direction = {way for place in places for way in place.by_direction}
    ways = [way for way in ("vertical", "horizontal") if way in by_direction]
    head = ["place", "edges", "MTF50 cy/px" if image is None else "on sensor", "95 %", *ways]
    rows = [_place_row(place, ways, image) for place in places]
    if subject is not None:
        head.append("in subject")
        for row, place in zip(rows, places, strict=True):
            row.append(f"{place.mtf50_cyc_per_px * subject:.1f}")
    print_table(head, rows)


def _place_row(place: Place, ways: Sequence[str], per_px: float | None) -> list[str]:
    ends = [place.by_direction.get(way) for way in ways]
    return [
        place.name,
        str(place.edges),
        *_with_interval(place.mtf50_cyc_per_px, place.mtf50_std, per_px),
        *("-" if end is None else _frequency(end[0], per_px) for end in ends),
    ]


def _with_interval(value: float, std: float, per_px: float | None) -> tuple[str, str]:
    low, high = (_frequency(value + sign * 1.96 * std, per_px) for sign in (-1, 1))
    return _frequency(value, per_px), f"{low} to {high}"


def _frequency(cyc_per_px: float, per_px: float | None) -> str:
    """In cycles per mm where that scale is known, else per pixel."""
    return f"{cyc_per_px:.4f}" if per_px is None else f"{cyc_per_px * per_px:.1f}"


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
    of, of_std, shot = loss.of_diffraction, loss.of_diffraction_std, one.shot
    n_eff = shot.effective_f_number
    if n_eff is not None:
        taken = "; pupil ratio taken as 1, uncertain by 20 %" if shot.pupil_ratio is None else ""
        if of is not None and of_std is not None:
            print_wrapped(
                f"The {loss.places[0].name} has {100 * of:.0f} % of diffraction's MTF50 at "
                f"effective f/{n_eff:.3g} (prediction uncertain by {100 * of_std:.0f} %{taken})."
            )
        else:
            print_wrapped(
                f"Effective f-number: f/{n_eff:.3g} (f/{shot.marked_stop:g} on the ring at "
                f"{shot.magnification:g}x{taken})."
            )
    for note in loss.notes:
        print_wrapped(note)
    for i, cause in enumerate(loss.causes):
        _print_cause(cause, "Likely loss" if i == 0 else "Also")
    if loss.causes or loss.is_impossible or not loss.places:
        return
    ways = {way for place in loss.places for way in place.by_direction}
    seen = {"directions": len(ways) > 1, "places": len(loss.places) > 1}
    agreed = " and ".join(word for word, is_compared in seen.items() if is_compared)
    alike = "Likely loss: none shows"
    if agreed:
        alike += f". {agreed.capitalize()} agree"
    if of is None:
        # What was asked for and lacks something has a note of its own.
        more = "" if shot.notes else f" For the lens's limit give {_listed(shot.missing)}."
        print_wrapped(f"{alike}.{more}")
    else:
        print_wrapped(f"{alike}; what is missing is within the prediction's uncertainty.")


def _listed(options: Sequence[str]) -> str:
    *first, last = options
    return f"{', '.join(first)} and {last}" if first else last


def _print_cause(cause: Cause, label: str) -> None:
    share = f", about {100 * cause.loss:.0f} % of the picture's MTF50" if cause.loss else ""
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
        per_px = one.shot.image_per_px
        unit = "cy/px" if per_px is None else "cy/mm"
        print_table(
            ["edge at x, y", "angle", f"MTF50 {unit}", "95 %", "10-90 % px", "notes"],
            [_edge_row(r, notes, per_px) for r in measured],
        )
    for letter, flag in zip(ascii_lowercase, notes, strict=False):
        print_wrapped(f"{letter}: {flag_sentence(flag) or flag}", hanging="   ")
    for r in one.records:
        if r.status != "measured":
            print_wrapped(f"edge at {r.centre_col:.0f}, {r.centre_row:.0f} rejected: {r.reason}")


def _edge_row(record: EdgeRecord, notes: list[str], per_px: float | None) -> list[str]:
    from targets.fidelity import gaussian_product

    value, std = record.mtf50_cyc_per_px, record.mtf50_std
    assert value is not None
    assert std is not None
    # 10 to 90 % width of the Gaussian edge that has this MTF50.
    width = 2.563103 * gaussian_product(0.5) / value
    return [
        f"{record.centre_col:.0f}, {record.centre_row:.0f}",
        f"{record.angle_deg:.1f}",
        *_with_interval(value, std, per_px),
        f"{width:.1f}",
        "".join(sorted("abcdefghijklmnopqrstuvwxyz"[notes.index(flag)] for flag in record.flags))
        or "-",
    ]
