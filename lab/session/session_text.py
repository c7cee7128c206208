"""A checked session.toml as text again: what was read, without remarks.

Left out: the text of a planned session with its remarks (``lab.session.new_session``).
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from lab.session.config import Light, Series, SessionConfig, Target
from lab.session.trial_config import Condition, Trial

__all__ = ["config_text"]

_MOST_IN_LINE = 20  # values; a reader bounds the dots in a line (``lab.session.toml_table``)


def config_text(config: SessionConfig) -> str:
    """Text of a session.toml that ``parse_session`` reads as this very configuration.

    Parameters
    ----------
    config : SessionConfig
        As ``parse_session`` gave it.
    """
    body, lens = config.body, config.lens
    lines = [
        "[session]",
        _line("name", config.name),
        "",
        "[body]",
        _line("name", body.name),
        _line("pixel_pitch_um", body.pixel_pitch_um),
        _line("sensor_mm", body.sensor_mm),
        "",
        "[lens]",
        _line("name", lens.name),
        *_known("focal_length_mm", lens.focal_length_mm),
        *_known("pupil_ratio", lens.pupil_ratio),
        *_known("blades", lens.blades),
        _line("exif_f_number", lens.exif_f_number),
        *_light_lines(config.light),
        *_target_lines(config.target),
    ]
    for series in config.series:
        lines += _series_lines(series) if series.trial is None else _trial_lines(series)
    return "\n".join(lines) + "\n"


def _light_lines(light: Light) -> list[str]:
    """Wavelengths that the session states; defaults stay defaults."""
    if light.source == "default":
        return []
    partly = re.search(r"\((.*)\)", light.source)
    stated = partly[1].split(", ") if partly else list(light.wavelength_um)
    return ["", "[light.wavelength_um]", *(_line(c, light.wavelength_um[c]) for c in stated)]


def _target_lines(target: Target) -> list[str]:
    return [
        "",
        "[target]",
        _line("kind", "blade") if target.layout is None else _line("layout", target.layout),
        *_known("technology", target.technology),
        *_known("edge_blur_um", target.edge_blur_um or None),
        *_known("edge_blur_std_um", target.edge_blur_std_um or None),
    ]


def _series_lines(series: Series) -> list[str]:
    return [
        "",
        "[[series]]",
        _line("magnification", series.magnification),
        _line("stops", series.stops),
        _line("frames_per_stop", series.frames_per_stop),
        _line("focus_step_um", series.focus_steps_um),
        _line("frames", series.frames),
        *_known("light", series.light or None),
    ]


def _trial_lines(series: Series) -> list[str]:
    trial = series.trial
    assert isinstance(trial, Trial)
    lines = [
        "",
        "[[trial]]",
        _line("name", trial.name),
        _line("magnification", series.magnification),
        _line("stop", series.stops[0]),
        _line("frames", series.frames),
        _line("frames_per_condition", trial.frames_per_condition),
        _line("reference", trial.reference),
    ]
    for condition in trial.conditions:
        lines += ["", "[[trial.condition]]", *_condition_lines(condition)]
    return lines


def _condition_lines(condition: Condition) -> list[str]:
    return [
        _line("name", condition.name),
        *_known("exposure_s", condition.exposure_s),
        *_known("flash_t01_s", condition.flash_t01_s),
        *_known("ambient_share", condition.ambient_share),
        *_known("ambient", condition.ambient),
    ]


def _known(key: str, value: str | float | None) -> list[str]:
    return [] if value is None else [_line(key, value)]


def _line(key: str, value: str | float | Sequence[float]) -> str:
    if isinstance(value, str):
        return f"{key} = {json.dumps(value, ensure_ascii=False)}"  # TOML's strings are JSON's
    if isinstance(value, Sequence):
        between = ", " if len(value) <= _MOST_IN_LINE else ",\n"
        return f"{key} = [{between.join(map(repr, value))}]"
    return f"{key} = {value!r}"
