"""What do the places of the field say about the lens on axis, and what does it leave open there?

Rail positions of frames, rings, spherical aberration and the rest are fitted at the
centre and known within their uncertainty. Places away from it saw the same frames: the
fit on axis enters as prior knowledge, and each step moves it by what all places
together ask for, their own unknowns following (one Gauss-Newton step of the joint
problem, with the places' unknowns eliminated). The fit on axis itself stays as it was.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.field_data import FieldData
from lab.inference.field_model import FieldModel
from lab.inference.lens_data import IntArray
from lab.inference.lens_fit import LensFit
from lab.inference.lens_model import LensModel

__all__ = ["AxialSlopes", "joint_step"]

_ROW_NAMES = (
    *("mtf", "mtf_std", "frequency_cyc_per_mm"),
    *("series", "stop", "channel", "frame"),
)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Part:
    """Rows of one place and direction."""

    row: IntArray
    place: int
    model: LensModel


class AxialSlopes:
    """Derivatives of field rows by the figures of the lens on axis."""

    def __init__(self, rows: FieldData) -> None:
        self.rows = rows
        self._parts = []
        for direction in np.unique(rows.direction):
            row = np.flatnonzero(rows.direction == direction)
            part = {name: getattr(rows.lens, name)[row] for name in _ROW_NAMES}
            self._parts.append(
                _Part(
                    row=row,
                    place=int(rows.place[row[0]]),
                    model=LensModel(replace(rows.lens, **part)),
                )
            )

    def __call__(
        self, model: FieldModel, unknown: FloatArray
    ) -> Iterator[tuple[IntArray, int, FloatArray]]:
        """Part by part: its rows, their place, and their derivatives, (n, n_parameter)."""
        for part in self._parts:
            yield part.row, part.place, model.by_axis(unknown, part.row, part.model)


def joint_step(
    slopes: AxialSlopes,
    on_axis: LensFit,
    model: FieldModel,
    unknown: FloatArray,
    *,
    residual: FloatArray,
    by_unknown: FloatArray,
    weight: FloatArray,
    information: FloatArray,
) -> tuple[LensFit, FloatArray]:
    """Move the lens on axis by what the places ask for.

    Parameters
    ----------
    slopes : AxialSlopes
    on_axis : LensFit
        As fitted at the centre: the prior.
    model : FieldModel
        With the fit as of the last step.
    unknown : ndarray, (n_place, 3)
        Best with this fit.
    residual, by_unknown, weight : ndarray, (n,), (n, 3), (n,)
        Of each row: measured less predicted MTF, derivatives of the latter, and weight,
        its noise included.
    information : ndarray, (n_place, 3, 3)
        About the unknowns.

    Returns
    -------
    (LensFit, ndarray, (n_place, 3, n_parameter))
        The fit moved, with what is now known; and by how much the unknowns fall per unit
        of each of its figures.
    """
    fit, size = model.fit, on_axis.model.size
    asked, gained = np.zeros(size), np.zeros((size, size))
    linked = np.zeros((unknown.shape[0], 3, size))
    for row, place, by_axis in slopes(model, unknown):
        weighted = by_axis * weight[row, np.newaxis]
        asked += weighted.T @ residual[row]
        gained += weighted.T @ by_axis
        linked[place] += by_unknown[row].T @ weighted
    through = np.linalg.solve(information, linked)
    gained -= np.einsum("pia,pib->ab", linked, through)
    system = np.eye(size) + on_axis.covariance @ gained
    step = on_axis.covariance @ asked - (fit.parameters - on_axis.parameters)
    covariance = np.linalg.solve(system, on_axis.covariance)
    moved = replace(
        fit,
        parameters=fit.parameters + np.linalg.solve(system, step),
        covariance=(covariance + covariance.T) / 2,
    )
    return moved, np.asarray(through, np.float64)
