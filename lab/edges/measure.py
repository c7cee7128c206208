"""MTF50 of one slanted edge from raw pixels, with its uncertainty.

``measure_edge`` takes a region that holds one straight edge and nothing else,
finds the edge, fits the forward model (see ``fit``) and reads the figures off
the fitted curve. What cannot be measured comes back as a ``Rejection``.

Frequencies run along the edge's normal in cycles per pixel pitch. MTF and
MTF50 are the system's, lens and pixel; the lens alone is beside them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from lab.edges.checks import clipped_side, edge_flags, why_unfit
from lab.edges.curves import node_at, node_curves
from lab.edges.fit import EdgeFit, EdgeLostError, fit_edge
from lab.edges.locus import EdgeLocus, edge_locus, raggedness
from lab.edges.model import EdgeState
from lab.edges.mtf import level_crossings, mtf_curve
from lab.edges.shapes import shape_family
from lab.edges.sites import SiteWindow, window_sites
from lab.edges.start import EdgeStart, cell_size_px, find_start
from lab.edges.types import FloatArray, MaskArray, NoiseModel, Rejection

__all__ = ["EdgeMeasurement", "measure_edge", "measure_window"]

_MIN_PIXELS = 150
_MIN_EXTENT = 12
_FREQUENCY = np.linspace(0.0, 1.0, 101)


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeMeasurement:
    """One measured edge.

    Attributes
    ----------
    mtf50_cyc_per_px, mtf50_std : float
        Frequency where the system's MTF falls to one half. [cycles per pixel]
    mtf20_cyc_per_px, mtf10_cyc_per_px : float or None
        Likewise for 0.2 and 0.1, with ``_std``; None if the curve stays above.
    lens_mtf50_cyc_per_px, lens_mtf50_std : float
        The lens alone, the pixel's aperture divided out.
    frequency_cyc_per_px, mtf, mtf_std : ndarray, (101,)
        The system's MTF from 0 to 1 cycle per pixel, pointwise uncertainty.
    companion_mtf50_cyc_per_px, companion_mtf50_std : float
        MTF50 with the shape free of optics.
    physical_mtf50_cyc_per_px, physical_mtf50_std : float
        MTF50 with physical shapes only. The figure weighs both by their evidence.
    angle_deg : float
        Of the normal, dark to bright; 0 = towards higher columns, 90 = higher rows.
    offset_px : float
        Of the edge along the normal from the region's centre.
    sagitta_px : float
        Departure of the locus from straight, ends (within the region) against middle.
    low_dn, high_dn : float
        Levels of both sides.
    noise : NoiseModel
        Given or estimated.
    raggedness_px, raggedness_std : float
        Standard deviation of the edge's locus beyond noise and its uncertainty;
        ``locus`` has it piece by piece.
    pixels_used, pixels_left_out : int
    flags : tuple of str
    """

    mtf50_cyc_per_px: float
    mtf50_std: float
    mtf20_cyc_per_px: float | None
    mtf20_std: float | None
    mtf10_cyc_per_px: float | None
    mtf10_std: float | None
    lens_mtf50_cyc_per_px: float
    lens_mtf50_std: float
    companion_mtf50_cyc_per_px: float
    companion_mtf50_std: float
    physical_mtf50_cyc_per_px: float
    physical_mtf50_std: float
    frequency_cyc_per_px: FloatArray
    mtf: FloatArray
    mtf_std: FloatArray
    angle_deg: float
    offset_px: float
    sagitta_px: float
    low_dn: float
    high_dn: float
    noise: NoiseModel
    raggedness_px: float
    raggedness_std: float
    pixels_used: int
    pixels_left_out: int
    flags: tuple[str, ...]
    fit: EdgeFit = field(repr=False)

    def __post_init__(self) -> None:
        for name in ("frequency_cyc_per_px", "mtf", "mtf_std"):
            copy = np.array(getattr(self, name), dtype=np.float64)
            copy.setflags(write=False)
            object.__setattr__(self, name, copy)

    @property
    def locus(self) -> EdgeLocus:
        """Departure of the edge from its fitted line, piece by piece."""
        return edge_locus(self.fit)

    def mtf_at(self, frequency_cyc_per_px: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """MTF and its standard uncertainty at any frequencies.

        Parameters
        ----------
        frequency_cyc_per_px : array_like, (n,) or scalar
            [cycles per pixel], >= 0

        Returns
        -------
        mtf, mtf_std : ndarray, (n,)

        Raises
        ------
        ValueError
            If a frequency is not >= 0.
        """
        f = np.atleast_1d(np.asarray(frequency_cyc_per_px, dtype=np.float64))
        if not np.all(f >= 0):
            raise ValueError("frequency_cyc_per_px must be >= 0")
        return mtf_curve(f, *self.fit.shape, self.fit.state.angle_rad)

    def edge_spread(self, x_px: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Fitted edge and line spread functions, pixel included.

        Parameters
        ----------
        x_px : array_like, (n,)
            Distances from the edge, bright side positive. [px]

        Returns
        -------
        esf : ndarray, (n,)
            0 far on the dark side, 1 far on the bright side. [-]
        lsf : ndarray, (n,)
            Its derivative. [1 / px]
        """
        state = self.fit.state
        node = node_at(np.asarray(x_px, dtype=np.float64) * state.lens_f50)
        first, last = int(np.floor(node.min())), int(np.ceil(node.max())) + 1
        esf, slope, _ = node_curves(
            shape_family(),
            first,
            last,
            state.lens_f50,
            state.coefficient,
            state.angle_rad,
            np.inf,
        )
        nodes = np.arange(first, last + 1)
        profile = 0.5 + esf[:, 0] + esf[:, 1:] @ state.coefficient
        return (
            np.asarray(np.interp(node, nodes, profile)),
            np.asarray(np.interp(node, nodes, slope)) * state.lens_f50,
        )


def measure_edge(
    pixels: npt.NDArray[np.float64],
    mask: MaskArray | None = None,
    noise: NoiseModel | None = None,
    *,
    square_side_px: float = np.inf,
) -> EdgeMeasurement | Rejection:
    """Measure the one slanted edge in a region.

    Parameters
    ----------
    pixels : ndarray, (n_row, n_col) float64
        Linear, black-subtracted. [DN or any linear unit]
    mask : ndarray of bool, (n_row, n_col), optional
        True = use; one raw colour's sites, unsaturated. None: all.
    noise : NoiseModel, optional
        In the same unit. None: estimated from the region.
    square_side_px : float
        Where the dark side is a square and the region lies in the middle of one of
        its sides: the side's length. The tails of the other three sides lift the
        dark; left in, they overstate MTF50 by up to 1 % where the blur is a twentieth
        of the side. [px], > 0

    Returns
    -------
    EdgeMeasurement or Rejection
        A Rejection's reason is for the photographer.

    Raises
    ------
    ValueError
        If an array has the wrong shape or square_side_px is not > 0.
    """
    if not square_side_px > 0:
        raise ValueError("square_side_px must be > 0")
    pixels = np.asarray(pixels, dtype=np.float64)
    if pixels.ndim != 2:
        raise ValueError("pixels must have two dimensions (n_row, n_col)")
    use = np.ones(pixels.shape, dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
    if use.shape != pixels.shape:
        raise ValueError("mask must have the shape of pixels")
    if not use.any():
        return Rejection(reason="no pixel of the region may be used (empty mask)")
    return measure_window(window_sites(pixels, use), noise, square_side_px=square_side_px)


def measure_window(
    window: SiteWindow, noise: NoiseModel | None = None, *, square_side_px: float = np.inf
) -> EdgeMeasurement | Rejection:
    """Measure the one slanted edge in a window of one raw colour's sites.

    Parameters
    ----------
    window : SiteWindow
        From ``lab.edges.sites``.
    noise, square_side_px
        As for ``measure_edge``.

    Returns
    -------
    EdgeMeasurement or Rejection
    """
    sites = window.thinned(largest_gap_px=cell_size_px(window.shape))
    value = sites.value
    if min(window.shape) < _MIN_EXTENT or value.size < _MIN_PIXELS:
        return Rejection(
            reason=f"the region is too small: {value.size} pixels used, "
            f"at least {_MIN_PIXELS} and {_MIN_EXTENT} rows and columns are needed"
        )
    bad, total = window.without_number
    if bad:
        return Rejection(reason=f"{bad} of {total} pixels hold no number; mask them out")
    if value.min() == value.max():
        return Rejection(reason="the region is uniform: no edge in it")
    side = clipped_side(value)
    if side is not None:
        mend = "halve the exposure" if side == "bright" else "expose more or check the black level"
        return Rejection(reason=f"the {side} side is clipped: {mend}")
    start = find_start(sites, window.shape)
    if isinstance(start, Rejection):
        return start
    return _measured(window, start, noise, square_side_px)


def _measured(
    window: SiteWindow,
    start: EdgeStart,
    noise: NoiseModel | None,
    square_side_px: float,
) -> EdgeMeasurement | Rejection:
    family = shape_family()
    state = EdgeState(
        angle_rad=start.angle_rad,
        offset_px=start.offset_px,
        curvature_px=0.0,
        low=start.low,
        high=start.high,
        gradient_t=0.0,
        gradient_x=0.0,
        # A Gaussian's MTF50 is 0.18739 / std; a lens's tails make it look 15 % softer.
        lens_f50=1.15 * 0.18739 / np.sqrt(max(start.blur_std_px**2 - 1 / 12, 0.35**2)),
        coefficient=np.zeros(family.n),
    )
    try:
        fit = fit_edge(window, state, noise, square_side_px)
    except (EdgeLostError, np.linalg.LinAlgError):
        return Rejection(reason="no single straight edge could be followed in the region")
    reason = why_unfit(fit)
    if reason is not None:
        return Rejection(reason=reason)
    state = fit.state
    angle = state.angle_rad
    shape, covariance = fit.shape
    companion_covariance = fit.widening * fit.companion_covariance
    physical_covariance = fit.widening * fit.physical_covariance
    mtf50, mtf20, mtf10 = level_crossings((0.5, 0.2, 0.1), shape, covariance, angle)
    (companion,) = level_crossings((0.5,), fit.companion, companion_covariance, angle)
    (physical,) = level_crossings((0.5,), fit.physical, physical_covariance, angle)
    if mtf50 is None or companion is None or physical is None or not mtf50[1] < 0.3 * mtf50[0]:
        return Rejection(
            reason="the blur is too wide for the region: both sides of the edge must be in it"
        )
    curve, curve_std = mtf_curve(_FREQUENCY, shape, covariance, angle)
    # Where the edge leaves the region, in half lengths.
    reach = float(np.max(np.abs(fit.along[np.abs(fit.distance_px) < 1])))
    ragged, ragged_std = raggedness(edge_locus(fit))
    return EdgeMeasurement(
        mtf50_cyc_per_px=mtf50[0],
        mtf50_std=mtf50[1],
        mtf20_cyc_per_px=None if mtf20 is None else mtf20[0],
        mtf20_std=None if mtf20 is None else mtf20[1],
        mtf10_cyc_per_px=None if mtf10 is None else mtf10[0],
        mtf10_std=None if mtf10 is None else mtf10[1],
        lens_mtf50_cyc_per_px=state.lens_f50,
        lens_mtf50_std=float(np.sqrt(covariance[0, 0])),
        companion_mtf50_cyc_per_px=companion[0],
        companion_mtf50_std=companion[1],
        physical_mtf50_cyc_per_px=physical[0],
        physical_mtf50_std=physical[1],
        frequency_cyc_per_px=_FREQUENCY,
        mtf=curve,
        mtf_std=curve_std,
        angle_deg=float((np.rad2deg(angle) + 180) % 360 - 180),
        offset_px=state.offset_px,
        sagitta_px=state.curvature_px * reach**2,
        low_dn=state.low,
        high_dn=state.high,
        noise=fit.noise,
        raggedness_px=ragged,
        raggedness_std=ragged_std,
        pixels_used=fit.pixels_used,
        pixels_left_out=fit.pixels_left_out,
        flags=edge_flags(fit, mtf50, companion, physical, ragged, ragged_std),
        fit=fit,
    )
