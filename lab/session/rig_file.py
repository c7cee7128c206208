"""What does RIG.toml say of a rig?

``[rig]`` holds the name, the magnifications and the stops to be shot; ``[body]`` and
``[lens]`` are those of session.toml with a few keys more; each ``[[part]]`` is something
added, named by ``kind``. Parts may stand in any order. Whatever is wrong is a
``SessionError`` that names the file, the table and key, and the mend.

    [rig]
    name = "Bellows rig"
    magnifications = [1, 2, 3]       # left out: the ends of what the parts give
    stops = [2.8, 4, 5.6, 8, 11, 16]
    [body]
    name = "Club body"
    pixel_pitch_um = 4.35
    sensor_mm = [35.9, 23.9]
    flange_mm = 18                   # for reversed and barrel lenses, and objectives
    [lens]
    name = "Enlarger 75"
    focal_length_mm = 75
    mount = "reversed"               # or "body" (the default) or "barrel"
    [[part]]
    kind = "bellows"
    shortest_mm = 40
    longest_mm = 190
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import NamedTuple

from lab.errors import SessionError
from lab.optics import rigs
from lab.session.config import Body
from lab.session.rig import (
    ENGRAVED_IMAGE_MM,
    Front,
    Objective,
    Rig,
    RigLens,
    reach,
    rig_optics,
)
from lab.session.stops import exact_stop
from lab.session.text_file import read_text, shown
from lab.session.toml_table import Table, whole_table

__all__ = ["parse_rig", "read_rig"]

_TABLES = ("rig", "body", "lens", "part")
_MOUNTS = ("body", "reversed", "barrel")
_LENS = (
    *("name", "focal_length_mm", "pupil_ratio", "mount", "seat_mm", "front_mm"),
    *("closest_magnification", "closest_focal_length_mm", "closest_distance_mm"),
)
_OBJECTIVE = ("name", "numerical_aperture", "nominal_magnification", "image_distance_mm")
_PARTS = {
    "tube": ("length_mm",),
    "bellows": ("shortest_mm", "longest_mm"),
    "close-up": ("dioptres", "gap_mm"),
    "front-lens": ("focal_length_mm", "f_number", "gap_mm", "working_distance_mm"),
    "objective": (
        *("nominal_magnification", "numerical_aperture", "tube_lens_mm", "gap_mm"),
        "working_distance_mm",
    ),
    "teleconverter": ("factor",),
}


def read_rig(path: Path) -> Rig:
    """Read and check RIG.toml.

    Parameters
    ----------
    path : Path

    Raises
    ------
    SessionError
        If the file is missing, or anything in it is wrong.
    """
    if not path.exists():
        raise SessionError(f"{path}: there is no such file. Give a rig's TOML file.")
    return parse_rig(read_text(path), str(path))


def parse_rig(text: str, file: str) -> Rig:
    """Check the text of a RIG.toml.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        Name of the file, for the messages.

    Raises
    ------
    SessionError
        If anything in the text is wrong.
    """
    top = whole_table(text, file, _TABLES)
    table = top.table("rig", ("name", "magnifications", "stops"))
    body, flange_mm = _body(top.table("body", ("name", "pixel_pitch_um", "sensor_mm", "flange_mm")))
    is_objective = _holds(top.values.get("lens"), "numerical_aperture")
    lens_table = top.table("lens", _OBJECTIVE if is_objective else _LENS)
    lens = _objective(lens_table) if is_objective else _lens(lens_table)
    parts = _parts(top)
    rig = Rig(
        name=table.text("name"),
        body=body,
        lens=lens,
        magnifications=(),
        stops=_stops(table, lens),
        tube_mm=parts.tube_mm,
        bellows_mm=parts.bellows_mm,
        flange_mm=flange_mm,
        converter=parts.converter,
        front=parts.front,
    )
    _check_together(rig, top, lens_table)
    return Rig(**{**vars(rig), "magnifications": _magnifications(rig, table)})


def _holds(table: object, key: str) -> bool:
    return isinstance(table, dict) and key in table


def _body(table: Table) -> tuple[Body, float | None]:
    mend = "Write sensor_mm = [width, height] in mm."
    sensor = table.numbers("sensor_mm", mend)
    if len(sensor) != 2:
        table.fail("sensor_mm", f"must hold two numbers, not {len(sensor)}", mend)
    pitch = table.number("pixel_pitch_um")
    if not 0.5 <= pitch <= 50:
        wrong = f"must lie between 0.5 and 50, not {pitch:g}"
        table.fail("pixel_pitch_um", wrong, "It is in um: 4.35, not 4350 or 0.00435.")
    body = Body(name=table.text("name"), pixel_pitch_um=pitch, sensor_mm=(sensor[0], sensor[1]))
    return body, _optional(table, "flange_mm")


def _optional(table: Table, key: str) -> float | None:
    return table.number(key) if key in table.values else None


def _length(table: Table, key: str) -> float:
    return table.as_number(key, table.values.get(key, 0.0), zero=True)


def _signed(table: Table, key: str) -> float:
    """A number of either sign, 0 where it is left out."""
    value = table.values.get(key, 0.0)
    is_below = isinstance(value, int | float) and not isinstance(value, bool) and value < 0
    size = table.as_number(key, -value if is_below else value, zero=True)  # type: ignore[operator]
    return -size if is_below else size


def _lens(table: Table) -> RigLens:
    mount = table.text("mount") if "mount" in table.values else "body"
    if mount not in _MOUNTS:
        wrong = f"must be one of {', '.join(_MOUNTS)}, not {shown(mount)}"
        table.fail("mount", wrong, 'Write "reversed" for a lens turned round.')
    if mount == "body" and "seat_mm" in table.values:
        table.fail("seat_mm", "goes with mount reversed or barrel", "Take it out.")
    focal = _optional(table, "focal_length_mm")
    near, near_focal = _closest(table, focal)
    if near is not None and mount != "body":
        table.fail(
            "closest_magnification", f"a {mount} lens is not focused by its mount", "Take it out."
        )
    return RigLens(
        name=table.text("name"),
        focal_length_mm=focal,
        pupil_ratio=_optional(table, "pupil_ratio"),
        closest_magnification=near,
        closest_focal_length_mm=near_focal,
        is_reversed=mount == "reversed",
        is_barrel=mount == "barrel",
        seat_mm=_signed(table, "seat_mm"),
        front_mm=_length(table, "front_mm"),
    )


def _closest(table: Table, focal: float | None) -> tuple[float | None, float | None]:
    """What the lens's own focusing reaches, and its focal length there if that is known."""
    near = _optional(table, "closest_magnification")
    keys = [k for k in ("closest_focal_length_mm", "closest_distance_mm") if k in table.values]
    if len(keys) > 1:
        table.fail(", ".join(keys), "exclude each other", "Keep the one that you know better.")
    if near is None:
        if keys:
            table.fail(keys[0], "has no closest_magnification beside it", "State that too.")
        return None, None
    if focal is None:
        table.fail("focal_length_mm", "missing", "A lens that focuses itself needs it.")
    if not keys:
        return near, None
    value = table.number(keys[0])
    is_distance = keys[0] == "closest_distance_mm"
    near_focal = rigs.focal_length_at_distance(value, near) if is_distance else value
    if not near_focal <= focal * 1.1:
        table.fail(
            keys[0],
            f"makes the lens {near_focal:.4g} mm long at its closest, longer than {focal:g}",
            "Distances count from the subject to the sensor; check both.",
        )
    return near, near_focal


def _objective(table: Table) -> Objective:
    return Objective(
        name=table.text("name"),
        numerical_aperture=_aperture(table),
        nominal_magnification=table.number("nominal_magnification"),
        image_distance_mm=_optional(table, "image_distance_mm") or ENGRAVED_IMAGE_MM,
    )


def _aperture(table: Table) -> float:
    aperture = table.number("numerical_aperture")
    if not aperture < 1:
        wrong = f"must be below 1 in air, not {aperture:g}"
        table.fail("numerical_aperture", wrong, "It is the 0.28 beside the magnification.")
    return aperture


def _stops(table: Table, lens: RigLens | Objective) -> tuple[float, ...]:
    mend = "Write stops = [2.8, 4, 5.6], numbers on the ring."
    if isinstance(lens, Objective):
        if "stops" in table.values:
            table.fail("stops", "an objective has no ring", "Take the key out.")
        return ()
    stops = table.numbers("stops", mend)
    if not stops:
        table.fail("stops", "is empty", mend)
    twice = [f"{stop:g}" for stop, n in Counter(stops).items() if n > 1]
    if twice:
        table.fail("stops", f"{', '.join(twice)} stands there more than once", "Name each once.")
    return tuple(sorted(stops, key=exact_stop))


class _Parts(NamedTuple):
    tube_mm: float
    bellows_mm: tuple[float, float] | None
    converter: float
    front: Front | None


def _parts(top: Table) -> _Parts:
    tables = top.values.get("part", [])
    if not isinstance(tables, list):
        top.fail("[part]", "must stand in double brackets", "Write [[part]] for each part.")
    tube, bellows, converter, dioptres, gap = 0.0, None, 1.0, 0.0, 0.0
    front: Front | None = None
    for i, values in enumerate(tables, start=1):
        table, kind = _part(top, i, len(tables), values)
        if kind == "tube":
            tube += table.number("length_mm")
        elif kind == "bellows":
            if bellows is not None:
                table.fail("kind", "there are bellows already", "Give both as one.")
            bellows = _length(table, "shortest_mm"), table.number("longest_mm")
            if not bellows[0] < bellows[1]:
                table.fail("longest_mm", "must be more than shortest_mm", "Swap or mend them.")
        elif kind == "teleconverter":
            converter *= table.number("factor")
            if not converter >= 1:
                table.fail("factor", f"must be 1 or more, not {converter:g}", "Write 1.4 or 2.")
        else:
            if front is not None or (dioptres and kind != "close-up"):
                table.fail("kind", "another part stands before the lens already", "Keep one.")
            if kind == "close-up":
                dioptres += table.number("dioptres")
                gap = max(gap, _length(table, "gap_mm"))
            else:
                front = _front(table, kind)
    if dioptres:
        if front is not None:
            top.fail("[[part]]", "a close-up lens and a front lens stand together", "Keep one.")
        front = Front(
            kind="close-up", focal_length_mm=rigs.front_focal_length(dioptres), gap_mm=gap
        )
    return _Parts(tube, bellows, converter, front)


def _part(top: Table, i: int, n: int, values: object) -> tuple[Table, str]:
    place = f"[[part]] ({i} of {n})"
    kind = values.get("kind") if isinstance(values, dict) else None
    known = _PARTS[kind] if isinstance(kind, str) and kind in _PARTS else None
    if known is None:
        every = sorted({key for keys in _PARTS.values() for key in keys})
        table = Table(top.file, place, values, ("kind", *every))
        table.needed("kind", f"Write one of {', '.join(_PARTS)}.")
        table.fail("kind", f"is {shown(kind)}", f"Write one of {', '.join(_PARTS)}.")
    return Table(top.file, place, values, ("kind", *known)), str(kind)


def _front(table: Table, kind: str) -> Front:
    if kind == "front-lens":
        return Front(
            kind="front-lens",
            focal_length_mm=table.number("focal_length_mm"),
            gap_mm=_length(table, "gap_mm"),
            f_number=table.number("f_number"),
            working_distance_mm=_optional(table, "working_distance_mm"),
        )
    return Front(
        kind="objective",
        focal_length_mm=rigs.objective_focal_length(
            table.number("nominal_magnification"), table.number("tube_lens_mm")
        ),
        gap_mm=_length(table, "gap_mm"),
        f_number=rigs.aperture_f_number(_aperture(table), 1.0),
        working_distance_mm=_optional(table, "working_distance_mm"),
    )


def _check_together(rig: Rig, top: Table, lens_table: Table) -> None:
    """Refuse parts that go together in no way that is known here."""
    lens = rig.lens
    has_length = rig.bellows_mm is not None or rig.tube_mm > 0
    is_bare = isinstance(lens, Objective) or lens.is_bare
    if isinstance(lens, Objective) and rig.front is not None:
        top.fail("[[part]]", "nothing stands before an objective", "Give it as a part instead.")
    if isinstance(lens, RigLens) and lens.focal_length_mm is None and (has_length or rig.front):
        lens_table.fail("focal_length_mm", "missing", "The parts' effect hangs on it.")
    if is_bare and has_length and rig.flange_mm is None:
        top.fail(
            "[body] flange_mm",
            "missing, and this lens has no mount that focuses infinity",
            "Write the distance from the body's mount to its sensor, in mm.",
        )
    if is_bare and not has_length and rig.front is not None:
        top.fail("[[part]]", "nothing says how far the lens is", "Add its tube or bellows.")
    gap = 0.0 if rig.front is None else rig.front.gap_mm
    if isinstance(lens, RigLens) and lens.focal_length_mm is not None and gap:
        nearest = min(lens.focal_length_mm, lens.closest_focal_length_mm or lens.focal_length_mm)
        if not gap < nearest:
            wrong = f"must be below the lens's focal length, {nearest:g}, not {gap:g}"
            top.fail("[[part]] gap_mm", wrong, "Correct it.")


def _magnifications(rig: Rig, table: Table) -> tuple[float, ...]:
    if "magnifications" in table.values:
        mend = "Write magnifications = [1, 2]."
        found = table.numbers("magnifications", mend)
        if not found or len({f"{m:g}" for m in found}) < len(found):
            wrong = "names one twice" if found else "is empty"
            table.fail("magnifications", wrong, mend)
        try:
            for m in found:
                rig_optics(rig, m)
        except SessionError as error:
            raise SessionError(f"{table.file}, {table.place} magnifications: {error}") from None
        return tuple(sorted(found))
    low, high = reach(rig)
    if not high < float("inf"):
        table.fail("magnifications", "missing", "Write magnifications = [1, 2].")
    ends = dict.fromkeys(float(f"{m:.4g}") for m in (low, high) if m >= 0.05)
    if not ends:
        table.fail("magnifications", f"these parts give {high:.2g}x at most", "Add extension.")
    return tuple(ends)
