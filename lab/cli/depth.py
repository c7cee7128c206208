"""``stopwise depth``: one shot, a stack or a crop, for a wanted depth and detail."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lab.cli.terminal import print_json, print_problems, print_wrapped

if TYPE_CHECKING:
    from lab.edges.types import FloatArray
    from lab.inference.depth import OpticsAt
    from lab.inference.depth_plan import DepthPlan

__all__ = ["depth"]

_STOPS = "2.8,4,5.6,8,11,16"
_MOST_SPHERICAL_UM = 10.0  # about 19 waves; no lens to take pictures with has more
_SAME_SIZE = 0.05  # a wanted magnification is a series' own within this share
_SEED = 21  # redrawn curves must give the same interval every time


@dataclass(frozen=True, kw_only=True)
class _Lenses:
    """What the command asks of a measured or a predicted lens."""

    optics_at: Callable[[float], OpticsAt]  # from the magnification
    marked_stops: Callable[[float], tuple[float, ...]]
    covariance: FloatArray


def depth(
    depth_um: Annotated[
        float, typer.Option("--depth", help="Wanted depth in the subject, um in all.")
    ],
    magnification: Annotated[float, typer.Option("--magnification", "-m", help="Of the lens.")],
    session: Annotated[
        Path | None, typer.Argument(help="Measured session; without it a lens is predicted.")
    ] = None,
    detail: Annotated[
        float | None,
        typer.Option(help="Width of the lines to hold, um in the subject; without it MTF50."),
    ] = None,
    against: Annotated[
        float | None, typer.Option(help="Lower magnification to compare with, cropped.")
    ] = None,
    loss: Annotated[
        float, typer.Option(help="Loss midway between two frames of a stack, percent.")
    ] = 10.0,
    recycle: Annotated[
        float | None, typer.Option(help="Seconds until the flash is ready again.")
    ] = None,
    settle: Annotated[float, typer.Option(help="Seconds more until the rig is at rest.")] = 0.0,
    enlargement: Annotated[
        float | None,
        typer.Option(help="Print over sensor size: adds the stops of a published criterion."),
    ] = None,
    pitch: Annotated[
        float | None, typer.Option(help="Predicted lens: the sensor's pixel pitch, um.")
    ] = None,
    stops: Annotated[
        str | None,
        typer.Option(help="Predicted lens: stops on the ring, rising.", show_default=_STOPS),
    ] = None,
    pupil_ratio: Annotated[
        float | None,
        typer.Option(help="Predicted lens: exit over entrance pupil.", show_default="1"),
    ] = None,
    wavelength: Annotated[
        float | None, typer.Option(help="Predicted lens: of the light, um.", show_default="0.53")
    ] = None,
    spherical: Annotated[
        float | None,
        typer.Option(help="Predicted lens: spherical aberration at the first stop, um of path."),
    ] = None,
    blur: Annotated[
        float | None,
        typer.Option(help="Predicted lens: residual blur on the sensor, um, one deviation."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Find the stop for a wanted depth, plan a stack, or weigh a crop.

    Example: stopwise depth my-session -m 2 --depth 200 --detail 5 --recycle 2.5

    Example without a session: stopwise depth -m 2 --pitch 4.35 --depth 200
    """
    import numpy as np

    from lab.cli.depth_text import plan_document, print_finer, print_plan
    from lab.errors import LabError
    from lab.inference.depth_plan import compare_crop, plan_depth
    from lab.session.stops import exact_stop

    for name, value in (
        ("--depth", depth_um),
        ("--magnification", magnification),
        ("--detail", detail),
        ("--against", against),
        ("--enlargement", enlargement),
    ):
        _check_positive(name, value)
    if not 0 < loss < 100:
        raise LabError(f"--loss {loss:g}: give a percentage between 0 and 100, like 10.")
    for name, value in (("--recycle", recycle), ("--settle", settle)):
        if value is not None and not 0 <= value < float("inf"):
            raise LabError(f"{name} {value:g}: give seconds, 0 or more.")
    if against is not None and not against < magnification:
        raise LabError(
            f"--against {against:g}: a crop needs a magnification below {magnification:g}."
        )
    own = {
        "--pitch": pitch,
        "--stops": stops,
        "--pupil-ratio": pupil_ratio,
        "--wavelength": wavelength,
        "--spherical": spherical,
        "--blur": blur,
    }
    if session is not None:
        given = [name for name, value in own.items() if value is not None]
        if given:
            raise LabError(
                f"{', '.join(given)}: the session's measured lens has its own. Leave it out, or "
                "leave the session out to predict a lens."
            )
        wanted = [magnification] if against is None else [magnification, against]
        lenses = _measured(session, wanted)
    else:
        lenses = _predicted(stops or _STOPS, pitch, pupil_ratio, wavelength, spherical, blur)

    def plan(m: float) -> DepthPlan:
        return plan_depth(
            lenses.optics_at(m),
            [exact_stop(marked) for marked in lenses.marked_stops(m)],
            depth_um=depth_um,
            detail_um=detail,
            loss_percent=loss,
            seconds_per_frame=None if recycle is None else recycle + settle,
            rng=np.random.default_rng(_SEED),
        )

    full = plan(magnification)
    cropped = None if against is None else plan(against)
    comparison = None if cropped is None else compare_crop(full, cropped, lenses.covariance)
    criterion = None
    if enlargement is not None:
        from lab.optics.depth import photomacrographic_f_numbers

        low, high = photomacrographic_f_numbers(enlargement)
        per_effective = full.best.stop / full.best.f_number
        criterion = low * per_effective, high * per_effective
    marked = lenses.marked_stops(magnification)
    if as_json:
        print_json(plan_document(full, marked, comparison, criterion))
    else:
        print_plan(full, marked, comparison)
        if criterion is not None:
            from lab.cli.summary import stop_text

            typer.echo(
                f"published criterion for prints {enlargement:g} times the sensor: "
                f"{stop_text(criterion[0])} to {stop_text(criterion[1])}"
            )
        for flag_of in (full, cropped):
            if flag_of is not None and "finer-than-pixels" in flag_of.flags:
                print_finer(flag_of)
        if recycle is not None:
            print_wrapped(
                "Look away from the flash at close range, and keep to its maker's limits for "
                "long runs: heads get hot."
            )


def _check_positive(name: str, value: float | None) -> None:
    from lab.errors import LabError

    if value is not None and not 0 < value < float("inf"):
        raise LabError(f"{name} {value:g}: give a number above 0.")


def _predicted(
    stops: str,
    pitch: float | None,
    pupil_ratio: float | None,
    wavelength: float | None,
    spherical: float | None,
    blur: float | None,
) -> _Lenses:
    """A lens of which everything is stated."""
    import numpy as np

    from lab.errors import LabError
    from lab.inference.lens_optics import LensOptics, predicted_optics
    from lab.optics.system import DEFAULT_WAVELENGTH_UM
    from lab.session.stops import exact_stop

    if pitch is None:
        raise LabError("--pitch: a predicted lens needs the sensor's pixel pitch in um, like 4.35.")
    for name, value in (
        ("--pitch", pitch),
        ("--pupil-ratio", pupil_ratio),
        ("--wavelength", wavelength),
    ):
        _check_positive(name, value)
    if spherical is not None and not abs(spherical) <= _MOST_SPHERICAL_UM:
        raise LabError(
            f"--spherical {spherical:g}: give um of path, from -{_MOST_SPHERICAL_UM:g} to "
            f"{_MOST_SPHERICAL_UM:g}."
        )
    if blur is not None and not 0 <= blur < float("inf"):
        raise LabError(f"--blur {blur:g}: give um on the sensor, 0 or more.")
    try:
        marked = tuple(float(part) for part in stops.split(","))
        exact = [exact_stop(one) for one in marked]
    except ValueError:
        exact = []
    if not exact or any(b <= a for a, b in pairwise(exact)):
        raise LabError(f"--stops {stops}: give rising f-numbers with commas, like {_STOPS}.")
    light = DEFAULT_WAVELENGTH_UM["green"] if wavelength is None else wavelength

    def optics_at(m: float) -> OpticsAt:
        def at(stop: FloatArray) -> LensOptics:
            return predicted_optics(
                stop,
                magnification=m,
                pupil_ratio=pupil_ratio or 1.0,
                wavelength_um=light,
                pixel_pitch_um=pitch,
                spherical_um=spherical or 0.0,
                spherical_at=exact[0],
                blur_std_um=blur or 0.0,
            )

        return at

    return _Lenses(optics_at=optics_at, marked_stops=lambda m: marked, covariance=np.empty((0, 0)))


def _measured(session: Path, wanted: list[float]) -> _Lenses:
    """The lens of a measured session, fitted, once all wanted sizes are known to be there."""
    from lab.errors import SessionError
    from lab.inference.centre import CHANNEL
    from lab.inference.lens_data import lens_data
    from lab.inference.lens_fit import fit_lens
    from lab.inference.lens_optics import LensOptics, measured_optics
    from lab.session.records import bracketed
    from lab.session.running import stored_session

    stored = stored_session(session)
    print_problems(stored.assignment.problems, err=True)
    data = lens_data(stored.config, bracketed(stored.frames))
    if data is None:
        typer.echo(f"{session}: no frame with a stop and a magnification is measured.", err=True)
        raise typer.Exit(1)

    def series_of(m: float) -> int:
        nominal = data.nominal_magnifications
        nearest = min(range(len(nominal)), key=lambda k: abs(nominal[k] - m))
        if abs(nominal[nearest] - m) > _SAME_SIZE * m:
            shot = ", ".join(f"{one:g}" for one in nominal)
            raise SessionError(
                f"{session}: no series at {m:g}x. Give a magnification that was shot: {shot}."
            )
        return nearest

    for m in wanted:
        series_of(m)
    fit = fit_lens(data)

    def optics_at(m: float) -> OpticsAt:
        series = series_of(m)

        def at(stop: FloatArray) -> LensOptics:
            return measured_optics(fit, series, CHANNEL, stop)

        return at

    def marked_stops(m: float) -> tuple[float, ...]:
        seen = sorted(set(data.stop[data.series == series_of(m)].tolist()))
        return tuple(data.marked_stops[k] for k in seen)

    return _Lenses(optics_at=optics_at, marked_stops=marked_stops, covariance=fit.covariance)
