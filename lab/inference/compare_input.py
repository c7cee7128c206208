"""What does a comparison need of a measured session, and is that small?

A kept result is mostly what its report draws: frames, curves, places. ``KeptSession`` holds
what a comparison reads, some tens of kilobytes, so that a thousand sessions fit into memory;
``compared_result`` reads a kept result without the rest, which it does not look at.

Leaves out files: sessions and bundles are read by ``lab.session.compared_session``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from lab.errors import LabError
from lab.inference.compare_curves import SizeCurve, size_curves
from lab.inference.result_json import from_plain
from lab.inference.results import SessionResult, is_simulated
from lab.session.config import SessionConfig, Target

__all__ = ["KeptSession", "compared_result", "kept_session", "lacks_tables"]

_SHA256 = re.compile("[0-9a-f]{64}")
# Of a result's records, by where they stand: what no comparison reads.
_OF_POINT = ("focus_samples", "focus_curve_um", "focus_curve_mtf50", "mtf_std", "diffraction_mtf")
_OF_LENS_SERIES = (
    "residuals",
    "field",
    "rules",
    "channels",
    "curve_contrast",
    "curve_contrast_std",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class KeptSession:
    """A session as a comparison knows it.

    Attributes
    ----------
    name, lens_name, body_name, channel, light_source : str
    pixel_pitch_um, wavelength_um : float
    provenance : dict
    pupil : str
        "measured", "assumed" or "stated".
    losses : str
        Permitted losses that its report was made with.
    flags : frozenset of str
        Of session, magnifications and stops.
    describes : bool
        The model of its lens describes its frames.
    target : Target or None
        None where no session.toml is at hand.
    sensor_width_mm : float or None
        Likewise.
    sizes : tuple of SizeCurve
        The magnifications of which a stop was measured.
    simulated : bool
        Its frames were computed.
    frames : frozenset of int
        The first 64 bits of each frame's SHA-256, trials' included; empty where not known.
    source : str
        The last part of its folder's or bundle's name.
    """

    name: str
    lens_name: str
    body_name: str
    channel: str
    light_source: str
    pixel_pitch_um: float
    wavelength_um: float
    provenance: dict[str, str]
    pupil: str
    losses: str
    flags: frozenset[str]
    describes: bool
    target: Target | None
    sensor_width_mm: float | None
    sizes: tuple[SizeCurve, ...]
    simulated: bool = False
    frames: frozenset[int] = frozenset()
    source: str = ""


def kept_session(
    result: SessionResult,
    config: SessionConfig | None = None,
    *,
    hashes: Iterable[str] = (),
    source: str = "",
) -> KeptSession:
    """What a comparison needs of a result.

    Parameters
    ----------
    result : SessionResult
    config : SessionConfig, optional
        The session.toml, where it is at hand.
    hashes : iterable of str
        SHA-256 of its frames, hexadecimal; whatever is none is passed over.
    source : str
        The last part of its folder's or bundle's name.

    Raises
    ------
    LabError
        If its figures make no sense, as those of a file from elsewhere may.
    """
    try:
        sizes = size_curves(result, config)
    except (ArithmeticError, LookupError, TypeError, ValueError) as error:
        raise LabError(
            f"{result.name[:60]}: its figures make no sense ({error}). Ask for the file again, or "
            "measure again: stopwise measure."
        ) from error
    flags = set(result.flags)
    for series in result.series:
        flags.update(series.flags, *(point.flags for point in series.points))
    return KeptSession(
        name=result.name,
        lens_name=result.lens_name,
        body_name=result.body_name,
        channel=result.channel,
        light_source=result.light_source,
        pixel_pitch_um=result.pixel_pitch_um,
        wavelength_um=result.wavelength_um,
        provenance=dict(result.provenance),
        pupil=_pupil(result),
        losses=", ".join(sorted({f"{series.loss_percent:g} %" for series in result.series})),
        flags=frozenset(flags),
        describes=result.lens is not None and result.lens.describes,
        target=None if config is None else config.target,
        sensor_width_mm=None if config is None else max(config.body.sensor_mm),
        sizes=sizes,
        simulated=is_simulated(result),
        frames=frozenset(int(one[:16], 16) for one in hashes if _SHA256.fullmatch(one)),
        source=source,
    )


def _pupil(result: SessionResult) -> str:
    if result.lens is not None:
        figure = next((one for one in result.lens.figures if one.name == "pupil ratio"), None)
        if figure is not None and figure.measured:
            return "measured"
    return "assumed" if result.pupil_ratio_source == "assumed" else "stated"


def lacks_tables(result: SessionResult) -> bool:
    """True where an older stopwise made the result: its lens is there, its tables are not."""
    lens = result.lens
    return lens is not None and any(
        len(one.stops) > 1 and one.compare is None for one in lens.series
    )


def compared_result(plain: Any, where: str) -> SessionResult:
    """A result without what no comparison reads; that is neither read nor checked.

    Parameters
    ----------
    plain : object
        As ``lab.inference.result_json`` writes a result. It is changed.
    where : str
        The document's name, for the messages.

    Raises
    ------
    LabError
        If it is no result.
    """
    for series in _records(plain, "series"):
        for point in _records(series, "points"):
            _emptied(point, _OF_POINT)
    for series in _records(plain.get("lens") if isinstance(plain, dict) else None, "series"):
        _emptied(series, _OF_LENS_SERIES)
    result: SessionResult = from_plain(SessionResult, plain, where)
    return result


def _records(plain: Any, key: str) -> list[Any]:
    found = plain.get(key) if isinstance(plain, dict) else None
    return found if isinstance(found, list) else []


def _emptied(plain: Any, keys: tuple[str, ...]) -> None:
    if isinstance(plain, dict):
        plain.update({key: [] for key in keys if key in plain})
