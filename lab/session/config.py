"""What does session.toml say: which rig, and which series were shot?

``read_session`` reads the file and checks all of it; whatever is wrong is a
``SessionError`` that names the file, the table and key, and the mend. Units are in
the keys. ``frames`` patterns are relative to ``frames/``, use ``/`` on every system,
ignore case, and know ``*``, ``?``, ``[abc]`` and ``**`` (any number of folders).

Left out: whether the frames and the target's layout record exist; those who open them
say so.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from zipfile import is_zipfile

from lab.errors import SessionError
from lab.optics.system import DEFAULT_WAVELENGTH_UM
from lab.session.text_file import read_text, shown
from lab.session.toml_table import Table, whole_table
from lab.session.trial_config import TRIAL_KEYS, Trial, read_trial
from targets.technology import TECHNOLOGIES

__all__ = [
    "Body",
    "Lens",
    "Light",
    "Series",
    "SessionConfig",
    "Target",
    "parse_session",
    "read_session",
]

_EXIF_F_NUMBERS = ("absent", "marked", "effective")
# Silicon answers from about 0.2 to 1.1 um (from memory). The limits only catch wrong units.
_WAVELENGTH_LIMITS_UM = (0.2, 1.2)


@dataclass(frozen=True, kw_only=True)
class Body:
    """Camera body: pixel pitch [um] and sensor width and height [mm], all > 0."""

    name: str
    pixel_pitch_um: float
    sensor_mm: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Lens:
    """Lens or extension setup.

    ``focal_length_mm``, ``pupil_ratio`` (exit over entrance pupil diameter) and
    ``blades`` (>= 3) are None where the session leaves them out. ``exif_f_number``
    says what the camera writes at close range: "absent" (the default), "marked" (the
    ring's number) or "effective" (what reaches the sensor).
    """

    name: str
    focal_length_mm: float | None = None
    pupil_ratio: float | None = None
    blades: int | None = None
    exif_f_number: str = "absent"


@dataclass(frozen=True, kw_only=True)
class Light:
    """Effective wavelength of each raw colour [um] and where it comes from.

    A colour that session.toml leaves out has the default of
    ``lab.optics.system.DEFAULT_WAVELENGTH_UM``, whose source stands there.
    """

    red_um: float
    green_um: float
    blue_um: float
    source: str  # "session.toml", "default", or both where some colours are given

    @property
    def wavelength_um(self) -> dict[str, float]:
        """Wavelengths by channel name."""
        return {"red": self.red_um, "green": self.green_um, "blue": self.blue_um}


@dataclass(frozen=True, kw_only=True)
class Target:
    """What was photographed: a layout record, or one long edge (``layout`` None).

    ``technology`` is a key of ``targets.technology.TECHNOLOGIES`` or None. It gives
    ``edge_blur_um`` and ``edge_blur_std_um``, each where session.toml does not state it;
    without either the edge counts as perfect. A stated blur is divided out.
    """

    kind: str  # "layout" or "blade"
    layout: str | None = None  # path relative to the session folder
    technology: str | None = None  # how the target was made
    edge_blur_um: float = 0.0  # standard deviation of the edge's own spread, object side
    edge_blur_std_um: float = 0.0  # its standard uncertainty


@dataclass(frozen=True, kw_only=True)
class Series:
    """One magnification, shot at every stop.

    ``magnification`` is nominal. ``stops`` are the ring's numbers in the order they
    were shot. ``focus_steps_um`` are the object-side rail steps between frames [um], one
    for each stop; 0 = rocked by hand, order unknown. session.toml may give one number for
    all stops; without any they are 0. ``light`` is a free word for the light it was shot
    in, "" if not given. A ``trial`` is a series of one stop under several conditions.

    Raises
    ------
    ValueError
        If there is not one step for each stop.
    """

    magnification: float
    stops: tuple[float, ...]
    frames_per_stop: int
    frames: str
    focus_steps_um: tuple[float, ...]
    light: str = ""
    trial: Trial | None = None

    def __post_init__(self) -> None:
        if len(self.focus_steps_um) != len(self.stops):
            raise ValueError("focus_steps_um must hold one step for each stop")

    def focus_step_um(self, stop: float) -> float:
        """Rail step at a stop [um]; 0 where it was rocked by hand or is not listed."""
        steps = dict(zip(self.stops, self.focus_steps_um, strict=True))
        return steps.get(stop, 0.0)


@dataclass(frozen=True, kw_only=True)
class SessionConfig:
    """All of session.toml; trials come last among the series."""

    name: str
    body: Body
    lens: Lens
    light: Light
    target: Target
    series: tuple[Series, ...]

    @property
    def brackets(self) -> tuple[Series, ...]:
        """Series of focus brackets, in the order of session.toml."""
        return tuple(series for series in self.series if series.trial is None)

    @property
    def trials(self) -> tuple[Series, ...]:
        """Trials as series of one stop, in the order of session.toml."""
        return tuple(series for series in self.series if series.trial is not None)


def read_session(folder: Path) -> SessionConfig:
    """Read and check ``folder/session.toml``.

    Parameters
    ----------
    folder : Path
        Session folder.

    Returns
    -------
    SessionConfig

    Raises
    ------
    SessionError
        If the folder or the file is missing, or anything in the file is wrong.
    """
    if folder.is_file():
        bundle = " A bundle is read by stopwise report and compare." if is_zipfile(folder) else ""
        raise SessionError(
            f"{folder}: is a file. Give the session's folder, the one that holds session.toml."
            f"{bundle}"
        )
    if not folder.is_dir():
        raise SessionError(
            f"{folder}: there is no such folder. Give the folder that holds session.toml."
        )
    path = folder / "session.toml"
    if not path.exists():
        raise SessionError(
            f"{folder}: there is no session.toml in it. Write one that describes the rig and "
            "the series, or give the folder that holds it."
        )
    return parse_session(read_text(path), str(path))


def parse_session(text: str, file: str) -> SessionConfig:
    """Check the text of a session.toml.

    Parameters
    ----------
    text : str
        TOML.
    file : str
        Name of the file, for the messages.

    Returns
    -------
    SessionConfig

    Raises
    ------
    SessionError
        If anything in the text is wrong.
    """
    top = whole_table(text, file, ("session", "body", "lens", "light", "target", "series", "trial"))
    session = top.table("session", ("name",))
    return SessionConfig(
        name=session.text("name"),
        body=_body(top.table("body", ("name", "pixel_pitch_um", "sensor_mm"))),
        lens=_lens(
            top.table("lens", ("name", "focal_length_mm", "pupil_ratio", "blades", "exif_f_number"))
        ),
        light=_light(top.table("light", ("wavelength_um",), optional=True)),
        target=_target(
            top.table(
                "target", ("layout", "kind", "technology", "edge_blur_um", "edge_blur_std_um")
            )
        ),
        series=(*_series(top), *_trials(top)),
    )


def _body(table: Table) -> Body:
    mend = "Write sensor_mm = [width, height] in mm."
    sensor_mm = table.numbers("sensor_mm", mend)
    if len(sensor_mm) != 2:
        table.fail("sensor_mm", f"must hold two numbers, not {len(sensor_mm)}", mend)
    pitch_um = table.number("pixel_pitch_um")
    if not 0.5 <= pitch_um <= 50:
        table.fail(
            "pixel_pitch_um",
            f"must lie between 0.5 and 50, not {pitch_um:g}",
            "It is in um: 4.35, not 4350 or 0.00435.",
        )
    return Body(
        name=table.text("name"),
        pixel_pitch_um=pitch_um,
        sensor_mm=(sensor_mm[0], sensor_mm[1]),
    )


def _lens(table: Table) -> Lens:
    exif = table.text("exif_f_number") if "exif_f_number" in table.values else "absent"
    if exif not in _EXIF_F_NUMBERS:
        table.fail(
            "exif_f_number",
            f"must be one of {', '.join(_EXIF_F_NUMBERS)}, not {shown(exif)}",
            'Write "absent" for a lens without contacts.',
        )
    return Lens(
        name=table.text("name"),
        focal_length_mm=table.number("focal_length_mm")
        if "focal_length_mm" in table.values
        else None,
        pupil_ratio=table.number("pupil_ratio") if "pupil_ratio" in table.values else None,
        blades=table.whole("blades", 3) if "blades" in table.values else None,
        exif_f_number=exif,
    )


def _light(table: Table) -> Light:
    given = table.table("wavelength_um", DEFAULT_WAVELENGTH_UM, optional=True)
    wavelength_um = dict(DEFAULT_WAVELENGTH_UM)
    low, high = _WAVELENGTH_LIMITS_UM
    for colour in given.values:
        wavelength_um[colour] = given.number(colour)
        if not low <= wavelength_um[colour] <= high:
            given.fail(
                colour,
                f"must lie between {low:g} and {high:g} um, not {wavelength_um[colour]:g}",
                "Write micrometres: 530 nm is 0.530.",
            )
    if not given.values:
        source = "default"
    elif len(given.values) == len(wavelength_um):
        source = "session.toml"
    else:
        source = f"session.toml ({', '.join(given.values)}), default for the rest"
    return Light(
        red_um=wavelength_um["red"],
        green_um=wavelength_um["green"],
        blue_um=wavelength_um["blue"],
        source=source,
    )


def _target(table: Table) -> Target:
    mend = 'Write either layout = "target.json" or kind = "blade".'
    known = {"layout", "kind"} & set(table.values)
    if len(known) != 1:
        wrong = "layout and kind exclude each other" if known else "both are missing"
        table.fail("layout, kind", wrong, mend)
    technology, blur, blur_std = _target_edge(table)
    layout = None
    if "layout" in known:
        layout = table.inside("layout", "the session folder", "Copy the record there and name it.")
    elif table.text("kind") != "blade":
        table.fail("kind", f"must be blade, not {shown(table.values['kind'])}", mend)
    return Target(
        kind="blade" if layout is None else "layout",
        layout=layout,
        technology=technology,
        edge_blur_um=blur,
        edge_blur_std_um=blur_std,
    )


def _target_edge(table: Table) -> tuple[str | None, float, float]:
    """Technology, blur and its uncertainty; what is not stated comes from the technology."""
    technology, blur, blur_std = None, 0.0, 0.0
    if "technology" in table.values:
        technology = table.text("technology")
        if technology not in TECHNOLOGIES:
            table.fail(
                "technology",
                f"must be one of {', '.join(TECHNOLOGIES)}, not {shown(technology)}",
                "Name how the target was made, or leave the key out.",
            )
        blur, blur_std = TECHNOLOGIES[technology].blur_um, TECHNOLOGIES[technology].blur_std_um
    if "edge_blur_um" in table.values:
        blur = table.number("edge_blur_um")
    if "edge_blur_std_um" in table.values:
        blur_std = table.number("edge_blur_std_um")
        if not blur:
            table.fail(
                "edge_blur_std_um", "has no edge_blur_um beside it", "State the blur itself too."
            )
    return technology, blur, blur_std


def _series(top: Table) -> tuple[Series, ...]:
    tables = top.values.get("series")
    if tables is None and "trial" in top.values:
        return ()
    if not isinstance(tables, list) or not tables:
        top.fail(
            "[[series]]",
            "at least one series is needed",
            "Write a table [[series]], in double brackets, for each magnification.",
        )
    known = ("magnification", "stops", "frames_per_stop", "focus_step_um", "frames", "light")
    return tuple(
        _one_series(Table(top.file, f"[[series]] ({i} of {len(tables)})", values, known))
        for i, values in enumerate(tables, start=1)
    )


def _trials(top: Table) -> tuple[Series, ...]:
    tables = top.values.get("trial", [])
    if not isinstance(tables, list):
        top.fail("[[trial]]", "is no list of tables", "Write it in double brackets.")
    found: list[Series] = []
    for i, values in enumerate(tables, start=1):
        table = Table(top.file, f"[[trial]] ({i} of {len(tables)})", values, TRIAL_KEYS)
        trial = read_trial(table, i)
        if any(trial.name == one.trial.name for one in found if one.trial):
            table.fail("name", f"two trials are called {shown(trial.name)}", "Name each its own.")
        found.append(
            Series(
                magnification=table.number("magnification"),
                stops=(table.number("stop"),),
                frames_per_stop=trial.frames_per_condition * len(trial.conditions),
                focus_steps_um=(0.0,),
                frames=_frames_pattern(table),
                trial=trial,
            )
        )
    return tuple(found)


def _one_series(table: Table) -> Series:
    mend = "Write stops = [2.8, 4, 5.6], the ring's numbers in the order they were shot."
    stops = table.numbers("stops", mend)
    if not stops:
        table.fail("stops", "is empty", mend)
    twice = [stop for stop, n in Counter(stops).items() if n > 1]
    if twice:
        table.fail(
            "stops",
            f"{', '.join(f'{stop:g}' for stop in twice)} stands there more than once",
            "Name each stop once; frames_per_stop says how many frames each has.",
        )
    return Series(
        magnification=table.number("magnification"),
        stops=stops,
        frames_per_stop=table.whole("frames_per_stop", 1),
        focus_steps_um=_focus_steps_um(table, len(stops)),
        frames=_frames_pattern(table),
        light=table.text("light") if "light" in table.values else "",
    )


def _focus_steps_um(table: Table, n_stops: int) -> tuple[float, ...]:
    """One step for each stop, from a number for all or a list."""
    key = "focus_step_um"
    value = table.values.get(key, 0.0)
    if not isinstance(value, list):
        return (table.as_number(key, value, zero=True),) * n_stops
    if len(value) != n_stops:
        table.fail(
            key,
            f"lists {len(value)} steps, and stops lists {n_stops}",
            "Write one step for each stop in the same order, or one number for all.",
        )
    return tuple(table.as_number(key, step, zero=True) for step in value)


def _frames_pattern(table: Table) -> str:
    pattern = table.inside(
        "frames", "frames/", 'Write a pattern below frames/, such as "2x/*.dng".'
    )
    if any("**" in part and part != "**" for part in pattern.split("/")):
        table.fail(
            "frames",
            f"has ** beside other characters: {shown(pattern)}",
            "Let ** stand alone between slashes, or write a single *.",
        )
    return pattern
