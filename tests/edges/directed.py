"""Edges that no lens makes in diffuse light: lit too directedly, or sharpened."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline

from lab.edges.types import FloatArray
from lab.optics.partial_coherence import apparent_transfer
from lab.optics.sensor import pixel_mtf
from tests.edges.blur import HIGH, LOW

__all__ = ["directed_pixels", "directed_profile", "largest_fall", "unsharp_masked"]

_NODES = 400
_REACH, _STEP = 40.0, 0.05  # of the table, in wavelength x N_eff


@lru_cache(maxsize=1)
def _waves() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    v = (node + 1) / 2
    s = 1 - v * v
    u = np.arange(-_REACH, _REACH + _STEP / 2, _STEP)
    phase = 2 * np.pi * np.outer(u, s)
    return u, s, weight * v / (np.pi * s), np.sin(phase), np.cos(phase)


@lru_cache(maxsize=64)
def _transfer(ratio: float, w20: float) -> np.ndarray:
    _, s, _, _, _ = _waves()
    return apparent_transfer(s, ratio, w20)


@lru_cache(maxsize=64)
def directed_profile(
    diffraction_px: float, ratio: float, w20: float, angle_deg: float
) -> CubicSpline:
    """Edge in light of a coherence ratio, pixel included, by distance in px; 0 to 1."""
    u, s, weight, sine, cosine = _waves()
    system = _transfer(ratio, w20) * pixel_mtf(s / diffraction_px, angle_deg) * weight
    return CubicSpline(u * diffraction_px, 0.5 + sine @ system.real + cosine @ system.imag)


def directed_pixels(
    diffraction_px: float,
    ratio: float,
    shape: tuple[int, int],
    angle_deg: float,
    *,
    w20: float = 0.0,
    position_px: float = 0.3,
) -> FloatArray:
    """Noise-free pixels of such an edge right across a region."""
    profile = directed_profile(diffraction_px, ratio, w20, angle_deg)
    row = np.arange(shape[0])[:, None] - (shape[0] - 1) / 2
    col = np.arange(shape[1])[None, :] - (shape[1] - 1) / 2
    angle = np.deg2rad(angle_deg)
    x = col * np.cos(angle) + row * np.sin(angle) - position_px
    end = _REACH * diffraction_px
    return np.asarray(LOW + (HIGH - LOW) * profile(np.clip(x, -end, end)))


def unsharp_masked(pixels: FloatArray, radius_px: float, amount: float) -> FloatArray:
    """Sharpened as finishing software does: the difference to a Gaussian blur, added."""
    from scipy.ndimage import gaussian_filter

    return np.asarray(pixels + amount * (pixels - gaussian_filter(pixels, radius_px)))


def largest_fall(profile: FloatArray) -> float:
    """By how much a profile from dark to bright falls back at most."""
    return float(np.max(np.maximum.accumulate(profile) - profile))
