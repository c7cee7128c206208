"""``stopwise target``: which edge a rig needs, who can make it, and the sheets to make it from."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.options import magnifications_of, numbers, pitch_um, positive, sensor_mm
from lab.cli.terminal import print_json, print_table, print_wrapped

if TYPE_CHECKING:
    from lab.session.target_need import TargetNeed
    from targets.technology import Technology

__all__ = ["target"]

_YOURS = "yours"
_PLATE = (
    "Send target.pdf's first page, or target.gds (made by --mask), to a maker of film or masks.",
    "Ask for its true size: no fitting to a page, edges as drawn.",
)
_PRINTING = {
    "office-print": (
        "Print the first page at its true size (100 %), never fitted to the paper.",
        "Check its 10 mm lines and squares with a ruler over as long a stretch as you can; if they "
        "are off by 1 %, so are magnifications.",
    ),
    "litho-film": _PLATE,
    "emulsion-plate": _PLATE,
    "chrome-on-glass": _PLATE,
}
_PRINTS = ("office-print", "photo-print")


def target(
    folder: Annotated[
        Path, typer.Argument(help="Folder for the files; nothing in it is overwritten.")
    ],
    magnification: Annotated[
        list[float] | None,
        typer.Option("--magnification", "-m", help="Repeat; the chart serves lowest to highest."),
    ] = None,
    technology: Annotated[
        str | None,
        typer.Option(
            help="How it will be made: office-print, photo-print, litho-film, emulsion-plate, "
            "chrome-on-glass or blade."
        ),
    ] = None,
    edge_blur: Annotated[
        float | None, typer.Option(help="Your own edge's standard deviation in um, if measured.")
    ] = None,
    sheet: Annotated[
        list[str] | None,
        typer.Option(
            help="chart, fields, ramp, blade or slates; repeat. (default: chart, for a blade blade)"
        ),
    ] = None,
    sensor: Annotated[str, typer.Option(help="Width x height in mm.")] = "36x24",
    pitch: Annotated[float, typer.Option(help="Pixel pitch in um.")] = 4.35,
    stops: Annotated[str, typer.Option(help="Marked stops of the lens.")] = "2.8,4,5.6,8,11,16",
    pupil_ratio: Annotated[float, typer.Option(help="Exit over entrance pupil.")] = 1.0,
    loss: Annotated[float, typer.Option(help="MTF that the edge may cost, percent.")] = 5.0,
    condition: Annotated[
        list[str] | None, typer.Option(help="For slates; repeat, like tripod, hand.")
    ] = None,
    paper: Annotated[
        str | None, typer.Option(help="A4 or Letter. (default: charts as small as fits, else A4)")
    ] = None,
    name: Annotated[
        str | None, typer.Option(help="Name on the sheets and in their codes. (default: chart)")
    ] = None,
    dpi: Annotated[
        int | None, typer.Option(help="Dots to the inch: adds 1-bit TIFF and PNG of a chart.")
    ] = None,
    mask: Annotated[bool, typer.Option("--mask", help="Also GDSII for a mask maker.")] = False,
    polarity: Annotated[
        str | None, typer.Option(help="Of the mask: dark or clear. (default: dark)")
    ] = None,
    mirrored: Annotated[
        bool, typer.Option("--mirrored", help="Mask for use with its coated side down.")
    ] = False,
    diffuser: Annotated[
        float, typer.Option(help="Distance of the diffuser behind the target in mm.")
    ] = 20.0,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Say how sharp a target's edge must be for a rig, and make the sheets.

    A paper print cannot test a lens at 1x or above: its edges are rougher than
    the lens. Film serves to about 1x, chrome on glass or a blade beyond. Mind
    sharp edges of glass and blades, bright light at eye distance and hot lamps.

    Example: stopwise target chart -m 1 -m 5 --technology chrome-on-glass --mask
    """
    from lab.cli.target_sheets import Rig, SheetOrder, made_sheets
    from lab.errors import LabError
    from lab.optics.illumination import lighting_advice, lighting_sentences
    from lab.optics.system import DEFAULT_WAVELENGTH_UM, channel_band
    from lab.session.target_need import target_need
    from targets.technology import TECHNOLOGIES
    from targets.technology import technology as known_technology

    asked = sys.stdin.isatty() and magnification is None
    wanted = tuple(magnification or ())
    if magnification is None:
        if not asked:
            raise LabError("--magnification: is missing. Give it, like -m 1 -m 5.")
        text = typer.prompt("Magnifications, lowest and highest", default="1, 5")
        wanted = numbers("--magnification", text)
        sensor = typer.prompt("Sensor, width x height in mm", default=sensor)
        pitch = typer.prompt("Pixel pitch in um", default=pitch)
        stops = typer.prompt("Marked stops", default=stops)
        undecided = "Technology (empty: not decided)"
        technology = typer.prompt(undecided, default=technology or "") or None
    chosen = None if technology is None else known_technology(technology)
    rig = Rig(
        magnifications=magnifications_of(wanted),
        sensor_mm=sensor_mm(sensor),
        pixel_pitch_um=pitch_um(pitch),
        marked_stops=tuple(sorted(numbers("--stops", stops))),
        pupil_ratio=positive("--pupil-ratio", pupil_ratio, "1"),
    )
    if not 0 < loss < 100:
        raise LabError(f"--loss {loss:g}: give a percentage between 0 and 100, like 5.")
    if edge_blur is not None:
        edge_blur = positive("--edge-blur", edge_blur, "0.3")
    order = SheetOrder(
        sheets=tuple(dict.fromkeys(sheet or ["blade" if technology == "blade" else "chart"])),
        name=name,
        paper=paper,
        conditions=tuple(condition or ()),
        dpi=dpi,
        mask=mask,
        polarity=polarity,
        mirrored=mirrored,
    )
    need = target_need(
        magnifications=rig.magnifications,
        marked_stops=rig.marked_stops,
        pupil_ratio=rig.pupil_ratio,
        pixel_pitch_um=rig.pixel_pitch_um,
        wavelength_um=channel_band(DEFAULT_WAVELENGTH_UM["green"]),
        loss=loss / 100,
        technologies=(
            *TECHNOLOGIES.values(),
            *(() if edge_blur is None else (_your_edge(edge_blur),)),
        ),
    )
    advice = lighting_advice(
        magnifications=rig.magnifications,
        marked_stops=rig.marked_stops,
        pupil_ratio=rig.pupil_ratio,
        sensor_mm=rig.sensor_mm,
        distance_mm=positive("--diffuser", diffuser, "20"),
    )
    verdict = _verdict(need, technology, edge_blur)
    lighting = lighting_sentences(advice)
    cautions = () if chosen is None else (chosen.caution,)
    printing = _PRINTING.get(technology or "", _PRINTING["office-print"])
    notes = (*printing, "", *verdict, "", *lighting, "", *cautions)
    made = made_sheets(folder, rig, order, notes=notes)
    if as_json:
        print_json(_document(need, verdict, lighting, made.files, made.remarks))
        return
    _print_need(need, verdict, technology, edge_blur)
    _print_all(lighting)
    typer.echo()
    print_wrapped(f"Made in {folder}: " + ", ".join(made.files))
    _print_all(made.remarks)


def _your_edge(blur_um: float) -> Technology:
    from targets.technology import Technology

    return Technology(
        key=_YOURS,
        name="your edge",
        blur_um=blur_um,
        blur_low_um=blur_um,
        blur_high_um=blur_um,
        raggedness_um=0.0,
        source="stated",
        caution="",
    )


def _print_all(sentences: tuple[str, ...]) -> None:
    for sentence in sentences:
        print_wrapped(sentence)


def _reach(limit: float | None) -> str:
    if limit is None:
        return "no use"
    return "any" if math.isinf(limit) else f"{limit:.2g}x"


def _verdict(need: TargetNeed, technology: str | None, edge_blur: float | None) -> tuple[str, ...]:
    """What the target at hand serves for, in sentences."""
    from targets.technology import technology as known_technology

    highest = need.magnifications[-1]
    sentences = []
    if technology is not None and edge_blur is None:
        plain = known_technology(technology).name
        plain = plain[0].upper() + plain[1:]
        (limit,) = (one.largest_magnification for one in need.limits if one.key == technology)
        (loss,) = (one for one in highest.technologies if one.key == technology)
        if loss.serves:
            sentences.append(
                f"{plain} serves this rig: at {highest.magnification:g}x its edge costs "
                f"{100 * loss.mtf_loss:.1f} % of the MTF (typical; measure yours)."
            )
        else:
            up_to = "at no magnification" if limit is None else f"up to {_reach(limit)} only"
            sentences.append(
                f"{plain} DOES NOT SERVE this rig: it serves {up_to}. At "
                f"{highest.magnification:g}x its edge costs {100 * loss.mtf_loss:.0f} % of the "
                "MTF: you would measure the target, not the lens. "
                + (
                    "Print it to practise."
                    if technology in _PRINTS
                    else "Take a sharper one below."
                )
            )
    if edge_blur is not None:
        short = [one.magnification for one in need.magnifications if edge_blur > one.blur_limit_um]
        sentences.append(
            f"Your edge of {edge_blur:g} um serves all magnifications asked for."
            if not short
            else f"Your edge of {edge_blur:g} um DOES NOT SERVE at "
            + ", ".join(f"{m:g}x" for m in short)
            + ": the table says what is needed."
        )
    return tuple(sentences)


def _print_need(
    need: TargetNeed, verdict: tuple[str, ...], technology: str | None, edge_blur: float | None
) -> None:
    from targets.technology import TECHNOLOGIES

    _print_all(verdict)
    wanted = ", ".join(
        f"{one.blur_limit_um:.2g} um at {one.magnification:g}x" for one in need.magnifications
    )
    print_wrapped(
        f"For a loss of at most {100 * need.loss:g} % of the MTF at f/{need.best_stop:g} (as if "
        f"only diffraction limited it) the edge's standard deviation may be {wanted}.",
    )
    highest = need.magnifications[-1]
    rows = []
    for limit in need.limits:
        one = TECHNOLOGIES.get(limit.key)
        edge = (
            f"{edge_blur:g}"
            if one is None
            else f"{one.spread_um:.2g} ({one.blur_low_um:g} to {one.blur_high_um:g})"
        )
        (loss,) = (t for t in highest.technologies if t.key == limit.key)
        rows.append(
            [
                ("> " if limit.key in (technology, _YOURS) else "") + limit.key,
                edge,
                _reach(limit.largest_magnification),
                f"{100 * loss.mtf_loss:.1f} %",
                f"{-100 * loss.mtf50_loss:.1f} %",
            ]
        )
    at = f"{highest.magnification:g}x"
    print_table(["made as", "edge, std um", "serves to", f"MTF lost, {at}", f"MTF50, {at}"], rows)
    print_wrapped(
        "Edge: typical blur and raggedness together; in brackets, from which to which the blur "
        "is to be expected."
    )
    if edge_blur is None:
        print_wrapped(
            "Edges vary; few makers state them. Measure yours with 'stopwise inspect' at two "
            "magnifications and give it as --edge-blur."
        )
    typer.echo()


def _document(
    need: TargetNeed,
    verdict: tuple[str, ...],
    lighting: tuple[str, ...],
    files: tuple[str, ...],
    remarks: tuple[str, ...],
) -> dict[str, Any]:
    from dataclasses import asdict

    document = asdict(need)
    for limit in document["limits"]:
        # JSON has no infinity: any magnification is said in words.
        if limit["largest_magnification"] == math.inf:
            limit["largest_magnification"] = "any"
    return {
        **document,
        "verdict": list(verdict),
        "lighting": list(lighting),
        "files": list(files),
        "remarks": list(remarks),
    }
