"""What MTF does a lens show on a body, frame by frame, and what does each figure of it change?

One optical model for a whole session on axis: a round pupil with defocus and with
primary and secondary spherical aberration that scale with the pupil as the iris
closes, a residual Gaussian blur common to a magnification, and the pixel. Every
derivative is exact, so that a fit needs a dozen evaluations.

Parameters are slices of one vector (``LensModel.slices``):

==========  ==================================================================
pupil       log of the pupil ratio
light       relative error of the wavelengths, common to all colours
rail        log of the rail's true step over the stated one
w040        primary spherical aberration at the widest stop, mean magnification [um]
w040_rise   its change from the mean magnification to twice it [um]
w060        secondary spherical aberration at the widest stop [um]
ring        error of each marked stop [stops]; positive: the iris is smaller
blur2       residual blur of each magnification, variance on the sensor [um2]
colour      axial focus of each colour against green [um], image side, by magnification
focus       rail position of paraxial green focus of each bracket [um]
excess      relative error in frequency of each bracket: what the model does not say
rock        error of each frame's rail position [um]; the position itself where unknown
==========  ==================================================================

Leaves out: the iris's polygon (below 1 %), and everything off axis.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.inference.lens_data import IntArray, LensData
from lab.optics.pupil import aberrated_otf, aberrated_otf_gradient
from lab.optics.sensor import pixel_mtf
from lab.optics.system import channel_band

__all__ = ["EDGE_TILT_DEG", "Cone", "LensModel", "Transfer", "log2_stop"]

EDGE_TILT_DEG = 6.0  # of the chart's edges; the pixel's aperture hardly depends on it
_LN_PER_STOP = np.log(2) / 2  # a stop is a factor of the root of two in f-number
_SEEN = 0.985  # of the cut-off: nothing is left to see beyond


def log2_stop(stop: npt.ArrayLike) -> FloatArray:
    """F-number in stops from f/1."""
    return np.asarray(2 * np.log2(np.asarray(stop, dtype=np.float64)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Cone:
    """Light that reaches the sensor in n cases, and its derivatives.

    ``f_number``, ``wavelength_um``, ``w040`` and ``w060`` [waves] are (n,); the
    matrices (n, n_parameter) are derivatives of the logarithms of the first two and of
    the last two themselves.
    """

    f_number: FloatArray
    wavelength_um: FloatArray
    w040: FloatArray
    w060: FloatArray
    by_f_number: FloatArray
    by_wavelength: FloatArray
    by_w040: FloatArray
    by_w060: FloatArray


Transfer = Callable[
    [IntArray, FloatArray, FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray]
]


def _on_axis(
    _: IntArray, s: FloatArray, w20: FloatArray, w040: FloatArray, w060: FloatArray
) -> tuple[FloatArray, FloatArray]:
    return aberrated_otf_gradient(s, w20, w040, w060)


class LensModel:
    """The model of a session's data; see the module's docstring.

    ``band_shift``, (n,), is what each colour's band adds to the lens's transfer: at first
    that of a perfect lens, see ``settle_band``.
    """

    def __init__(self, data: LensData) -> None:
        self.data = data
        n_series, n_stop = len(data.magnifications), len(data.stops)
        sizes = {
            **dict.fromkeys(("pupil", "light", "rail", "w040", "w040_rise", "w060"), 1),
            "ring": n_stop,
            "blur2": n_series,
            "colour": n_series * len(data.channels),
            "focus": n_series * n_stop,
            "excess": n_series * n_stop,
            "rock": data.position_um.size,
        }
        ends = np.cumsum([0, *sizes.values()]).tolist()
        self.slices = {name: slice(*ends[i : i + 2]) for i, name in enumerate(sizes)}
        self.size: int = ends[-1]
        self.magnification = np.array(data.magnifications)
        self.stop = np.array(data.stops)
        self.wavelength_um = np.array(data.wavelength_um)
        mean = float(self.magnification.mean())
        self._rise = (self.magnification - mean) / mean
        self.bracket = data.series * n_stop + data.stop
        self._position = np.where(np.isnan(data.position_um), 0.0, data.position_um)
        self._ring_weight = np.eye(n_stop)[data.stop]
        frequency = data.frequency_cyc_per_mm
        self._rest = pixel_mtf(frequency * (data.pixel_pitch_um * 1e-3), EDGE_TILT_DEG)
        f_number = self.stop[data.stop] * (1 + self.magnification[data.series])
        s = frequency * 1e-3 * self.wavelength_um[data.channel] * f_number
        none = np.zeros_like(s)
        self.band_shift = self._band_shift(s, none, none, none)

    def settle_band(self, parameters: FloatArray) -> None:
        """Work out what the colours' bands add to the lens's transfer, at these figures.

        Wavelengths focus alike but see an aberration as more or fewer waves. It hangs on
        the figures so little that a descent takes it as fixed.
        """
        s, w040, w060 = self.on_axis(parameters)
        self.band_shift = self._band_shift(s, self.defocus_waves(parameters), w040, w060)

    def _band_shift(
        self, s: FloatArray, w20: FloatArray, w040: FloatArray, w060: FloatArray
    ) -> FloatArray:
        """Transfer in each row's band less that at its mean wavelength."""
        bands = [channel_band(mean_um) for mean_um in self.wavelength_um.tolist()]
        over_mean = np.array([band.wavelength_um for band in bands]) / self.wavelength_um[:, None]
        shift = -aberrated_otf(s, w20, w040, w060)
        for ratio, weight in zip(over_mean.T, np.array([b.weight for b in bands]).T, strict=True):
            k = ratio[self.data.channel]
            one = aberrated_otf(s * k, w20 / k, w040 / k, w060 / k)
            shift += weight[self.data.channel] * one
        return np.asarray(shift)

    def part(self, parameters: FloatArray, name: str) -> FloatArray:
        """The parameters of one name, a view."""
        return parameters[self.slices[name]]

    def cone(
        self,
        parameters: FloatArray,
        *,
        series: IntArray,
        channel: IntArray,
        stop: FloatArray,
        ring_weight: FloatArray,
    ) -> Cone:
        """Cone of light of n cases.

        Parameters
        ----------
        parameters : ndarray, (n_parameter,)
        series, channel : ndarray of int, (n,)
        stop : ndarray, (n,)
            Exact marked f-number.
        ring_weight : ndarray, (n, n_stop)
            What each marked stop's ring error counts here.
        """
        at, n = self.slices, stop.size
        (w040,), (rise,), (w060,), (light,) = (
            self.part(parameters, name) for name in ("w040", "w040_rise", "w060", "light")
        )
        share = self.magnification[series] / np.exp(self.part(parameters, "pupil")[0])
        iris = stop * np.exp(_LN_PER_STOP * (ring_weight @ self.part(parameters, "ring")))
        wavelength = self.wavelength_um[channel] * (1 + light)
        per_um4 = (self.data.stops[0] / iris) ** 4 / wavelength
        per_um6 = (self.data.stops[0] / iris) ** 6 / wavelength
        primary, secondary = (w040 + rise * self._rise[series]) * per_um4, w060 * per_um6

        by_f_number, by_wavelength, by_w040, by_w060 = np.zeros((4, n, self.size))
        by_f_number[:, at["pupil"]] = -(share / (1 + share))[:, np.newaxis]
        by_f_number[:, at["ring"]] = _LN_PER_STOP * ring_weight
        by_wavelength[:, at["light"]] = 1 / (1 + light)
        by_w040[:, at["w040"]] = per_um4[:, np.newaxis]
        by_w040[:, at["w040_rise"]] = (per_um4 * self._rise[series])[:, np.newaxis]
        by_w060[:, at["w060"]] = per_um6[:, np.newaxis]
        for power, waves, by in ((4, primary, by_w040), (6, secondary, by_w060)):
            by[:, at["ring"]] = -power * _LN_PER_STOP * waves[:, np.newaxis] * ring_weight
            by[:, at["light"]] = -waves[:, np.newaxis] / (1 + light)
        return Cone(
            f_number=iris * (1 + share),
            wavelength_um=wavelength,
            w040=primary,
            w060=secondary,
            by_f_number=by_f_number,
            by_wavelength=by_wavelength,
            by_w040=by_w040,
            by_w060=by_w060,
        )

    def focus_shift_um(self, parameters: FloatArray) -> FloatArray:
        """Each row's image-side distance from its colour's paraxial focus, (n,) [um]."""
        data = self.data
        shift = (
            self.magnification[data.series] ** 2 * self._from_focus(parameters)
            - self.part(parameters, "colour")[data.series * len(data.channels) + data.channel]
        )
        return np.asarray(shift)

    def defocus_waves(self, parameters: FloatArray) -> FloatArray:
        """Each row's defocus at the pupil's rim, (n,)."""
        cone = self._row_cone(parameters)
        per_um = 1 / (8 * cone.wavelength_um * cone.f_number**2)
        return np.asarray(self.focus_shift_um(parameters) * per_um)

    def on_axis(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Each row's frequency over the cut-off, and spherical aberrations [waves], (n,) each."""
        cone = self._row_cone(parameters)
        excess = self.part(parameters, "excess")[self.bracket]
        frequency = self.data.frequency_cyc_per_mm * (1 - excess)
        return frequency * 1e-3 * cone.wavelength_um * cone.f_number, cone.w040, cone.w060

    def rest(self, parameters: FloatArray) -> FloatArray:
        """MTF of residual blur and pixel at each row, (n,)."""
        excess = self.part(parameters, "excess")[self.bracket]
        frequency = self.data.frequency_cyc_per_mm * (1 - excess)
        blur2 = self.part(parameters, "blur2")[self.data.series]
        return np.asarray(self._rest * np.exp(-2 * (np.pi * 1e-3 * frequency) ** 2 * blur2))

    def _row_cone(self, parameters: FloatArray) -> Cone:
        data = self.data
        return self.cone(
            parameters,
            series=data.series,
            channel=data.channel,
            stop=self.stop[data.stop],
            ring_weight=self._ring_weight,
        )

    def _from_focus(self, parameters: FloatArray) -> FloatArray:
        """Each row's rail position from green's paraxial focus, object side. [um]."""
        (rail,) = self.part(parameters, "rail")
        away = self._position[self.data.frame] - self.part(parameters, "focus")[self.bracket]
        return np.asarray(np.exp(rail) * away + self.part(parameters, "rock")[self.data.frame])

    def __call__(
        self, parameters: FloatArray, transfer: Transfer = _on_axis
    ) -> tuple[FloatArray, FloatArray]:
        """MTF of each row, (n,), and its derivatives, (n, n_parameter).

        Parameters
        ----------
        parameters : ndarray, (n_parameter,)
        transfer : callable
            Of the lens alone, for some rows: their indices, and s, w20, w040 and w060 of
            each. It returns the transfer and its derivatives by these four.
        """
        data, at = self.data, self.slices
        row = np.arange(data.mtf.size)
        cone = self._row_cone(parameters)
        excess = self.part(parameters, "excess")[self.bracket]
        frequency = data.frequency_cyc_per_mm * (1 - excess)
        s = frequency * 1e-3 * cone.wavelength_um * cone.f_number
        per_um = 1 / (8 * cone.wavelength_um * cone.f_number**2)  # waves of defocus per um
        w20 = self.focus_shift_um(parameters) * per_um

        lens, by = np.zeros_like(s), np.zeros((s.size, 4))
        seen = np.flatnonzero(s < _SEEN)
        lens[seen], by[seen] = transfer(seen, s[seen], w20[seen], cone.w040[seen], cone.w060[seen])
        lens = lens + self.band_shift
        decay = 2 * (np.pi * 1e-3 * frequency) ** 2
        blur2 = self.part(parameters, "blur2")[data.series]
        rest = self.rest(parameters)
        mtf = lens * rest
        by_s, by_w20, by_w040, by_w060 = (by * rest[:, np.newaxis]).T

        jacobian = (
            (by_s * s - 2 * by_w20 * w20)[:, np.newaxis] * cone.by_f_number
            + (by_s * s - by_w20 * w20)[:, np.newaxis] * cone.by_wavelength
            + by_w040[:, np.newaxis] * cone.by_w040
            + by_w060[:, np.newaxis] * cone.by_w060
        )
        by_object_um = by_w20 * per_um * self.magnification[data.series] ** 2
        (rail,) = np.exp(self.part(parameters, "rail"))
        away = self._position[data.frame] - self.part(parameters, "focus")[self.bracket]
        jacobian[:, at["rail"]] = (by_object_um * rail * away)[:, np.newaxis]
        jacobian[row, at["focus"].start + self.bracket] = -by_object_um * rail
        jacobian[row, at["rock"].start + data.frame] = by_object_um
        colour = at["colour"].start + data.series * len(data.channels) + data.channel
        jacobian[row, colour] = -by_w20 * per_um
        jacobian[row, at["blur2"].start + data.series] = -decay * mtf
        jacobian[row, at["excess"].start + self.bracket] = (2 * decay * blur2 * mtf - by_s * s) / (
            1 - excess
        )
        return mtf, jacobian
