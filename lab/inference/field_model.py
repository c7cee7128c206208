"""What MTF does the fitted lens show away from its axis?

A place of the field adds three unknowns to the lens on axis, alike for all stops of a
magnification: ``focus``, the sensor's distance from the place's image beyond that on
axis [um, image side]; ``astigmatism``, by how much this distance is larger for contrast
along the field's radius than for contrast along its circle [um, image side]; and
``coma2``, the square of the coma at the rim of the widest stop [um2 of path length].
Coma points along the radius and scales with the cube of the pupil. The MTF does not see
coma's sign: it is a function of the square, which noise may make negative.

The chart's centre is taken to lie on the lens's axis. Leaves out: vignetting and the
slanted pupil of oblique light, coma and astigmatism of higher order, coma across the
radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.centre import CHANNEL
from lab.inference.field_data import FieldData
from lab.inference.lens_data import IntArray
from lab.inference.lens_fit import LensFit
from lab.inference.lens_model import LensModel
from lab.optics.geometry import effective_f_number
from lab.optics.off_axis import (
    astigmatism_along,
    coma_along,
    off_axis_mtf_axial_gradient,
    off_axis_mtf_gradient,
)
from lab.optics.sensor import pixel_mtf

__all__ = ["ASTIGMATISM", "COMA2", "FOCUS", "AxialCones", "FieldModel", "axial_cones"]

FOCUS, ASTIGMATISM, COMA2 = range(3)
_SEEN = 0.985  # of the cut-off: nothing is left to see beyond
_LEAST_COMA_WAVES = 0.03  # at the widest stop: the MTF is linear in the square below


@dataclass(frozen=True, kw_only=True, eq=False)
class AxialCones:
    """Green light on axis by (series, stop), as fitted.

    Arrays are (n_series, n_stop): effective f-number, primary and secondary spherical
    aberration [waves], ``per_um`` [waves of defocus per um of focus shift], and
    ``coma_per_um`` [waves per um of coma at the widest stop]. ``log_per_um_by`` and
    ``log_coma_by``, (n_series, n_stop, n_parameter), are derivatives of the logarithms of
    these two.
    """

    wavelength_um: float
    f_number: FloatArray
    w040: FloatArray
    w060: FloatArray
    per_um: FloatArray
    coma_per_um: FloatArray
    log_per_um_by: FloatArray
    log_coma_by: FloatArray


def axial_cones(fit: LensFit) -> AxialCones:
    """Of every magnification and marked stop of a fit."""
    model, data = fit.model, fit.model.data
    n_series, n_stop = len(data.magnifications), len(data.stops)
    series = np.repeat(np.arange(n_series), n_stop)
    cone = model.cone(
        fit.parameters,
        series=series,
        channel=np.full(series.size, data.channels.index(CHANNEL)),
        stop=np.tile(model.stop, n_series),
        ring_weight=np.tile(np.eye(n_stop), (n_series, 1)),
    )
    pupil_ratio = np.exp(fit.value("pupil")[0])
    iris = cone.f_number / effective_f_number(1.0, model.magnification[series], pupil_ratio)
    ring = model.slices["ring"]
    log_coma_by = -cone.by_wavelength
    log_coma_by[:, ring] -= 3 * cone.by_f_number[:, ring]
    shape = (n_series, n_stop)
    return AxialCones(
        wavelength_um=float(cone.wavelength_um[0]),
        f_number=cone.f_number.reshape(shape),
        w040=cone.w040.reshape(shape),
        w060=cone.w060.reshape(shape),
        per_um=(1 / (8 * cone.wavelength_um * cone.f_number**2)).reshape(shape),
        coma_per_um=((data.stops[0] / iris) ** 3 / cone.wavelength_um).reshape(shape),
        log_per_um_by=(-2 * cone.by_f_number - cone.by_wavelength).reshape(*shape, -1),
        log_coma_by=log_coma_by.reshape(*shape, -1),
    )


class FieldModel:
    """Predicted MTF of the rows of field data.

    Parameters
    ----------
    fit : LensFit
    rows : FieldData
        Of the same frames.

    Attributes
    ----------
    fit : LensFit
    shift_um : ndarray, (n,)
        Focus shift of each row's frame on axis.
    """

    def __init__(self, fit: LensFit, rows: FieldData) -> None:
        data = rows.lens
        self.fit, self._rows, self._cones = fit, rows, axial_cones(fit)
        model = LensModel(data)
        at = data.series, data.stop
        excess = model.part(fit.parameters, "excess")[model.bracket]
        frequency = data.frequency_cyc_per_mm * (1 - excess)
        blur2 = model.part(fit.parameters, "blur2")[data.series]
        pixel = pixel_mtf(frequency * (data.pixel_pitch_um * 1e-3), rows.angle_deg)
        self._rest = pixel * np.exp(-2 * (np.pi * 1e-3 * frequency) ** 2 * blur2)
        self._s = frequency * 1e-3 * self._cones.wavelength_um * self._cones.f_number[at]
        model.settle_band(fit.parameters)  # as on axis: places add little to the band's part
        self._band_shift = model.band_shift
        self.shift_um = model.focus_shift_um(fit.parameters)
        self._w040, self._w060 = self._cones.w040[at], self._cones.w060[at]
        azimuth = np.array([place.azimuth_deg for place in rows.places])
        turn_deg = azimuth[rows.place] - rows.angle_deg
        # What one um of each unknown adds along and across the frequency.
        self._per_um = self._cones.per_um[at]
        self._astigmatism = astigmatism_along(0.5 * self._per_um, -0.5 * self._per_um, turn_deg)
        self._coma = coma_along(self._cones.coma_per_um[at], turn_deg)
        self._least_coma2 = (_LEAST_COMA_WAVES / self._cones.coma_per_um[0, 0]) ** 2

    def defocus_um(self, unknown: FloatArray, row: IntArray) -> FloatArray:
        """What a place adds to the focus shift of rows, along their frequency. [um]."""
        focus, astigmatism, _ = unknown[self._rows.place[row]].T
        return np.asarray(focus + astigmatism * self._astigmatism[0][row] / self._per_um[row])

    def _coma_um(self, unknown: FloatArray, row: IntArray) -> FloatArray:
        """Coma of rows, no less than where its square is continued in a straight line."""
        coma2 = unknown[self._rows.place[row], COMA2]
        return np.asarray(np.sqrt(np.maximum(coma2, self._least_coma2)))

    def __call__(self, unknown: FloatArray, row: IntArray) -> tuple[FloatArray, FloatArray]:
        """MTF of some rows and its derivatives.

        Parameters
        ----------
        unknown : ndarray, (n_place, 3)
            ``focus``, ``astigmatism`` and ``coma2`` of each place.
        row : ndarray of int, (n,)

        Returns
        -------
        (ndarray, (n,), ndarray, (n, 3))
        """
        _, astigmatism, coma2 = unknown[self._rows.place[row]].T
        coma_um = self._coma_um(unknown, row)
        along, cross = (one[row] for one in self._astigmatism)
        coma = [one[row] for one in self._coma]
        arguments = (
            self._s[row],
            self._per_um[row] * (self.shift_um[row] + self.defocus_um(unknown, row)),
            astigmatism * cross,
            *(coma_um * one for one in coma),
            self._w040[row],
            self._w060[row],
        )
        lens, by = np.zeros(row.size), np.zeros((row.size, 4))
        seen = arguments[0] < _SEEN
        lens[seen], by[seen] = off_axis_mtf_gradient(*(one[seen] for one in arguments))
        slope = np.empty((row.size, 3))
        slope[:, FOCUS] = by[:, 0] * self._per_um[row]
        slope[:, ASTIGMATISM] = by[:, 0] * along + by[:, 1] * cross
        slope[:, COMA2] = (by[:, 2] * coma[0] + by[:, 3] * coma[1]) / (2 * coma_um)
        lens += slope[:, COMA2] * (coma2 - coma_um**2)
        rest = self._rest[row]
        lens += self._band_shift[row]
        return lens * rest, slope * rest[:, np.newaxis]

    def by_axis(self, unknown: FloatArray, row: IntArray, model: LensModel) -> FloatArray:
        """Derivatives of rows by the lens on axis, (n, n_parameter).

        Parameters
        ----------
        unknown : ndarray, (n_place, 3)
        row : ndarray of int, (n,)
            Of one place and direction.
        model : LensModel
            Of the data of these rows alone.
        """
        series, stop = self._rows.lens.series[row], self._rows.lens.stop[row]
        moved = self.fit.parameters.copy()
        # Not the bracket's focus: the rail's scale does not stretch what a place adds.
        rock = model.part(moved, "rock")
        rock += self.defocus_um(unknown, row[:1]) / model.magnification[series[0]] ** 2
        coma_um = self._coma_um(unknown, row)
        cross = unknown[self._rows.place[row], ASTIGMATISM] * self._astigmatism[1][row]
        lens = _OffAxisLens(cross, *(coma_um * one[row] for one in self._coma))
        _, by = model(moved, lens)
        by += (self._rest[row] * lens.by_log_cross)[:, np.newaxis] * (
            self._cones.log_per_um_by[series, stop]
        )
        by += (self._rest[row] * lens.by_log_coma)[:, np.newaxis] * (
            self._cones.log_coma_by[series, stop]
        )
        return by


class _OffAxisLens:
    """The lens as ``LensModel`` asks for it, with astigmatism across the frequency and coma.

    After a call, ``by_log_cross`` and ``by_log_coma`` (n,) are the derivatives by the
    logarithms of these two.
    """

    def __init__(self, cross: FloatArray, along: FloatArray, across: FloatArray) -> None:
        self._beside = cross, along, across
        self.by_log_cross, self.by_log_coma = np.zeros((2, cross.size))

    def __call__(
        self, row: IntArray, s: FloatArray, w20: FloatArray, w040: FloatArray, w060: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        cross, along, across = (one[row] for one in self._beside)
        arguments = (s, w20, cross, along, across, w040, w060)
        mtf, by = off_axis_mtf_gradient(*arguments)
        by_s, by_w040, by_w060 = off_axis_mtf_axial_gradient(*arguments).T
        self.by_log_cross[row] = by[:, 1] * cross
        self.by_log_coma[row] = by[:, 2] * along + by[:, 3] * across
        return mtf, np.stack([by_s, by[:, 0], by_w040, by_w060], axis=1)
