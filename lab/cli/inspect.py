"""``stopwise inspect``: a frame or several, now."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.terminal import print_json, print_table, print_wrapped

if TYPE_CHECKING:
    from lab.session.store import EdgeRecord
    from lab.session.target_estimate import FrameTarget, TargetEstimate

__all__ = ["inspect"]

_CHANNEL = "green"
_PITCH_LOWEST_UM, _PITCH_HIGHEST_UM = 0.5, 50.0
_FOR_THE_TARGET = "The target's edge"


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
            rich_help_panel=_FOR_THE_TARGET,
        ),
    ] = None,
    stop: Annotated[
        list[float] | None,
        typer.Option(
            help="Number on the ring, once or for each frame.", rich_help_panel=_FOR_THE_TARGET
        ),
    ] = None,
    pitch: Annotated[
        float | None, typer.Option(help="Pixel pitch in um.", rich_help_panel=_FOR_THE_TARGET)
    ] = None,
    pupil_ratio: Annotated[
        float | None,
        typer.Option(
            help="Exit over entrance pupil diameter; about 1 where it is left out.",
            rich_help_panel=_FOR_THE_TARGET,
        ),
    ] = None,
    most: Annotated[int, typer.Option(min=1, max=200, help="Edges to measure at most.")] = 12,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Find the straight edges in a frame and measure them.

    With magnification, stop and pitch it also says what the frames tell of the
    target's own edge: its raggedness and, from two magnifications, its blur.

    Example: stopwise inspect IMG_0412.dng

    Example: stopwise inspect A.dng B.dng -m 1 -m 3 --stop 5.6 --pitch 4.35
    """
    shots = _shots(len(frames), magnification or [], stop or [], pitch, pupil_ratio)
    scales = [None if pitch is None else pitch / m for m, _ in shots] or [None] * len(frames)
    seen = [_inspected(path, most, scale) for path, scale in zip(frames, scales, strict=True)]
    estimate = None if pitch is None else _estimate(seen, shots, pitch, pupil_ratio)
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
            _print(one, most)
        if estimate is not None:
            typer.echo()
            _print_target(estimate)
            if pupil_ratio is None:
                print_wrapped("No --pupil-ratio was given: taken as 1, uncertain by 20 %.")
            if not all(one.is_mosaic for one in seen):
                print_wrapped("From finished pictures: indicative only.")
    if not any(r.status == "measured" for one in seen for r in one.records):
        raise typer.Exit(1)


def _shots(
    n_frames: int,
    magnifications: list[float],
    stops: list[float],
    pitch_um: float | None,
    pupil_ratio: float | None,
) -> list[tuple[float, float]]:
    """Magnification and stop of each frame; empty where the target is not asked for."""
    from lab.errors import LabError

    if not (magnifications or stops or pitch_um is not None or pupil_ratio is not None):
        return []
    if not (magnifications and stops and pitch_um is not None):
        raise LabError(
            "--magnification, --stop and --pitch: the target's edge needs all three. Give the "
            "missing ones, or none to measure the frames alone."
        )
    if not _PITCH_LOWEST_UM <= pitch_um <= _PITCH_HIGHEST_UM:
        raise LabError(
            f"--pitch {pitch_um:g}: give the pixel pitch in um, from {_PITCH_LOWEST_UM:g} to "
            f"{_PITCH_HIGHEST_UM:g}, like 4.35."
        )
    if pupil_ratio is not None and not 0 < pupil_ratio < math.inf:
        raise LabError(f"--pupil-ratio {pupil_ratio:g}: give a number > 0, like 1.")
    each: list[list[float]] = []
    for option, values in (("--magnification", magnifications), ("--stop", stops)):
        for value in values:
            if not 0 < value < math.inf:
                raise LabError(f"{option} {value:g}: give a number > 0, like 2.")
        if len(values) not in (1, n_frames):
            raise LabError(
                f"{option}: given {len(values)} times for {n_frames} frames. Give it once for "
                "all, or once for each in their order."
            )
        each.append(values if len(values) == n_frames else values * n_frames)
    return list(zip(*each, strict=True))


@dataclass(frozen=True, kw_only=True)
class _Inspected:
    """A measured frame without its pixels."""

    name: str
    shape: tuple[int, int]
    is_mosaic: bool
    clipped_percent: float
    flags: tuple[str, ...]
    reason: str
    records: tuple[EdgeRecord, ...]
    more: bool
    slate: str  # what a slate in the frame says, "" where there is none


def _inspected(path: Path, most: int, object_um_per_px: float | None) -> _Inspected:
    from lab.edges.find import find_edges
    from lab.edges.types import Rejection
    from lab.errors import FrameError
    from lab.frames import read_frame
    from lab.frames.codes import read_slate
    from lab.session.measuring import TargetEdge, measure_channel_edge, placed_edges
    from targets.slates import slate_words

    picture = read_frame(path)
    try:
        slate = read_slate(picture)
        said = "" if slate is None else ", ".join([slate_words(slate)[0], *slate_words(slate)[1]])
    except FrameError as error:
        said = str(error)
    found = find_edges(picture, most=most + 1)  # one more, to know whether there are more
    regions = [] if isinstance(found, Rejection) else found
    target = None if object_um_per_px is None else TargetEdge(object_um_per_px=object_um_per_px)
    return _Inspected(
        name=path.name,
        shape=picture.shape,
        is_mosaic=picture.is_mosaic,
        clipped_percent=100 * float(picture.saturated.mean()),
        flags=picture.flags,
        slate=said,
        reason=found.reason if isinstance(found, Rejection) else "",
        records=tuple(
            measure_channel_edge(picture, edge, _CHANNEL, None, target=target)
            for edge in placed_edges(regions[:most], picture)
        ),
        more=len(regions) > most,
    )


def _estimate(
    seen: list[_Inspected],
    shots: list[tuple[float, float]],
    pitch_um: float,
    pupil_ratio: float | None,
) -> TargetEstimate:
    from lab.optics.system import DEFAULT_WAVELENGTH_UM, channel_band
    from lab.session.target_estimate import ShotFrame, estimate_target

    return estimate_target(
        [
            ShotFrame(file=one.name, edges=one.records, magnification=m, marked_stop=stop)
            for one, (m, stop) in zip(seen, shots, strict=True)
        ],
        channel=_CHANNEL,
        pixel_pitch_um=pitch_um,
        pupil_ratio=pupil_ratio,
        wavelength_um=channel_band(DEFAULT_WAVELENGTH_UM[_CHANNEL]),
    )


def _document(one: _Inspected) -> dict[str, Any]:
    return {
        "file": one.name,
        "rows": one.shape[0],
        "columns": one.shape[1],
        "clipped_percent": one.clipped_percent,
        "flags": list(one.flags),
        "reason": one.reason,
        "slate": one.slate,
        "edges": [
            {
                "row": r.centre_row,
                "column": r.centre_col,
                "angle_deg": r.angle_deg,
                "status": r.status,
                "reason": r.reason,
                "mtf50_cyc_per_px": r.mtf50_cyc_per_px,
                "mtf50_std": r.mtf50_std,
                "raggedness_object_um": r.raggedness_object_um,
                "raggedness_std_um": r.raggedness_std_um,
                "flags": list(r.flags),
            }
            for r in one.records
        ],
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


def _print(one: _Inspected, most: int) -> None:
    from string import ascii_lowercase
    from textwrap import fill

    from reports.words import flag_sentence

    kind = "raw mosaic" if one.is_mosaic else "finished picture"
    typer.echo(
        f"{one.name}: {one.shape[1]} x {one.shape[0]} px, {kind}, "
        f"{one.clipped_percent:.1f} % clipped"
    )
    if "tone-mapped" in one.flags:
        typer.echo(
            fill(
                "Not raw: tone curve and sharpening of the picture change MTF50. "
                "The figures below are indicative only.",
                79,
            )
        )
    if one.slate:
        typer.echo(fill(f"Slate: {one.slate}", 79))
    if one.reason:
        typer.echo(fill(f"Nothing to measure: {one.reason}", 79))
        return
    measured = [r for r in one.records if r.mtf50_cyc_per_px is not None]
    notes = list(dict.fromkeys(flag for r in measured for flag in r.flags))
    if measured:
        print_table(
            ["edge at x, y", "angle", "MTF50 cy/px", "95 %", "10-90 % px", "notes"],
            [_row(r, notes) for r in measured],
        )
    for letter, flag in zip(ascii_lowercase, notes, strict=False):
        typer.echo(fill(f"{letter}: {flag_sentence(flag) or flag}", 79, subsequent_indent="   "))
    for r in one.records:
        if r.status != "measured":
            typer.echo(
                fill(
                    f"edge at {r.centre_col:.0f}, {r.centre_row:.0f} rejected: {r.reason}",
                    79,
                    subsequent_indent="  ",
                )
            )
    if one.more:
        typer.echo(f"More edges were found than the {most} shown; --most raises the limit.")


def _row(record: EdgeRecord, notes: list[str]) -> list[str]:
    from targets.fidelity import gaussian_product

    value, std = record.mtf50_cyc_per_px, record.mtf50_std
    assert value is not None
    assert std is not None
    # 10 to 90 % width of the Gaussian edge that has this MTF50.
    width = 2.563103 * gaussian_product(0.5) / value
    return [
        f"{record.centre_col:.0f}, {record.centre_row:.0f}",
        f"{record.angle_deg:.1f}",
        f"{value:.4f}",
        f"{value - 1.96 * std:.4f} to {value + 1.96 * std:.4f}",
        f"{width:.1f}",
        "".join(sorted("abcdefghijklmnopqrstuvwxyz"[notes.index(flag)] for flag in record.flags))
        or "-",
    ]


def _print_target(estimate: TargetEstimate) -> None:
    from targets.fidelity import DEFAULT_LOSS

    typer.echo("The target's edge (from the edges near each frame's centre, um on the target)")
    for frame in estimate.frames:
        print_wrapped(f"{frame.file} ({_where(frame)}): {_frame_words(frame)}")
    blur, judged, highest = estimate.blur, estimate.judged, estimate.mtf_loss_high95
    if blur is None or judged is None or highest is None:
        return
    place = f"of the contrast at diffraction's MTF50 at {_where(judged)}"
    limit = f"(limit {_percent(DEFAULT_LOSS)} %)"
    loss, lowest = estimate.mtf_loss, estimate.mtf_loss_low95
    if loss is None or lowest is None:
        print_wrapped(
            f"Its own blur is at most {_um(blur.blur_upper95_um)} um (95 %, standard deviation): "
            "all that is left beyond diffraction and pixel may be the target's. Frames at a "
            "second magnification, same stop and best focus, tell it from the lens's."
        )
        verdict = "it serves" if highest <= DEFAULT_LOSS else "it may be too soft"
        print_wrapped(f"That takes at most {_percent(highest)} % {place}: {verdict} {limit}.")
        return
    print_wrapped(
        f"Its own blur is {_um(blur.blur_um)} um (95 %: {_um(blur.blur_low95_um)} to "
        f"{_um(blur.blur_high95_um)}; standard deviation, raggedness included). Lens, focus and "
        f"movement add {_um(blur.residual_image_um)} um on the sensor."
    )
    verdict = "these frames cannot tell whether it serves"
    if highest <= DEFAULT_LOSS:
        verdict = "it serves"
    elif lowest > DEFAULT_LOSS:
        verdict = "it is too soft"
    print_wrapped(
        f"It takes {_percent(loss)} % (95 %: {_percent(lowest)} to {_percent(highest)}) {place}: "
        f"{verdict} {limit}."
    )
    print_wrapped(
        "This holds for frames in best focus at one stop. Aberration that grows with the "
        "magnification is counted as the target's."
    )


def _where(frame: FrameTarget) -> str:
    return f"{frame.magnification:g}x, f/{frame.marked_stop:g}"


def _frame_words(frame: FrameTarget) -> str:
    from lab.edges.target_quality import least_raggedness

    value, std = frame.raggedness_object_um, frame.raggedness_std_um
    if value is None or std is None:
        ragged = "raggedness unknown"
    elif value > least_raggedness(value, std):
        ragged = f"raggedness {_um(value)} (uncertainty {_um(std)})"
    else:
        ragged = f"no raggedness beyond noise, which hides {_um(least_raggedness(value, std))}"
    if frame.excess is None:
        return f"{ragged}; its blur is left out: {frame.reason}."
    left = math.sqrt(max(frame.excess.variance_um2, 0.0)) / frame.magnification
    edges = "1 edge" if frame.edges == 1 else f"{frame.edges} edges"
    return f"{edges}, {ragged}; blur beyond diffraction and pixel {_um(left)}."


def _percent(share: float) -> str:
    return f"{100 * share:.1f}"


def _um(value: float | None) -> str:
    """Micrometres to two decimals, or to three figures where they are many."""
    assert value is not None
    return f"{value:.2f}" if value < 10 else f"{value:.3g}"
