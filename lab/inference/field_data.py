"""Which measured figures does the fit of the field see?

Places are squares of the chart away from the field's centre, each at every
magnification. For each place, frame and direction of the edges: the green MTF at a few
frequencies, chosen as on axis from the sharpest frame of that place's own bracket.

Leaves out: edges without a square (a blade), frames and brackets that the fit on axis
has not seen, and the other colours.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.centre import CHANNEL
from lab.inference.lens_data import IntArray, LensData, bracket_rows
from lab.inference.lens_fit import LensFit
from lab.session.measuring import CENTRE_RADIUS, centre_edges
from lab.session.records import EdgeRecord, FrameRecord

__all__ = ["FieldData", "FieldPlace", "field_data"]

_LEVELS = (0.8, 0.6, 0.4, 0.22)  # of the sharpest frame's MTF
_SAME_DIRECTION_DEG = 30.0  # edges of a square differ by 90, a frame's turn by a degree or two


@dataclass(frozen=True, kw_only=True)
class FieldPlace:
    """One square at one magnification.

    ``series`` is an index into the fit's data; ``field_x`` (right) and ``field_y``
    (down) are the mean place of its edges, in units of half the frame's diagonal.
    ``n_direction`` counts the directions of its edges.
    """

    square: str
    series: int
    field_x: float
    field_y: float
    n_direction: int

    @property
    def azimuth_deg(self) -> float:
        """Direction from the frame's centre, 0 = right, 90 = down. [deg]."""
        return math.degrees(math.atan2(self.field_y, self.field_x))


@dataclass(frozen=True, kw_only=True, eq=False)
class FieldData:
    """Green MTFs away from the centre.

    Attributes
    ----------
    lens : LensData
        The fit's data with these rows in place of its own; frames, series and stops stay.
    place : ndarray of int, (n,)
        Index into ``places``.
    angle_deg : ndarray, (n,)
        Of the edges' normal, 0 = towards higher columns, 90 = towards higher rows.
    direction : ndarray of int, (n,)
        Rows of one place's edges of one direction share a number.
    places : tuple of FieldPlace
    centre : ndarray, (n_series, 2)
        (field_x, field_y) of the edges that stand for the axis.
    """

    lens: LensData
    place: IntArray
    angle_deg: FloatArray
    direction: IntArray
    places: tuple[FieldPlace, ...]
    centre: FloatArray


def _centre(data: LensData, frames: Sequence[FrameRecord]) -> FloatArray:
    """Mean place of the edges on axis by magnification, (n_series, 2)."""
    total, count = np.zeros((len(data.magnifications), 2)), np.zeros(len(data.magnifications))
    index = {file: i for i, file in enumerate(data.files)}
    for frame in frames:
        if frame.file in index:
            series = data.frame_series[index[frame.file]]
            for edge in centre_edges(frame.edges, CHANNEL):
                total[series] += edge.field_x, edge.field_y
                count[series] += 1
    return np.asarray(total / np.maximum(count, 1)[:, np.newaxis])


def _edges_of_squares(
    fit: LensFit, frames: Sequence[FrameRecord]
) -> dict[tuple[str, int], dict[int, list[EdgeRecord]]]:
    """Edges by (square, series) and frame, where the fit says how far from focus it is."""
    data = fit.model.data
    index = {file: i for i, file in enumerate(data.files)}
    fitted = set(fit.model.bracket.tolist())
    placed = ~np.isnan(data.position_um)
    placed[data.frame] = True  # by the fit
    found: dict[tuple[str, int], dict[int, list[EdgeRecord]]] = defaultdict(dict)
    for frame in frames:
        i = index.get(frame.file)
        if i is None or not placed[i]:
            continue
        series = int(data.frame_series[i])
        if series * len(data.stops) + int(data.frame_stop[i]) not in fitted:
            continue
        for edge in frame.edges:
            if edge.status == "measured" and edge.channel == CHANNEL and edge.square:
                found[edge.square, series].setdefault(i, []).append(edge)
    return found


def _by_direction(edges: dict[int, list[EdgeRecord]]) -> list[dict[int, list[EdgeRecord]]]:
    """Edges of a square, frame by frame, parted into those that run alike."""
    first = next(iter(edges.values()))[0].angle_deg
    parts: dict[int, dict[int, list[EdgeRecord]]] = defaultdict(dict)
    for i, several in edges.items():
        for edge in several:
            turns = round((edge.angle_deg - first) / _SAME_DIRECTION_DEG)
            part = turns % round(180 / _SAME_DIRECTION_DEG)
            parts[part].setdefault(i, []).append(edge)
    return list(parts.values())


def _mean_angle_deg(edges: Sequence[EdgeRecord]) -> float:
    """Of normals, of which opposite ones count as one direction."""
    twice = np.deg2rad(2 * np.array([edge.angle_deg for edge in edges]))
    return float(np.rad2deg(np.angle(np.mean(np.exp(1j * twice)))) / 2)


def _rows(
    part: dict[int, list[EdgeRecord]], data: LensData
) -> Iterator[tuple[float, float, float, int, int]]:
    """(MTF, std, frequency [cycles per pixel], stop, frame) of one place and direction."""
    for stop in range(len(data.stops)):
        here = [i for i in part if data.frame_stop[i] == stop]
        for k, f, mtf, std in bracket_rows([part[i] for i in here], _LEVELS):
            yield mtf, std, f, stop, here[k]


def field_data(fit: LensFit, frames: Sequence[FrameRecord]) -> FieldData | None:
    """Rows for the fit of the field from a session's measured frames.

    Parameters
    ----------
    fit : LensFit
        Of the same frames.
    frames : sequence of FrameRecord

    Returns
    -------
    FieldData or None
        None where nothing away from the centre was measured.
    """
    data = fit.model.data
    places: list[FieldPlace] = []
    rows: list[tuple[float, float, float, int, int]] = []
    labels: list[tuple[int, int, int]] = []  # place, direction, series
    angles: list[float] = []
    direction = 0
    for (square, series), edges in sorted(_edges_of_squares(fit, frames).items()):
        every = [edge for several in edges.values() for edge in several]
        x, y = np.mean([(edge.field_x, edge.field_y) for edge in every], axis=0).tolist()
        if math.hypot(x, y) <= CENTRE_RADIUS:
            continue
        n_direction = 0
        for part in _by_direction(edges):
            found = list(_rows(part, data))
            if found:
                angle = _mean_angle_deg([edge for several in part.values() for edge in several])
                rows += found
                angles += [angle] * len(found)
                labels += [(len(places), direction, series)] * len(found)
                direction, n_direction = direction + 1, n_direction + 1
        if n_direction:
            places.append(
                FieldPlace(
                    square=square, series=series, field_x=x, field_y=y, n_direction=n_direction
                )
            )
    if not rows:
        return None
    figures = np.array([row[:3] for row in rows], dtype=np.float64)
    of_row = np.array([row[3:] for row in rows], dtype=np.intp)
    label = np.array(labels, dtype=np.intp)
    return FieldData(
        lens=replace(
            data,
            mtf=figures[:, 0],
            mtf_std=figures[:, 1],
            frequency_cyc_per_mm=figures[:, 2] * (1e3 / data.pixel_pitch_um),
            series=label[:, 2],
            stop=of_row[:, 0],
            channel=np.full(len(rows), data.channels.index(CHANNEL)),
            frame=of_row[:, 1],
        ),
        place=label[:, 0],
        angle_deg=np.array(angles),
        direction=label[:, 1],
        places=tuple(places),
        centre=_centre(data, frames),
    )
