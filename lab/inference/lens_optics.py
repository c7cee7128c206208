"""What reaches the sensor at each stop, of a measured lens or of a predicted one?

``LensOptics`` holds the light's cone, aberrations, residual blur and pixel of a few
stops at one magnification and in one colour, and how all of it hangs on the fitted
figures, so that whatever is worked out from it carries its uncertainty. A predicted
lens has no fitted figures: its matrices are empty and its uncertainty is zero.

Focus is a distance on the sensor's side from paraxial focus; frequencies are image
side. Leaves out: the colour's band (0.06 % of a perfect lens's MTF50, 0.6 % at one wave of
spherical aberration), and everything off axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.inference.lens_fit import LensFit
from lab.inference.lens_model import EDGE_TILT_DEG, Cone, log2_stop
from lab.optics.geometry import effective_f_number
from lab.optics.pupil import aberrated_otf, aberrated_otf_gradient
from lab.optics.sensor import pixel_mtf

__all__ = ["LensOptics", "MtfGradient", "measured_optics", "predicted_optics"]

_REACH_STOPS = 1.0  # over which what the model misses stays alike
_FRACTIONS = np.geomspace(0.002, 0.99, 29)  # of the cut-off, to bracket a level
_POLISH = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class MtfGradient:
    """MTF of n cases, (n,), with its derivatives; by the fitted figures (n, n_parameter)."""

    mtf: FloatArray
    by_frequency: FloatArray
    by_shift_um: FloatArray
    by_parameters: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class LensOptics:
    """A lens at n stops, on axis, with its residual blur and the pixel.

    Attributes
    ----------
    magnification, pixel_pitch_um : float
    stop : ndarray, (n,)
        Ring positions, exact f-numbers.
    cone : Cone
        Effective f-number, wavelength, and aberrations, one a stop.
    blur2_um2 : float
        Variance of the residual blur on the sensor.
    excess : ndarray, (n,)
        What the lens shows beyond the model, as a shift of log frequency.
    by_blur2, by_excess : ndarray, (n, n_parameter)
        Derivatives of the two by the fitted figures.
    covariance : ndarray, (n_parameter, n_parameter)
        Of the fitted figures.
    between : ndarray, (n, n)
        Covariance of ``excess`` that no fitted figure carries: between marked stops.
    """

    magnification: float
    pixel_pitch_um: float
    stop: FloatArray
    cone: Cone
    blur2_um2: float
    excess: FloatArray
    by_blur2: FloatArray
    by_excess: FloatArray
    covariance: FloatArray
    between: FloatArray

    @property
    def wave_um(self) -> FloatArray:
        """Image-side focus shift that makes one wave of defocus at the pupil's rim."""
        return np.asarray(8 * self.cone.wavelength_um * self.cone.f_number**2)

    def _rest(self, frequency: FloatArray) -> FloatArray:
        """Blur and pixel."""
        blur = np.exp(-2 * (np.pi * 1e-3 * frequency) ** 2 * self.blur2_um2)
        return np.asarray(blur * pixel_mtf(frequency * (self.pixel_pitch_um * 1e-3), EDGE_TILT_DEG))

    def transfer(self, frequency_cyc_per_mm: npt.ArrayLike, shift_um: npt.ArrayLike) -> FloatArray:
        """Signed transfer of lens, blur and pixel.

        Parameters
        ----------
        frequency_cyc_per_mm : array_like, (..., n)
            Image side, >= 0.
        shift_um : array_like, (..., n)
            Focus against paraxial focus, image side.
        """
        f = np.asarray(frequency_cyc_per_mm) * np.exp(-self.excess)
        s = f * (1e-3 * self.cone.wavelength_um * self.cone.f_number)
        w20 = np.asarray(shift_um) / self.wave_um
        return aberrated_otf(s, w20, self.cone.w040, self.cone.w060) * self._rest(f)

    def crossing(self, shift_um: npt.ArrayLike, level: float) -> FloatArray:
        """First frequency at which the transfer falls to a level.

        Parameters
        ----------
        shift_um : array_like, (..., n)
            Focus against paraxial focus, image side.
        level : float
            [-], 0 < level < 1

        Returns
        -------
        ndarray, (..., n)
            Image side. [cycles per mm]
        """
        shift = np.asarray(shift_um, dtype=np.float64)
        shift = np.broadcast_to(shift, np.broadcast_shapes(shift.shape, self.stop.shape))
        cutoff = 1e3 / (self.cone.wavelength_um * self.cone.f_number) * np.exp(self.excess)
        fractions = _FRACTIONS.reshape(-1, *[1] * shift.ndim)
        mtf = self.transfer(fractions * cutoff, shift)
        first = np.argmax(mtf < level, axis=0)
        before = np.maximum(first - 1, 0)

        def at(index: npt.NDArray[np.intp]) -> FloatArray:
            return np.asarray(np.take_along_axis(mtf, index[np.newaxis], axis=0)[0]) - level

        low = np.where(first > 0, _FRACTIONS[before], 0.0) * cutoff
        high = _FRACTIONS[first] * cutoff
        above, below = np.where(first > 0, at(before), 1 - level), at(first)
        middle, was = high, np.zeros(shift.shape)
        for _ in range(_POLISH):  # false position; an end that stays twice counts half (Illinois)
            middle = low + (high - low) * above / (above - below)
            value = self.transfer(middle, shift) - level
            side = np.where(value > 0, 1.0, -1.0)
            below = np.where(side < 0, value, np.where(was > 0, below / 2, below))
            above = np.where(side > 0, value, np.where(was < 0, above / 2, above))
            low, high = np.where(side > 0, middle, low), np.where(side > 0, high, middle)
            was = side
        return np.asarray(middle)

    def gradient(self, frequency_cyc_per_mm: FloatArray, shift_um: FloatArray) -> MtfGradient:
        """MTF and its exact derivatives, one frequency and focus a stop.

        Parameters
        ----------
        frequency_cyc_per_mm, shift_um : ndarray, (n,)
            Image side; frequencies below the cut-off.
        """
        cone, stretch = self.cone, np.exp(-self.excess)
        f = frequency_cyc_per_mm * stretch
        scale = 1e-3 * cone.wavelength_um * cone.f_number
        s = np.clip(f * scale, 1e-6, 1 - 1e-6)
        w20 = shift_um / self.wave_um
        lens, by = aberrated_otf_gradient(s, w20, cone.w040, cone.w060)
        rest = self._rest(f)
        by_s, by_w20, by_w040, by_w060 = (by * rest[:, np.newaxis]).T
        step = 1e-4 * f
        slope = (self._rest(f + step) - self._rest(f - step)) / (2 * step)
        by_f = by_s * scale + lens * slope
        mtf = lens * rest
        by_parameters = (
            (by_s * s - 2 * by_w20 * w20)[:, np.newaxis] * cone.by_f_number
            + (by_s * s - by_w20 * w20)[:, np.newaxis] * cone.by_wavelength
            + by_w040[:, np.newaxis] * cone.by_w040
            + by_w060[:, np.newaxis] * cone.by_w060
            - (2 * (np.pi * 1e-3 * f) ** 2 * mtf)[:, np.newaxis] * self.by_blur2
            - (by_f * f)[:, np.newaxis] * self.by_excess
        )
        return MtfGradient(
            mtf=mtf,
            by_frequency=by_f * stretch,
            by_shift_um=by_w20 / self.wave_um,
            by_parameters=by_parameters,
        )


def predicted_optics(
    stop: npt.ArrayLike,
    *,
    magnification: float,
    pupil_ratio: float,
    wavelength_um: float,
    pixel_pitch_um: float,
    spherical_um: float = 0.0,
    spherical_at: float = 1.0,
    blur_std_um: float = 0.0,
) -> LensOptics:
    """A lens of which everything is stated.

    Parameters
    ----------
    stop : array_like, (n,)
        Exact ring positions. [-], > 0
    magnification, pupil_ratio : float
        [-], > 0
    wavelength_um, pixel_pitch_um : float
        [um], > 0
    spherical_um : float
        Primary spherical aberration at the rim of stop ``spherical_at``, as path
        length; it falls with the fourth power of the f-number. [um]
    spherical_at : float
        Exact f-number, > 0.
    blur_std_um : float
        Standard deviation of a residual Gaussian blur on the sensor. [um], >= 0

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    if not (wavelength_um > 0 and pixel_pitch_um > 0 and spherical_at > 0 and blur_std_um >= 0):
        raise ValueError(
            "wavelength_um, pixel_pitch_um and spherical_at must be > 0, blur_std_um >= 0"
        )
    if not magnification > 0:
        raise ValueError("magnification must be > 0")
    stop = np.asarray(stop, dtype=np.float64)
    none = np.empty((stop.size, 0))
    cone = Cone(
        f_number=effective_f_number(stop, magnification, pupil_ratio),
        wavelength_um=np.full(stop.size, wavelength_um),
        w040=spherical_um / wavelength_um * (spherical_at / stop) ** 4,
        w060=np.zeros(stop.size),
        by_f_number=none,
        by_wavelength=none,
        by_w040=none,
        by_w060=none,
    )
    return LensOptics(
        magnification=magnification,
        pixel_pitch_um=pixel_pitch_um,
        stop=stop,
        cone=cone,
        blur2_um2=blur_std_um**2,
        excess=np.zeros(stop.size),
        by_blur2=none,
        by_excess=none,
        covariance=np.empty((0, 0)),
        between=np.zeros((stop.size, stop.size)),
    )


def measured_optics(fit: LensFit, series: int, channel: str, stop: npt.ArrayLike) -> LensOptics:
    """The fitted lens at any stop, with all that the fit leaves open.

    Parameters
    ----------
    fit : LensFit
    series : int
        Index of the magnification in the fit's data.
    channel : str
        A colour of the fit's data.
    stop : array_like, (n,)
        Exact ring positions. A ring's error between two marked stops is linear;
        beyond them it is that of the last.
    """
    stop = np.asarray(stop, dtype=np.float64)
    model, data = fit.model, fit.model.data
    marks, x = log2_stop(model.stop), log2_stop(stop)
    cone = model.cone(
        fit.parameters,
        series=np.full(stop.size, series),
        channel=np.full(stop.size, data.channels.index(channel)),
        stop=stop,
        ring_weight=np.stack([np.interp(x, marks, row) for row in np.eye(marks.size)], axis=1),
    )
    weights = _kernel(x, marks) @ np.linalg.inv(_kernel(marks, marks) + 1e-6 * np.eye(marks.size))
    first = model.slices["excess"].start + series * marks.size
    by_blur2, by_excess = np.zeros((2, stop.size, model.size))
    by_blur2[:, model.slices["blur2"].start + series] = 1.0
    by_excess[:, first : first + marks.size] = weights
    return LensOptics(
        magnification=float(model.magnification[series]),
        pixel_pitch_um=data.pixel_pitch_um,
        stop=stop,
        cone=cone,
        blur2_um2=float(fit.value("blur2")[series]),
        excess=weights @ fit.parameters[first : first + marks.size],
        by_blur2=by_blur2,
        by_excess=by_excess,
        covariance=fit.covariance,
        between=fit.excess_std**2 * (_kernel(x, x) - weights @ _kernel(marks, x)),
    )


def _kernel(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * ((a[:, np.newaxis] - b) / _REACH_STOPS) ** 2))
