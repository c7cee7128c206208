"""Which dark blobs of a reduced frame may be the squares of a chart, and where are they?

All lengths are in bins of the reduced image, positions are (col, row) with bin
centres at whole numbers. Leaves out which square is which: see ``register``.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from lab.edges.types import FloatArray

__all__ = ["Float32Array", "centroid", "over_ground", "square_blobs"]

Float32Array = npt.NDArray[np.float32]


def over_ground(image: Float32Array, side: float) -> Float32Array:
    """Brightness over the ground interpolated across dark shapes up to 1.7 sides wide."""
    step = max(1, int(side / 12))  # the ground is smooth: find it on a coarse grid
    smooth = ndimage.gaussian_filter(image, max(1.0, step / 2))
    coarse = smooth[::step, ::step]
    reach = 2 * math.ceil(0.85 * side / step) + 1
    closed = ndimage.grey_closing(coarse, size=(reach, reach))
    ground = ndimage.gaussian_filter(closed, reach / 4)
    full = ndimage.zoom(ground, step, order=1, grid_mode=True, mode="nearest")
    full = full[: image.shape[0], : image.shape[1]]
    floor = max(0.02 * float(ground.max()), float(np.finfo(np.float32).tiny))
    return np.asarray(smooth / np.maximum(full, floor), np.float32)


def square_blobs(
    ratio: Float32Array, *, side: float, threshold: float, most: int, smallest: float
) -> FloatArray:
    """Centroids (col, row) [bins] of dark blobs about as large and square as expected.

    ``smallest`` is the least side, over the one expected.
    """
    labels, count = ndimage.label(ratio < threshold)
    rows, cols = np.nonzero(labels)
    label = labels[rows, cols]
    area = np.maximum(np.bincount(label, minlength=count + 1), 1)

    def mean(values: npt.NDArray[np.generic]) -> FloatArray:
        return np.asarray(np.bincount(label, values, minlength=count + 1) / area)

    row, col = mean(rows), mean(cols)
    d_row, d_col = rows - row[label], cols - col[label]
    # 1/12: the second moment of a bin itself.
    rr, cc, rc = mean(d_row**2) + 1 / 12, mean(d_col**2) + 1 / 12, mean(d_row * d_col)
    spread = np.hypot((rr - cc) / 2, rc)
    middle = (rr + cc) / 2
    # 1 for a full square, pi/3 for a disc, less for anything with holes or arms.
    fullness = area / (12 * np.sqrt(np.maximum(rr * cc - rc**2, 1e-9)))
    size = np.sqrt(area) / side
    whole = np.ones(count + 1, np.bool_)
    for border in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        whole[border] = False
    fits = (size > smallest) & (size < 1.3) & (spread < 0.3 * middle) & (fullness > 0.85) & whole
    fits[0] = False
    kept = np.flatnonzero(fits)
    kept = kept[np.argsort(np.abs(np.log(size[kept])))][:most]
    return np.stack([col[kept], row[kept]], axis=1)


def centroid(image: Float32Array, at: FloatArray, radius: float) -> FloatArray:
    """Centroid (col, row) [bins] of what is darker than the plane through the rim of a disc."""
    first = np.floor(at - radius).astype(int)
    stop = np.ceil(at + radius).astype(int) + 1
    patch = image[first[1] : stop[1], first[0] : stop[0]].astype(np.float64)
    x = np.arange(first[0], stop[0]) - at[0]
    y = (np.arange(first[1], stop[1]) - at[1])[:, np.newaxis]
    away = np.hypot(x, y)
    plane = np.stack(np.broadcast_arrays(x, y, 1.0), axis=-1)
    rim = (away > 0.92 * radius) & (away <= radius)
    # A neighbour's shadow or a mark on the rim is no ground.
    rim &= patch > 0.7 * np.median(patch[rim])
    ground = plane @ np.linalg.lstsq(plane[rim], patch[rim], rcond=None)[0]
    darkness = np.where(away <= radius, 1 - patch / np.maximum(ground, 0.1 * ground.max()), 0.0)
    offset = np.array([(darkness * x).sum(), (darkness * y).sum()]) / darkness.sum()
    # Half a radius away it would be another shape; stay where the blob is.
    return np.asarray(at + np.clip(offset, -radius / 2, radius / 2))
