"""Where along the focus did frames of unknown position stand, given a lens?

A frame's MTFs fit at one or two distances from best focus; which, only trying tells.
Leaves out: the other colours (their focus is not yet known when this is asked).
"""

from __future__ import annotations

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.centre import CHANNEL
from lab.inference.lens_model import LensModel
from lab.optics.pupil import aberrated_otf

__all__ = ["frame_wave_um", "seated"]

_WAVES = np.linspace(-1.6, 1.6, 33)  # of defocus about the middle of spherical focus, tried


def frame_wave_um(model: LensModel, parameters: FloatArray) -> FloatArray:
    """Rail movement that makes one wave of green defocus, for each frame."""
    data = model.data
    m = model.magnification[data.frame_series]
    share = m / np.exp(model.part(parameters, "pupil")[0])
    green = model.wavelength_um[data.channels.index(CHANNEL)]
    return np.asarray(8 * green * (model.stop[data.frame_stop] * (1 + share)) ** 2 / m**2)


def seated(model: LensModel, parameters: FloatArray) -> FloatArray:
    """The parameters with frames of unknown position put where they fit best.

    Parameters
    ----------
    model : LensModel
    parameters : ndarray, (n_parameter,)
    """
    data = model.data
    green = np.flatnonzero(data.channel == data.channels.index(CHANNEL))
    unknown = np.isnan(data.position_um)
    row = green[unknown[data.frame[green]]]
    if not row.size:
        return parameters
    s, w040, w060 = (one[row] for one in model.on_axis(parameters))
    middle = -(w040 + w060)
    tried = middle + _WAVES[:, np.newaxis]
    lens = aberrated_otf(s, tried, w040, w060) + model.band_shift[row]
    left = (data.mtf[row] - lens * model.rest(parameters)[row]) / data.mtf_std[row]
    n_frame = data.position_um.size
    cost = np.array([np.bincount(data.frame[row], one**2, n_frame) for one in left])
    best = np.argmin(cost, axis=0)
    place = np.zeros(n_frame)
    place[data.frame[row]] = middle
    moved = parameters.copy()
    seen = np.unique(data.frame[row])
    # A frame's own focus is not used: its position is unknown, so "rock" holds all of it.
    rock = model.part(moved, "rock")
    rail = np.exp(model.part(parameters, "rail")[0])
    focus = model.part(parameters, "focus")[data.frame_series * len(data.stops) + data.frame_stop]
    at_um = (place + _WAVES[best]) * frame_wave_um(model, parameters)
    rock[seen] = (at_um + rail * focus)[seen]
    return moved
