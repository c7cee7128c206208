"""What does the image of a straight edge become when its light is too directed?

A backlit edge is imaged linearly in intensity only where its light comes from well
outside the cone that the lens accepts. The coherence ratio S is the numerical aperture
of the light over that of the lens, both on the object side. S near 0 is the coherent
edge, which rings and overshoots; S large is the incoherent edge of every MTF.

Abbe's way: every point of the source makes a coherent image, and intensities add up.
The edge is opaque and infinitely thin, the source a uniform disc, the pupil a clear
disc with defocus. Lengths ``u`` are in wavelength x N_eff, positive on the bright side,
0 at the geometric edge; frequencies ``s`` are fractions of the incoherent cut-off;
pupil and source coordinates are in radii of the pupil. Left out: other aberrations,
polarisation, blades thick against the wavelength, a source with a bright middle.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray
from lab.optics.pupil import aberrated_otf
from lab.optics.system import crossing

__all__ = [
    "apparent_mtf50",
    "apparent_transfer",
    "coherence_ratio_for",
    "coherent_edge",
    "mtf50_error",
    "partially_coherent_edge",
]

# Nodes of the quadratures: double the number moves an intensity by less than 1e-8 and a
# transfer by less than 3e-7 (S >= 1) or 4e-5 (S < 1, whose integrand has inner corners).
_EDGE_NODES = 32
_WIDE_NODES, _NARROW_NODES = (32, 16), (64, 32)
_TINY = 1e-100  # stands for 0 in a logarithm whose weight is 0


@lru_cache(maxsize=32)
def _unit_nodes(n: int) -> tuple[FloatArray, FloatArray]:
    node, weight = np.polynomial.legendre.leggauss(n)
    return (node + 1) / 2, weight / 2


@lru_cache(maxsize=32)
def _graded_nodes(n: int) -> tuple[FloatArray, FloatArray]:
    """Nodes on 0..1 that crowd at both ends, where the integrands are logarithms."""
    t, weight = _unit_nodes(n)
    return t**3 * (10 - 15 * t + 6 * t * t), 30 * weight * (t * (1 - t)) ** 2


def _check(coherence_ratio: float, w20: float) -> None:
    if not 0 < coherence_ratio < np.inf:
        raise ValueError("coherence_ratio must be > 0")
    if not np.isfinite(w20):
        raise ValueError("w20 must be a finite number")


def coherent_edge(u: npt.ArrayLike) -> FloatArray:
    """Image of an edge in light from one point on the axis, in focus.

    ``(1/2 + Si(pi u) / pi)**2``: 1/4 at the geometric edge, 1.187 at its first maximum.

    Parameters
    ----------
    u : array_like
        Distance from the geometric edge, bright side positive. [wavelength x N_eff]

    Returns
    -------
    ndarray
        Intensity over that of the bright plateau. [-]

    References
    ----------
    .. [1] J. W. Goodman, Introduction to Fourier Optics, ch. 6 (from memory).
    """
    from scipy.special import sici

    sine, _ = sici(np.pi * np.asarray(u, dtype=np.float64))
    return np.asarray((0.5 + sine / np.pi) ** 2)


def partially_coherent_edge(
    u: npt.ArrayLike, coherence_ratio: float, w20: float = 0.0
) -> FloatArray:
    """Image of an edge in light from a uniform disc, by summing over source points.

    The light of source point (x, y) reaches the pupil shifted by it; an edge diffracts
    along x alone, so the pupil it meets is the chord ``|x'| < h = sqrt(1 - y**2)``. Its
    amplitude is the step's spectrum cut by that chord: sine and cosine integrals where
    the pupil is clear, and a smooth rest by quadrature where it is defocused.

    Parameters
    ----------
    u : array_like
        Distance from the geometric edge, bright side positive. [wavelength x N_eff]
    coherence_ratio : float
        Numerical aperture of the light over the lens's. [-], > 0
    w20 : float
        Defocus at the pupil's rim. [waves]

    Returns
    -------
    ndarray
        Intensity over that of the bright plateau, same shape. [-]

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    .. [1] H. H. Hopkins, Proc. R. Soc. Lond. A 217, 408 (1953) (from memory).
    .. [2] M. Born, E. Wolf, Principles of Optics, ch. 10 (from memory).
    """
    _check(coherence_ratio, w20)
    place = np.asarray(u, dtype=np.float64)
    if not np.all(np.isfinite(place)):
        raise ValueError("u must hold finite numbers")
    flat = place.ravel()
    # Intensities oscillate over the source as often as fringes lie between edge and u.
    fringes = float(np.max(np.abs(flat), initial=0.0)) + 4 * abs(w20)
    n = int(_EDGE_NODES + 3 * fringes)
    highest = min(coherence_ratio, 1.0)
    node, weight = _unit_nodes(n)
    y = highest * np.sin(np.pi / 2 * node)
    total = np.zeros(flat.size)
    for one, share in zip(y, weight * np.cos(np.pi / 2 * node), strict=True):
        chord, source = np.sqrt(1 - one * one), np.sqrt(coherence_ratio**2 - one * one)
        x, x_weight = _source_row(chord, source, n)
        amplitude = _edge_amplitude(flat, x, chord, w20)
        total += share * (x_weight @ (amplitude.real**2 + amplitude.imag**2))
    # Half the source was summed, and over its height: 2 (pi / 2) highest, over its area.
    return np.asarray(total / highest).reshape(place.shape)


def _source_row(chord: float, source: float, n: int) -> tuple[FloatArray, FloatArray]:
    """Source points along x and their weights; panels end at the chord's ends."""
    ends = [-source, 0.0, source] if source <= chord else [-source, -chord, 0.0, chord, source]
    node, weight = _graded_nodes(n)
    width = np.diff(ends)[:, None]
    return (np.array(ends[:-1])[:, None] + width * node).ravel(), (width * weight).ravel()


def _edge_amplitude(
    u: FloatArray, x: FloatArray, chord: float, w20: float
) -> npt.NDArray[np.complex128]:
    """Amplitude at u (n_u,) of source points x (n_x,), common phases left off.

    ``[x in chord] / 2 + PV integral of exp(2 pi i nu u + phase) / (2 pi i nu)`` over the
    frequencies nu that bring the source point into the chord. The defocus phase
    ``2 pi w20 ((x + 2 nu)**2 - x**2)`` has a linear part, which moves the edge by
    ``4 w20 x``, and a quadratic one.
    """
    from scipy.special import sici

    moved = u[None, :] + 4 * w20 * x[:, None]
    at_edge = moved == 0
    distance = 2 * np.pi * np.where(at_edge, 1.0, np.abs(moved))
    # Nodes that rounding puts on the chord's end weigh next to nothing.
    low, high = ((end - x) / 2 for end in (-chord, chord))
    length_low, length_high = (np.maximum(np.abs(end), _TINY)[:, None] for end in (low, high))
    sine_low, cosine_low = sici(length_low * distance)
    sine_high, cosine_high = sici(length_high * distance)
    real = np.sign(moved) * (np.sign(high)[:, None] * sine_high - np.sign(low)[:, None] * sine_low)
    # At 0 the cosine integrals' difference is a logarithm.
    imaginary = np.where(at_edge, np.log(length_high / length_low), cosine_high - cosine_low)
    amplitude = (real - 1j * imaginary) / (2 * np.pi) + 0.5 * (np.abs(x) < chord)[:, None]
    if w20:
        # Exponent's range over the chord in cycles; twice the points of one each, and some.
        reach = float(np.max(np.abs(u)) + 8 * abs(w20) * (1 + np.max(np.abs(x))))
        node, weight = _unit_nodes(int(30 + 2 * reach))
        pupil = chord * (2 * node - 1)
        apart = pupil[None, :] - x[:, None]  # 2 nu
        rest = np.expm1(2j * np.pi * w20 * apart**2) / (1j * np.pi * apart) * (chord * weight)
        rest *= np.exp(4j * np.pi * w20 * x[:, None] * apart)
        waves = rest @ np.exp(1j * np.pi * np.outer(pupil, u))
        amplitude += waves * np.exp(-1j * np.pi * np.outer(x, u))
    return amplitude


def apparent_transfer(
    s: npt.ArrayLike, coherence_ratio: float, w20: float = 0.0
) -> npt.NDArray[np.complex128]:
    """Transform of the derivative of the edge's image: what edge analysis calls the OTF.

    Two parts of the pupil, at +-s along x, interfere as in Hopkins' overlap integral, and
    the edge's spectrum weighs them by ``B = (p(x - s) + p(x + s)) / 2 + i (g(x - s) -
    g(x + s)) / (2 pi)``, where p tells whether the point lies in the source and g is p's
    Hilbert transform ``log |(x + q) / (x - q)|``, q being half the source's width at that
    height. From S = 1 the real part is the incoherent transfer function itself, for any
    aberration; the imaginary part, ``-2 s / (pi S)`` times it for large S and in focus,
    is an error that only wider light makes smaller.

    Parameters
    ----------
    s : array_like
        Frequency over the incoherent cut-off. [-], 0 <= s <= 1
    coherence_ratio : float
        Numerical aperture of the light over the lens's. [-], > 0
    w20 : float
        Defocus at the pupil's rim. [waves]

    Returns
    -------
    ndarray of complex
        1 at s = 0, same shape; phase about the geometric edge. The modulus passes 1 in
        coherent light and has a pole at 1/2 where S falls to 0. [-]

    Raises
    ------
    ValueError
        If an argument is outside its range.

    Notes
    -----
    Derived from Hopkins' transmission cross coefficient [1]_; that no linear transfer
    function exists here, so that an edge, a line and a grating each show another, is
    the subject of [2]_.

    References
    ----------
    .. [1] H. H. Hopkins, Proc. R. Soc. Lond. A 217, 408 (1953) (from memory).
    .. [2] R. E. Swing, J. R. Clay, J. Opt. Soc. Am. 57, 1180 (1967) (from memory).
    """
    _check(coherence_ratio, w20)
    given = np.asarray(s, dtype=np.float64)
    if not np.all((given >= 0) & (given <= 1)):
        raise ValueError("s must be in [0, 1]")
    shear = given.ravel()[:, None]
    extra = int(4 * abs(w20))  # the defocused wave swings w20 times over the overlap at most
    n_y, n_x = _WIDE_NODES if coherence_ratio >= 1 else _NARROW_NODES
    node, weight = _unit_nodes(n_y + extra)
    highest = np.minimum(coherence_ratio, np.sqrt(1 - shear * shear))
    y = highest * np.sin(np.pi / 2 * node)
    y_weight = (np.pi / 2) * highest * np.cos(np.pi / 2 * node) * weight
    source = np.sqrt(np.maximum(coherence_ratio**2 - y * y, 0.0))
    top = np.maximum(np.sqrt(1 - y * y) - shear, 0.0)
    # The logarithms' places, as far as they lie in the overlap, end panels.
    ends = (
        np.zeros_like(top),
        np.minimum(np.abs(source - shear), top),
        np.minimum(source + shear, top),
        top,
    )
    node, weight = _graded_nodes(n_x + extra)
    q, shear_x = source[..., None], shear[..., None]

    def hilbert(x: FloatArray) -> FloatArray:
        above, below = (np.maximum(np.abs(x + end), _TINY) for end in (q, -q))
        return np.asarray(np.log(above / below))

    total = np.zeros(shear.size, dtype=np.complex128)
    for low, high in pairwise(ends):
        width = high - low
        if not np.any(width > 0):
            continue
        x = low[..., None] + width[..., None] * node
        seen = (np.abs(x - shear_x) < q) * 0.5 + (np.abs(x + shear_x) < q) * 0.5
        lopsided = (hilbert(x - shear_x) - hilbert(x + shear_x)) / (2 * np.pi)
        wave = np.cos(8 * np.pi * w20 * shear_x * x)
        total += ((wave * (seen + 1j * lopsided)) @ weight * width * y_weight).sum(axis=1)
    area = np.pi * min(coherence_ratio, 1.0) ** 2
    return np.asarray(4 * total / area).reshape(given.shape)


def apparent_mtf50(coherence_ratio: float, w20: float = 0.0) -> float:
    """Frequency at which the apparent MTF first falls to one half. [of the cut-off].

    Parameters
    ----------
    coherence_ratio : float
        [-], > 0
    w20 : float
        [waves]

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    _check(coherence_ratio, w20)
    found = crossing(lambda s: np.abs(apparent_transfer(s, coherence_ratio, w20)), 0.5, 1.0)
    assert found is not None  # the overlap is empty at the cut-off
    return found


def mtf50_error(coherence_ratio: float, w20: float = 0.0) -> float:
    """By how much directed light overstates the lens's MTF50, as a share. [-].

    From S = 1 best focus is the worst case; a pixel or any other blur, which the light
    does not touch, makes the system's error smaller than this.

    Parameters
    ----------
    coherence_ratio : float
        [-], > 0
    w20 : float
        [waves]

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    truth = crossing(lambda s: np.abs(aberrated_otf(s, w20)), 0.5, 1.0)
    assert truth is not None  # the transfer is 0 at the cut-off
    return apparent_mtf50(coherence_ratio, w20) / truth - 1


def coherence_ratio_for(error: float) -> float:
    """Least coherence ratio that keeps the error of MTF50 within a limit, in focus.

    Parameters
    ----------
    error : float
        Share of MTF50. [-], 0.0005 <= error <= 0.05

    Returns
    -------
    float
        Near ``0.19 / sqrt(error)`` where the error is small. [-]

    Raises
    ------
    ValueError
        If the error is outside its range.
    """
    from scipy.optimize import brentq

    if not 0.0005 <= error <= 0.05:
        raise ValueError("error must be in [0.0005, 0.05]")
    return float(brentq(lambda ratio: mtf50_error(ratio) - error, 1.0, 20.0, xtol=1e-4))
