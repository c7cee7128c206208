"""What do the edges at the centre of a frame say together?

The mean over them, both directions alike, in one raw colour. Which edges those are is
``lab.session.measuring.centre_edges``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from lab.edges.combine import mean_of_directions
from lab.edges.types import FloatArray
from lab.session.records import EdgeRecord

__all__ = ["CHANNEL", "frame_mtf50", "mean_curve"]

CHANNEL = "green"


def frame_mtf50(edges: Sequence[EdgeRecord]) -> tuple[float, float]:
    """Mean MTF50 over directions and its standard uncertainty, cycles per pixel."""
    pairs = [
        (e.mtf50_cyc_per_px, e.mtf50_std, e.direction)
        for e in edges
        if e.mtf50_cyc_per_px is not None and e.mtf50_std is not None
    ]
    values, stds, directions = zip(*pairs, strict=True)
    return mean_of_directions(values, stds, directions)


def mean_curve(
    edges: Sequence[EdgeRecord],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean MTF curve of edges, with the uncertainty of the mean, up to 1 cycle per pixel."""
    frequency = np.array(edges[0].frequency_cyc_per_px)
    curves = np.array([e.mtf for e in edges])
    stds = np.array([e.mtf_std for e in edges])
    noise = np.sqrt(np.sum(stds**2, axis=0)) / len(edges)
    scatter = curves.std(axis=0, ddof=1) / math.sqrt(len(edges)) if len(edges) > 1 else 0 * noise
    return frequency, curves.mean(axis=0), np.maximum(noise, scatter)
