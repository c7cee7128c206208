"""How does the camera move while a simulated exposure lasts, and what is left of the image?

Lengths are px on the sensor, axes as an edge's angle: 0 along the rows, 90 along the
columns. An edge sees the part of a movement that lies along its normal; the factors are
those of ``lab.optics.movement``.

Left out: a flash's decay. It would make the image of an edge lopsided, which the edge
tables (real transfer) do not hold; ``even_px_of_flash`` gives the even movement that
spreads the light as far (equal standard deviation), and ambient light lies evenly about
the flash's image, as if the flash fired half way. Both are good for a flash that moves
the image by less than a pixel. Nor does the target turn, or leave its place in the frame,
and the marks that nobody measures are blurred along rows and columns alone.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.optics.movement import linear_otf, mixed_otf, oscillating_otf

__all__ = ["STILL", "Movement", "even_px_of_flash"]


@dataclass(frozen=True, kw_only=True)
class Movement:
    """Of the image during one exposure.

    Attributes
    ----------
    length_px : float
        Even movement, from end to end; with ambient light that of the flash. [px], >= 0
    axis_deg : float
        Of it. [deg]
    ambient_length_px : float
        Way during the whole exposure, along the same axis; counts by its share. [px], >= 0
    ambient_share : float
        Of all the light. [-], 0 to 1
    vibration_px : float
        Amplitude of a vibration over whole periods, half of the way from peak to peak.
        [px], >= 0
    vibration_axis_deg : float
        Of it. [deg]
    """

    length_px: float = 0.0
    axis_deg: float = 0.0
    ambient_length_px: float = 0.0
    ambient_share: float = 0.0
    vibration_px: float = 0.0
    vibration_axis_deg: float = 0.0

    def __post_init__(self) -> None:
        if not np.all(np.isfinite(astuple(self))):
            raise ValueError("every figure of a movement must be a finite number")
        if not min(self.length_px, self.ambient_length_px, self.vibration_px) >= 0:
            raise ValueError("length_px, ambient_length_px and vibration_px must be >= 0")
        if not 0 <= self.ambient_share <= 1:
            raise ValueError("ambient_share must be in [0, 1]")

    @property
    def is_still(self) -> bool:
        """Nothing moves that the light shows."""
        lit_px = self.ambient_length_px * self.ambient_share
        return self.length_px == lit_px == self.vibration_px == 0

    def transfer(self, frequency_cyc_per_px: npt.ArrayLike, edge_angle_deg: float) -> FloatArray:
        """Factor of the transfer function across an edge.

        Parameters
        ----------
        frequency_cyc_per_px : array_like
            Along the edge's normal. [cycles per pixel]
        edge_angle_deg : float
            Of that normal against the pixel rows. [deg]

        Returns
        -------
        ndarray
            Same shape, signed. [-]
        """
        f = np.asarray(frequency_cyc_per_px, dtype=np.float64)
        along = abs(math.cos(math.radians(edge_angle_deg - self.axis_deg)))
        shaken = abs(math.cos(math.radians(edge_angle_deg - self.vibration_axis_deg)))
        even = mixed_otf(
            linear_otf(f, self.length_px * along),
            linear_otf(f, self.ambient_length_px * along),
            self.ambient_share,
        ).real
        return np.asarray(even * oscillating_otf(f, self.vibration_px * shaken))


STILL = Movement()


def even_px_of_flash(length_t01_px: float) -> float:
    """Even movement that spreads a flash's light as far as its decay does. [px].

    The standard deviations of ``exp(-t / tau)``, which is ``v tau``, and of an even
    movement, its length / sqrt(12), are equal.

    Parameters
    ----------
    length_t01_px : float
        Way during t0.1, ``v tau ln 10``. [px], >= 0

    Raises
    ------
    ValueError
        If the length is not >= 0.
    """
    if not length_t01_px >= 0:
        raise ValueError("length_t01_px must be >= 0")
    return math.sqrt(12) / math.log(10) * length_t01_px
