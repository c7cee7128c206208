"""What stands on one tilted scale, so that it shows where the focus lies and how deep it is?

A ramp is printed flat and mounted at a known slope to the plane of focus, along the
frame's width. So each place along it lies at a depth of its own: depth = distance along
the ramp x sin(slope). From the upper and the lower border inwards: numbers of depth, a
ladder of ticks at equal depths, and in the middle a band of equal fine bars, whose
contrast shows the focus all along. Ticks and bars run across the ramp, each at one
depth. At the near end of the band a triangle points towards the lens, at the far end
stands the unit of the numbers. Two ladders, so that a sideways tilt shows too.

x points along the ramp, away from the lens: depths beyond the middle line are positive.
The lens sees the ramp shortened by cos(slope); all is drawn that much longer, so that
it looks as designed in the frame. Left out: that magnification changes along the ramp,
and what lens and sensor show of it, which is the caller's to know (``RampWish``).
Coordinates are rounded to one nanometre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from targets.errors import TargetError
from targets.layout import Field, Mark, Point
from targets.marks import rounded
from targets.numerals import HEIGHT_STROKES, number_polygons, number_strokes
from targets.page import Polygon

__all__ = ["Ramp", "RampWish", "ramp_field"]

LINES_MAX = 40_000  # in one field; beyond it files grow to tens of megabytes

# Heights, in shares of the frame's height, from the middle outwards.
BAND_TO = 0.115
TICKS_FROM = 0.125
TICK_SHORT, TICK_FIFTH, TICK_TENTH, TICK_NUMBERED = 0.045, 0.065, 0.085, 0.105
DIGITS_FROM = 0.245
DIGITS_HIGH_LIMIT = 0.235
DIGITS_HIGH_LIKED = 0.08
TRIANGLE_HIGH = 0.15
# Along the ramp from the middle line, in shares of the frame's width.
ALONG_TO = 0.48
TRIANGLE_LONG = 0.05

NUMBER_GAP = 3.5  # clear ground between numbers, in strokes
# In periods of the finest pattern that lens and sensor show. Our choice: ticks twice as
# coarse are clear at best focus; bars of a quarter of the highest frequency soon lose
# contrast out of focus; digits stay legible a little longer.
TICK_PITCH_PERIODS = 2.0
BAR_PITCH_PERIODS = 4.0
STROKE_PERIODS = 2.0
TICK_WIDTH_PERIODS = 4.0  # at most
TICK_WIDTH_OF_PITCH = 1 / 3  # at most, unless the printer cannot
BARS_EACH_WAY_MIN = 4
# In ticks, the first that fits. Where ticks are few, every second or every one.
NUMBER_EVERY = (5, 10, 20, 50, 100, 200, 500, 1000, 2, 1)
NUMBER_EVERY_LIKED = 10
MM_FROM_UM = 100.0  # from this step between numbers on they are in mm

_FINER = "Have it made with finer lines, or leave this magnification out."
_LEAVE = "Lens and sensor show nothing finer: leave this magnification out."


@dataclass(frozen=True, kw_only=True)
class RampWish:
    """What a ramp has to show at one magnification.

    Attributes
    ----------
    magnification : float
        Image size over object size. [-], > 0
    depth_step_um : float
        Wanted depth from tick to tick, along the lens axis. > 0
    resolution_um : float
        Period, in the subject, of the finest pattern that lens and sensor show. > 0
    """

    magnification: float
    depth_step_um: float
    resolution_um: float

    def __post_init__(self) -> None:
        for value in (self.magnification, self.depth_step_um, self.resolution_um):
            if not 0 < value < math.inf:
                raise ValueError("magnification, depth step and resolution must be numbers > 0")


@dataclass(frozen=True, kw_only=True)
class Ramp:
    """One field of a ramp sheet, in numbers. Lengths are those on the ramp.

    Attributes
    ----------
    magnification : float
    depth_step_um : float
        From tick to tick: 1, 2 or 5 x 10^n.
    number_step_um : float
        From numbered tick to numbered tick.
    unit : str
        Of the printed numbers: "um" or "mm".
    ticks : tuple of (float, float)
        Place along the ramp from the middle line [mm] and depth [um] of each tick.
    tick_width_mm : float
    bar_pitch_mm : float
        Of the band's bars. They are half as wide; one stands on the middle line.
    bars_each_way : int
        On either side of that one.
    band_half_height_mm : float
    """

    magnification: float
    depth_step_um: float
    number_step_um: float
    unit: str
    ticks: tuple[tuple[float, float], ...]
    tick_width_mm: float
    bar_pitch_mm: float
    bars_each_way: int
    band_half_height_mm: float


@dataclass(frozen=True, kw_only=True)
class _Numbers:
    """Which ticks carry numbers, in which unit, in which size."""

    every: int
    stroke_mm: float
    unit: str
    texts: tuple[tuple[int, str], ...]  # tick, counted from the middle line, and text


def ramp_field(
    wish: RampWish,
    *,
    sensor_width_mm: float,
    sensor_height_mm: float,
    smallest_line_mm: float,
    slope_deg: float,
) -> tuple[Ramp, Field]:
    """The ramp that fills the frame at one magnification, in numbers and as shapes.

    The depth step printed is the wanted one or, where lens and sensor would not show
    its ticks apart, the finest that they do; rounded up to 1, 2 or 5 x 10^n um.

    Parameters
    ----------
    wish : RampWish
    sensor_width_mm, sensor_height_mm : float
        Light-sensitive area. > 0
    smallest_line_mm : float
        Finest line, and finest gap between lines, that can be printed. > 0
    slope_deg : float
        Between ramp and plane of focus. > 0, < 90

    Returns
    -------
    (Ramp, Field)
        Marks of the role "scale" are ticks and bars, "text" digits, "orientation" the
        triangle. The field has no squares and no code.

    Raises
    ------
    ValueError
        If a size is not above zero or the slope is outside its range.
    TargetError
        If the ticks are finer than can be printed, or the field is too small for what
        must be in it.
    """
    for value in (sensor_width_mm, sensor_height_mm, smallest_line_mm):
        if not 0 < value < math.inf:
            raise ValueError("sensor size and smallest line must be numbers > 0")
    if not 0 < slope_deg < 90:
        raise ValueError("slope must be above 0 and below 90 degrees")
    slope = math.radians(slope_deg)
    stretch = 1 / math.cos(slope)
    width = sensor_width_mm / wish.magnification
    height = sensor_height_mm / wish.magnification
    period = wish.resolution_um / 1000
    where = f"the {wish.magnification:g}x field of {width:.3g} x {height:.3g} mm"

    # Lengths along the ramp are as the lens sees them until "stretch" comes in.
    finest_um = TICK_PITCH_PERIODS * wish.resolution_um * math.tan(slope)
    step_um = _rounded_up(max(wish.depth_step_um, finest_um))
    _check_printable(step_um, smallest_line_mm, slope, wish.magnification)
    pitch = step_um / 1000 / math.tan(slope)
    count = math.floor(ALONG_TO * width / pitch - 0.25)  # half a tick takes that at most
    bar_pitch = max(BAR_PITCH_PERIODS * period, 2 * smallest_line_mm / stretch)
    lines = 2 * (2 * count + 1) + width / bar_pitch
    if lines > LINES_MAX:
        raise TargetError(
            f"{where}: would hold {lines:.3g} ticks and bars, the limit is {LINES_MAX}. Ask for a "
            "coarser depth step and a coarser resolution."
        )
    mend = _FINER if smallest_line_mm > STROKE_PERIODS * period else _LEAVE
    numbers = _numbers(
        where,
        (width, height),
        step_um=step_um,
        pitch=pitch,
        count=count,
        stroke_min=max(smallest_line_mm, STROKE_PERIODS * period),
        mend=mend,
    )
    end = max(TRIANGLE_LONG * width, numbers.stroke_mm * number_strokes(numbers.unit))
    bars_room = ALONG_TO * width - end - NUMBER_GAP * numbers.stroke_mm
    bars = math.floor(bars_room / bar_pitch - 0.25)
    if bars < BARS_EACH_WAY_MIN:
        raise TargetError(
            f"{where}: too small for {2 * BARS_EACH_WAY_MIN + 1} bars, the finest of which "
            f"take {1000 * bar_pitch:.3g} um each. {mend}"
        )

    tick_width = max(
        smallest_line_mm,
        stretch * min(TICK_WIDTH_OF_PITCH * pitch, TICK_WIDTH_PERIODS * period),
    )
    marks = []
    for i in range(-count, count + 1):
        ends = TICKS_FROM * height, (TICKS_FROM + _tick_length(i, numbers.every)) * height
        for side in (-1, 1):
            marks.append(_bar(stretch * i * pitch, tick_width, side * ends[0], side * ends[1]))
    for i in range(-bars, bars + 1):
        at, thick = stretch * i * bar_pitch, 0.5 * stretch * bar_pitch
        marks.append(_bar(at, thick, -BAND_TO * height, BAND_TO * height))
    digits_y = DIGITS_FROM * height + 0.5 * HEIGHT_STROKES * numbers.stroke_mm
    for i, text in numbers.texts:
        for side in (-1, 1):
            at_mm = stretch * i * pitch, side * digits_y
            marks += _letters(text, at_mm, numbers.stroke_mm, stretch)
    far, near = ALONG_TO * width, -ALONG_TO * width
    # The unit's letters fill the lower four of seven strokes.
    unit_x = far - 0.5 * numbers.stroke_mm * number_strokes(numbers.unit)
    at_mm = stretch * unit_x, -1.5 * numbers.stroke_mm
    marks += _letters(numbers.unit, at_mm, numbers.stroke_mm, stretch)
    half = 0.5 * TRIANGLE_HIGH * height
    corners = (near, 0.0), (near + end, -half), (near + end, half)
    marks.append(_mark("orientation", tuple((stretch * x, y) for x, y in corners)))

    ramp = Ramp(
        magnification=wish.magnification,
        depth_step_um=step_um,
        number_step_um=_tidy(numbers.every * step_um),
        unit=numbers.unit,
        ticks=tuple(
            (rounded((stretch * i * pitch, 0.0))[0], _tidy(i * step_um))
            for i in range(-count, count + 1)
        ),
        tick_width_mm=round(tick_width, 6),
        bar_pitch_mm=round(stretch * bar_pitch, 6),
        bars_each_way=bars,
        band_half_height_mm=round(BAND_TO * height, 6),
    )
    field = Field(
        name=f"ramp {wish.magnification:g}x",
        magnification_low=wish.magnification,
        magnification_high=wish.magnification,
        width_mm=round(stretch * width, 6),
        height_mm=round(height, 6),
        squares=(),
        marks=tuple(marks),
        code_text="",
    )
    return ramp, field


def _numbers(
    where: str,
    frame_mm: Point,
    *,
    step_um: float,
    pitch: float,
    count: int,
    stroke_min: float,
    mend: str,
) -> _Numbers:
    """The largest liked digits with a number at every 10th tick, or the smallest possible.

    Raises
    ------
    TargetError
        If no digits fit, or the field does not hold zero and a number on each side.
    """
    width, height = frame_mm
    stroke_limit = DIGITS_HIGH_LIMIT * height / HEIGHT_STROKES
    if stroke_min > stroke_limit:
        raise TargetError(
            f"{where}: the smallest digits, drawn with strokes of {1000 * stroke_min:.3g} um, are "
            f"{HEIGHT_STROKES * stroke_min:.2g} mm high; there is room for "
            f"{HEIGHT_STROKES * stroke_limit:.2g} mm. {mend}"
        )
    liked = DIGITS_HIGH_LIKED * height / HEIGHT_STROKES
    # Without a stroke's width every number that could come in comes in.
    room, ticks = ALONG_TO * width, (count, step_um, pitch)
    texts = _texts(NUMBER_EVERY_LIKED, ticks, room, stroke=0.0)
    for stroke in (liked, NUMBER_EVERY_LIKED * pitch / _strokes_of(texts), stroke_min):
        if not stroke_min <= stroke <= max(liked, stroke_min):
            continue
        most = math.inf if stroke == stroke_min else NUMBER_EVERY_LIKED
        for every in NUMBER_EVERY:
            texts = _texts(every, ticks, room, stroke=stroke)
            apart = every * pitch / stroke * (1 + 1e-9)
            if every <= most and len(texts) >= 3 and _strokes_of(texts) <= apart:
                return _Numbers(
                    every=every, stroke_mm=stroke, unit=_unit(every * step_um), texts=texts
                )
    raise TargetError(
        f"{where}: holds no number but zero, with a tick every {step_um:g} um of depth, digits "
        f"{HEIGHT_STROKES * stroke_min:.2g} mm high and {width / pitch * step_um:.0f} um of depth "
        f"in all. Ask for a finer depth step or another slope. {mend}"
    )


def _texts(
    every: int, ticks: tuple[int, float, float], room: float, *, stroke: float
) -> tuple[tuple[int, str], ...]:
    """Numbers that keep within the room with all of their width; ticks: count, step, pitch."""
    count, step_um, pitch = ticks
    unit_um = 1000.0 if _unit(every * step_um) == "mm" else 1.0
    last = count // every
    numbered = (
        (i * every, f"{_tidy(i * every * step_um / unit_um):g}") for i in range(-last, last + 1)
    )
    return tuple(
        (i, text)
        for i, text in numbered
        if abs(i) * pitch + 0.5 * stroke * number_strokes(text) <= room
    )


def _strokes_of(texts: tuple[tuple[int, str], ...]) -> float:
    """What the widest number takes, with clear ground."""
    return NUMBER_GAP + max((number_strokes(text) for _, text in texts), default=0.0)


def _unit(number_step_um: float) -> str:
    return "mm" if number_step_um >= MM_FROM_UM * (1 - 1e-9) else "um"


def _check_printable(step_um: float, line_mm: float, slope: float, magnification: float) -> None:
    along_mm = step_um / 1000 / math.sin(slope)
    if along_mm < 2 * line_mm * (1 - 1e-9):
        least_um = _rounded_up(2000 * line_mm * math.sin(slope))
        raise TargetError(
            f"depth step of {step_um:g} um at {magnification:g}x: its ticks stand "
            f"{1000 * along_mm:.3g} um apart on the ramp, and lines of {1000 * line_mm:.3g} um "
            f"take {2000 * line_mm:.3g} um. Ask for {least_um:g} um or more, choose a flatter "
            "slope, or have it made with finer lines."
        )


def _rounded_up(value: float) -> float:
    """The least of 1, 2, 5 x 10^n that is not below a value."""
    decade = 10.0 ** math.floor(math.log10(value))
    digit = min(d for d in (1, 2, 5, 10, 20) if d * decade >= value * (1 - 1e-9))
    return _tidy(digit * decade)


def _tidy(value: float) -> float:
    # Twelve digits drop what binary fractions add; adding 0 turns -0.0 into 0.0.
    return float(f"{value:.12g}") + 0.0


def _tick_length(i: int, every: int) -> float:
    if i % every == 0:
        return TICK_NUMBERED
    return TICK_TENTH if i % 10 == 0 else TICK_FIFTH if i % 5 == 0 else TICK_SHORT


def _bar(x: float, width_mm: float, y0: float, y1: float) -> Mark:
    left, right = x - 0.5 * width_mm, x + 0.5 * width_mm
    top, bottom = min(y0, y1), max(y0, y1)
    return _mark("scale", ((left, top), (right, top), (right, bottom), (left, bottom)))


def _letters(text: str, centre_mm: Point, stroke_mm: float, stretch: float) -> list[Mark]:
    outlines = number_polygons(text, centre_mm=centre_mm, stroke_mm=stroke_mm, stretch=stretch)
    return [_mark("text", outline) for outline in outlines]


def _mark(role: str, polygon: Polygon) -> Mark:
    return Mark(role=role, polygon_mm=tuple(map(rounded, polygon)))
