"""How far off focus is a hand, and how fast does it drift? A hand with stated statistics.

Every figure is invented. Along the axis the hand is off by a Gaussian when the shutter
opens; across it drifts evenly, in any direction, at a speed whose two components are
Gaussians (so that the speed has a Rayleigh distribution); and it tilts.

Left out: drift along the axis during the exposure, tremor, framing that wanders, and the
photographer who waits for the right moment.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lab.simulate.movement import STILL, Movement, even_px_of_flash

__all__ = ["STAND", "Hand", "HandShot"]


@dataclass(frozen=True, kw_only=True)
class HandShot:
    """What one hand did at one exposure.

    Attributes
    ----------
    focus_offset_object_um : float
        Target beyond where it should be. [um], signed
    speed_um_per_s : float
        Across, in the subject. [um/s]
    axis_deg : float
        Of the drift in the image, [-90, 90). [deg]
    tilt_x_deg, tilt_y_deg : float
        As for ``SimulatedRig``. [deg]
    """

    focus_offset_object_um: float
    speed_um_per_s: float
    axis_deg: float
    tilt_x_deg: float
    tilt_y_deg: float

    def movement(
        self,
        exposure_s: float,
        *,
        magnification: float,
        pixel_pitch_um: float,
        flash_t01_s: float | None = None,
        ambient_share: float = 0.0,
    ) -> Movement:
        """Movement of the image during the exposure.

        Parameters
        ----------
        exposure_s : float
            Shutter time. [s], > 0
        magnification, pixel_pitch_um : float
            > 0
        flash_t01_s : float, optional
            The flash's duration above a tenth of its peak [s]; None: no flash.
        ambient_share : float
            Of the light of a flash exposure. [-], 0 to 1

        Raises
        ------
        ValueError
            If an argument is outside its range.
        """
        if not min(exposure_s, magnification, pixel_pitch_um) > 0:
            raise ValueError("exposure_s, magnification and pixel_pitch_um must be > 0")
        if self.speed_um_per_s == 0:
            return STILL
        px_per_s = self.speed_um_per_s * magnification / pixel_pitch_um
        if flash_t01_s is None:
            return Movement(length_px=px_per_s * exposure_s, axis_deg=self.axis_deg)
        return Movement(
            length_px=even_px_of_flash(px_per_s * flash_t01_s),
            axis_deg=self.axis_deg,
            ambient_length_px=px_per_s * exposure_s,
            ambient_share=ambient_share,
        )


@dataclass(frozen=True, kw_only=True)
class Hand:
    """Statistics of a hand. All invented; 0 throughout is a stand.

    Attributes
    ----------
    focus_std_um : float
        Scatter along the axis, in the subject. [um], >= 0
    speed_um_per_s : float
        Most frequent speed across, in the subject: a Rayleigh distribution's scale, 0.85
        of its median. [um/s], >= 0
    tilt_std_deg : float
        About either axis. [deg], >= 0
    """

    focus_std_um: float = 0.0
    speed_um_per_s: float = 0.0
    tilt_std_deg: float = 0.0

    def __post_init__(self) -> None:
        figures = (self.focus_std_um, self.speed_um_per_s, self.tilt_std_deg)
        if not all(0 <= figure < float("inf") for figure in figures):
            raise ValueError("focus_std_um, speed_um_per_s and tilt_std_deg must be >= 0")

    def shot(self, rng: np.random.Generator) -> HandShot:
        """Draw one exposure.

        Parameters
        ----------
        rng : numpy.random.Generator
        """
        focus, across, down, tilt_x, tilt_y = rng.standard_normal(5).tolist()
        axis_deg = float(np.rad2deg(np.arctan2(down, across)))
        return HandShot(
            focus_offset_object_um=self.focus_std_um * focus,
            speed_um_per_s=self.speed_um_per_s * float(np.hypot(across, down)),
            axis_deg=(axis_deg + 90) % 180 - 90,
            tilt_x_deg=self.tilt_std_deg * tilt_x,
            tilt_y_deg=self.tilt_std_deg * tilt_y,
        )


STAND = Hand()
