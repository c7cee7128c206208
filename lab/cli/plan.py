"""``stopwise plan``: what a rig can do, what to shoot with it, and a session to shoot into."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lab.cli.options import magnifications_of, numbers, pitch_um, positive, seconds, sensor_mm
from lab.cli.terminal import print_json

if TYPE_CHECKING:
    from lab.inference.aperture_limits import ApertureLimit, Criteria
    from lab.session.plan import Plan
    from lab.session.rig import Rig

__all__ = ["plan"]


_STOPS = "2.8,4,5.6,8,11,16"


def plan(
    rig_file: Annotated[
        Path | None,
        typer.Argument(metavar="RIG.toml", help="The rig; without it, the options below."),
    ] = None,
    magnification: Annotated[
        list[float] | None,
        typer.Option("--magnification", "-m", help="Repeat; instead of the file's."),
    ] = None,
    sensor: Annotated[
        str | None, typer.Option(help="Width x height in mm.", show_default="36x24")
    ] = None,
    pitch: Annotated[
        float | None, typer.Option(help="Pixel pitch in um.", show_default="4.35")
    ] = None,
    stops: Annotated[
        str | None, typer.Option(help="Marked stops of the lens.", show_default=_STOPS)
    ] = None,
    pupil_ratio: Annotated[
        float | None, typer.Option(help="Exit over entrance pupil.", show_default="1")
    ] = None,
    focal_length: Annotated[
        float | None, typer.Option(help="In mm: adds extension and working distance.")
    ] = None,
    name: Annotated[
        str | None, typer.Option(help="Of rig and session.", show_default="Planned rig")
    ] = None,
    rail: Annotated[float | None, typer.Option(help="Finest step of the rail in um.")] = None,
    focus_error: Annotated[
        float | None,
        typer.Option(
            help="How far off focus may be set, um either way.", show_default="half a step"
        ),
    ] = None,
    shutter: Annotated[str, typer.Option(help="Time that it is open, s.")] = "1/200",
    flash: Annotated[str, typer.Option(help="Duration of the flash, t0.1, s.")] = "1/1000",
    ambient_under: Annotated[
        float, typer.Option(help="Stops by which ambient light alone underexposes.")
    ] = 5.0,
    hand_speed: Annotated[
        float, typer.Option(help="Of an unsupported hand, mm/s across the subject.")
    ] = 5.0,
    loss: Annotated[
        float, typer.Option(help="Limit: MTF50 lost from the widest stop, percent.")
    ] = 10.0,
    airy: Annotated[float, typer.Option(help="Limit: Airy disc's width in pixels.")] = 2.0,
    detail: Annotated[
        float | None, typer.Option(help="Limit: lines to tell apart, um in the subject.")
    ] = None,
    contrast: Annotated[
        float, typer.Option(help="That those lines and gaps keep, percent.")
    ] = 20.0,
    other_pitch: Annotated[
        list[float] | None, typer.Option(help="Limits for this pixel pitch too, um; repeat.")
    ] = None,
    rule: Annotated[
        list[str] | None,
        typer.Option(help='Rules of thumb instead of the usual ones, "2x: f/8"; repeat.'),
    ] = None,
    new: Annotated[
        Path | None, typer.Option(help="Make a session in this new or empty folder.")
    ] = None,
    raw_suffix: Annotated[str, typer.Option(help="Of raw files, for --new.")] = "dng",
    sheet: Annotated[Path | None, typer.Option(help="Write the shot list, a PDF.")] = None,
    paper: Annotated[str, typer.Option(help="A4 or Letter.")] = "A4",
    csv: Annotated[
        Path | None,
        typer.Option(
            help="Write the figures as a table, and the limits beside it: NAME-limits.csv."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Predict what a rig can do at each stop, and plan what to shoot.

    Example: stopwise plan bellows.toml --detail 5 --new my-session

    Example without a file: stopwise plan -m 1 -m 2 --pitch 4.35 --focal-length 75
    """
    from lab.cli.plan_tables import csv_text, limits_csv_text, limits_path, plan_document
    from lab.cli.plan_text import print_plan
    from lab.errors import LabError
    from lab.inference.aperture_limits import Criteria
    from lab.session.plan import Shooting, plan_rig
    from targets.page import PAPERS_MM

    own = {
        "--sensor": sensor,
        "--pitch": pitch,
        "--stops": stops,
        "--pupil-ratio": pupil_ratio,
        "--focal-length": focal_length,
        "--name": name,
    }
    sizes = None if magnification is None else magnifications_of(tuple(magnification))
    if rig_file is not None:
        given = [name for name, value in own.items() if value is not None]
        if given:
            raise LabError(f"{', '.join(given)}: {rig_file} says that. Leave it out, or the file.")
        rig = _rig_of_file(rig_file, sizes)
    else:
        rig = _bare_rig(sizes, sensor, pitch, stops, pupil_ratio, focal_length, name)
    if paper not in PAPERS_MM:
        raise LabError(f"--paper {paper}: give {' or '.join(PAPERS_MM)}.")
    if sheet is not None and sheet.suffix.lower() != ".pdf":
        raise LabError(
            f"--sheet {sheet}: the shot list is a PDF. Name it so: {sheet.with_suffix('.pdf')}."
        )
    if not re.fullmatch(r"[A-Za-z0-9]{1,8}", raw_suffix):
        raise LabError(f"--raw-suffix {raw_suffix}: give letters and digits alone, like dng.")
    if focus_error is not None and not 0 <= focus_error < float("inf"):
        raise LabError(f"--focus-error {focus_error:g}: give um, 0 or more.")
    if not -20 <= ambient_under <= 20:
        raise LabError(f"--ambient-under {ambient_under:g}: give stops from -20 to 20, like 5.")
    for name, percent, like in (("--loss", loss, "10"), ("--contrast", contrast, "20")):
        if not 0 < percent < 100:
            raise LabError(f"{name} {percent:g}: give a percentage between 0 and 100, like {like}.")
    shooting = Shooting(
        shutter_s=seconds("--shutter", shutter),
        flash_s=seconds("--flash", flash),
        ambient_under_stops=ambient_under,
        hand_speed_mm_per_s=positive("--hand-speed", hand_speed, "5"),
    )
    criteria = Criteria(
        loss_percent=loss,
        airy_pixels=positive("--airy", airy, "2"),
        detail_um=None if detail is None else positive("--detail", detail, "5"),
        contrast=contrast / 100,
    )
    found = plan_rig(
        rig,
        shooting=shooting,
        finest_step_um=None if rail is None else positive("--rail", rail, "5"),
        focus_error_um=focus_error,
    )
    others = [positive("--other-pitch", one, "3.8") for one in other_pitch or ()]
    limits = _limits(found, criteria, others, rule)
    tables = {}
    if csv is not None:
        tables = {csv: csv_text(found), limits_path(csv): limits_csv_text(criteria, limits)}
    made = _written(found, new, sheet, tables, paper, raw_suffix)
    if as_json:
        print_json({**plan_document(found, criteria, limits), "files": list(made)})
        return
    print_plan(found, criteria, limits)
    for file in made:
        typer.echo(f"Made {file}")


def _rig_of_file(path: Path, sizes: tuple[float, ...] | None) -> Rig:
    from dataclasses import replace

    from lab.errors import LabError
    from lab.session.rig_file import read_rig

    if path.is_dir():
        is_session = (path / "session.toml").exists()
        raise LabError(
            f"{path}: is a folder; a plan is made from a rig's TOML file, or from options like "
            "-m 1 -m 2 --pitch 4.35. "
            + (
                f"It holds a session, which others read: stopwise watch {path} while shooting, "
                f"stopwise measure {path} after it."
                if is_session
                else f"Name the file, or make a session there with --new {path}."
            )
        )
    rig = read_rig(path)
    return rig if sizes is None else replace(rig, magnifications=sizes)


def _bare_rig(
    sizes: tuple[float, ...] | None,
    sensor: str | None,
    pitch: float | None,
    stops: str | None,
    pupil_ratio: float | None,
    focal_length: float | None,
    name: str | None,
) -> Rig:
    from lab.errors import LabError
    from lab.session.config import Body
    from lab.session.rig import Rig, RigLens
    from lab.session.stops import exact_stop

    if sizes is None:
        raise LabError("--magnification: is missing. Give it, like -m 1 -m 2, or a rig's file.")
    marked = numbers("--stops", stops or _STOPS)
    if len(set(marked)) < len(marked):
        raise LabError(f"--stops {stops}: a stop is given twice. Give each once.")
    pitch = 4.35 if pitch is None else pitch
    pitch = pitch_um(pitch)
    return Rig(
        name=_name("Planned rig" if name is None else name),
        body=Body(
            name="Body",
            pixel_pitch_um=pitch,
            sensor_mm=sensor_mm(sensor or "36x24"),
        ),
        lens=RigLens(
            name="Lens",
            focal_length_mm=None
            if focal_length is None
            else positive("--focal-length", focal_length, "75"),
            pupil_ratio=None
            if pupil_ratio is None
            else positive("--pupil-ratio", pupil_ratio, "1"),
        ),
        magnifications=sizes,
        stops=tuple(sorted(marked, key=exact_stop)),
    )


def _name(text: str) -> str:
    from lab.errors import LabError

    if not text.strip() or not text.isprintable() or len(text) > 100:
        raise LabError(f"--name {text!r}: give one line of at most 100 plain characters.")
    return text.strip()


def _limits(
    found: Plan, criteria: Criteria, others: list[float], rules: list[str] | None
) -> tuple[ApertureLimit, ...]:
    """For each magnification the rig's own pitch, then the others."""
    from lab.inference.aperture_limits import aperture_limit
    from lab.inference.rules import DEFAULT_RULES
    from lab.session.plan_target import equivalent_stop

    body = found.rig.body
    return tuple(
        aperture_limit(
            magnification=series.magnification,
            pixel_pitch_um=pitch,
            sensor_mm=body.sensor_mm,
            widest_effective=min(p.effective_f_number for p in series.points),
            smallest_effective=max(p.effective_f_number for p in series.points),
            # Without a ring, limits are those of a symmetric lens: rules speak of no other.
            per_marked=series.optics.per_marked or 1 / equivalent_stop(1.0, series.magnification),
            wavelength_um=found.wavelength_um,
            criteria=criteria,
            rules=rules or DEFAULT_RULES,
        )
        for series in found.series
        for pitch in dict.fromkeys((body.pixel_pitch_um, *others))
    )


def _written(
    found: Plan,
    new: Path | None,
    sheet: Path | None,
    tables: Mapping[Path, str],
    paper: str,
    raw_suffix: str,
) -> tuple[str, ...]:
    """Write what was asked for; nothing that is there is overwritten."""
    from lab.errors import LabError
    from lab.session.new_session import new_session, plan_pages
    from targets import write_pdf
    from targets.files import save_bytes

    for option, path in (("--sheet", sheet), *(("--csv", path) for path in tables)):
        if path is not None and path.exists():
            raise LabError(f"{option} {path}: is there already. Name a new file.")
    made: list[str] = []
    if new is not None:
        names = new_session(new, found, paper=paper, raw_suffix=raw_suffix)
        made += [str(new / name) for name in names]
    if sheet is not None:
        write_pdf(plan_pages(found, paper=paper), sheet)
        made.append(str(sheet))
    for path, text in tables.items():
        save_bytes(text.encode(), path)
        made.append(str(path))
    return tuple(made)
