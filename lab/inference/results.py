"""The results of a session as plain frozen records: what the report draws.

Units are in the names. ``image`` side is on the sensor; object side = image
side x magnification for frequencies. ``std`` is a standard uncertainty,
``low95``/``high95`` are ends of a 95 % interval.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "ChannelOptimum",
    "ColourResult",
    "ConeResult",
    "FocusSample",
    "LensFigure",
    "LensResult",
    "LensSeries",
    "LensStop",
    "RuleResult",
    "SeriesResult",
    "SessionResult",
    "StopPoint",
]


@dataclass(frozen=True, kw_only=True)
class FocusSample:
    """One frame of a through-focus bracket."""

    file: str
    focus_position_um: float | None  # object side, None = order unknown
    mtf50_image_cyc_per_mm: float
    mtf50_std: float
    used: bool
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class StopPoint:
    """One stop of one series: the peak of its through-focus curve."""

    marked_stop: float
    exact_stop: float  # 2**(k/2), or thirds of a stop, where the ring's number is rounded
    effective_f_number: float
    mtf50_image_cyc_per_mm: float
    mtf50_std: float
    mtf50_low95: float
    mtf50_high95: float
    mtf50_object_cyc_per_mm: float
    diffraction_mtf50_image_cyc_per_mm: float  # diffraction x pixel, same channel
    percent_of_diffraction: float
    best_focus_um: float | None
    focus_curve_um: tuple[float, ...]  # fitted through-focus curve, empty if none
    focus_curve_mtf50: tuple[float, ...]
    focus_samples: tuple[FocusSample, ...]
    frequency_image_cyc_per_mm: tuple[float, ...]  # MTF curve of the sharpest frame(s)
    mtf: tuple[float, ...]
    mtf_std: tuple[float, ...]
    diffraction_mtf: tuple[float, ...]  # diffraction x pixel at the same frequencies
    frames_measured: int
    frames_used: int
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ColourResult:
    """One raw colour against green at one stop. None = not measured."""

    channel: str
    marked_stop: float
    lateral_corner_px: float | None  # outwards positive, at the frame's corner
    lateral_corner_std_px: float | None
    lateral_corner_image_um: float | None
    lateral_corner_object_um: float | None
    focus_difference_um: float | None  # object side, best focus against green's
    focus_difference_std_um: float | None


@dataclass(frozen=True, kw_only=True)
class SeriesResult:
    """One magnification: its stops and what they say."""

    magnification: float
    measured_magnification: float | None
    measured_magnification_std: float | None
    points: tuple[StopPoint, ...]  # by rising marked stop
    optimum_stop: float | None
    optimum_low95: float | None
    optimum_high95: float | None
    optimum_mtf50_image_cyc_per_mm: float | None
    deepest_sharp_stop: float | None  # largest stop that loses <= loss_percent of the optimum
    loss_percent: float
    curve_stop: tuple[float, ...]  # smooth curve through the points, for the figure
    curve_mtf50_image_cyc_per_mm: tuple[float, ...]
    curve_diffraction_mtf50_image_cyc_per_mm: tuple[float, ...]
    deepest_low95: float | None = None
    deepest_high95: float | None = None
    interpolated_optimum_stop: float | None = None  # beside the model of the lens
    interpolated_low95: float | None = None
    interpolated_high95: float | None = None
    colours: tuple[ColourResult, ...] = ()  # at the stop nearest the optimum
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class LensFigure:
    """A fitted figure; ``measured`` False: it is what was known before the frames."""

    name: str
    unit: str
    value: float
    std: float
    measured: bool


@dataclass(frozen=True, kw_only=True)
class ConeResult:
    """Effective f-number over N (1 + m), by one property of the frames alone."""

    name: str  # "diffraction" or "focus depth"
    over_nominal: float
    std: float


@dataclass(frozen=True, kw_only=True)
class LensStop:
    """A marked stop by the model of the lens; shares add up to 1."""

    marked_stop: float
    effective_f_number: float
    effective_f_number_std: float
    over_nominal: float  # effective f-number over N (1 + m)
    mtf50_image_cyc_per_mm: float
    mtf50_std: float
    diffraction_share: float
    aberration_share: float
    defocus_share: float
    pixel_share: float
    residual_share: float
    beyond_model_percent: float  # in frequency: what the bracket showed that the model does not


@dataclass(frozen=True, kw_only=True)
class RuleResult:
    """A rule of thumb put to the test at one magnification."""

    rule: str
    verdict: str  # "holds", "too cautious", "too bold" or "cannot tell"
    reason: str
    probability: float  # of the verdict, or of the likeliest where it cannot be told
    limit_stop: float
    loss_percent: float | None  # of MTF50 at the limit, against the optimum
    loss_low95: float | None
    loss_high95: float | None
    depth_given_away: float | None  # depth of the deepest sharp stop over that of the limit


@dataclass(frozen=True, kw_only=True)
class ChannelOptimum:
    """Sharpest stop in one raw colour, each at its own best focus."""

    channel: str
    optimum_stop: float
    optimum_low95: float
    optimum_high95: float
    mtf50_image_cyc_per_mm: float


@dataclass(frozen=True, kw_only=True)
class LensSeries:
    """One magnification by the model of the lens. None where there is one stop only."""

    magnification: float
    stops: tuple[LensStop, ...]
    optimum_stop: float | None = None
    optimum_low95: float | None = None
    optimum_high95: float | None = None
    optimum_mtf50_image_cyc_per_mm: float | None = None
    deepest_sharp_stop: float | None = None
    deepest_low95: float | None = None
    deepest_high95: float | None = None
    curve_stop: tuple[float, ...] = ()
    curve_mtf50_image_cyc_per_mm: tuple[float, ...] = ()
    curve_mtf50_std: tuple[float, ...] = ()
    channels: tuple[ChannelOptimum, ...] = ()
    rules: tuple[RuleResult, ...] = ()
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class LensResult:
    """The optical model of a session, and how well it describes the frames."""

    figures: tuple[LensFigure, ...]
    correlated: tuple[tuple[str, str, float], ...]  # figures whose errors go together
    cones: tuple[ConeResult, ...]
    series: tuple[LensSeries, ...]
    chi_square: float  # per residual, 1 = the frames' own noise
    excess_percent: float  # scatter of brackets about the model, in frequency
    frames_in_doubt: tuple[str, ...]
    describes: bool
    cannot_say: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class SessionResult:
    """A whole session, ready to print, draw or write as JSON."""

    name: str
    body_name: str
    lens_name: str
    pixel_pitch_um: float
    focal_length_mm: float | None
    pupil_ratio: float
    pupil_ratio_source: str  # "session.toml" or "assumed"
    channel: str
    wavelength_um: float
    light_source: str  # where the wavelength comes from
    series: tuple[SeriesResult, ...]
    frames_by_status: dict[str, int]
    cautions: tuple[str, ...]  # sentences for the reader, what to doubt
    provenance: dict[str, str]  # version, settings, number and hash of frames
    flags: tuple[str, ...] = ()
    lens: LensResult | None = None
