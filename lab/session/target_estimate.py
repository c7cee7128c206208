"""What do measured frames say about the edge of the target that they show?

Puts the edges near each frame's centre together: the target's raggedness, and the blur
that ``lab.edges.target_quality`` bounds or, over magnifications, estimates. Beside it the
share of the MTF that this blur takes where it matters most: at the highest diffraction
MTF50, object side, of the frames given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lab.edges.target_quality import (
    SHARPER_THAN_DIFFRACTION,
    ExcessBlur,
    TargetBlur,
    excess_blur,
    frame_excess,
    median_raggedness,
    target_blur,
)
from lab.edges.types import FloatArray, Rejection
from lab.optics.geometry import effective_f_number
from lab.optics.system import Band, diffraction_mtf50
from lab.session.measuring import centre_edges
from lab.session.records import EdgeRecord
from lab.session.stops import exact_stop
from targets.fidelity import edge_mtf_loss

__all__ = [
    "PREDICTION_STD",
    "PUPIL_RATIO_GUESS_STD",
    "PUPIL_RATIO_STD",
    "FrameTarget",
    "ShotFrame",
    "TargetEstimate",
    "estimate_target",
]

# Relative standard uncertainties of what the prediction rests on. Common practice, no
# published source: 10 nm in the effective wavelength of a raw colour and 2 % in the iris's
# opening together; the pupil ratio read off the lens, and where nobody did and 1 is taken.
PREDICTION_STD = 0.03
PUPIL_RATIO_STD, PUPIL_RATIO_GUESS_STD = 0.05, 0.2
_SHARPER = 3.0  # standard uncertainties below diffraction that noise does not explain


@dataclass(frozen=True, kw_only=True)
class ShotFrame:
    """A frame's measured edges and how it was shot; ``marked_stop`` is the ring's number."""

    file: str
    edges: tuple[EdgeRecord, ...]
    magnification: float
    marked_stop: float


@dataclass(frozen=True, kw_only=True)
class FrameTarget:
    """What one frame says of the target.

    Attributes
    ----------
    edges : int
        Edges near the centre that were used.
    raggedness_object_um, raggedness_std_um : float or None
        Standard deviation of the contour beyond noise. None: not to be had. [um]
    excess : ExcessBlur or None
        Blur on the sensor beyond diffraction and pixel; None with a ``reason``.
    diffraction_mtf50_object_cyc_per_mm : float
        Of the lens alone.
    """

    file: str
    magnification: float
    marked_stop: float
    effective_f_number: float
    edges: int
    raggedness_object_um: float | None
    raggedness_std_um: float | None
    excess: ExcessBlur | None
    diffraction_mtf50_object_cyc_per_mm: float
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class TargetEstimate:
    """What all frames together say of the target.

    Attributes
    ----------
    frames : tuple of FrameTarget
        In the order given.
    blur : TargetBlur or None
        None where no frame gave a figure.
    judged : FrameTarget or None
        The frame of the highest diffraction MTF50, object side, that gave one.
    mtf_loss, mtf_loss_low95, mtf_loss_high95 : float or None
        Share of the MTF that the blur takes there, and the ends of its 95 % interval. With
        a single magnification only the upper end is known, one-sided. [-]
    """

    frames: tuple[FrameTarget, ...]
    blur: TargetBlur | None = None
    judged: FrameTarget | None = None
    mtf_loss: float | None = None
    mtf_loss_low95: float | None = None
    mtf_loss_high95: float | None = None


def estimate_target(
    frames: Sequence[ShotFrame],
    *,
    channel: str,
    pixel_pitch_um: float,
    pupil_ratio: float | None,
    wavelength_um: float | Band,
) -> TargetEstimate:
    """Raggedness and blur of the target's edge from measured frames.

    Parameters
    ----------
    frames : sequence of ShotFrame
        In best focus, at one stop; their edges measured without a stated target blur.
    channel : str
        Raw colour to take.
    pixel_pitch_um : float
        [um], > 0
    pupil_ratio : float or None
        Exit over entrance pupil diameter. [-], > 0. None: taken as 1, and the less sure.
    wavelength_um : float or Band
        Light of that colour. [um], > 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    ratio = 1.0 if pupil_ratio is None else pupil_ratio
    ratio_std = PUPIL_RATIO_GUESS_STD if pupil_ratio is None else PUPIL_RATIO_STD
    seen: list[FrameTarget] = []
    useful: list[tuple[FrameTarget, ExcessBlur, FloatArray]] = []
    for frame in frames:
        one = _frame_target(frame, channel, pixel_pitch_um, ratio, wavelength_um)
        excess = one.excess
        if excess is not None:
            # The effective f-number changes with ln P by -(m / P) / (1 + m / P) of itself.
            by_ratio = -1 / (1 + ratio / one.magnification)
            common = excess.per_prediction_um2 * np.array([PREDICTION_STD, ratio_std * by_ratio])
            total = math.hypot(excess.variance_std_um2, *common)
            if excess.variance_um2 < -_SHARPER * total:
                one = replace(one, excess=None, reason=SHARPER_THAN_DIFFRACTION)
            else:
                useful.append((one, excess, common))
        seen.append(one)
    if not useful:
        return TargetEstimate(frames=tuple(seen))
    blur = target_blur(
        [one.magnification for one, _, _ in useful],
        [excess for _, excess, _ in useful],
        np.transpose([common for _, _, common in useful]),
    )
    judged = max((one for one, _, _ in useful), key=lambda f: f.diffraction_mtf50_object_cyc_per_mm)

    def loss(blur_um: float | None) -> float | None:
        if blur_um is None:
            return None
        return float(edge_mtf_loss(judged.diffraction_mtf50_object_cyc_per_mm, blur_um))

    return TargetEstimate(
        frames=tuple(seen),
        blur=blur,
        judged=judged,
        mtf_loss=loss(blur.blur_um),
        mtf_loss_low95=loss(blur.blur_low95_um),
        mtf_loss_high95=loss(
            blur.blur_upper95_um if blur.blur_high95_um is None else blur.blur_high95_um
        ),
    )


def _frame_target(
    frame: ShotFrame,
    channel: str,
    pixel_pitch_um: float,
    pupil_ratio: float,
    wavelength_um: float | Band,
) -> FrameTarget:
    stop = exact_stop(frame.marked_stop)
    f_number = float(effective_f_number(stop, frame.magnification, pupil_ratio))
    edges = centre_edges(frame.edges, channel)
    excesses = []
    reason = "" if edges else "no edge of it could be measured"
    for edge in edges:
        assert edge.mtf50_cyc_per_px is not None
        assert edge.mtf50_std is not None
        found = excess_blur(
            edge.mtf50_cyc_per_px,
            edge.mtf50_std,
            edge_angle_deg=edge.angle_deg,
            pixel_pitch_um=pixel_pitch_um,
            f_number=f_number,
            wavelength_um=wavelength_um,
        )
        if isinstance(found, Rejection):
            reason = found.reason
        else:
            excesses.append(found)
    ragged = [
        (edge.raggedness_object_um, edge.raggedness_std_um)
        for edge in edges
        if edge.raggedness_object_um is not None and edge.raggedness_std_um is not None
    ]
    typical = median_raggedness(*zip(*ragged, strict=True)) if ragged else (None, None)
    alone = diffraction_mtf50(wavelength_um=wavelength_um, f_number=f_number)
    return FrameTarget(
        file=frame.file,
        magnification=frame.magnification,
        marked_stop=frame.marked_stop,
        effective_f_number=f_number,
        edges=len(edges),
        raggedness_object_um=typical[0],
        raggedness_std_um=typical[1],
        excess=None if reason else frame_excess(excesses),
        diffraction_mtf50_object_cyc_per_mm=alone * frame.magnification,
        reason=reason,
    )
