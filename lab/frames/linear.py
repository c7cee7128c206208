"""How does a raw mosaic show its linear values without a second, larger copy of the frame?

The file's own 16-bit values are kept; whoever reads a part of the mosaic gets that part as
linear values. A window of an edge, some rows to be averaged or a sample of blocks are small,
so that a frame takes 2 bytes a pixel in memory instead of 6.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.lib.mixins import NDArrayOperatorsMixin

__all__ = ["LinearMosaic"]


class LinearMosaic(NDArrayOperatorsMixin):
    """A mosaic's linear, black-subtracted values as an array to read from.

    Indexing by slices, whole numbers or arrays of them gives float32 arrays; what asks for
    all of it at once, such as arithmetic, makes the whole copy.

    Parameters
    ----------
    stored : ndarray of uint16, (n_row, n_col)
        As in the file. [DN]
    black_dn : ndarray of float32, (p, q)
        Black level of each site of the repeating pattern. [DN]
    """

    dtype = np.dtype(np.float32)
    ndim = 2

    def __init__(self, stored: npt.NDArray[np.uint16], black_dn: npt.NDArray[np.float32]) -> None:
        self._stored = stored
        self._black_dn = black_dn

    @property
    def shape(self) -> tuple[int, int]:
        """(n_row, n_col)."""
        return self._stored.shape[0], self._stored.shape[1]

    @property
    def size(self) -> int:
        """Number of pixels."""
        return self._stored.size

    def __len__(self) -> int:
        return len(self._stored)

    def __getitem__(self, key: Any) -> npt.NDArray[np.float32]:
        rows, cols = key if isinstance(key, tuple) else (key, slice(None))
        n_row, n_col = self.shape
        if isinstance(rows, slice) and isinstance(cols, slice):
            return self._block(range(*rows.indices(n_row)), range(*cols.indices(n_col)))
        is_mixed = isinstance(rows, slice) or isinstance(cols, slice)
        if is_mixed and not np.ndim(rows) == np.ndim(cols) == 0:
            part: npt.NDArray[np.float32] = np.asarray(self)[key]
            return part
        p, q = self._black_dn.shape
        # By way of the counted ones negative numbers count from the end.
        level = self._black_dn[np.arange(n_row)[rows] % p, np.arange(n_col)[cols] % q]
        return np.asarray(np.subtract(self._stored[rows, cols], level, dtype=np.float32))

    def _block(self, rows: range, cols: range) -> npt.NDArray[np.float32]:
        p, q = self._black_dn.shape
        block = np.empty((len(rows), len(cols)), dtype=np.float32)
        values = self._stored[_slice(rows), _slice(cols)]
        col_phase = np.arange(cols.start, cols.stop, cols.step) % q
        for i in range(min(p, len(rows))):  # one pass without a second copy of the block
            level = self._black_dn[rows[i] % p, col_phase]
            np.subtract(values[i::p], level, out=block[i::p])
        return block

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> npt.NDArray[Any]:
        return self[:, :].astype(np.float32 if dtype is None else dtype, copy=False)

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **options: Any) -> Any:
        arrays = [np.asarray(x) if isinstance(x, LinearMosaic) else x for x in inputs]
        return getattr(ufunc, method)(*arrays, **options)

    def copy(self) -> npt.NDArray[np.float32]:
        """The whole as an array of its own."""
        return self[:, :]


def _slice(index: range) -> slice:
    stop = index.stop if index.stop >= 0 else None  # a range that counts down ends before 0
    return slice(index.start, stop, index.step)
