"""What does each place of the field show: focus, aberrations, sharpness stop by stop?

Signs: a positive focus offset means that the sensor lies beyond the place's image, so
that the target recedes there. This takes the rail's positions to rise as the camera
moves away from the target; where they rise towards it, every offset and astigmatism
turns its sign, all together. The MTF cannot tell.

Leaves out: what ``FieldModel`` leaves out, and colours other than green.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from lab.inference.field_curve import field_stops
from lab.inference.field_data import field_data
from lab.inference.field_descent import PlaceFit, fit_places
from lab.inference.field_model import ASTIGMATISM, COMA2, FOCUS
from lab.inference.lens_fit import LensFit
from lab.inference.results import FieldPoint
from lab.session.config import SessionConfig
from lab.session.records import FrameRecord

__all__ = ["field_points"]

_NOT_MEASURED = 0.5  # of what was open beforehand is still open
_MISFIT = 4.0  # chi-square above which a place is flagged: twice what noise explains


def field_points(
    fit: LensFit, config: SessionConfig, frames: Sequence[FrameRecord]
) -> tuple[FieldPoint, ...]:
    """Focus, aberrations and sharpness of every square away from the field's centre.

    Parameters
    ----------
    fit : LensFit
        Of the same session.
    config : SessionConfig
        For the sensor's size.
    frames : sequence of FrameRecord
        Measured frames.

    Returns
    -------
    tuple of FieldPoint
        By square and magnification; empty where nothing away from the centre was measured.
    """
    rows = field_data(fit, frames)
    if rows is None:
        return ()
    data = fit.model.data
    found = fit_places(fit, rows)
    stops = field_stops(fit, rows, found)
    half_diagonal_mm = math.hypot(*config.body.sensor_mm) / 2
    points = []
    for k, place in enumerate(rows.places):
        magnification = data.magnifications[place.series]
        to_object_mm = half_diagonal_mm / magnification
        centre_x, centre_y = rows.centre[place.series].tolist()
        to_object = 1 / magnification**2
        std = np.sqrt(np.diag(found.covariance[k] + found.shared[k]))
        here = rows.place == k
        positions = data.position_um[rows.lens.frame[here]]
        points.append(
            FieldPoint(
                square=place.square,
                magnification=data.nominal_magnifications[place.series],
                field_x=place.field_x,
                field_y=place.field_y,
                x_object_mm=(place.field_x - centre_x) * to_object_mm,
                y_object_mm=(place.field_y - centre_y) * to_object_mm,
                focus_offset_image_um=float(found.unknown[k, FOCUS]),
                focus_offset_image_std_um=float(std[FOCUS]),
                focus_offset_object_um=float(found.unknown[k, FOCUS]) * to_object,
                focus_offset_object_std_um=float(std[FOCUS]) * to_object,
                focus_shared_object_um=tuple((found.shared_focus[k] * to_object).tolist()),
                astigmatism_um=float(found.unknown[k, ASTIGMATISM]),
                astigmatism_std_um=float(std[ASTIGMATISM]),
                coma2_um2=float(found.unknown[k, COMA2]),
                coma2_std_um2=float(std[COMA2]),
                stops=stops[k],
                chi_square=float(found.chi_square[k]),
                frames_used=np.unique(rows.lens.frame[here]).size,
                flags=_flags(found, k, place.n_direction, bool(np.isnan(positions).any())),
            )
        )
    return tuple(points)


def _flags(found: PlaceFit, k: int, n_direction: int, unplaced: bool) -> tuple[str, ...]:
    own_std = np.sqrt(np.diag(found.covariance[k]))
    vague = own_std > _NOT_MEASURED * found.prior_std[k]
    flags = {
        "model-does-not-fit": found.chi_square[k] > _MISFIT,
        "one-direction": n_direction < 2,
        "astigmatism-not-measured": vague[ASTIGMATISM],
        "astigmatism-sign-open": found.sign_open[k],
        "coma-not-measured": vague[COMA2],
        "positions-unknown": unplaced,
    }
    return tuple(name for name, true in flags.items() if true)
