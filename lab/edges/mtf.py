"""The MTF of a fitted edge: curve, level crossings, their uncertainty.

A shape is the vector (lens f50, coefficients) of the family, with its covariance.
"""

from __future__ import annotations

import numpy as np

from lab.edges.shapes import COARSE, shape_family
from lab.edges.types import FloatArray
from lab.optics.sensor import pixel_mtf

__all__ = ["level_crossings", "mtf_curve"]


def _functions(f: FloatArray, f50: float) -> tuple[FloatArray, FloatArray]:
    """The family's transfer functions at f (n, n_col), and their slopes by t."""
    family = shape_family()
    per_t = (family.t.size - 1) / family.t[-1]
    at = np.minimum(f * (per_t / f50), family.t.size - 1.001)
    i = at.astype(np.intp)
    low = family.transfer[i]
    rise = family.transfer[i + 1] - low
    return low + (at - i)[:, None] * rise, rise * per_t


def mtf_curve(
    f: FloatArray, shape: FloatArray, covariance: FloatArray, angle_rad: float
) -> tuple[FloatArray, FloatArray]:
    """System MTF at f (n,) and its standard uncertainty; ``shape`` = lens f50, coefficients."""
    n_even = 1 + shape_family().n_even
    f50 = float(shape[0])
    functions, slopes = _functions(f, f50)
    mix = np.concatenate([[1.0], shape[1:]])
    pixel = np.abs(pixel_mtf(f, float(np.rad2deg(angle_rad))))
    real = functions[:, :n_even] @ mix[:n_even]
    imaginary = functions[:, n_even:] @ mix[n_even:]
    size = np.hypot(real, imaginary)
    to_real = real / np.maximum(size, 1e-12)
    to_imaginary = imaginary / np.maximum(size, 1e-12)
    slope = to_real * (slopes[:, :n_even] @ mix[:n_even]) + to_imaginary * (
        slopes[:, n_even:] @ mix[n_even:]
    )
    gradient = np.empty((f.size, shape.size))
    gradient[:, 0] = -slope * f / f50**2
    gradient[:, 1:n_even] = to_real[:, None] * functions[:, 1:n_even]
    gradient[:, n_even:] = to_imaginary[:, None] * functions[:, n_even:]
    variance = np.einsum("ij,ij->i", gradient @ covariance, gradient)
    return size * pixel, np.sqrt(np.maximum(variance, 0.0)) * pixel


def level_crossings(
    levels: tuple[float, ...], shape: FloatArray, covariance: FloatArray, angle_rad: float
) -> list[tuple[float, float] | None]:
    """Where the system's MTF first falls to each level, with standard uncertainties.

    Parameters
    ----------
    levels : tuple of float
        Between 0 and 1. [-]
    shape, covariance : ndarray
        Of the fitted edge.
    angle_rad : float
        Of the normal, for the pixel's aperture.

    Returns
    -------
    list of (float, float) or None
        Frequency and standard uncertainty [cycles per pixel]; None where the curve
        stays above.
    """
    family = shape_family()
    n_even = 1 + family.n_even
    mix = np.concatenate([[1.0], shape[1:]])
    even, odd = family.coarse_transfer
    lens = np.hypot(even @ mix[:n_even], odd @ mix[n_even:])
    f = family.t[::COARSE] * shape[0]
    value = lens * np.abs(pixel_mtf(f, float(np.rad2deg(angle_rad))))
    after = [int(np.argmax(value < level)) for level in levels]
    slope = [float((value[k] - value[k - 1]) / (f[k] - f[k - 1])) if k else 0.0 for k in after]
    at = np.array(
        [
            f[k - 1] + (level - value[k - 1]) / s if k else 0.0
            for level, k, s in zip(levels, after, slope, strict=True)
        ]
    )
    std = mtf_curve(at, shape, covariance, angle_rad)[1]
    return [
        (float(x), float(u / abs(s))) if k else None
        for x, u, s, k in zip(at, std, slope, after, strict=True)
    ]
