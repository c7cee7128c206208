"""What does ``stopwise watch`` say? One set of words for the terminal and the page.

Each answer is a few large letters and a sentence. Nothing is told by colour alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.squaring import squaring_words

if TYPE_CHECKING:
    from lab.frames.exposure import Exposure
    from lab.session.live_order import Shot
    from lab.session.quick_look import QuickLook
    from lab.session.standing import BracketFrame, Lean, Sides, Standing

__all__ = ["WITHOUT_FIGURE", "Answer", "Scale", "Words", "sentence", "words"]

_TRENDS = {
    "rising": ("\N{UPWARDS ARROW}", "rising", "Go on the same way."),
    "past-peak": (
        "\N{CLOCKWISE TOP SEMICIRCLE ARROW}",
        "past the peak",
        "The sharpest frame lies behind: finish the bracket.",
    ),
    "falling": (
        "\N{DOWNWARDS ARROW}",
        "falling",
        "No peak in this bracket yet: it lies the other way.",
    ),
    "level": ("\N{RIGHTWARDS ARROW}", "level", "At the peak, or the step is too small to see."),
    "first": ("\N{BULLET}", "first frame", "The next one will tell which way focus goes."),
    "none": ("\N{MULTIPLICATION SIGN}", "no figure", ""),
    "moved": ("\N{LEFT RIGHT ARROW}", "moved", ""),
}
# By the way the softer edges run: sign and words for the movement across them.
_WAYS = {
    "vertical": ("\N{LEFT RIGHT ARROW}", "sideways"),
    "horizontal": ("\N{UP DOWN ARROW}", "up and down"),
}
WITHOUT_FIGURE = ("-", "LOST", "MOVED")
_SCALE_OFF = 0.1  # of the session's magnification, as for the flag magnification-off
_LAG_FRAMES = 0.5  # sides sharpest so many frames apart are not square. Judged by us.
_MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, kw_only=True)
class Answer:
    """One question's answer.

    ``state`` is "good", "bad" or "open"; ``large`` is a few words, ``detail`` a sentence.
    """

    name: str
    large: str
    detail: str
    state: str


@dataclass(frozen=True, kw_only=True)
class Scale:
    """How sharpness is written: cycles per mm on the sensor where the pitch is known."""

    pixel_pitch_um: float | None

    @property
    def unit(self) -> str:
        """Unit in words."""
        return "cycles per pixel" if self.pixel_pitch_um is None else "cycles per mm"

    def written(self, mtf50_cyc_per_px: float) -> str:
        """A figure of three digits."""
        if self.pixel_pitch_um is None:
            return f"{mtf50_cyc_per_px:.3f}"
        value = mtf50_cyc_per_px * 1e3 / self.pixel_pitch_um
        return f"{value:.0f}" if value >= 100 else f"{value:.1f}"


@dataclass(frozen=True, kw_only=True)
class Words:
    """Everything the display says, in plain text; foreign names are not escaped yet."""

    folder: str
    place: str
    file: str
    trouble: str
    arrow: str
    trend: str
    advice: str
    sharpness: str
    unit: str
    best: str
    best_detail: str
    clipped: Answer
    square: Answer
    keepers: Answer
    following: Answer
    bracket: tuple[BracketFrame, ...]
    shot_list: tuple[tuple[str, str, str], ...]  # stop, "3 of 7", "done", "now" or ""
    lost: tuple[tuple[str, str], ...]
    status: str
    spoken: str


def words(
    now: Standing,
    *,
    folder: str,
    scale: Scale,
    loss: float,
    waiting: int,
    focus_step_um: float,
    of_diffraction: float | None,
    trouble: str = "",
) -> Words:
    """All words for a standing.

    Parameters
    ----------
    now : Standing
    folder : str
        Its name.
    scale : Scale
    loss : float
        Share that a keeper may lack. [-]
    waiting : int
        Files not looked at yet.
    focus_step_um : float
        Rail step at the stop in hand, 0 by hand. [um]
    of_diffraction : float or None
        Newest frame's MTF50 over the prediction. [-]
    trouble : str
        What is wrong with frames.csv.
    """
    arrow, trend, advice = _TRENDS[now.trend.name]
    newest, best = now.newest, now.best
    if newest is None:
        arrow, trend, advice = _TRENDS["first"][0], "no frame yet", "Shoot the first frame."
    elif now.trend.name == "none":
        if newest.magnification is not None and newest.by_direction == {}:
            trend = _scale(newest, now.place) or trend
        advice = sentence(newest.reason)
    elif now.trend.name == "moved" and now.lean is not None:
        arrow, way = _WAYS[now.lean.softer]
        trend, advice = f"moved {way}, not out of focus", _moved(now.lean)
    elif now.trend.change is not None and now.trend.name != "level":
        trend += f" {_percent_change(now.trend.change)}"
    mtf50 = None if newest is None else newest.mtf50_cyc_per_px
    if of_diffraction is not None:
        advice += f" {100 * of_diffraction:.0f} % of diffraction's limit."
    if newest is not None and mtf50 is not None:
        if now.lean is not None and not now.lean.is_movement:
            advice += f" {_leaning(now.lean)}"
        off = _scale(newest, now.place)
        if off:
            advice += f" {sentence(off)} Set the magnification again."
    square = _square(now.sides, focus_step_um)
    clipped = _clipped(None if newest is None else newest.exposure)
    keepers = _keepers(now, loss)
    following = _following(now, focus_step_um)
    best_mtf50 = None if best is None else best.mtf50_cyc_per_px
    shown = "-" if newest is None else "LOST" if mtf50 is None else scale.written(mtf50)
    if now.trend.name == "moved":
        shown, advice = "MOVED", f"{advice} MTF50 {shown} {scale.unit}."
    result = Words(
        folder=folder,
        place=_place(now),
        file="" if newest is None else newest.file,
        trouble=trouble,
        arrow=arrow,
        trend=trend,
        advice=advice,
        sharpness=shown,
        unit=scale.unit,
        best="-" if best_mtf50 is None else scale.written(best_mtf50),
        best_detail=_best_detail(best, mtf50),
        clipped=clipped,
        square=square,
        keepers=keepers,
        following=following,
        bracket=now.bracket,
        shot_list=_shot_list(now),
        lost=now.lost,
        status=_status(now, waiting),
        spoken="",
    )
    return _with_spoken(result)


def _with_spoken(w: Words) -> Words:
    from dataclasses import replace

    parts = [
        f"{w.place}: {w.trend}." if w.place else f"{sentence(w.trend)}",
        w.advice,
        "" if w.sharpness in WITHOUT_FIGURE else f"{w.sharpness}, best {w.best} {w.unit}.",
        "" if w.clipped.large == "-" else sentence(w.clipped.large),
        f"Keepers {w.keepers.large}." if w.file else "",
        f"Next: {w.following.large}." if w.following.large else "",
    ]
    return replace(w, spoken=" ".join(part for part in parts if part))


def _moved(lean: Lean) -> str:
    """What to do about a frame that moved, and what else it may be."""
    share = "" if lean.cause.loss is None else f"{100 * lean.cause.loss:.0f} % softer that way. "
    otherwise = f" Or {lean.cause.otherwise}, if the next is alike." if lean.is_alone else ""
    return f"{share}Shoot it again. {lean.cause.mend}{otherwise}"


def _leaning(lean: Lean) -> str:
    """One direction softer than the other where that need not be movement."""
    share = "" if lean.cause.loss is None else f" by {100 * lean.cause.loss:.0f} %"
    runs = ", frame after frame" if lean.is_repeated else ""
    either = f"{lean.cause.otherwise} or movement" if lean.is_repeated else "it moved too"
    return f"Softer {_WAYS[lean.softer][1]}{share}{runs}: {either}."


def _scale(newest: QuickLook, place: Shot | None) -> str:
    """That the chart is not as large as the session says, "" where it is."""
    m = newest.magnification
    if m is None:
        return ""
    if newest.mtf50_cyc_per_px is None:
        return "wrong scale"
    if place is None or abs(m / place.magnification - 1) <= _SCALE_OFF:
        return ""
    return f"the chart is at {m:.3g}x, not {place.magnification:g}x"


def sentence(text: str) -> str:
    """Text with a capital and a full stop."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if not text or text.endswith(".") else ".")


def _percent_change(change: float) -> str:
    return f"{'+' if change >= 0 else _MINUS}{100 * abs(change):.0f} %"


def _place(now: Standing) -> str:
    if now.newest is None:
        return ""
    if now.place is None:
        return f"frame {now.bracket[-1].number} of this bracket"
    return f"{now.place.magnification:g}x, {_stop(now.place)}, {_counted(now.place)}"


def _stop(shot: Shot) -> str:
    return "beyond the shot list" if shot.marked_stop is None else f"f/{shot.marked_stop:g}"


def _counted(shot: Shot) -> str:
    if shot.number > shot.of:
        return f"frame {shot.number}, more than the {shot.of} wanted"
    return f"frame {shot.number} of {shot.of}"


def _best_detail(best: BracketFrame | None, mtf50: float | None) -> str:
    if best is None or best.mtf50_cyc_per_px is None:
        return "No frame of this bracket has a figure."
    which = f"Frame {best.number}, {best.file}."
    if mtf50 is None:
        return which
    if mtf50 == best.mtf50_cyc_per_px:
        return f"This frame is the best of its bracket: {which}"
    return f"{which} This frame has {100 * mtf50 / best.mtf50_cyc_per_px:.0f} % of it."


def _clipped(exposure: Exposure | None) -> Answer:
    if exposure is None:
        return Answer(name="Clipped?", large="-", detail="Not known.", state="open")
    over = [c for c in exposure.channels if c.is_clipped]
    if over:
        said = ", ".join(f"{c.channel} {100 * c.clipped_share:.2g} %" for c in over)
        return Answer(
            name="Clipped?",
            large="CLIPPED",
            detail=f"{sentence(said)} {_advised(exposure.advice_stops)}, then look again.",
            state="bad",
        )
    room = f"{exposure.nearest_channel} is {exposure.headroom_stops:.1f} stops below clipping"
    change = exposure.advice_stops
    detail = f"{sentence(room)}" + (f" {_advised(change)}." if change else "")
    if "uneven-light" in exposure.flags:
        detail += f" Light is uneven, {exposure.brighter_side or 'the centre'} brighter."
    return Answer(
        name="Clipped?", large="not clipped", detail=detail, state="open" if change else "good"
    )


def _advised(stops: float) -> str:
    word = "stop" if math.isclose(abs(stops), 1) else "stops"
    return f"{'Raise' if stops > 0 else 'Lower'} the exposure by {abs(stops):.2g} {word}"


def _square(sides: Sides | None, focus_step_um: float) -> Answer:
    """One frame says that sides differ; a bracket past its peak says which comes first."""
    name = "Square?"
    if sides is None:
        return Answer(
            name=name,
            large="-",
            detail="Not known: it needs a sharp edge in each corner.",
            state="open",
        )
    lags = [
        (lag, late, early)
        for lag, late, early in (
            (sides.right_lag_frames, "right", "left"),
            (sides.bottom_lag_frames, "bottom", "top"),
        )
        if lag is not None
    ]
    if lags:
        lag, late, early = max(lags, key=lambda item: abs(item[0]))
        if lag < 0:
            late, early = early, late
        rail = f" ({abs(lag) * focus_step_um:.0f} um)" if focus_step_um > 0 else ""
        said = f"{late} is sharpest {abs(lag):.1f} frames{rail} after {early}"
        if abs(lag) >= _LAG_FRAMES:
            # As in fit: the camera is taken to move away from frame to frame.
            side = {"top": "upper", "bottom": "lower"}.get(late, late)
            near = f"{squaring_words([side])} (moving in: the opposite)"
            return Answer(
                name=name,
                large="NOT SQUARE",
                detail=f"{sentence(near)} {sentence(said)}",
                state="bad",
            )
        if len(lags) == 2:
            if f"{abs(lag):.1f}" == "0.0":
                said = "all sides are sharpest in the same frame"
            return Answer(name=name, large="square", detail=sentence(said), state="good")
    share = f"{100 * sides.share:.0f} %"
    if sides.softer:
        other = {"left": "right", "right": "left", "top": "bottom", "bottom": "top"}
        return Answer(
            name=name,
            large=f"{sides.softer} softer",
            detail=f"{sentence(sides.softer)[:-1]} corners are {share} softer than "
            f"{other[sides.softer]}, by tilt or by the lens: a bracket past its peak tells.",
            state="open",
        )
    return Answer(
        name=name,
        large="sides agree",
        detail=f"Opposite corners agree within {share}.",
        state="good",
    )


def _keepers(now: Standing, loss: float) -> Answer:
    measured = sum(f.mtf50_cyc_per_px is not None for f in now.bracket)
    detail = f"Within {100 * loss:g} % of the best of this bracket."
    gone = len(now.bracket) - measured
    if gone:
        detail += f" {gone} without a figure."
    large = f"{now.keepers} of {measured}" if measured else "-"
    return Answer(name="Keepers", large=large, detail=detail, state="good" if measured else "open")


def _following(now: Standing, focus_step_um: float) -> Answer:
    name, shot, order = "Next shot", now.order.next_shot, now.order
    if not order.counts:
        return Answer(
            name=name,
            large="",
            detail="No shot list: give a session's folder to have one.",
            state="open",
        )
    if shot is None:
        return Answer(
            name=name, large="all shot", detail="The shot list is complete.", state="good"
        )
    large = f"f/{shot.marked_stop:g} {shot.number}/{shot.of}"
    place = now.place
    if place is not None and shot.series != place.series:
        large = f"{shot.magnification:g}x {large}"
        detail = f"Change to {shot.magnification:g}x and f/{shot.marked_stop:g}"
    elif place is None or shot.marked_stop != place.marked_stop or shot.number == 1:
        detail = f"At {shot.magnification:g}x, set f/{shot.marked_stop:g}"
    else:
        rail = f", {focus_step_um:g} um further" if focus_step_um > 0 else ", focus rocked on"
        return Answer(
            name=name, large=large, detail=f"Frame {shot.number} of {shot.of}{rail}.", state="open"
        )
    if order.slates:
        detail += ", and photograph its slate first"
    short = [c for c in order.counts if 0 < c.have < c.wanted]
    if place is not None and short:
        said = ", ".join(f"f/{c.marked_stop:g} has {c.have} of {c.wanted}" for c in short)
        detail += f". Short: {said}"
    return Answer(name=name, large=large, detail=f"{detail}.", state="open")


def _shot_list(now: Standing) -> tuple[tuple[str, str, str], ...]:
    many = len({c.series for c in now.order.counts}) > 1
    here = (
        None
        if now.order.next_shot is None
        else (now.order.next_shot.series, now.order.next_shot.marked_stop)
    )
    return tuple(
        (
            (f"{c.magnification:g}x " if many else "") + f"f/{c.marked_stop:g}",
            f"{c.have} of {c.wanted}",
            "next"
            if (c.series, c.marked_stop) == here
            else "done"
            if c.have >= c.wanted
            else "short"
            if c.have
            else "",
        )
        for c in now.order.counts
    )


def _status(now: Standing, waiting: int) -> str:
    n = len(now.order.frames)
    parts = [f"{n} frame{'' if n == 1 else 's'}"]
    if now.lost:
        parts.append(f"{len(now.lost)} lost")
    if now.order.slates:
        parts.append(f"{now.order.slates} slate{'' if now.order.slates == 1 else 's'}")
    parts.append(f"{waiting} waiting" if waiting else "none waiting")
    if now.order.homeless:
        parts.append(f"{len(now.order.homeless)} that no series takes")
    return ", ".join(parts)
