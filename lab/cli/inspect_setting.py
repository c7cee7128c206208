"""How was an inspected frame shot, and what can be said of it with as much as is known?

Each of pitch, magnification and stop serves by itself: the pitch gives cycles per mm on
the sensor, with the magnification in the subject too; magnification and stop give the
effective f-number; all three the share of diffraction's MTF50. What was asked for and
cannot be said is told with what it lacks. Options go before the session that a frame
lies in, whose pitch and pupil ratio are taken where there is no option.

Left out: the magnification and stop of a session's frame, which the assignment of all of
its frames tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from lab.cli.options import pitch_um as known_pitch_um
from lab.cli.options import positive
from lab.errors import LabError, SessionError

if TYPE_CHECKING:
    from lab.session.config import SessionConfig

__all__ = ["Shot", "read_shots"]

_WHY = {
    "-m": "the effective f-number grows with the magnification",
    "--stop": "diffraction follows from the stop",
    "--pitch": "the pitch turns pixels into mm",
}


@dataclass(frozen=True, kw_only=True)
class Shot:
    """How a frame was shot; None where it is not known.

    ``marked_stop`` is the ring's number, ``pitch_source`` in words. ``notes`` say what
    was asked for and cannot be told.
    """

    pixel_pitch_um: float | None = None
    pitch_source: str = ""
    magnification: float | None = None
    marked_stop: float | None = None
    pupil_ratio: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def missing(self) -> tuple[str, ...]:
        """Options that the share of diffraction's MTF50 still lacks."""
        known = (self.magnification, self.marked_stop, self.pixel_pitch_um)
        return tuple(o for o, value in zip(_WHY, known, strict=True) if value is None)

    @property
    def image_per_px(self) -> float | None:
        """Pixels in a mm of the sensor: cycles per mm there over cycles per pixel."""
        return None if self.pixel_pitch_um is None else 1e3 / self.pixel_pitch_um

    @property
    def object_per_px(self) -> float | None:
        """Pixels in a mm of the subject."""
        return None if self.object_um_per_px is None else 1e3 / self.object_um_per_px

    @property
    def object_um_per_px(self) -> float | None:
        """Width of a pixel in the subject. [um]."""
        if self.pixel_pitch_um is None or self.magnification is None:
            return None
        return self.pixel_pitch_um / self.magnification

    @property
    def effective_f_number(self) -> float | None:
        """At the sensor, a pupil ratio that is not known taken as 1."""
        if self.magnification is None or self.marked_stop is None:
            return None
        from lab.optics.geometry import effective_f_number
        from lab.session.stops import exact_stop

        ratio = 1.0 if self.pupil_ratio is None else self.pupil_ratio
        return float(effective_f_number(exact_stop(self.marked_stop), self.magnification, ratio))

    def diffraction(self, wavelength_um: float) -> tuple[float, float] | None:
        """Wavelength times effective f-number [px], and its relative standard uncertainty."""
        from lab.session.target_estimate import (
            PREDICTION_STD,
            PUPIL_RATIO_GUESS_STD,
            PUPIL_RATIO_STD,
        )

        n_eff, m = self.effective_f_number, self.magnification
        if n_eff is None or m is None or self.pixel_pitch_um is None:
            return None
        ratio = 1.0 if self.pupil_ratio is None else self.pupil_ratio
        ratio_std = PUPIL_RATIO_GUESS_STD if self.pupil_ratio is None else PUPIL_RATIO_STD
        std = math.hypot(PREDICTION_STD, ratio_std * m / (ratio + m))
        return wavelength_um * n_eff / self.pixel_pitch_um, std


def read_shots(
    frames: Sequence[Path],
    magnifications: Sequence[float],
    stops: Sequence[float],
    pitch_um: float | None,
    pupil_ratio: float | None,
) -> list[Shot]:
    """How each frame was shot, by the options and the session that it lies in.

    Raises
    ------
    LabError
        If an option is outside its range, or stands neither once nor once a frame.
    """
    if pitch_um is not None:
        known_pitch_um(pitch_um)
    if pupil_ratio is not None:
        positive("--pupil-ratio", pupil_ratio, "1")
    sizes = _each("--magnification", magnifications, len(frames))
    marked = _each("--stop", stops, len(frames))
    sessions: dict[Path, SessionConfig | str] = {}
    shots = []
    for path, magnification, stop in zip(frames, sizes, marked, strict=True):
        pitch, source, ratio, note = pitch_um, "--pitch", pupil_ratio, ""
        folder = _session_folder(path)
        if folder is not None and (pitch is None or ratio is None):
            if folder not in sessions:
                sessions[folder] = _session(folder)
            session = sessions[folder]
            if isinstance(session, str):
                note = session
            else:
                if pitch is None:
                    pitch, source = session.body.pixel_pitch_um, "session.toml"
                ratio = session.lens.pupil_ratio if ratio is None else ratio
        shot = Shot(
            pixel_pitch_um=pitch,
            pitch_source="" if pitch is None else source,
            magnification=magnification,
            marked_stop=stop,
            pupil_ratio=ratio,
        )
        said = (note, _lacking(shot, pupil_ratio is not None))
        shots.append(replace(shot, notes=tuple(text for text in said if text)))
    return shots


def _each(option: str, values: Sequence[float], n_frames: int) -> list[float | None]:
    """The value of each frame, from one for all or one for each."""
    for value in values:
        positive(option, value, "2" if option == "--magnification" else "5.6")
    if not values:
        return [None] * n_frames
    if len(values) not in (1, n_frames):
        raise LabError(
            f"{option}: given {len(values)} times for {n_frames} frames. Give it once for "
            "all, or once for each in their order."
        )
    return [*values] if len(values) == n_frames else [*values] * n_frames


def _session_folder(path: Path) -> Path | None:
    """Folder of the session that a frame lies in: the one whose ``frames`` holds it."""
    for folder in path.absolute().parents:
        if folder.name == "frames" and (folder.parent / "session.toml").is_file():
            return folder.parent
    return None


def _session(folder: Path) -> SessionConfig | str:
    """A session, or why its figures are not used."""
    from lab.session.config import read_session

    try:
        return read_session(folder)
    except SessionError as error:
        return f"Pitch and pupil ratio of the session are not used: {error}"


def _lacking(shot: Shot, ratio_is_given: bool) -> str:
    """What was asked for and cannot be said, with what it lacks; "" for nothing."""
    missing = shot.missing
    if shot.marked_stop is not None and missing:
        wanted, why = " and ".join(missing), " and ".join(_WHY[option] for option in missing)
        return f"The share of diffraction's MTF50 at --stop needs {wanted} too: {why}."
    if ratio_is_given and shot.effective_f_number is None:
        return "--pupil-ratio was not used: it tells the effective f-number of -m and --stop."
    if shot.magnification is not None and shot.pixel_pitch_um is None:
        return (
            "-m was not used: cycles per mm in the subject need --pitch too, the effective "
            "f-number needs --stop."
        )
    return ""
