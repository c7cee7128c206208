"""Do the raw colours lie in the same place and come into focus together?

Lateral colour: each edge's place in red or blue against green, along its normal.
Over the field these are a common shift (the place where the chart was registered,
a tilt) and a stretch from the centre; the stretch is the lens's lateral colour,
stated at the frame's corner. Longitudinal colour: the difference of the places of
best focus, on the object side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lab.session.records import EdgeRecord

__all__ = ["LateralColour", "lateral_colour"]


@dataclass(frozen=True, kw_only=True)
class LateralColour:
    """Displacement of a colour against green at the frame's corner, outwards positive."""

    corner_px: float
    corner_std_px: float
    edges: int


def lateral_colour(
    frames: Sequence[Sequence[EdgeRecord]], channel: str, half_diagonal_px: float
) -> LateralColour | None:
    """Lateral colour from the edges of one or more frames.

    Parameters
    ----------
    frames : sequence of sequences of EdgeRecord
        The edges of each frame, in green and in ``channel``.
    channel : str
        "red" or "blue".
    half_diagonal_px : float
        Half the frame's diagonal. [px], > 0

    Returns
    -------
    LateralColour or None
        None where fewer than six edges away from the centre have both colours. The
        standard uncertainty comes from the scatter of the edges.

    Raises
    ------
    ValueError
        If half_diagonal_px is not > 0.
    """
    if not half_diagonal_px > 0:
        raise ValueError("half_diagonal_px must be > 0")
    rows, values = [], []
    for number, edges in enumerate(frames):
        green = {
            (e.square, e.name): e.position_px
            for e in edges
            if e.channel == "green" and e.position_px is not None
        }
        for e in edges:
            reference = green.get((e.square, e.name))
            if e.channel != channel or e.position_px is None or reference is None:
                continue
            angle = math.radians(e.angle_deg)
            outwards = e.field_x * math.cos(angle) + e.field_y * math.sin(angle)
            rows.append((number, math.cos(angle), math.sin(angle), outwards))
            values.append(e.position_px - reference)
    if sum(abs(row[3]) > 0.2 for row in rows) < 6:
        return None
    # One shift (two numbers) a frame, one stretch for all.
    design = np.zeros((len(rows), 2 * len(frames) + 1))
    for i, (number, cos, sin, outwards) in enumerate(rows):
        design[i, 2 * number : 2 * number + 2] = cos, sin
        design[i, -1] = outwards * half_diagonal_px
    target = np.array(values)
    inverse = np.linalg.pinv(design.T @ design)
    solution = inverse @ design.T @ target
    freedom = len(rows) - int(np.linalg.matrix_rank(design))
    if freedom < 1:
        return None
    left = target - design @ solution
    variance = float(left @ left) / freedom * float(inverse[-1, -1])
    return LateralColour(
        corner_px=float(solution[-1]) * half_diagonal_px,
        corner_std_px=math.sqrt(variance) * half_diagonal_px,
        edges=len(rows),
    )
