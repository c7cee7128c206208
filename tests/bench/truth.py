"""Edges with a known truth, and the precision that physics allows.

``Lens`` is a complex transfer function along the edge's normal by quadrature of
the pupil's overlap, for shapes inside the fitted family (defocus, spherical,
Gaussian) and outside it (coma, a polygonal iris, motion). ``bound`` is the
Cramer-Rao bound of MTF50 with position, angle, both levels and one scale of the
lens's blur unknown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from lab.edges.types import FloatArray
from lab.optics.sensor import pixel_mtf
from lab.optics.system import crossing

__all__ = ["Lens", "bound", "edge_pixels"]

_NODES = 500
_REACH = 50.0  # table end in wavelength x N_eff
_STEP = 0.04


def _overlap(s: FloatArray, w20: float, w040: float, w131: float) -> npt.NDArray[np.complex128]:
    """Hopkins' integral of a round pupil, coma w131 rho**3 cos along the shear."""
    node, weight = np.polynomial.legendre.leggauss(60)
    half, half_weight = (node + 1) / 2, weight / 2
    total = np.zeros(s.shape, dtype=np.complex128)
    for k, shear in enumerate(np.clip(s, 0, 1)):
        a = np.arccos(shear) * half[:, None]
        x = np.cos(a) - shear
        y = np.sin(a) * half[None, :]
        r2 = x * x + y * y + shear * shear
        even = w131 * (2 * shear * (3 * x * x + shear * shear) + 2 * shear * y * y)
        odd = 4 * x * shear * (w20 + 2 * w040 * r2)
        # x and -x together: the odd part's sines cancel.
        integrand = np.cos(2 * np.pi * odd) * np.exp(2j * np.pi * even) * np.sin(a) ** 2
        total[k] = 4 / np.pi * np.arccos(shear) * (half_weight @ integrand @ half_weight)
    return total


def _polygon(s: FloatArray, blades: int, turn_deg: float) -> FloatArray:
    """Overlap of a regular polygon with itself, circumscribed radius 1, shear 2 s along x."""
    corner = np.deg2rad(turn_deg) + 2 * np.pi * np.arange(blades) / blades
    y = np.linspace(-1, 1, 4001)
    left, right = np.full(y.size, np.inf), np.full(y.size, -np.inf)
    for a, b in zip(corner, np.roll(corner, -1), strict=True):
        ya, yb = np.sin(a), np.sin(b)
        if abs(yb - ya) < 1e-9:
            continue
        inside = (y >= min(ya, yb)) & (y <= max(ya, yb))
        x = np.cos(a) + (y - ya) / (yb - ya) * (np.cos(b) - np.cos(a))
        left[inside] = np.minimum(left[inside], x[inside])
        right[inside] = np.maximum(right[inside], x[inside])
    width = np.where(right > left, right - left, 0.0)
    return np.maximum(width[None, :] - 2 * s[:, None], 0).sum(axis=1) / width.sum()


@dataclass(frozen=True, kw_only=True)
class Lens:
    """Blur in pixels and waves at the rim. All values invented."""

    diffraction_px: float  # wavelength x N_eff
    w20: float = 0.0
    w040: float = 0.0
    gauss: float = 0.0  # std, in diffraction_px
    w131: float = 0.0  # coma
    motion: float = 0.0  # length, in diffraction_px
    blades: int = 0
    turn_deg: float = 0.0

    @property
    def name(self) -> str:
        parts = [f"{self.diffraction_px:g} px"]
        for label, value in (
            ("W20", self.w20),
            ("W040", self.w040),
            ("gauss", self.gauss),
            ("coma", self.w131),
            ("motion", self.motion),
            ("blades", self.blades),
        ):
            if value:
                parts.append(f"{label} {value:g}")
        return ", ".join(parts)

    @property
    def _shape(self) -> Lens:
        """The same shape at unit size: all that the transfer function depends on."""
        return replace(self, diffraction_px=1.0)

    def lens_at(self, s: FloatArray) -> npt.NDArray[np.complex128]:
        """Lens alone at fractions of the cut-off, from a fine table."""
        return _table(self._shape)(np.clip(s, 0, 1))

    def level(self, level: float, angle_deg: float) -> float:
        """Frequency where the system's MTF falls to a level."""
        found = crossing(lambda f: self.mtf(f, angle_deg), level, 1 / self.diffraction_px)
        assert found is not None
        return found

    def mtf(self, f: FloatArray, angle_deg: float) -> FloatArray:
        """System MTF."""
        s = f * self.diffraction_px
        return np.where(s < 1, np.abs(self.lens_at(s)), 0.0) * np.abs(pixel_mtf(f, angle_deg))


def _transfer(shape: Lens, s: FloatArray) -> npt.NDArray[np.complex128]:
    if shape.blades:
        otf = _polygon(s, shape.blades, shape.turn_deg).astype(np.complex128)
    else:
        otf = _overlap(s, shape.w20, shape.w040, shape.w131)
    blur = np.exp(-2 * (np.pi * shape.gauss * s) ** 2) * np.sinc(shape.motion * s)
    return otf * blur


@lru_cache(maxsize=64)
def _table(shape: Lens) -> CubicSpline:
    # Nodes crowd at the cut-off, where the transfer ends as a power of 3/2.
    s = np.sin(np.linspace(0, np.pi / 2, 801))
    return CubicSpline(s, _transfer(shape, s))


@lru_cache(maxsize=1)
def _quadrature() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    v = (node + 1) / 2
    s = 1 - v**2
    u = np.arange(-_REACH, _REACH + _STEP / 2, _STEP)
    phase = 2 * np.pi * np.outer(u, s)
    return s, weight * v / (np.pi * s), u, np.sin(phase), np.cos(phase)


@lru_cache(maxsize=8)
def _profile(lens: Lens, angle_deg: float) -> CubicSpline:
    """ESF of the system against distance [px], by direct quadrature."""
    s, weight, u, sine, cosine = _quadrature()
    transfer = lens.lens_at(s) * pixel_mtf(s / lens.diffraction_px, angle_deg) * weight
    esf = 0.5 + sine @ transfer.real + cosine @ transfer.imag
    return CubicSpline(u * lens.diffraction_px, esf)


def edge_pixels(
    lens: Lens,
    shape: tuple[int, int],
    angle_deg: float,
    *,
    position_px: float = 0.3,
    sagitta_px: float = 0.0,
    low: float = 100.0,
    high: float = 1000.0,
) -> FloatArray:
    """Noise-free pixels of an edge right across a region, full tails."""
    profile = _profile(lens, angle_deg)
    end = _REACH * lens.diffraction_px
    row = np.arange(shape[0])[:, None] - (shape[0] - 1) / 2
    col = np.arange(shape[1])[None, :] - (shape[1] - 1) / 2
    angle = np.deg2rad(angle_deg)
    along = row * np.cos(angle) - col * np.sin(angle)
    x = col * np.cos(angle) + row * np.sin(angle) - position_px
    if sagitta_px:
        reach = np.max(np.abs(along[np.abs(x) < 1]))
        x = x - sagitta_px * (along / reach) ** 2
    # Beyond the table: the Airy edge's asymptote.
    far = 4 / np.pi * lens.diffraction_px / (2 * np.pi**2)
    value = profile(np.clip(x, -end, end))
    value = np.where(x > end, 1 - far / np.maximum(x, 1), value)
    value = np.where(x < -end, far / np.maximum(-x, 1), value)
    return low + (high - low) * value


def bound(
    lens: Lens,
    shape: tuple[int, int],
    angle_deg: float,
    noise_share: float,
    mask: npt.NDArray[np.bool_] | None = None,
) -> float:
    """Cramer-Rao bound of the relative standard deviation of system MTF50."""
    use = np.ones(shape, dtype=bool) if mask is None else mask
    step = {"position": 2e-3, "angle": 2e-3, "scale": 2e-3}

    def image(sign: float, name: str) -> FloatArray:
        move = sign * step[name]
        return edge_pixels(
            replace(lens, diffraction_px=lens.diffraction_px * (1 + move * (name == "scale"))),
            shape,
            angle_deg + np.rad2deg(move / 100) * (name == "angle"),
            position_px=0.3 + move * (name == "position"),
            low=0.0,
            high=1.0,
        )[use]

    def truth(sign: float) -> float:
        scaled = replace(lens, diffraction_px=lens.diffraction_px * (1 + sign * step["scale"]))
        return scaled.level(0.5, angle_deg)

    columns = [(image(1, name) - image(-1, name)) / (2 * step[name]) for name in step]
    middle = image(0, "scale")
    columns += [np.ones_like(middle), middle]
    jacobian = np.array(columns)
    covariance = np.linalg.inv(jacobian @ jacobian.T) * noise_share**2
    by_scale = (truth(1) - truth(-1)) / (2 * step["scale"])
    return float(abs(by_scale) * np.sqrt(covariance[2, 2]) / lens.level(0.5, angle_deg))
