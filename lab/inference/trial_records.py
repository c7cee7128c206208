"""The results of a trial as plain frozen records: what is printed, drawn and written.

A trial is repeated frames under two or more named conditions. Units are in the names;
``image`` side is on the sensor, ``object`` side in the subject. ``std`` is a standard
uncertainty, ``low95``/``high95`` are ends of a 95 % interval. What is not known is None,
never NaN, and all values are plain, so that the records can be written as JSON.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ShutterCurve", "TrialCondition", "TrialDifference", "TrialFrame", "TrialResult"]


@dataclass(frozen=True, kw_only=True)
class TrialFrame:
    """One frame of a trial. None = not known.

    Attributes
    ----------
    file : str
    condition : str
        Name of its condition.
    status : str
        "measured"; "rejected": too blurred to be measured, and so no keeper.
    reason : str
        Why it was rejected, else empty.
    best_edge_mtf50_image_cyc_per_mm : float or None
        Of its sharpest edge. [cycles per mm, image side]
    mtf50_image_cyc_per_mm, mtf50_std : float or None
        The softer direction at the frame's sharpest place, by which it is judged.
        [cycles per mm, image side]
    of_reference : float or None
        Of the reference's median. [-], 1 = as sharp
    is_keeper : bool
    kind : str or None
        Likeliest kind of blur: "sharp", "focus", "linear", "oscillating" or "pulse".
    probability : dict of str to float
        Of each kind, sum 1; empty where there is no ``kind``. [-]
    axis_deg : float or None
        Axis of the movement, range (-90, 90]; None where there is none that shows, or where
        its mirror image fits as well. [deg]
    length_px, length_std_px : float or None
        Linear: from end to end; oscillating: from peak to peak; pulse: image speed x
        t0.1. [px]
    length_image_um, length_object_um : float or None
        The same on the sensor and in the subject. [um]
    speed_object_um_per_s : float or None
        In the subject; 0 where no movement shows. [um/s]
    defocus_waves : float or None
        At the pupil's rim. [waves]
    flags : tuple of str
    """

    file: str
    condition: str
    status: str
    reason: str = ""
    best_edge_mtf50_image_cyc_per_mm: float | None = None
    mtf50_image_cyc_per_mm: float | None = None
    mtf50_std: float | None = None
    of_reference: float | None = None
    is_keeper: bool
    kind: str | None = None
    probability: dict[str, float]
    axis_deg: float | None = None
    length_px: float | None = None
    length_std_px: float | None = None
    length_image_um: float | None = None
    length_object_um: float | None = None
    speed_object_um_per_s: float | None = None
    defocus_waves: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class TrialCondition:
    """One condition of a trial, with a frame at least. None = not known.

    Attributes
    ----------
    name : str
    frames : int
        Frames that count: measured, and rejected as too blurred.
    measured : int
    keepers : int
    share, share_low95, share_high95 : float
        Keepers among ``frames``. [-], 0 to 1
    median_mtf50_image_cyc_per_mm, median_low95, median_high95 : float or None
        Rejected frames count as below every measured one; None where the figure falls
        among them. [cycles per mm, image side]
    frames_for_one, frames_for_one_low95, frames_for_one_high95 : int or None
        Frames that bring at least one keeper in 95 % of tries; None = not bounded.
    kinds : dict of str to int
        Frames of each kind of blur.
    exposure_s, flash_t01_s : float or None
        Shutter time; the flash's t0.1 duration. [s]
    ambient_share : float or None
        Of the light of a flash exposure that is not the flash's. [-], 0 to 1
    speed_median_um_per_s, speed_p90_um_per_s : float or None
        Of the movement in the subject: median and 90th percentile of frames. [um/s]
    predicted_of_reference : float or None
        Share of the reference's MTF50 that the median speed leaves at this exposure. [-]
    measured_of_reference : float or None
        Share of it that the median frame has. [-]
    """

    name: str
    frames: int
    measured: int
    keepers: int
    share: float
    share_low95: float
    share_high95: float
    median_mtf50_image_cyc_per_mm: float | None = None
    median_low95: float | None = None
    median_high95: float | None = None
    frames_for_one: int | None = None
    frames_for_one_low95: int | None = None
    frames_for_one_high95: int | None = None
    kinds: dict[str, int]
    exposure_s: float | None = None
    flash_t01_s: float | None = None
    ambient_share: float | None = None
    speed_median_um_per_s: float | None = None
    speed_p90_um_per_s: float | None = None
    predicted_of_reference: float | None = None
    measured_of_reference: float | None = None


@dataclass(frozen=True, kw_only=True)
class TrialDifference:
    """One pair of conditions. Differences are ``one`` less ``other``.

    Attributes
    ----------
    one, other : str
        Names of the conditions.
    share_difference, share_low95, share_high95 : float
        Of keepers. [-], -1 to 1
    share_p, share_p_corrected : float
        That the shares are equal; corrected for all tests of the trial. [-], 0 to 1
    median_difference_image_cyc_per_mm, median_low95, median_high95 : float or None
        None where the figure or the end falls among rejected frames. [cycles per mm,
        image side]
    median_p, median_p_corrected : float
        That frames of both are equally likely to be the sharper. [-], 0 to 1
    is_told : bool
        A corrected p is at most 0.05.
    more_frames : int or None
        Frames per condition that tell the difference of shares seen in 80 % of trials;
        None where no such number was found.
    """

    one: str
    other: str
    share_difference: float
    share_low95: float
    share_high95: float
    share_p: float
    share_p_corrected: float
    median_difference_image_cyc_per_mm: float | None = None
    median_low95: float | None = None
    median_high95: float | None = None
    median_p: float
    median_p_corrected: float
    is_told: bool
    more_frames: int | None = None


@dataclass(frozen=True, kw_only=True)
class ShutterCurve:
    """What a speed leaves of the sharpness, against shutter time.

    Attributes
    ----------
    label : str
        Whose speed it is.
    speed_um_per_s : float
        In the subject. [um/s]
    time_s : tuple of float, (n,)
        Shutter times. [s]
    of_sharp : tuple of float, (n,)
        MTF50 over that without movement. [-], 0 to 1
    slowest_safe_s : float or None
        Longest time within the allowed loss; 0: none is, None: every time is. [s]
    """

    label: str
    speed_um_per_s: float
    time_s: tuple[float, ...]
    of_sharp: tuple[float, ...]
    slowest_safe_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class TrialResult:
    """A whole trial, ready to print, draw or write as JSON.

    Attributes
    ----------
    name : str
    magnification : float
        Nominal. [-]
    marked_stop, effective_f_number : float
        [-]
    pixel_pitch_um : float
        [um]
    reference : str
        Name of the condition that sharpness is judged by.
    loss_percent : float
        MTF50 that a keeper may lack of the reference's median. [%]
    limit_mtf50_image_cyc_per_mm : float
        Least MTF50 of a keeper. [cycles per mm, image side]
    frames : tuple of TrialFrame
    conditions : tuple of TrialCondition
    differences : tuple of TrialDifference
        Every pair.
    curves : tuple of ShutterCurve
    notes : tuple of str
        Sentences for the reader, what to doubt.
    """

    name: str
    magnification: float
    marked_stop: float
    effective_f_number: float
    pixel_pitch_um: float
    reference: str
    loss_percent: float
    limit_mtf50_image_cyc_per_mm: float
    frames: tuple[TrialFrame, ...]
    conditions: tuple[TrialCondition, ...]
    differences: tuple[TrialDifference, ...]
    curves: tuple[ShutterCurve, ...] = ()
    notes: tuple[str, ...] = ()
