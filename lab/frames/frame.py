"""One frame in memory: linear pixels, which raw colour sits where, what was set.

A raw mosaic keeps one value per pixel and a repeating colour pattern; a
tone-mapped image keeps three full planes. ``Frame.region`` hides the
difference: pixels and a mask for one channel, as ``measure_edge`` wants them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from lab.edges.types import FloatArray, MaskArray
from lab.frames.linear import LinearMosaic

__all__ = ["CHANNELS", "Frame", "FrameMetadata"]

CHANNELS = ("red", "green", "blue")


@dataclass(frozen=True, kw_only=True)
class FrameMetadata:
    """What the camera wrote. None = not there.

    Nothing that names a person or a particular body (serial number, owner, position)
    is ever read.
    """

    camera: str | None = None
    exposure_s: float | None = None
    iso: float | None = None
    f_number: float | None = None
    focal_length_mm: float | None = None
    captured_at: str | None = None  # "YYYY:MM:DD HH:MM:SS", with sub-seconds if there


@dataclass(frozen=True, kw_only=True, eq=False)
class Frame:
    """A decoded frame.

    Attributes
    ----------
    path : Path
        The file.
    pixels : ndarray or LinearMosaic, (n_row, n_col) or (n_row, n_col, 3), float32
        Linear, black-subtracted [DN]. 2-D: raw mosaic. 3-D: red, green, blue. To be read in
        parts: those of a ``LinearMosaic`` are computed when they are asked for.
    pattern : ndarray of int8, (p, q)
        Mosaic only: index into ``CHANNELS`` of each site of the repeating
        pattern, pattern[row % p, col % q]; both greens are 1. Empty (0, 0) for 3-D.
    saturated : ndarray of bool, same (n_row, n_col)
        Pixels at or next to full scale in any channel: never measured.
    white_dn : float
        Full scale above black, for exposure figures. [DN]
    metadata : FrameMetadata
    flags : tuple of str
        Reasons to doubt every figure of this frame ("tone-mapped", ...).
    """

    path: Path
    pixels: npt.NDArray[np.float32] | LinearMosaic
    pattern: npt.NDArray[np.int8]
    saturated: MaskArray
    white_dn: float
    metadata: FrameMetadata = field(default_factory=FrameMetadata)
    flags: tuple[str, ...] = ()

    @property
    def is_mosaic(self) -> bool:
        """True for a raw mosaic, False for three full planes."""
        return self.pixels.ndim == 2

    @property
    def shape(self) -> tuple[int, int]:
        """Size as (n_row, n_col) [px], colour planes not counted."""
        return self.pixels.shape[0], self.pixels.shape[1]

    def region(self, channel: str, rows: slice, cols: slice) -> tuple[FloatArray, MaskArray]:
        """Pixels and mask (True = this channel's unsaturated sites) of a window.

        Parameters
        ----------
        channel : str
            One of ``CHANNELS``.
        rows, cols : slice
            Window with explicit start and stop inside the frame.
        """
        index = CHANNELS.index(channel)
        clean = ~self.saturated[rows, cols]
        if not self.is_mosaic:
            return self.pixels[rows, cols, index].astype(np.float64), clean
        p, q = self.pattern.shape
        row_phase = np.arange(rows.start, rows.stop) % p
        col_phase = np.arange(cols.start, cols.stop) % q
        sites = (self.pattern == index)[np.ix_(row_phase, col_phase)]
        return self.pixels[rows, cols].astype(np.float64), clean & sites
