"""What should a measurement of a simulated rig find?

The truth is computed from the transfer function, never from pixels. It is that of the
field's centre: lens, pixel and residual blur together (system MTF), contrast 1/2.
The two edge directions of a square, 90 degrees apart, have the same transfer on the
axis: the blur is round and the pixel square. So their mean is that of either.

``truth.json`` beside a simulated session holds a ``SimulatedTruth``; the analysis never
reads it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from lab.errors import SessionError
from lab.frames.frame import CHANNELS
from lab.optics.system import crossing
from lab.simulate.rig import SimulatedRig, channel_transfer, cutoff_cyc_per_px
from lab.simulate.through_focus import ThroughFocus

__all__ = [
    "TRUTH_NAME",
    "BestFocus",
    "OptimumStop",
    "SimulatedTruth",
    "TrueFrame",
    "TruePoint",
    "TrueSeries",
    "TrueTrial",
    "best_focus",
    "read_truth",
    "true_mtf50",
    "true_optimum_stop",
    "write_truth",
]

TRUTH_NAME = "truth.json"
_FOCUS_SCAN = 41


class BestFocus(NamedTuple):
    """Peak of a through-focus curve: shift at the sensor and MTF50 on the image side."""

    shift_um: float
    mtf50_cyc_per_mm: float


class OptimumStop(NamedTuple):
    """Stop whose through-focus peak is highest, and that peak, image side."""

    stop: float
    mtf50_cyc_per_mm: float


@dataclass(frozen=True, kw_only=True)
class TruePoint:
    """One stop. ``best_focus_object_um``: target beyond paraxial focus, object side."""

    marked_stop: float
    exact_stop: float
    effective_f_number: float
    mtf50_image_cyc_per_mm: float
    best_focus_object_um: float


@dataclass(frozen=True, kw_only=True)
class TrueSeries:
    """One magnification. ``magnification`` is nominal, ``true_magnification`` as rendered."""

    magnification: float
    true_magnification: float
    points: tuple[TruePoint, ...]
    optimum_stop: float
    optimum_mtf50_image_cyc_per_mm: float


@dataclass(frozen=True, kw_only=True)
class TrueFrame:
    """One frame of a trial, at the field's centre.

    Attributes
    ----------
    file, condition : str
    kind : str
        "sharp", "focus" or "linear": what takes more of the MTF50.
    length_px, axis_deg : float
        Even movement as rendered, from end to end, and its axis, [-90, 90). A flash's is
        that of equal spread (``even_px_of_flash``), ambient light not included.
    speed_object_um_per_s : float
        In the subject.
    defocus_waves : float
        From best focus, target too far positive, at the pupil's rim.
    focus_loss, movement_loss : float
        Share of best focus's MTF50 that each alone takes, the softer direction. [-]
    mtf50_image_cyc_per_mm : float
        Of the softer direction, both together.
    """

    file: str
    condition: str
    kind: str
    length_px: float
    axis_deg: float
    speed_object_um_per_s: float
    defocus_waves: float
    focus_loss: float
    movement_loss: float
    mtf50_image_cyc_per_mm: float


@dataclass(frozen=True, kw_only=True)
class TrueTrial:
    """One trial. ``mtf50_image_cyc_per_mm`` is that of best focus without movement.

    ``best_focus_object_um`` as for ``TruePoint``.
    """

    name: str
    magnification: float
    true_magnification: float
    marked_stop: float
    best_focus_object_um: float
    mtf50_image_cyc_per_mm: float
    frames: tuple[TrueFrame, ...]


@dataclass(frozen=True, kw_only=True)
class SimulatedTruth:
    """A whole simulated session. Records of earlier versions hold no trials."""

    seed: int
    channel: str
    pupil_ratio: float
    series: tuple[TrueSeries, ...]
    trials: tuple[TrueTrial, ...] = ()


def true_mtf50(
    rig: SimulatedRig,
    *,
    magnification: float,
    stop: float,
    channel: str,
    focus_shift_um: float,
    edge_angle_deg: float,
) -> float:
    """System MTF50 [cycles per mm] at one focus, image side.

    Parameters as for ``channel_transfer``.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    transfer = channel_transfer(
        rig,
        magnification=magnification,
        stop=stop,
        channel=channel,
        focus_shift_um=focus_shift_um,
        edge_angle_deg=edge_angle_deg,
    )
    cutoff = cutoff_cyc_per_px(rig, magnification=magnification, stop=stop, channel=channel)
    found = crossing(transfer, 0.5, cutoff)
    assert found is not None  # the transfer is 0 at the cut-off
    return found * 1000 / rig.pixel_pitch_um


def best_focus(
    rig: SimulatedRig,
    *,
    magnification: float,
    stop: float,
    channel: str,
    edge_angle_deg: float,
) -> BestFocus:
    """Focus shift with the highest MTF50, and that MTF50.

    Parameters as for ``channel_transfer``.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    from scipy.optimize import minimize_scalar

    n_eff = rig.effective_f_number(magnification, stop)
    # Best focus has w20 between 0 and -2 w040: between paraxial and marginal rays. A
    # twentieth of a wave more on either side keeps it inside when there is no aberration.
    ends_um = np.array([0.0, -2 * rig.spherical_at_um(stop)])
    slack_um = 0.05 * rig.band(channel).mean_um
    paths_um = np.array([ends_um.min() - slack_um, ends_um.max() + slack_um])
    own_um = rig.channel_focus_um[CHANNELS.index(channel)]
    low_um, high_um = own_um + 8 * n_eff**2 * paths_um
    table = ThroughFocus(
        rig,
        magnification=magnification,
        stop=stop,
        channel=channel,
        low_um=float(low_um),
        high_um=float(high_um),
    )

    def mtf50(shift_um: float) -> float:
        found = crossing(table.transfer(shift_um, edge_angle_deg), 0.5, table.cutoff_cyc_per_px)
        assert found is not None  # the transfer is 0 at the cut-off
        return found

    # The curve may have more than one peak: a scan picks the right one.
    shifts_um = np.linspace(low_um, high_um, _FOCUS_SCAN)
    frequency = np.linspace(0, table.cutoff_cyc_per_px, 257)
    scan = table.transfers(frequency, table.weights(shifts_um).T, edge_angle_deg)
    first = np.argmax(scan < 0.5, axis=0)
    column = np.arange(_FOCUS_SCAN)
    above, below = scan[first - 1, column], scan[first, column]
    peak = int(np.argmax(first + (above - 0.5) / (above - below)))
    found = minimize_scalar(
        lambda shift_um: -mtf50(shift_um),
        bounds=(shifts_um[max(peak - 1, 0)], shifts_um[min(peak + 1, _FOCUS_SCAN - 1)]),
        method="bounded",
        options={"xatol": 1e-4 * (high_um - low_um)},
    )
    return BestFocus(float(found.x), float(-found.fun) * 1000 / rig.pixel_pitch_um)


def true_optimum_stop(
    rig: SimulatedRig,
    *,
    magnification: float,
    narrowest_stop: float,
    channel: str,
    edge_angle_deg: float,
) -> OptimumStop:
    """Stop, of all between the widest and the narrowest, with the highest peak MTF50.

    Parameters as for ``channel_transfer``; ``narrowest_stop`` must be above the widest.

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    from scipy.optimize import minimize_scalar

    if not narrowest_stop > rig.widest_stop:
        raise ValueError("narrowest_stop must be above the widest stop")

    def loss(log2_stop: float) -> float:
        return -best_focus(
            rig,
            magnification=magnification,
            stop=2**log2_stop,
            channel=channel,
            edge_angle_deg=edge_angle_deg,
        ).mtf50_cyc_per_mm

    low, high = np.log2([rig.widest_stop, narrowest_stop])
    grid = np.linspace(low, high, 2 + int(high - low))  # a stop apart or less
    losses = [loss(float(point)) for point in grid]
    best = int(np.argmin(losses))
    found = minimize_scalar(
        loss,
        bounds=(grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]),
        method="bounded",
        options={"xatol": 2e-3},
    )
    return OptimumStop(float(2**found.x), float(-found.fun))


def write_truth(truth: SimulatedTruth, path: Path) -> None:
    """Write the record as JSON: the attributes' names are the keys; no trials, no key."""
    record = asdict(truth)
    if not truth.trials:  # earlier versions can read it then
        del record["trials"]
    path.write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def read_truth(path: Path) -> SimulatedTruth:
    """Read what ``write_truth`` wrote.

    Raises
    ------
    SessionError
        If the file cannot be read or is no such record.
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        series = tuple(
            TrueSeries(**{**one, "points": tuple(TruePoint(**point) for point in one["points"])})
            for one in record["series"]
        )
        trials = tuple(
            TrueTrial(**{**one, "frames": tuple(TrueFrame(**frame) for frame in one["frames"])})
            for one in record.get("trials", ())
        )
        return SimulatedTruth(**{**record, "series": series, "trials": trials})
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise SessionError(
            f"{path}: no readable truth of a simulated session ({error}). "
            "Run the demo again, or delete the file if the frames are not simulated."
        ) from error
