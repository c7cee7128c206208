"""Where does the bracket in hand stand: does focus rise, which frame is best, is it square?

All follows from the looks so far, the session's series and the marks where a bracket was
said to begin, so that a restart needs nothing but the frames and the marks. The bracket in
hand is that of the frame captured last.

One frame cannot tell a tilted target from a lens that is soft on one side: of a frame it
is said that sides differ, and by how much. Over a bracket each side has its own sharpest
frame, and sides that are sharpest at different frames lie at different distances.

Nor can one frame tell movement from astigmatism: a frame counts as moved where its look
says so first of all and no frame beside it in the bracket leans the same way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lab.session.config import SessionConfig
from lab.session.frame_table import FrameRow
from lab.session.live_order import (
    LiveOrder,
    Shot,
    in_capture_order,
    live_order,
    loose_order,
)
from lab.session.quick_look import QuickLook

if TYPE_CHECKING:
    from lab.edges.loss import Cause

__all__ = [
    "BracketFrame",
    "Lean",
    "Sides",
    "Standing",
    "Trend",
    "focus_trend",
    "lean_of",
    "sides_of",
    "standing",
]

# A change of MTF50 counts beyond noise (95 %) and this share. Judged by us: what a second
# frame of the same focus shows as well.
_LEAST_CHANGE = 0.01
# Share by which opposite sides of a frame may differ. Judged by us.
_LEAST_SIDES = 0.05
# A frame beside it that leans so far the same way, of the lean in question: not movement,
# which does not come twice. Judged by us.
_SAME_LEAN = 0.5
_SURE = 1.96  # 95 % of a normal distribution lie within so many standard deviations


@dataclass(frozen=True, kw_only=True)
class BracketFrame:
    """One frame of the bracket in hand; figures are None where it was not measured."""

    file: str
    number: int
    mtf50_cyc_per_px: float | None
    mtf50_std: float | None
    reason: str = ""
    is_best: bool = False
    is_keeper: bool = False
    is_moved: bool = False


@dataclass(frozen=True, kw_only=True)
class Lean:
    """One direction softer than the other at a frame's centre, where movement is suspected.

    Attributes
    ----------
    softer : str
        The way the softer edges run: of "vertical" ones the movement is sideways.
    cause : Cause
        What ``lab.edges.loss`` says of the movement.
    is_first : bool
        Nothing else takes more.
    is_repeated, is_alone : bool
        A frame beside it leans the same way; there is none beside it yet.
    """

    softer: str
    cause: Cause
    is_first: bool
    is_repeated: bool
    is_alone: bool

    @property
    def is_movement(self) -> bool:
        """The frame is lost to movement rather than to focus."""
        return self.is_first and not self.is_repeated


@dataclass(frozen=True, kw_only=True)
class Trend:
    """Where focus goes.

    ``name`` is "none" (not measured), "moved" (it does not tell), "first", "rising",
    "falling" (from the bracket's first frame on), "past-peak" or "level"; ``change`` is
    that of MTF50 from the frame measured before, moved ones passed over. [share]
    """

    name: str
    change: float | None = None


@dataclass(frozen=True, kw_only=True)
class Sides:
    """Opposite sides of the newest frame, and of its bracket.

    Attributes
    ----------
    softer : str
        "left", "right", "top" or "bottom" where that side's two corners are softer than
        those opposite, beyond noise; "" where they agree.
    share : float
        By how much, of the sharper side; of the larger difference where they agree.
    right_lag_frames, bottom_lag_frames : float or None
        How many frames later in the bracket the right (bottom) side is sharpest than the
        left (top) one; None while a side's sharpest frame is the first or the last.
    """

    softer: str
    share: float
    right_lag_frames: float | None = None
    bottom_lag_frames: float | None = None


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What there is to say after the newest frame.

    ``lost`` holds file and reason of all frames without figures, the newest first.
    """

    newest: QuickLook | None
    place: Shot | None
    trend: Trend
    bracket: tuple[BracketFrame, ...]
    lean: Lean | None
    sides: Sides | None
    order: LiveOrder
    lost: tuple[tuple[str, str], ...]

    @property
    def best(self) -> BracketFrame | None:
        """The sharpest frame of the bracket."""
        return next((f for f in self.bracket if f.is_best), None)

    @property
    def keepers(self) -> int:
        """Frames of the bracket within the loss allowed."""
        return sum(f.is_keeper for f in self.bracket)


def standing(
    looks: Mapping[str, QuickLook],
    mtime_ns: Mapping[str, int],
    *,
    config: SessionConfig | None,
    rows: Mapping[str, FrameRow],
    marks: frozenset[str],
    loss: float,
) -> Standing:
    """Work it all out from what was seen so far.

    Parameters
    ----------
    looks : mapping
        By file. One of status "waiting" holds a place in the order and no more.
    mtime_ns : mapping
        Time of a file's last change, by file. [ns]
    config : SessionConfig or None
        None: no shot list.
    rows : mapping
        Rows of frames.csv by file; files without a look are passed over.
    marks : frozenset of str
        Files after which a new bracket begins.
    loss : float
        Share of the best MTF50 that a keeper may lack. [-], 0 to 1

    Raises
    ------
    ValueError
        If the loss is not between 0 and 1.
    """
    if not 0 < loss < 1:
        raise ValueError("loss must lie between 0 and 1")
    files = in_capture_order(looks, mtime_ns)
    if config is None:
        order = loose_order(files, looks, marks)
    else:
        known = {file: row for file, row in rows.items() if file in looks}
        order = live_order(config, files, looks, known, marks)
    frames = [f for f in order.frames if looks[f].status != "waiting"]
    newest = frames[-1] if frames else None
    number = {f: i for i, f in enumerate(_same_bracket(order, newest), start=1)}
    here = [f for f in number if f in set(frames)]
    leans = _leans([looks[f] for f in here])
    moved = {file for file, lean in leans.items() if lean.is_movement}
    bracket = _bracket({number[f]: looks[f] for f in here}, loss, moved)
    return Standing(
        newest=None if newest is None else looks[newest],
        place=None if newest is None else order.shots.get(newest),
        trend=focus_trend(bracket),
        bracket=bracket,
        lean=None if newest is None else leans.get(newest),
        sides=sides_of([looks[f] for f in here]),
        order=order,
        lost=tuple(
            (file, looks[file].reason)
            for file in reversed(files)
            if looks[file].status in ("lost", "unreadable")
        ),
    )


def _same_bracket(order: LiveOrder, file: str | None) -> list[str]:
    """Files of the bracket that a file belongs to, in the order of capture."""
    if file is None:
        return []
    return [f for f in order.frames if order.bracket[f] == order.bracket[file]]


def _leans(looks: Sequence[QuickLook]) -> dict[str, Lean]:
    """By file, of a bracket's frames in the order of capture."""
    measured = [look for look in looks if look.mtf50_cyc_per_px is not None]
    found = {}
    for i, look in enumerate(measured):
        lean = lean_of(look, [*measured[max(i - 1, 0) : i], *measured[i + 1 : i + 2]])
        if lean is not None:
            found[look.file] = lean
    return found


def lean_of(look: QuickLook, beside: Sequence[QuickLook]) -> Lean | None:
    """Whether a frame leans to one direction as if it had moved.

    Parameters
    ----------
    look : QuickLook
    beside : sequence of QuickLook
        Measured frames of its bracket captured just before and after it.
    """
    cause = next((cause for cause in look.losses if cause.name == "movement"), None)
    lean = _leaning(look)
    if cause is None or lean is None:
        return None
    others = [_leaning(other) for other in beside]
    return Lean(
        softer="vertical" if lean < 0 else "horizontal",
        cause=cause,
        is_first=look.losses[0] is cause,
        is_repeated=any(o is not None and o / lean >= _SAME_LEAN for o in others),
        is_alone=not others,
    )


def _leaning(look: QuickLook) -> float | None:
    """Log of MTF50 of vertical edges over that of horizontal ones, at the centre."""
    if not {"vertical", "horizontal"} <= set(look.by_direction):
        return None
    return math.log(look.by_direction["vertical"] / look.by_direction["horizontal"])


def _bracket(
    looks: Mapping[int, QuickLook], loss: float, moved: set[str]
) -> tuple[BracketFrame, ...]:
    """Frames by their number in the bracket, judged against the sharpest."""
    sharp = [k.mtf50_cyc_per_px for k in looks.values() if k.mtf50_cyc_per_px is not None]
    best = max(sharp, default=math.inf)
    first = next((i for i, k in looks.items() if k.mtf50_cyc_per_px == best), None)
    return tuple(
        BracketFrame(
            file=look.file,
            number=i,
            mtf50_cyc_per_px=look.mtf50_cyc_per_px,
            mtf50_std=look.mtf50_std,
            reason=look.reason,
            is_best=i == first,
            is_keeper=look.mtf50_cyc_per_px is not None
            and look.mtf50_cyc_per_px >= (1 - loss) * best,
            is_moved=look.file in moved,
        )
        for i, look in looks.items()
    )


def focus_trend(bracket: Sequence[BracketFrame]) -> Trend:
    """Which way the bracket's sharpness goes at its newest frame.

    Parameters
    ----------
    bracket : sequence of BracketFrame
        In the order of capture.
    """
    if not bracket or bracket[-1].mtf50_cyc_per_px is None:
        return Trend(name="none")
    if bracket[-1].is_moved:
        return Trend(name="moved")
    values = [
        (f.mtf50_cyc_per_px, f.mtf50_std or 0.0)
        for f in bracket
        if f.mtf50_cyc_per_px is not None and not f.is_moved
    ]
    if len(values) < 2:
        return Trend(name="first")
    (before, before_std), (now, now_std) = values[-2:]
    change = now / before - 1
    # The sharpest frame decides between the way down from the peak and a wrong start.
    best = max(range(len(values)), key=lambda i: values[i][0])
    if _differ(values[best], values[-1]) and best < len(values) - 1:
        if not _differ(values[-2], values[-1]):
            name = "level"
        elif now > before:
            name = "rising"
        else:
            rose = best > 0 and any(_differ(value, values[best]) for value in values[:best])
            name = "past-peak" if rose else "falling"
        return Trend(name=name, change=change)
    rising = now > before and _differ((before, before_std), (now, now_std))
    return Trend(name="rising" if rising else "level", change=change)


def _differ(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether two figures (value, standard uncertainty) differ beyond noise and a share."""
    sure = _SURE * math.hypot(one[1], other[1])
    return abs(one[0] - other[0]) > max(sure, _LEAST_CHANGE * max(one[0], other[0]))


_OPPOSITE = (("left", "right"), ("top", "bottom"))


def sides_of(looks: Sequence[QuickLook]) -> Sides | None:
    """Set opposite sides of a bracket against each other; None without four corners.

    Parameters
    ----------
    looks : sequence of QuickLook
        The bracket in the order of capture; the last one is the newest frame.
    """
    newest = None if not looks else _side_figures(looks[-1])
    if newest is None:
        return None
    softer, share = "", 0.0
    for pair in _OPPOSITE:
        low, high = sorted(pair, key=lambda side: newest[side][0])
        lacks = 1 - newest[low][0] / newest[high][0]
        sure = _SURE * math.hypot(newest[low][1], newest[high][1]) / newest[high][0]
        is_over = lacks > max(_LEAST_SIDES, sure)
        if lacks >= share:
            softer, share = (low if is_over else ""), lacks
    measured = [figures for figures in map(_side_figures, looks) if figures is not None]
    lags = []
    for one, other in _OPPOSITE:
        tops = [_sharpest([figures[side][0] for figures in measured]) for side in (one, other)]
        lags.append(None if tops[0] is None or tops[1] is None else tops[1] - tops[0])
    return Sides(softer=softer, share=share, right_lag_frames=lags[0], bottom_lag_frames=lags[1])


def _side_figures(look: QuickLook) -> dict[str, tuple[float, float]] | None:
    """MTF50 and its standard uncertainty of each side, the mean of its two corners."""
    corners = {c.corner: c for c in look.corners}
    if len(corners) < 4:
        return None
    sides = {}
    for side in (side for pair in _OPPOSITE for side in pair):
        two = [c for name, c in corners.items() if side in name.split()]
        sides[side] = (
            sum(c.mtf50_cyc_per_px for c in two) / 2,
            math.hypot(*(c.mtf50_std for c in two)) / 2,
        )
    return sides


def _sharpest(values: Sequence[float]) -> float | None:
    """Where a parabola through the largest value and its neighbours peaks; None at an end."""
    if len(values) < 3:
        return None
    top = max(range(len(values)), key=lambda i: values[i])
    if top in (0, len(values) - 1):
        return None
    before, peak, after = (math.log(v) for v in values[top - 1 : top + 2])
    bend = before - 2 * peak + after
    return top + (0.0 if bend == 0 else (before - after) / (2 * bend))
