"""Which codes, and which slate, does a frame show?

Codes are looked for in small pictures of the frame: sites averaged over the
colour pattern's period and then by two, again and again; all but the largest also
smoothed, which takes noise and the pattern of a screen's pixels away. A code whose
modules are a few pixels wide is read in the largest picture, one that fills the
frame in a small one. Nothing here is measured, and a code is only as trustworthy as
whoever placed it: its text is foreign input.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from lab.errors import FrameError
from lab.frames.frame import Frame
from lab.frames.linear import LinearMosaic
from targets.errors import TargetError
from targets.slates import Slate, parse_slate

__all__ = ["read_codes", "read_slate"]

Picture = npt.NDArray[np.float32]

_BIN_PX = 2  # of a frame with full planes, as of the commonest colour pattern
_SMALLEST = 90  # short side of the smallest picture: 33 modules of 2.7 bins
_BLOCK_ROWS = 32
_DARK_PERCENT, _BRIGHT_PERCENT = 1, 99
_DARK_OF_BRIGHT = 0.5


def read_codes(frame: Frame) -> tuple[str, ...]:
    """Texts of the QR and Micro QR codes in a frame.

    Parameters
    ----------
    frame : Frame
        Raw or tone-mapped, any size.

    Returns
    -------
    tuple of str
        Each text once; empty if there is none.
    """
    import zxingcpp  # here: whoever reads no codes does without it

    pictures = list(_pictures(frame))[::-1]
    greys = _grey_range(pictures[0]) if pictures else None
    if greys is None:
        return ()
    formats = zxingcpp.BarcodeFormats(
        [zxingcpp.BarcodeFormat.QRCode, zxingcpp.BarcodeFormat.MicroQRCode]
    )
    texts: dict[str, None] = {}
    smooth = (_smoothed(picture) for picture in pictures[:-1])  # one at a time in memory
    for picture in chain(pictures, smooth):
        levels = _levels(picture, *greys)
        for binarizer in (zxingcpp.Binarizer.LocalAverage, zxingcpp.Binarizer.FixedThreshold):
            found = zxingcpp.read_barcodes(
                levels,
                formats=formats,
                binarizer=binarizer,
                text_mode=zxingcpp.TextMode.Plain,
                try_rotate=False,  # that is for bar codes
                try_downscale=False,
                try_invert=False,
            )
            texts |= dict.fromkeys(code.text for code in found if code.valid)
    return tuple(texts)


def read_slate(frame: Frame) -> Slate | None:
    """The slate that a frame shows, None if it shows none.

    Parameters
    ----------
    frame : Frame

    Raises
    ------
    FrameError
        If the frame shows two different slates, or only one that is damaged or
        of a later version.
    """
    slates: dict[Slate, None] = {}
    damage: TargetError | None = None
    for text in read_codes(frame):
        try:
            slate = parse_slate(text)
        except TargetError as error:
            damage = error
        else:
            slates |= {} if slate is None else {slate: None}
    if len(slates) > 1:
        raise FrameError(
            f"{frame.path.name}: shows {len(slates)} different slates. "
            "Photograph one at a time, or say in frames.csv what the frames after it are."
        )
    if damage is not None and not slates:
        raise FrameError(f"{frame.path.name}: {damage}") from damage
    return next(iter(slates), None)


def _pictures(frame: Frame) -> Iterator[Picture]:
    """The frame made smaller and smaller; each value is a mean [DN]."""
    p, q = frame.pattern.shape if frame.is_mosaic else (_BIN_PX, _BIN_PX * frame.pixels.shape[2])
    # Planes of one pixel lie side by side in a row: a wider bin averages them too.
    lines = frame.pixels if frame.is_mosaic else np.reshape(frame.pixels, (frame.shape[0], -1))
    picture = _binned(lines, p, q)
    while min(picture.shape) >= _SMALLEST:
        yield picture
        picture = _binned(picture, 2, 2)


def _binned(image: Picture | LinearMosaic, p: int, q: int) -> Picture:
    """Means of bins of p rows and q columns; a remainder that fills none is left out."""
    n_row, n_col = image.shape[0] // p, image.shape[1] // q
    bins = np.empty((n_row, n_col), np.float32)
    # Sums of strided views, in blocks that stay in the cache: many times as fast as
    # a sum over a short axis.
    for start in range(0, n_row, _BLOCK_ROWS):
        block = bins[start : start + _BLOCK_ROWS]
        lines = image[start * p : (start + len(block)) * p, : n_col * q]
        rows = lines[::p].copy()
        for i in range(1, p):
            rows += lines[i::p]
        block[:] = rows[:, ::q]
        for j in range(1, q):
            block += rows[:, j::q]
        block *= np.float32(1 / (p * q))
    return bins


def _smoothed(picture: Picture) -> Picture:
    """Weighted means of five bins each way, std 1 bin."""
    weights = np.array([1, 4, 6, 4, 1], np.float32) / 16
    lines = ndimage.correlate1d(picture, weights, axis=0, mode="nearest")
    smooth: Picture = ndimage.correlate1d(lines, weights, axis=1, mode="nearest")
    return smooth


def _grey_range(picture: Picture) -> tuple[float, float] | None:
    """Levels [DN] to show as black and as white; None if there are none."""
    if not np.isfinite(picture).all():
        return None
    dark, bright = map(float, np.percentile(picture, (_DARK_PERCENT, _BRIGHT_PERCENT)))
    # Where nearly all is white, a narrow range would show its noise alone.
    dark = min(dark, _DARK_OF_BRIGHT * bright)
    return (dark, bright) if bright > dark else None


def _levels(picture: Picture, dark: float, bright: float) -> npt.NDArray[np.uint8]:
    """8-bit levels, 0 at the dark end and 255 at the bright one."""
    levels = np.empty(picture.shape, np.uint8)
    scale = np.float32(255 / (bright - dark))
    for start in range(0, len(picture), _BLOCK_ROWS):
        rows = slice(start, start + _BLOCK_ROWS)
        block = picture[rows] - np.float32(dark)
        block *= scale
        levels[rows] = np.clip(block, 0, 255, out=block)
    return levels
