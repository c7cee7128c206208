"""How sharp is each place of the field at its best focus, stop by stop?

Best focus of a place at a stop is where the geometric mean of its two MTF50s is highest:
along the field's radius and along its circle, from one frame. Each figure is that on
axis (``lens_curve``, with what the stop's bracket showed beyond the model) times what
the place's astigmatism and coma change in the fitted lens. The prediction beside it is
diffraction and pixel in that direction.

Leaves out: vignetting and the slanted pupil of oblique light. Both lower diffraction's
limit towards the corners (slant alone, from memory: by cos**3 of the chief ray's angle
along the radius, 3 % at 8 degrees, and by its cos along the circle), so that percents
come out too low there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.centre import CHANNEL
from lab.inference.field_data import FieldData
from lab.inference.field_descent import PlaceFit
from lab.inference.field_model import axial_cones
from lab.inference.lens_curve import lens_curve
from lab.inference.lens_fit import LensFit
from lab.inference.lens_model import EDGE_TILT_DEG
from lab.inference.results import FieldStop
from lab.optics.off_axis import off_axis_mtf_gradient, off_axis_otf
from lab.optics.sensor import pixel_mtf
from lab.optics.system import channel_band, diffraction_mtf50

__all__ = ["field_stops"]

_LEVEL = 0.5
_GRID = np.linspace(0.03, 0.97, 17)  # of the cut-off, to bracket the level
_SEATS = np.linspace(-1.0, 1.0, 7)  # of the span of focus
_REFINED = 4  # parabolas about the best seat
_STEP = 1e-4  # of a frequency, for slopes
_LEAST_COMA_UM = 0.01  # stands for none: coma's square has no derivative by coma there


@dataclass(frozen=True, kw_only=True, eq=False)
class _Cases:
    """n places and stops; along the radius and along the circle is a last axis of two.

    ``cutoff`` [cycles per mm], ``w040``, ``w060``, ``astigmatism`` and ``coma`` [waves]
    and ``blur2_um2`` are (n,), ``angle_deg`` of the frequency is (n, 2).
    """

    cutoff: FloatArray
    w040: FloatArray
    w060: FloatArray
    astigmatism: FloatArray
    coma: FloatArray
    blur2_um2: FloatArray
    angle_deg: FloatArray
    pixel_pitch_um: float

    def rest(self, frequency: FloatArray) -> FloatArray:
        """Blur and pixel."""
        blur = np.exp(-2 * (np.pi * 1e-3 * frequency) ** 2 * self.blur2_um2[:, np.newaxis])
        pixel = pixel_mtf(frequency * (self.pixel_pitch_um * 1e-3), self.angle_deg)
        return np.asarray(blur * pixel)

    def mtf(self, frequency: FloatArray, w20: FloatArray) -> FloatArray:
        """At frequencies (..., n, 2) and a defocus common to both, (..., n) [waves]."""
        s = frequency / self.cutoff[:, np.newaxis]
        half = 0.5 * self.astigmatism
        axial = {"w040": self.w040, "w060": self.w060}
        radial = off_axis_otf(s[..., 0], w20 + half, coma_along=self.coma, **axial)
        tangential = off_axis_otf(s[..., 1], w20 - half, coma_across=self.coma, **axial)
        lens = np.abs(np.stack([radial, tangential], axis=-1))
        return np.asarray(lens * self.rest(frequency))

    def by_aberration(self, frequency: FloatArray, w20: FloatArray) -> FloatArray:
        """Derivatives of the MTF by astigmatism and coma [waves], (n, 2, 2)."""
        s = np.minimum(frequency / self.cutoff[:, np.newaxis], 1.0)
        zero = np.zeros_like(w20)
        by = np.empty((*frequency.shape, 2))
        for i, (sign, coma) in enumerate(((1, (self.coma, zero)), (-1, (zero, self.coma)))):
            defocus = w20 + 0.5 * sign * self.astigmatism
            _, one = off_axis_mtf_gradient(s[:, i], defocus, zero, *coma, self.w040, self.w060)
            by[:, i, 0], by[:, i, 1] = 0.5 * sign * one[:, 0], one[:, 2 + i]
        return by * self.rest(frequency)[:, :, np.newaxis]

    def slope(self, frequency: FloatArray, w20: FloatArray) -> FloatArray:
        """Of the MTF by frequency."""
        step = _STEP * frequency
        rise = self.mtf(frequency + step, w20) - self.mtf(frequency - step, w20)
        return np.asarray(rise / (2 * step))

    def first_crossing(self, w20: FloatArray) -> FloatArray:
        """Where the MTF first falls to one half, between the nodes of a grid, (..., n, 2)."""
        grid = _GRID.reshape(-1, *[1] * w20.ndim)
        frequency = (grid * self.cutoff)[..., np.newaxis] * np.ones((*w20.shape, 2))
        mtf = self.mtf(frequency, w20)
        below = mtf < _LEVEL
        k = np.clip(np.argmax(below, axis=0), 1, _GRID.size - 1)[np.newaxis]
        (f0,), (m0,) = (np.take_along_axis(v, k - 1, axis=0) for v in (frequency, mtf))
        (f1,), (m1,) = (np.take_along_axis(v, k, axis=0) for v in (frequency, mtf))
        return np.asarray(f0 + (m0 - _LEVEL) / np.maximum(m0 - m1, 1e-9) * (f1 - f0))

    def crossing(self, near: FloatArray, w20: FloatArray) -> FloatArray:
        """The same, exactly, from a frequency near it."""
        f = near
        for _ in range(2):
            step = (self.mtf(f, w20) - _LEVEL) / self.slope(f, w20)
            f = np.clip(f - step, 0.8 * f, 1.25 * f)
        return f

    def best_focus(self) -> tuple[FloatArray, FloatArray]:
        """Defocus (n,) with the highest mean of both MTF50s, and these, (n, 2)."""
        span = 0.25 + 0.25 * np.abs(self.w040) + 0.6 * np.abs(self.astigmatism)
        w20 = _SEATS[:, np.newaxis] * span - (self.w040 + 0.95 * self.w060)
        tried = self.first_crossing(w20)
        best = np.argmax(np.prod(tried, axis=-1), axis=0)
        at = np.arange(best.size)
        middle, near = w20[best, at], tried[best, at]
        step = span * (_SEATS[1] - _SEATS[0])
        for _ in range(_REFINED):
            w20 = middle + step * np.array([[-1], [0], [1]])
            seen = self.crossing(np.broadcast_to(near, (3, *near.shape)), w20)
            low, here, high = np.log(seen).sum(axis=-1)
            bend = low - 2 * here + high
            towards = np.where(high > low, 1.0, -1.0)
            move = np.where(bend < 0, 0.5 * (low - high) / np.where(bend < 0, bend, 1), towards)
            middle, near = middle + np.clip(move, -1, 1) * step, seen[1]
            step = step * np.where(np.abs(move) < 0.7, 0.35, 1.0)
        return middle, self.crossing(near, middle)


def field_stops(
    fit: LensFit, rows: FieldData, found: PlaceFit
) -> tuple[tuple[FieldStop, ...], ...]:
    """Sharpness of each place at every stop measured there.

    Parameters
    ----------
    fit : LensFit
    rows : FieldData
    found : PlaceFit
        Of these rows.

    Returns
    -------
    tuple of tuple of FieldStop
        By place, each by rising stop.
    """
    data, cones = fit.model.data, axial_cones(found.fit)
    place, stop = np.unique(np.stack([rows.place, rows.lens.stop]), axis=1)
    series = np.array([one.series for one in rows.places])[place]
    # On axis: the same lens without the places' own aberrations, for each magnification.
    axis_series, axis_stop = (a.ravel() for a in np.indices(cones.f_number.shape))
    at = np.append(series, axis_series), np.append(stop, axis_stop)
    _, astigmatism_um, coma2 = found.unknown[place].T
    none = np.zeros(axis_series.size)
    coma_um = np.sqrt(np.maximum(coma2, _LEAST_COMA_UM**2))
    azimuth = np.array([one.azimuth_deg for one in rows.places])[place]
    angle_deg = np.append(azimuth, np.full(axis_series.size, EDGE_TILT_DEG))
    cases = _Cases(
        cutoff=1e3 / (cones.wavelength_um * cones.f_number[at]),
        w040=cones.w040[at],
        w060=cones.w060[at],
        astigmatism=np.append(astigmatism_um, none) * cones.per_um[at],
        coma=np.append(coma_um, none) * cones.coma_per_um[at],
        blur2_um2=found.fit.value("blur2")[at[0]],
        angle_deg=angle_deg[:, np.newaxis] + np.array([0.0, 90.0]),
        pixel_pitch_um=data.pixel_pitch_um,
    )
    w20, mtf50 = cases.best_focus()
    on_axis = mtf50[place.size :].mean(axis=1)

    # At best focus the mean of both directions hangs on no defocus, and one direction's
    # own little: MTF50 moves by -dM / (dM/df).
    by = cases.by_aberration(mtf50, w20)[: place.size]
    by[:, :, 0] *= cones.per_um[series, stop][:, np.newaxis]
    by[:, :, 1] *= (cones.coma_per_um[series, stop] / (2 * coma_um))[:, np.newaxis]
    by /= -(cases.slope(mtf50, w20) * mtf50)[: place.size, :, np.newaxis]
    covariance = (found.covariance + found.shared)[place][:, 1:, 1:]
    own = np.einsum("ndi,nij,ndj->nd", by, covariance, by)

    shape = len(data.magnifications), len(data.stops)
    axis = [lens_curve(fit, k, CHANNEL, np.array(data.stops)) for k in range(shape[0])]
    measured = np.array([curve.mtf50_image_cyc_per_mm for curve in axis])
    relative_std = np.array([curve.mtf50_std for curve in axis]) / measured
    over_axis = mtf50[: place.size] / on_axis.reshape(shape)[series, stop, np.newaxis]
    value = over_axis * measured[series, stop, np.newaxis]
    std = value * np.sqrt(own + relative_std[series, stop, np.newaxis] ** 2)
    band = channel_band(cones.wavelength_um)
    stops: list[list[FieldStop]] = [[] for _ in rows.places]
    for k in range(place.size):
        limit = [
            diffraction_mtf50(
                wavelength_um=band,
                f_number=float(cones.f_number[series[k], stop[k]]),
                pixel_pitch_um=data.pixel_pitch_um,
                edge_angle_deg=float(angle),
            )
            for angle in cases.angle_deg[k]
        ]
        stops[place[k]].append(
            FieldStop(
                marked_stop=data.marked_stops[stop[k]],
                mtf50_radial_cyc_per_mm=float(value[k, 0]),
                mtf50_radial_std=float(std[k, 0]),
                mtf50_tangential_cyc_per_mm=float(value[k, 1]),
                mtf50_tangential_std=float(std[k, 1]),
                percent_radial=float(100 * value[k, 0] / limit[0]),
                percent_tangential=float(100 * value[k, 1] / limit[1]),
            )
        )
    return tuple(tuple(several) for several in stops)
