"""What the sensor does to the image's transfer function: the pixel's aperture."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray

__all__ = ["pixel_mtf"]


def pixel_mtf(frequency_cyc_per_px: npt.ArrayLike, angle_deg: npt.ArrayLike = 0.0) -> FloatArray:
    """Transfer function of a full square pixel along one direction.

    The product of both sides' sinc at the components of the frequency:
    ``sinc(f cos a) sinc(f sin a)``, signed beyond its first zero.

    Parameters
    ----------
    frequency_cyc_per_px : array_like
        Along the edge's normal. [cycles per pixel pitch]
    angle_deg : array_like
        Of that normal against the pixel rows. [deg], any; arguments broadcast.

    References
    ----------
    .. [1] Any text on Fourier transforms: the transform of a rectangle.
    """
    f = np.asarray(frequency_cyc_per_px, dtype=np.float64)
    angle = np.deg2rad(angle_deg)
    return np.asarray(np.sinc(f * np.cos(angle)) * np.sinc(f * np.sin(angle)))
