"""What a comparison of sessions says, as plain frozen records: what the page draws.

Sessions are numbered from 0 in the order given; ``letter`` is what readers see. MTF50 is
compared on the object side, where magnifications and pixel pitches no longer matter for
its scale. ``low95``/``high95`` are ends of a 95 % interval, of one figure or one pair
alone; ``told_apart`` counts all pairs of its question.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "ComparedCurve",
    "ComparedMark",
    "ComparedSession",
    "ComparedValue",
    "Comparison",
    "FieldComparison",
    "MagnificationComparison",
    "PairDifference",
    "Place",
    "Question",
    "Repeatability",
]


@dataclass(frozen=True, kw_only=True)
class ComparedSession:
    """Who is compared. ``magnifications`` are as stated in the session.

    ``source`` is the last part of the folder's or bundle's name, "" where none may be shown.
    """

    letter: str  # A, B, ..., Z, AA, ...
    name: str
    lens_name: str
    body_name: str
    pixel_pitch_um: float
    magnifications: tuple[float, ...]
    source: str = ""
    simulated: bool = False


@dataclass(frozen=True, kw_only=True)
class ComparedValue:
    """One session's figure for one question; None where it does not apply.

    Attributes
    ----------
    session : int
    value, low95, high95 : float
        In the question's unit.
    stop : float
        Ring position, exact.
    effective_f_number : float
    mtf50_image_cyc_per_mm, image_low95, image_high95 : float or None
        On the sensor.
    percent_of_diffraction : float or None
    magnification : float or None
        As measured, where it differs between the sessions by the question's nature.
    crop_width : float or None
        Share of the sensor's width that shows the field; 1 = all of it.
    flags : tuple of str
        "optimum-not-bracketed", "interpolated".
    """

    session: int
    value: float
    low95: float
    high95: float
    stop: float
    effective_f_number: float
    mtf50_image_cyc_per_mm: float | None = None
    image_low95: float | None = None
    image_high95: float | None = None
    percent_of_diffraction: float | None = None
    magnification: float | None = None
    crop_width: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class PairDifference:
    """``first`` over ``second``, as a percentage of ``second``.

    ``p`` is two-sided, of no difference; ``p_corrected`` counts all pairs of the question
    over all magnifications and stops (Holm). ``within_repeatability``: told apart within
    these sessions, but by no more than sessions of one lens differ here; None where no
    lens was measured twice.
    """

    first: int
    second: int
    percent: float
    low95: float
    high95: float
    p: float
    p_corrected: float
    told_apart: bool
    within_repeatability: bool | None = None


@dataclass(frozen=True, kw_only=True)
class Place:
    """A session's place: one more than the sessions that are told to be ahead of it."""

    session: int
    place: int


@dataclass(frozen=True, kw_only=True)
class Question:
    """One stated question with figures, differences and places.

    ``values`` in the order of sessions; ``places`` by place, then by figure. ``pairs`` are
    all ``pair_count`` of a few sessions; of more than 30, those with the first place.
    """

    key: str  # "optimum", "equal-stop", "depth-at-optimum" or "held"
    unit: str
    values: tuple[ComparedValue, ...]
    pairs: tuple[PairDifference, ...]
    pair_count: int
    places: tuple[Place, ...]
    effective_f_number: float | None = None  # of "equal-stop"


@dataclass(frozen=True, kw_only=True)
class ComparedMark:
    """A measured stop: object-side MTF50 with its own 95 % interval."""

    effective_f_number: float
    mtf50_object_cyc_per_mm: float
    low95: float
    high95: float
    marked_stop: float


@dataclass(frozen=True, kw_only=True)
class ComparedCurve:
    """Object-side MTF50 of one session against the effective f-number, with a 95 % band."""

    session: int
    effective_f_number: tuple[float, ...]
    mtf50_object_cyc_per_mm: tuple[float, ...]
    low95: tuple[float, ...]
    high95: tuple[float, ...]
    marks: tuple[ComparedMark, ...]
    from_model: bool  # else interpolated between the stops


@dataclass(frozen=True, kw_only=True)
class MagnificationComparison:
    """One magnification that at least two sessions share, within 5 %.

    ``shared_low``/``shared_high`` bound the effective f-numbers that all measured; None
    where no range is common to all. ``depth_at_optimum`` is None where fewer than two
    models of the lens describe their session.
    """

    magnification: float
    measured_low: float
    measured_high: float
    sessions: tuple[int, ...]
    missing: tuple[int, ...]
    curves: tuple[ComparedCurve, ...]
    optimum: Question
    shared_low: float | None
    shared_high: float | None
    equal_stops: tuple[Question, ...]
    depth_at_optimum: Question | None
    loss_percent: float


@dataclass(frozen=True, kw_only=True)
class FieldComparison:
    """One object field, held over one depth, each session at its best stop for it.

    ``field_width_mm`` is None where a sensor's width is unknown: then sessions with a
    lower magnification are taken to be cropped from a sensor of the same width.
    ``left_out`` are sessions whose frames show less of the subject, or without a model.
    """

    magnification: float
    field_width_mm: float | None
    depth_um: float
    held: Question
    left_out: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """How far the sharpest MTF50 of one lens differs between its sessions.

    ``std_percent`` of one session, pooled over lenses and magnifications; two sessions
    differ by less than ``limit_percent`` in 95 % (Student's t on ``freedom``).
    """

    std_percent: float
    limit_percent: float
    freedom: int
    lenses: tuple[tuple[int, ...], ...]  # sessions of one lens each


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Sessions set beside each other. No overall figure: each question has its own answer.

    ``unshared``: magnification and session of the series that no other session has.
    ``limits``: standard uncertainties that a difference must exceed, by question.
    """

    sessions: tuple[ComparedSession, ...]
    magnifications: tuple[MagnificationComparison, ...]
    unshared: tuple[tuple[float, int], ...]
    fields: tuple[FieldComparison, ...]
    repeatability: Repeatability | None
    tests: dict[str, int]  # pairs counted together, by question
    limits: dict[str, float]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    depth_is_chosen: bool  # by us, as the command named none
    same_target: bool
    same_light: bool
    provenance: tuple[dict[str, str], ...]
