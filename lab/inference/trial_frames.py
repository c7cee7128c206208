"""How sharp is one frame of a trial, and what blurred it?

A frame counts as sharp as the softer direction of its sharpest square: a hand tilts and
shifts the camera, so that focus may lie away from the centre, and what moved is blurred in
one direction only. Its edges together give the blur (``lab.inference.frame_blur``).

Left out: comparing conditions (``lab.inference.trial_analysis``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lab.edges.combine import combine
from lab.inference.frame_blur import ProfileEdge
from lab.session.records import EdgeRecord, FrameRecord

__all__ = ["Sharpness", "profile_edges", "sharpness", "step_dn"]

_END = 0.2  # of a profile's bins at either end: its two levels


@dataclass(frozen=True, kw_only=True)
class Sharpness:
    """MTF50 [cycles per px]: of the sharpest edge, and of the softer direction, which counts."""

    best_edge: float
    softer: float
    softer_std: float


def sharpness(edges: Sequence[EdgeRecord]) -> Sharpness | None:
    """The figure by which a frame is judged; None where no square shows two directions.

    Parameters
    ----------
    edges : sequence of EdgeRecord
        Of one frame and one raw colour.
    """
    squares: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for e in edges:
        if e.mtf50_cyc_per_px is not None and e.mtf50_std is not None:
            here = squares.setdefault(e.square, {}).setdefault(e.direction, [])
            here.append((e.mtf50_cyc_per_px, e.mtf50_std))
    found = []
    for square in squares.values():
        ways = [combine(*zip(*pairs, strict=True)) for pairs in square.values()]
        if len(ways) > 1:
            found.append((float(np.mean([value for value, _ in ways])), min(ways)))
    if not found:
        return None
    _, (softer, std) = max(found)
    best = max(v for square in squares.values() for pairs in square.values() for v, _ in pairs)
    return Sharpness(best_edge=best, softer=softer, softer_std=std)


def profile_edges(frame: FrameRecord) -> tuple[ProfileEdge, ...]:
    """The kept profiles of a frame."""
    return tuple(
        ProfileEdge(
            field_x=e.field_x,
            field_y=e.field_y,
            angle_deg=e.angle_deg,
            x_px=np.array(e.profile_px),
            level=np.array(e.profile_dn),
            std=np.array(e.profile_std_dn),
        )
        for e in frame.edges
        if e.profile_px
    )


def step_dn(frame: FrameRecord) -> float | None:
    """Bright less dark of the frame's edges, their median. [DN]."""
    steps = []
    for e in frame.edges:
        n = math.ceil(_END * len(e.profile_dn))
        if n:
            steps.append(float(np.mean(e.profile_dn[-n:]) - np.mean(e.profile_dn[:n])))
    return float(np.median(steps)) if steps else None
