"""The results of a session as plain frozen records: what the report draws.

Units are in the names. ``image`` side is on the sensor; object side = image
side x magnification for frequencies. ``std`` is a standard uncertainty,
``low95``/``high95`` are ends of a 95 % interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = [
    "SIMULATED",
    "SIMULATED_WORDS",
    "ChannelOptimum",
    "ColourResult",
    "CompareTable",
    "CompareTables",
    "ConeResult",
    "FieldPoint",
    "FieldShape",
    "FieldStop",
    "FocusSample",
    "LensFigure",
    "LensResidual",
    "LensResult",
    "LensSeries",
    "LensStop",
    "RuleResult",
    "SeriesResult",
    "SessionResult",
    "StopPoint",
    "is_simulated",
]


# Of a result's provenance, and beside it a caution for the reader.
SIMULATED = ("origin of frames", "simulated: computed, not photographed")
SIMULATED_WORDS = (
    "The frames were computed, not photographed, and the gear is invented. No real lens is "
    "described here."
)
_TOLD = "Simulated session: "  # an older bundle has the caution alone


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
    interpolated_curve_mtf50_image_cyc_per_mm: tuple[float, ...] = ()  # at ``curve_stop``
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
    focus_shift_um: float  # object side, against the first stop; rail positions taken to rise
    focus_shift_std_um: float  # as the camera moves away


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

    channel: str  # or "white"
    optimum_stop: float
    optimum_low95: float
    optimum_high95: float
    mtf50_image_cyc_per_mm: float


@dataclass(frozen=True, kw_only=True)
class LensResidual:
    """One frame in one colour: measured less modelled MTF, mean over its frequencies."""

    file: str
    marked_stop: float
    channel: str
    defocus_waves: float  # from paraxial focus, at the pupil's rim
    mtf: float
    mtf_std: float


@dataclass(frozen=True, kw_only=True)
class FieldStop:
    """MTF50 of one place at one stop, at its best focus. [cycles per mm, image side].

    ``radial`` is contrast along the field's radius, ``tangential`` along its circle;
    ``percent`` is of diffraction and pixel in that direction.
    """

    marked_stop: float
    mtf50_radial_cyc_per_mm: float
    mtf50_radial_std: float
    mtf50_tangential_cyc_per_mm: float
    mtf50_tangential_std: float
    percent_radial: float
    percent_tangential: float


@dataclass(frozen=True, kw_only=True)
class FieldPoint:
    """One square of the chart at one magnification.

    Attributes
    ----------
    square : str
    magnification : float
        Nominal, as in the session.
    field_x, field_y : float
        Place in the frame from its centre, right and down, half the diagonal = 1.
    x_object_mm, y_object_mm : float
        Place on the target from the edges that stand for the axis, right and down.
    focus_offset_image_um, focus_offset_object_um : float
        Focus against that on axis, mean of both directions; signs as in
        ``lab.inference.field_fit``.
    focus_offset_image_std_um, focus_offset_object_std_um : float
    focus_shared_object_um : tuple of float
        Part of the last one that is the lens's on axis: independent errors of standard
        deviation 1 that move all points of a session at once, and by how much each
        moves this one.
    astigmatism_um, astigmatism_std_um : float
        Focus offset of contrast along the radius less that along the circle, image side.
    coma2_um2, coma2_std_um2 : float
        Square of the coma (path length at the rim of the widest stop); noise may make
        it negative. The MTF does not see coma's sign.
    stops : tuple of FieldStop
        MTF50 at the place's best focus, stop by stop.
    chi_square : float
        Weighted mean square of the residuals over their uncertainty.
    frames_used : int
    flags : tuple of str
        "model-does-not-fit"; "one-direction"; "astigmatism-not-measured",
        "astigmatism-sign-open"; "coma-not-measured"; "positions-unknown".
    """

    square: str
    magnification: float
    field_x: float
    field_y: float
    x_object_mm: float
    y_object_mm: float
    focus_offset_image_um: float
    focus_offset_image_std_um: float
    focus_offset_object_um: float
    focus_offset_object_std_um: float
    focus_shared_object_um: tuple[float, ...]
    astigmatism_um: float
    astigmatism_std_um: float
    coma2_um2: float
    coma2_std_um2: float
    stops: tuple[FieldStop, ...]
    chi_square: float
    frames_used: int
    flags: tuple[str, ...] = ()

    @property
    def coma_um(self) -> float:
        """Size of the coma at the widest stop. [um of path length]."""
        return math.sqrt(max(self.coma2_um2, 0.0))

    @property
    def coma_low95_um(self) -> float:
        """Lower end of its 95 % interval."""
        return math.sqrt(max(self.coma2_um2 - 1.96 * self.coma2_std_um2, 0.0))

    @property
    def coma_high95_um(self) -> float:
        """Upper end of its 95 % interval."""
        return math.sqrt(max(self.coma2_um2 + 1.96 * self.coma2_std_um2, 0.0))


@dataclass(frozen=True, kw_only=True)
class FieldShape:
    """Tilt, curvature and asymmetry at one magnification. None = cannot be told.

    Attributes
    ----------
    magnification : float
        Nominal.
    tilt_x_deg, tilt_y_deg : float or None
        Of the target against the plane in focus: > 0 where it recedes from the lens
        towards the frame's right (x) or lower (y) side.
    tilt_x_std_deg, tilt_y_std_deg : float or None
    curvature_corner_um : float or None
        How far a flat target lies beyond the surface in focus at the frame's corners
        when it is in focus at the centre, object side: > 0 where that surface bends
        towards the lens. Mean of both directions of contrast.
    curvature_corner_std_um : float or None
    points_used : int
    chi_square : float or None
        Of the offsets about plane and bowl, over the degrees of freedom.
    asymmetry_chance : float or None
        Chance, at most, that a centred lens shows as much asymmetry of coma and
        astigmatism.
    asymmetry_azimuth_deg : float or None
        Side of the frame where they are largest, 0 = right, 90 = down.
    flags : tuple of str
        "too-few-points", "points-in-a-line", "positions-unknown"; "shape-does-not-fit":
        no plane and bowl; "model-does-not-fit": a point's own fit is in doubt.
    """

    magnification: float
    points_used: int
    tilt_x_deg: float | None = None
    tilt_x_std_deg: float | None = None
    tilt_y_deg: float | None = None
    tilt_y_std_deg: float | None = None
    curvature_corner_um: float | None = None
    curvature_corner_std_um: float | None = None
    chi_square: float | None = None
    asymmetry_chance: float | None = None
    asymmetry_azimuth_deg: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class CompareTable:
    """Figures against one variable, as a comparison needs them; columns of one length.

    Attributes
    ----------
    at : tuple of float
        The variable, rising.
    stop, effective_f_number : tuple of float
        Ring position, exact, and the cone there.
    value : tuple of float
    std : tuple of float
        Standard uncertainty of the logarithm of ``value``, the light's wavelength taken as
        exact. [-]
    by_light : tuple of float
        Change of that logarithm with the relative error of the wavelength. [-]
    by_blur : tuple of float
        Change of that logarithm with the variance of a blur on the sensor. [1/um2]
    """

    at: tuple[float, ...]
    stop: tuple[float, ...]
    effective_f_number: tuple[float, ...]
    value: tuple[float, ...]
    std: tuple[float, ...]
    by_light: tuple[float, ...]
    by_blur: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class CompareTables:
    """What the fitted lens says to comparisons at one magnification, in green.

    Attributes
    ----------
    light, light_std : float
        Relative error of the wavelength against the stated one: fitted, and its standard
        uncertainty.
    optimum : CompareTable
        Object-side MTF50 at the optimum [cycles per mm]: one row, at its effective f-number.
    equal_stop : CompareTable
        Object-side MTF50 at best focus [cycles per mm] against the effective f-number, as if
        that were exact.
    over_depth : CompareTable
        Object-side MTF50 [cycles per mm] held over a depth [um], object side, each at its
        best stop.
    depth_within : CompareTable
        Depth about best focus at the optimum [um], object side, against the loss of MTF50 at
        its ends [%].
    """

    light: float
    light_std: float
    optimum: CompareTable
    equal_stop: CompareTable
    over_depth: CompareTable
    depth_within: CompareTable


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
    detail_um: float | None = None  # width of a line, and of the gap beside it, in the subject
    detail_stop: float | None = None  # at which its contrast is highest
    detail_low95: float | None = None
    detail_high95: float | None = None
    curve_contrast: tuple[float, ...] = ()  # of that detail, at ``curve_stop``
    curve_contrast_std: tuple[float, ...] = ()
    field: tuple[FieldPoint, ...] = ()  # places away from the centre
    shape: FieldShape | None = None
    residuals: tuple[LensResidual, ...] = ()
    rules: tuple[RuleResult, ...] = ()
    compare: CompareTables | None = None
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


def is_simulated(result: SessionResult) -> bool:
    """True where a result says of itself that its frames were computed."""
    return SIMULATED in result.provenance.items() or any(
        one.startswith(_TOLD) for one in result.cautions
    )
