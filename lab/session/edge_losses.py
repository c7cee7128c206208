"""Do the edges at a frame's centre say that it moved?

Two edges of two directions make a suspicion; ``lab.edges.loss`` judges it by two more.
Frames whose directions agree cost nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from lab.session.records import EdgeRecord

if TYPE_CHECKING:
    from lab.edges.loss import Cause
    from lab.edges.loss_evidence import EdgeFigures
    from lab.edges.register import RegisteredEdge

__all__ = ["directions_differ", "edge_figures", "movement_losses", "next_to"]

# Directions that differ by this share of MTF50, and beyond noise, are worth two edges more.
# Judged by us: below it lab.edges.loss names no movement.
_WORTH_ASKING = 0.04
_SURE = 1.96  # 95 % of a normal distribution lie within so many standard deviations
_IN_THE_MIDDLE = 0.5  # of half the diagonal: edges to ask beside those of the centre


def edge_figures(
    record: EdgeRecord, shape: tuple[int, int], raggedness_px: float | None = None
) -> EdgeFigures:
    """Figures of a measured edge for ``lab.edges.loss.likely_loss``.

    Parameters
    ----------
    record : EdgeRecord
    shape : tuple of int
        Rows and columns of the frame. [px], each > 1
    raggedness_px : float, optional
        Scatter of the target's edge beyond noise. [px]

    Raises
    ------
    ValueError
        If the record has no figures.
    """
    from lab.edges.loss_evidence import EdgeFigures

    if record.mtf50_cyc_per_px is None or record.mtf50_std is None:
        raise ValueError("an edge without figures tells no cause of loss")
    return EdgeFigures(
        field_x=2 * record.centre_col / (shape[1] - 1) - 1,
        field_y=2 * record.centre_row / (shape[0] - 1) - 1,
        direction=record.direction,
        angle_deg=record.angle_deg,
        mtf50_cyc_per_px=record.mtf50_cyc_per_px,
        mtf50_std=record.mtf50_std,
        frequency_cyc_per_px=np.array(record.frequency_cyc_per_px),
        mtf=np.array(record.mtf),
        mtf_std=np.array(record.mtf_std),
        raggedness_px=raggedness_px,
        flags=record.flags,
    )


def directions_differ(records: Sequence[EdgeRecord]) -> bool:
    """Whether two edges of different directions differ by more than noise and a share.

    Parameters
    ----------
    records : sequence of EdgeRecord
        Two, one of each direction; others give False.
    """
    if len(records) != 2:
        return False
    known = [(r.mtf50_cyc_per_px, r.mtf50_std) for r in records if r.mtf50_cyc_per_px is not None]
    if len(known) != 2:
        return False
    (one, one_std), (other, other_std) = known
    sure = _SURE * math.hypot(one_std or 0.0, other_std or 0.0)
    return abs(one - other) > max(sure, _WORTH_ASKING * max(one, other))


def next_to(
    centre: Sequence[RegisteredEdge], edges: Sequence[RegisteredEdge]
) -> list[RegisteredEdge]:
    """One edge more of each direction of the centre's, the next nearest.

    Parameters
    ----------
    centre : sequence of RegisteredEdge
    edges : sequence of RegisteredEdge
        All of the frame.
    """
    more: dict[str, RegisteredEdge] = {}
    for edge in sorted(edges, key=lambda e: math.hypot(e.field_x, e.field_y)):
        if edge not in centre and math.hypot(edge.field_x, edge.field_y) < _IN_THE_MIDDLE:
            more.setdefault(edge.direction, edge)
    return [more[edge.direction] for edge in centre if edge.direction in more]


def movement_losses(records: Sequence[EdgeRecord], shape: tuple[int, int]) -> tuple[Cause, ...]:
    """What took the sharpness of these edges; nothing where movement has no part in it.

    Parameters
    ----------
    records : sequence of EdgeRecord
        At the frame's centre, in one colour.
    shape : tuple of int
        Rows and columns of the frame. [px]

    Returns
    -------
    tuple of Cause
        The largest loss first.
    """
    from lab.edges.loss import likely_loss

    measured = [edge_figures(record, shape) for record in records if record.status == "measured"]
    causes = likely_loss(measured).causes
    return causes if any(cause.name == "movement" for cause in causes) else ()
