"""Everything a planned session needs before the first frame, in one new folder.

``session.toml`` with a series for each magnification, ``target.json`` and ``target.pdf``
for the range, ``frames/`` with a folder for each series, and the shot list as
``shot-list.pdf``. Nothing that is there already is overwritten, and a plan that turns
out impossible leaves nothing behind.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from lab.errors import SessionError
from lab.optics.illumination import lighting_sentences
from lab.session.config import read_session
from lab.session.plan import Plan, PlanPoint, PlanSeries
from lab.session.plan_target import (
    SessionNumbers,
    plan_lighting,
    session_numbers,
)
from lab.session.target_need import focused_edge_um
from targets import chart_page, chart_sheet, nested_field, notes_page, write_layout, write_pdf
from targets.files import save_bytes
from targets.page import PAPERS_MM, Page
from targets.shot_list import Shot, ShotSeries, shot_list_pages
from targets.slates import Slate, slate_card

__all__ = ["new_session", "plan_pages", "session_text"]

_CAUTION = (
    "Mind flash and bright LEDs at eye distance, hot lamps, and sharp edges of glass and "
    "blades. Local rules come first."
)
_NO_DIFFUSER = "No diffuser fills so wide a cone: light the edge through a condenser of its own."
_NOTES = (
    "Print at actual size (100 %): codes stand on whole printer dots.",
    "At each stop: photograph the code, set the stop, focus, go back half the frames, then "
    "step by step, one way.",
    "Rail steps are in the subject. Meters that look through the lens have the added light in.",
    _CAUTION,
)


def folder_name(magnification: float) -> str:
    """Of a series below ``frames/``."""
    return f"{magnification:g}x"


def ring_text(point: PlanPoint) -> str:
    """A stop as the ring says it."""
    return "fixed" if point.marked_stop is None else f"f/{point.marked_stop:g}"


def session_text(plan: Plan, *, raw_suffix: str = "dng") -> str:
    """Text of a session.toml for a plan.

    Parameters
    ----------
    plan : Plan
    raw_suffix : str
        Of the camera's raw files, without a dot: letters and digits.

    Raises
    ------
    ValueError
        If the suffix is anything else.
    """
    if not re.fullmatch(r"[A-Za-z0-9]{1,8}", raw_suffix):
        raise ValueError("raw_suffix must be 1 to 8 letters and digits")
    rig, numbers = plan.rig, session_numbers(plan)
    lens = rig.lens
    focal = getattr(lens, "focal_length_mm", None)
    width, height = rig.body.sensor_mm
    lines = [
        *("[session]", f"name = {_quoted(rig.name)}", ""),
        *("[body]", f"name = {_quoted(rig.body.name)}"),
        f"pixel_pitch_um = {rig.body.pixel_pitch_um:g}",
        f"sensor_mm = [{width:g}, {height:g}]",
        *("", "[lens]", f"name = {_quoted(lens.name)}"),
        *([] if focal is None else [f"focal_length_mm = {focal:g}"]),
        _pupil_line(plan, numbers),
        'exif_f_number = "absent"  # or "marked" or "effective": what the camera writes',
        *("", "[target]", 'layout = "target.json"  # or: kind = "blade" for one long edge'),
        '# technology = "chrome-on-glass"  # how it was made: its edge spread is divided out',
    ]
    for series, stops in zip(plan.series, numbers.stops, strict=True):
        lines += _series_lines(plan, series, stops, numbers, raw_suffix)
    return "\n".join(lines) + "\n"


def _pupil_line(plan: Plan, numbers: SessionNumbers) -> str:
    """What was stated or follows from the parts; a 1 that was only taken stays a remark."""
    is_taken = getattr(plan.rig.lens, "pupil_ratio", 1.0) is None and numbers.pupil_ratio == 1
    if is_taken and not numbers.is_equivalent:
        return "# pupil_ratio = 1.0  # exit over entrance pupil: compare their widths, state it"
    return f"pupil_ratio = {numbers.pupil_ratio:g}  # of the whole rig, as planned; fit measures it"


def _quoted(name: str) -> str:
    """A basic string of TOML, which JSON's are too."""
    return json.dumps(name, ensure_ascii=False)


def _series_lines(
    plan: Plan,
    series: PlanSeries,
    stops: Sequence[float],
    numbers: SessionNumbers,
    raw_suffix: str,
) -> list[str]:
    points = series.shot_points
    steps = [f"{point.focus_step_um:g}" for point in points]
    step = steps[0] if len(set(steps)) == 1 else f"[{', '.join(steps)}]"
    name = folder_name(series.magnification)
    lines = ["", "[[series]]"]
    if numbers.is_equivalent:
        lines.append(
            "# numbers that make the planned cones with pupil ratio 1, for: "
            + ", ".join(map(ring_text, points))
        )
    return [
        *lines,
        f"magnification = {series.magnification:g}",
        f"stops = [{', '.join(f'{stop:g}' for stop in stops)}]",
        f"frames_per_stop = {series.frames_per_stop}",
        f"focus_step_um = {step}  # of the rail, for each stop; 0 = rocked by hand",
        f'frames = "{name}/*.{raw_suffix}"',
    ]


def plan_pages(plan: Plan, *, paper: str = "A4") -> tuple[Page, ...]:
    """Shot list of a plan, to print.

    Parameters
    ----------
    plan : Plan
    paper : str
        "A4" or "Letter".

    Raises
    ------
    ValueError
        If the paper is unknown.
    TargetError
        If a slate says what no code can hold, or is too blurred to be read.
    """
    numbers = session_numbers(plan)
    blocks = []
    for series, stops in zip(plan.series, numbers.stops, strict=True):
        shots = [
            Shot(
                card=slate_card(
                    Slate(magnification=float(f"{series.magnification:g}"), marked_stop=stop),
                    sensor_mm=plan.rig.body.sensor_mm,
                    blur_sigma_object_um=focused_edge_um(
                        effective_f_number=point.effective_f_number,
                        magnification=series.magnification,
                        pixel_pitch_um=plan.rig.body.pixel_pitch_um,
                    ),
                ),
                stop=ring_text(point),
                effective_f_number=point.effective_f_number,
                focus_step_um=point.focus_step_um,
                frames=series.frames_per_stop,
                added_stops=point.added_stops,
            )
            for point, stop in zip(series.shot_points, stops, strict=True)
        ]
        name = folder_name(series.magnification)
        blocks.append(
            ShotSeries(
                heading=f"{name}, frames to frames/{name}",
                setting=(setting_text(series),),
                shots=tuple(shots),
            )
        )
    return shot_list_pages(blocks, name=plan.rig.name, notes=_NOTES, paper=paper)


def setting_text(series: PlanSeries) -> str:
    """How the rig is set to a magnification, in one sentence."""
    optics = series.optics
    width, height = series.field_mm
    said = [f"field {width:.3g} x {height:.3g} mm"]
    if optics.working_distance_mm is not None:
        said.append(f"subject {optics.working_distance_mm:.0f} mm from the lens")
    if optics.bellows_mm is not None:
        said.append(f"bellows out {optics.bellows_mm:.0f} mm")
    elif optics.extension_mm:
        said.append(f"extension {optics.extension_mm:.0f} mm")
    if optics.own_magnification > 0:
        said.append(f"lens focused to {optics.own_magnification:.3g}x")
    text = ", ".join(said)
    return f"{text[0].upper()}{text[1:]}."


def new_session(
    folder: Path, plan: Plan, *, paper: str = "A4", raw_suffix: str = "dng"
) -> tuple[str, ...]:
    """Make a session folder for a plan.

    Parameters
    ----------
    folder : Path
        New or empty.
    plan : Plan
    paper : str
        "A4" or "Letter", of the shot list; the chart takes what it needs.
    raw_suffix : str
        Of the camera's raw files, without a dot.

    Returns
    -------
    tuple of str
        What was made, relative to the folder.

    Raises
    ------
    SessionError
        If the folder holds anything already.
    TargetError
        If no chart or slate can be made for the plan.
    ValueError
        If paper or suffix are unknown.
    """
    if paper not in PAPERS_MM:
        raise ValueError(f"paper must be one of {', '.join(PAPERS_MM)}")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise SessionError(f"{folder}: is there already and not empty. Name a new folder.")
    body = plan.rig.body
    sizes = [series.magnification for series in plan.series]
    field = nested_field(
        magnification_low=min(sizes),
        magnification_high=max(sizes),
        sensor_width_mm=body.sensor_mm[0],
        sensor_height_mm=body.sensor_mm[1],
        name="chart",
    )
    layout = chart_sheet([field], name="chart", paper=None)
    advice = plan_lighting(plan)
    lit = (_NO_DIFFUSER, _CAUTION) if advice is None else lighting_sentences(advice)
    about = notes_page("Chart: before you print", lit, paper=paper)
    with TemporaryDirectory() as elsewhere:
        made = Path(elsewhere)
        write_layout(layout, made / "target.json")
        write_pdf((chart_page(layout), about), made / "target.pdf")
        write_pdf(plan_pages(plan, paper=paper), made / "shot-list.pdf")
        save_bytes(session_text(plan, raw_suffix=raw_suffix).encode(), made / "session.toml")
        for m in sizes:
            (made / "frames" / folder_name(m)).mkdir(parents=True)
        read_session(made)  # what we write, we read
        files = sorted(path.name for path in made.iterdir() if path.is_file())
        shutil.copytree(made, folder, dirs_exist_ok=True)
    return (*files, *(f"frames/{folder_name(m)}/" for m in sizes))
