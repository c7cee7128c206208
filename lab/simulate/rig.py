"""An invented camera set-up: what would a known lens and sensor make of an edge?

Everything that a measurement is meant to find out is a plain number here, so that a
simulated session comes with its truth. No figure describes a real product.

Conventions. Focus shifts are image side: how far the sensor lies beyond the image
that paraxial green rays form, so a target farther from the lens than it should be
has a positive shift. Spherical aberration grows with the fourth power of the
physical pupil's diameter; because focus counts from the paraxial image, best focus
moves with the stop by itself. Off the axis the lens is as good as on it.

Left out: coma, astigmatism and field curvature, distortion, the polygon of the
iris, a change of aberration with magnification, the change of magnification with
focus, flare that varies over the frame, and pixels of unequal sensitivity.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from lab.edges.types import FloatArray, NoiseModel
from lab.frames.frame import CHANNELS
from lab.optics.geometry import effective_f_number
from lab.optics.system import DEFAULT_WAVELENGTH_UM, Band, channel_band, system_mtf
from lab.simulate.movement import STILL, Movement

__all__ = ["SimulatedRig", "channel_transfer", "cutoff_cyc_per_px"]

PerChannel = tuple[float, float, float]  # red, green, blue

_RED_UM, _GREEN_UM, _BLUE_UM = (DEFAULT_WAVELENGTH_UM[channel] for channel in CHANNELS)


@dataclass(frozen=True, kw_only=True)
class SimulatedRig:
    """Lens, body, light and how the target stands. All figures invented.

    Attributes
    ----------
    focal_length_mm : float
        > 0; only for the record.
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter. > 0
    widest_stop : float
        Smallest f-number of the iris. > 0
    spherical_um : float
        Primary spherical aberration at the rim of the widest stop, as path length.
    blur_std_um : float
        Gaussian blur on the sensor that no stop removes, standard deviation. >= 0
    channel_focus_um : tuple of 3 float
        Paraxial focus of red, green, blue beyond that of green, image side.
    lateral_colour : tuple of 3 float
        Relative excess of magnification of red, green, blue. > -1
    n_rows, n_cols : int
        Size of the mosaic, both even; its pattern is RGGB. > 0
    pixel_pitch_um : float
        > 0
    black_dn, white_dn : int
        Levels of no light and of full scale, 0 <= black_dn < white_dn < 2**bits.
    bits : int
        Depth of the converter.
    electrons_per_dn, read_noise_electrons : float
        > 0 and >= 0
    wavelength_um : tuple of 3 float
        Mean wavelength of red, green, blue. > 0
    sensitivity : tuple of 3 float
        Signal of red, green, blue over that of the strongest. In (0, 1].
    corner_shading : float
        Share of the light lost at the corners; grows with the square of the
        distance from the frame's centre. In [0, 1).
    tilt_x_deg, tilt_y_deg : float
        Tilt of the target: > 0 where it recedes from the lens towards its right
        (x) or lower (y) side. In (-90, 90).
    rotation_deg : float
        Of the image against the target, clockwise as seen.
    centre_shift_px : tuple of 2 float
        (x, y) of the field's centre from the frame's centre.
    dark_share : float
        Level of the target's dark parts over that of its clear ground. In [0, 1).
    exposure : float
        Level of the clear ground at the frame's centre in the strongest channel,
        as a share of full scale above black. > 0
    movement : Movement
        Of the image during the exposure.
    """

    lens_name: str = "Enlarger 75 reversed"
    focal_length_mm: float = 75.0
    pupil_ratio: float = 0.88
    widest_stop: float = 2 * 2**0.5
    spherical_um: float = 1.0
    blur_std_um: float = 1.0
    channel_focus_um: PerChannel = (30.0, 0.0, -15.0)
    lateral_colour: PerChannel = (2e-4, 0.0, -1e-4)
    body_name: str = "Club body"
    n_rows: int = 1200
    n_cols: int = 1800
    pixel_pitch_um: float = 4.35
    black_dn: int = 512
    white_dn: int = 16383
    bits: int = 14
    electrons_per_dn: float = 3.2
    read_noise_electrons: float = 4.5
    wavelength_um: PerChannel = (_RED_UM, _GREEN_UM, _BLUE_UM)
    sensitivity: PerChannel = (0.62, 1.0, 0.71)
    corner_shading: float = 0.12
    tilt_x_deg: float = 0.06
    tilt_y_deg: float = -0.04
    rotation_deg: float = 0.35
    centre_shift_px: tuple[float, float] = (5.3, -3.6)
    dark_share: float = 0.03
    exposure: float = 0.7
    movement: Movement = STILL

    def __post_init__(self) -> None:
        positive = (
            *(self.focal_length_mm, self.pupil_ratio, self.widest_stop, self.pixel_pitch_um),
            *(self.electrons_per_dn, self.exposure, *self.wavelength_um),
        )
        if not all(0 < value < float("inf") for value in positive):
            raise ValueError(
                "focal length, pupil ratio, widest stop, pixel pitch, electrons per DN, exposure "
                "and wavelengths must be numbers > 0"
            )
        finite = (
            *(self.spherical_um, *self.channel_focus_um, *self.lateral_colour),
            *(self.rotation_deg, *self.centre_shift_px),
        )
        if not np.all(np.isfinite(finite)):
            raise ValueError("every figure of a rig must be a finite number")
        if not (self.blur_std_um >= 0 and self.read_noise_electrons >= 0):
            raise ValueError("blur_std_um and read_noise_electrons must be >= 0")
        if not min(self.lateral_colour) > -1:
            raise ValueError("lateral_colour must be > -1")
        if not (self.n_rows > 0 and self.n_cols > 0 and self.n_rows % 2 == self.n_cols % 2 == 0):
            raise ValueError("n_rows and n_cols must be even and > 0")
        if not 0 <= self.black_dn < self.white_dn < 2**self.bits:
            raise ValueError("need 0 <= black_dn < white_dn < 2**bits")
        if not all(0 < value <= 1 for value in self.sensitivity):
            raise ValueError("sensitivity must be in (0, 1]")
        if not (0 <= self.corner_shading < 1 and 0 <= self.dark_share < 1):
            raise ValueError("corner_shading and dark_share must be in [0, 1)")
        if not max(abs(self.tilt_x_deg), abs(self.tilt_y_deg)) < 90:
            raise ValueError("tilts must be in (-90, 90) degrees")

    @property
    def noise(self) -> NoiseModel:
        """Noise [DN] of the rendered pixels, rounding to whole DN included."""
        read_dn = self.read_noise_electrons / self.electrons_per_dn
        return NoiseModel(
            read_std=float(np.sqrt(read_dn**2 + 1 / 12)), gain=1 / self.electrons_per_dn
        )

    def effective_f_number(self, magnification: float, stop: float) -> float:
        """F-number of the cone at the sensor.

        Raises
        ------
        ValueError
            If the stop is wider than the lens has, or the magnification is not > 0.
        """
        # A ring's 2.8 stands for 2.828: allow the rounding of the widest stop.
        if not stop >= 0.98 * self.widest_stop:
            raise ValueError(f"stop must be {self.widest_stop:.3g} or more")
        if not magnification > 0:
            raise ValueError("magnification must be > 0")
        return float(effective_f_number(stop, magnification, self.pupil_ratio))

    def spherical_at_um(self, stop: float) -> float:
        """Spherical aberration [um] at the rim of the pupil that the stop leaves."""
        return self.spherical_um * (self.widest_stop / stop) ** 4

    def band(self, channel: str) -> Band:
        """Light that one raw colour answers to."""
        return channel_band(self.wavelength_um[CHANNELS.index(channel)])

    def shift_from_object_um(
        self, magnification: float, focus_offset_object_um: float, x_mm: float, y_mm: float
    ) -> float:
        """Focus shift at the sensor for a point of the tilted target.

        Parameters
        ----------
        magnification : float
            [-], > 0
        focus_offset_object_um : float
            Target beyond the plane that paraxial green rays focus. [um]
        x_mm, y_mm : float
            Point on the target, from the field's centre.

        Returns
        -------
        float
            Object-side distance x magnification squared. [um]
        """
        slope_x, slope_y = np.tan(np.deg2rad([self.tilt_x_deg, self.tilt_y_deg]))
        height_um = 1000 * (x_mm * slope_x + y_mm * slope_y)
        return float(magnification**2 * (focus_offset_object_um + height_um))


def cutoff_cyc_per_px(
    rig: SimulatedRig, *, magnification: float, stop: float, channel: str
) -> float:
    """Frequency from which a channel's transfer is 0: that of its shortest wavelength."""
    shortest_um = min(rig.band(channel).wavelength_um)
    f_number = rig.effective_f_number(magnification, stop)
    return rig.pixel_pitch_um / (shortest_um * f_number)


def channel_transfer(
    rig: SimulatedRig,
    *,
    magnification: float,
    stop: float,
    channel: str,
    focus_shift_um: float,
    edge_angle_deg: float,
) -> Callable[[FloatArray], FloatArray]:
    """Exact system transfer function of one raw colour.

    Parameters
    ----------
    rig : SimulatedRig
    magnification : float
        [-], > 0
    stop : float
        F-number at infinity, the physical one and not the ring's rounding. [-]
    channel : str
        One of ``CHANNELS``.
    focus_shift_um : float
        Sensor beyond the paraxial green image. [um]
    edge_angle_deg : float
        Of the edge's normal against the pixel rows. [deg]

    Returns
    -------
    callable
        Of frequency in cycles per pixel, vectorised, signed.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    own_focus_um = rig.channel_focus_um[CHANNELS.index(channel)]
    per_mm = partial(
        system_mtf,
        wavelength_um=rig.band(channel),
        f_number=rig.effective_f_number(magnification, stop),
        pixel_pitch_um=rig.pixel_pitch_um,
        edge_angle_deg=edge_angle_deg,
        focus_shift_um=focus_shift_um - own_focus_um,
        spherical_um=rig.spherical_at_um(stop),
        blur_std_um=rig.blur_std_um,
    )
    px_per_mm = 1000 / rig.pixel_pitch_um

    def transfer(frequency_cyc_per_px: FloatArray) -> FloatArray:
        f = np.asarray(frequency_cyc_per_px, dtype=np.float64)
        return np.asarray(per_mm(f * px_per_mm) * rig.movement.transfer(f, edge_angle_deg))

    return transfer
