"""``stopwise inspect``: a frame or several, now."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.inspect_setting import Shot, read_shots
from lab.cli.inspect_target_text import print_target
from lab.cli.inspect_text import Inspected, print_edges, print_frame
from lab.cli.terminal import print_json, print_wrapped

if TYPE_CHECKING:
    from lab.edges.register import RegisteredEdge
    from lab.session.target_estimate import TargetEstimate

__all__ = ["inspect", "inspected"]

_CHANNEL = "green"
_MOST_PIXELS = 60e6  # of a sensor: its limits. Judged by us
_FOUND = 72  # edges to look for at least, so that soft ones are among them
_SHOT = "How it was shot: units, what the lens could do, the target's edge"


def inspect(
    frames: Annotated[
        list[Path],
        typer.Argument(metavar="FRAME", help="Raw files, or TIFF, PNG or JPEG images."),
    ],
    magnification: Annotated[
        list[float] | None,
        typer.Option(
            "--magnification",
            "-m",
            help="Image size over object size: once for all frames, or once for each in order.",
            rich_help_panel=_SHOT,
        ),
    ] = None,
    stop: Annotated[
        list[float] | None,
        typer.Option(help="Number on the ring, once or for each frame.", rich_help_panel=_SHOT),
    ] = None,
    pitch: Annotated[
        float | None,
        typer.Option(
            help="Pixel pitch in um; that of the session where it is left out.",
            rich_help_panel=_SHOT,
        ),
    ] = None,
    pupil_ratio: Annotated[
        float | None,
        typer.Option(
            help="Exit over entrance pupil diameter; the session's, else about 1.",
            rich_help_panel=_SHOT,
        ),
    ] = None,
    most: Annotated[int, typer.Option(min=1, max=200, help="Edges to measure at most.")] = 36,
    edges: Annotated[bool, typer.Option("--edges", help="List every edge as well.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Check a frame's exposure, measure its straight edges, and say what took its sharpness.

    With a pitch, from --pitch or the session that the frame lies in, figures
    are cycles per mm on the sensor, with -m in the subject too. With
    magnification, stop and pitch it says how much of diffraction's MTF50 is
    there, and what the frames tell of the target's own edge: its raggedness
    and, from two magnifications, its blur.

    Example: stopwise inspect IMG_0412.dng

    Example: stopwise inspect A.dng B.dng -m 1 -m 3 --stop 5.6 --pitch 4.35
    """
    shots = read_shots(frames, magnification or [], stop or [], pitch, pupil_ratio)
    seen, lost = _guarded(frames, shots, most)
    for said in lost:
        typer.echo(f"stopwise: {said}", err=True)
    if not seen:
        raise typer.Exit(2)
    estimate = _estimate(seen)
    if as_json:
        documents = [_document(one) for one in seen]
        target = None if estimate is None else _target_document(estimate)
        if len(documents) > 1:
            print_json({"frames": documents, "target_edge": target})
        else:
            print_json(documents[0] | ({} if target is None else {"target_edge": target}))
    else:
        for i, one in enumerate(seen):
            if i:
                typer.echo()
            print_frame(one, most)
            if edges:
                print_edges(one)
        for note in dict.fromkeys(note for shot in shots for note in shot.notes):
            print_wrapped(note)
        if estimate is not None:
            typer.echo()
            print_target(estimate)
            if not all(one.is_mosaic for one in seen):
                print_wrapped("From finished pictures: indicative only.")
    if lost:
        raise typer.Exit(2)
    if not any(r.status == "measured" for one in seen for r in one.records):
        raise typer.Exit(1)


def _guarded(
    frames: Sequence[Path], shots: Sequence[Shot], most: int
) -> tuple[list[Inspected], list[str]]:
    """Each frame inspected in a guarded process; those that can be, and why others cannot."""
    from lab.session.guarded_process import GuardedProcess
    from lab.session.workers import limits_for

    seen, lost = [], []
    process = GuardedProcess(limits_for(_MOST_PIXELS))
    try:
        for item in zip(frames, shots, [most] * len(frames), strict=True):
            outcome = process.insist(inspected, item)
            if outcome.loss:
                lost.append(
                    f"{item[0].name}: {outcome.loss}. Copy it from the card again, or convert it "
                    "to DNG."
                )
            elif isinstance(outcome.result, str):
                lost.append(outcome.result)
            else:
                seen.append(outcome.result)
    finally:
        process.end()
    return seen, lost


def inspected(item: tuple[Path, Shot, int]) -> Inspected | str:
    """Measure one frame; what a guarded process does.

    Parameters
    ----------
    item : tuple
        File, how it was shot, and how many edges to measure at most.

    Returns
    -------
    Inspected or str
        A text says why the file cannot be read.
    """
    from dataclasses import replace

    from lab.edges.find import find_edges
    from lab.edges.loss import likely_loss
    from lab.edges.types import Rejection
    from lab.errors import FrameError
    from lab.frames import CHANNELS, estimate_noise, read_frame
    from lab.frames.codes import read_slate
    from lab.frames.exposure import check_exposure
    from lab.optics.system import DEFAULT_WAVELENGTH_UM
    from lab.session.edge_losses import edge_figures
    from lab.session.measuring import TargetEdge, measure_channel_edge, placed_edges
    from targets.slates import slate_words

    path, shot, most = item
    try:
        picture = read_frame(path)
    except FrameError as error:
        return str(error)
    try:
        slate = read_slate(picture)
        said = "" if slate is None else ", ".join([slate_words(slate)[0], *slate_words(slate)[1]])
    except FrameError as error:
        said = str(error)
    found = find_edges(picture, most=max(most + 1, _FOUND))
    placed = () if isinstance(found, Rejection) else placed_edges(found, picture)
    # Where the scale is not known lengths count in px.
    object_um_per_px = shot.object_um_per_px
    scale = 1.0 if object_um_per_px is None else object_um_per_px
    target = TargetEdge(object_um_per_px=scale)
    records = [
        measure_channel_edge(picture, edge, _CHANNEL, None, target=target)
        for edge in _spread(placed, most)
    ]
    ragged = [
        None if r.raggedness_object_um is None else r.raggedness_object_um / scale for r in records
    ]
    if object_um_per_px is None:
        records = [replace(r, raggedness_object_um=None, raggedness_std_um=None) for r in records]
    exposure = check_exposure(picture, {c: estimate_noise(picture, c) for c in CHANNELS})
    diffraction = shot.diffraction(DEFAULT_WAVELENGTH_UM[_CHANNEL])
    loss = likely_loss(
        [
            edge_figures(r, picture.shape, ragged_px)
            for r, ragged_px in zip(records, ragged, strict=True)
            if r.status == "measured"
        ],
        exposure=exposure,
        rejections=[r.reason for r in records if r.status != "measured"],
        diffraction_px=None if diffraction is None else diffraction[0],
        diffraction_std=0.0 if diffraction is None else diffraction[1],
    )
    return Inspected(
        name=path.name,
        shape=picture.shape,
        is_mosaic=picture.is_mosaic,
        clipped_percent=100 * float(picture.saturated.mean()),
        flags=picture.flags,
        slate=said,
        reason=found.reason if isinstance(found, Rejection) else "",
        records=tuple(records),
        raggedness_px=tuple(ragged),
        more=len(placed) > most,
        exposure=exposure,
        loss=loss,
        shot=shot,
    )


def _spread(edges: Sequence[RegisteredEdge], most: int) -> list[RegisteredEdge]:
    """The best edges of each direction in each ninth of the frame, in turn, up to ``most``.

    The best of all would be the sharpest: a soft side would not be seen.
    """
    span_x = max((abs(edge.field_x) for edge in edges), default=0.0)
    span_y = max((abs(edge.field_y) for edge in edges), default=0.0)
    taken: dict[tuple[int, int, str], int] = {}
    turn = []
    for rank, edge in enumerate(edges):
        ninth = (round(edge.field_x / max(span_x, 1e-9)), round(edge.field_y / max(span_y, 1e-9)))
        group = (*ninth, edge.direction)
        taken[group] = taken.get(group, 0) + 1
        turn.append((taken[group], rank))
    return [edges[rank] for rank in sorted(rank for _, rank in sorted(turn)[:most])]


def _estimate(seen: list[Inspected]) -> TargetEstimate | None:
    """What the frames say of the target; None unless all is known of one body and lens."""
    from lab.optics.system import DEFAULT_WAVELENGTH_UM, channel_band
    from lab.session.target_estimate import ShotFrame, estimate_target

    rigs = {(one.shot.pixel_pitch_um, one.shot.pupil_ratio) for one in seen}
    shots = [
        ShotFrame(
            file=one.name,
            edges=one.records,
            magnification=one.shot.magnification,
            marked_stop=one.shot.marked_stop,
        )
        for one in seen
        if one.shot.magnification is not None and one.shot.marked_stop is not None
    ]
    pitch_um, pupil_ratio = next(iter(rigs))
    if pitch_um is None or len(rigs) > 1 or len(shots) < len(seen):
        return None
    return estimate_target(
        shots,
        channel=_CHANNEL,
        pixel_pitch_um=pitch_um,
        pupil_ratio=pupil_ratio,
        wavelength_um=channel_band(DEFAULT_WAVELENGTH_UM[_CHANNEL]),
    )


def _document(one: Inspected) -> dict[str, Any]:
    from dataclasses import asdict

    shot, places = one.shot, one.loss.places
    return {
        "file": one.name,
        "rows": one.shape[0],
        "columns": one.shape[1],
        "clipped_percent": one.clipped_percent,
        "flags": list(one.flags),
        "reason": one.reason,
        "slate": one.slate,
        "exposure": asdict(one.exposure),
        "pixel_pitch_um": shot.pixel_pitch_um,
        "magnification": shot.magnification,
        "effective_f_number": shot.effective_f_number,
        "places": [asdict(place) | _per_mm(place.mtf50_cyc_per_px, shot) for place in places],
        "of_diffraction": one.loss.of_diffraction,
        "of_diffraction_std": one.loss.of_diffraction_std,
        "likely_loss": [asdict(cause) for cause in one.loss.causes],
        "notes": [*one.loss.notes, *shot.notes],
        "edges": [
            {
                "row": r.centre_row,
                "column": r.centre_col,
                "angle_deg": r.angle_deg,
                "status": r.status,
                "reason": r.reason,
                "mtf50_cyc_per_px": r.mtf50_cyc_per_px,
                "mtf50_std": r.mtf50_std,
                **_per_mm(r.mtf50_cyc_per_px, shot),
                "raggedness_object_um": r.raggedness_object_um,
                "raggedness_std_um": r.raggedness_std_um,
                "raggedness_px": ragged_px,
                "flags": list(r.flags),
            }
            for r, ragged_px in zip(one.records, one.raggedness_px, strict=True)
        ],
    }


def _per_mm(mtf50_cyc_per_px: float | None, shot: Shot) -> dict[str, float | None]:
    """MTF50 on both sides as far as the scale is known."""
    sides = {
        "mtf50_image_cyc_per_mm": shot.image_per_px,
        "mtf50_object_cyc_per_mm": shot.object_per_px,
    }
    return {
        key: None if per_px is None or mtf50_cyc_per_px is None else mtf50_cyc_per_px * per_px
        for key, per_px in sides.items()
    }


def _target_document(estimate: TargetEstimate) -> dict[str, Any]:
    from dataclasses import asdict

    keys = (
        *("blur_upper95_um", "blur_um", "blur_std_um", "blur_low95_um", "blur_high95_um"),
        "residual_image_um",
    )
    return {
        "frames": [asdict(frame) for frame in estimate.frames],
        **{key: None if estimate.blur is None else getattr(estimate.blur, key) for key in keys},
        "mtf_loss": estimate.mtf_loss,
        "mtf_loss_low95": estimate.mtf_loss_low95,
        "mtf_loss_high95": estimate.mtf_loss_high95,
    }
