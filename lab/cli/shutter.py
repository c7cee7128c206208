"""``stopwise shutter``: which shutter time, flash and ambient light a moving hand or rig bears."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.options import magnifications_of, pitch_um, positive, seconds
from lab.cli.terminal import print_json, print_table, print_wrapped

if TYPE_CHECKING:
    from lab.optics.shutter import Flash, ShutterLine, StillImage

__all__ = ["shutter"]

# Invented, to show the range; the free hand is the one that `stopwise plan` takes.
_EXAMPLES_UM_PER_S = {
    "stand, at rest": 20.0,
    "stand, floor sways": 200.0,
    "hands braced": 1500.0,
    "hands free": 5000.0,
}
_MOST_SPEEDS = 4  # as many as a table of 80 columns and a figure hold
_WHOLE_STOPS = (8000, 4000, 2000, 1000, 500, 250, 125, 60, 30, 15, 8, 4, 2, 1)  # 1 over s
_CURVE_POINTS = 240
_LONGEST_FLASH_S = 0.1
# "1/200 s at 1x" and "90 to 95 % flash": common practice, no published source.
_RULE_S, _RULE_MAGNIFICATION = 1 / 200, 1.0
_UNSOURCED = "common practice, no published source"


@dataclass(frozen=True, kw_only=True)
class _Setting:
    """Lens, sensor and light of one answer."""

    magnification: float
    marked_stop: float
    effective_f_number: float
    pixel_pitch_um: float
    pupil_ratio: float
    blur_std_um: float
    loss_percent: float
    flash: Flash | None


@dataclass(frozen=True, kw_only=True)
class _Speed:
    """What one speed bears."""

    label: str
    speed_um_per_s: float
    slowest_safe_s: float | None
    longest_flash_t01_s: float
    flash_alone_of_sharp: float | None
    slowest_safe_with_flash_s: float | None
    slowest_safe_half_way_s: float | None
    ambient_share_limit: float | None


def shutter(
    session: Annotated[
        Path | None,
        typer.Argument(
            help="Measured session with a trial: its lens, and the speeds that it showed.",
            show_default=False,
        ),
    ] = None,
    magnification: Annotated[
        float | None, typer.Option("--magnification", "-m", help="Of the lens.")
    ] = None,
    stop: Annotated[float | None, typer.Option(help="On the ring.")] = None,
    pitch: Annotated[float | None, typer.Option(help="The sensor's pixel pitch, um.")] = None,
    speed: Annotated[
        list[float] | None,
        typer.Option(
            help="Of the movement, um/s across the subject; repeat, up to four. Without it "
            "examples are shown."
        ),
    ] = None,
    pupil_ratio: Annotated[
        float | None, typer.Option(help="Exit over entrance pupil.", show_default="1")
    ] = None,
    blur: Annotated[
        float, typer.Option(help="Residual blur on the sensor, um, one deviation.")
    ] = 0.0,
    flash: Annotated[str | None, typer.Option(help="Duration of the flash, t0.1, s.")] = None,
    ambient_share: Annotated[
        float | None, typer.Option(help="Of ambient light in all the light, 0 to 1.")
    ] = None,
    ambient_under: Annotated[
        float | None, typer.Option(help="Stops by which ambient light alone underexposes.")
    ] = None,
    loss: Annotated[float, typer.Option(help="MTF50 that movement may take, percent.")] = 10.0,
    figure: Annotated[
        Path | None, typer.Option(help="Draw MTF50 kept over time: FILE.svg, .pdf or .png.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Find the slowest safe shutter time, and how much ambient light a flash bears.

    Example: stopwise shutter -m 1 --stop 8 --pitch 4.35 --speed 1500

    Of a measured trial: stopwise shutter my-session

    With flash: stopwise shutter -m 2 --stop 8 --pitch 4.35 --flash 1/4000 --ambient-under 4
    """
    import numpy as np

    from lab.errors import LabError
    from lab.optics.geometry import effective_f_number
    from lab.optics.shutter import predicted_still, shutter_table
    from lab.optics.system import DEFAULT_WAVELENGTH_UM, channel_band
    from lab.session.stops import exact_stop
    from reports.shutter_figure import FORMATS, shutter_file

    shown = _Shown() if session is None else _of_trial(session)
    magnification = shown.magnification if magnification is None else magnification
    stop = shown.marked_stop if stop is None else stop
    pitch = shown.pixel_pitch_um if pitch is None else pitch
    pupil_ratio = pupil_ratio or shown.pupil_ratio
    if magnification is None or stop is None or pitch is None:
        raise LabError(
            "-m, --stop, --pitch: give all three, like -m 1 --stop 8 --pitch 4.35, or a measured "
            "session with a trial."
        )
    (m,) = magnifications_of((magnification,))
    if not 0 < loss < 100:
        raise LabError(f"--loss {loss:g}: give a percentage between 0 and 100, like 10.")
    if not 0 <= blur < float("inf"):
        raise LabError(f"--blur {blur:g}: give um on the sensor, 0 or more.")
    speeds = shown.speeds_um_per_s if shown.speeds_um_per_s and not speed else _speeds(speed)
    light = _flash(flash, ambient_share, ambient_under)
    if figure is not None:
        if figure.suffix[1:].lower() not in FORMATS:
            raise LabError(f"--figure {figure}: name it .{', .'.join(FORMATS[:-1])} or .png.")
        if light is not None and len(speeds) > 1:
            raise LabError("--figure: with a flash it shows one speed. Give --speed once.")
    marked = exact_stop(positive("--stop", stop, "8"))
    ratio = positive("--pupil-ratio", pupil_ratio, "1")

    def still_at(size: float) -> StillImage:
        return predicted_still(
            wavelength_um=channel_band(DEFAULT_WAVELENGTH_UM["green"]),
            f_number=float(effective_f_number(marked, size, ratio)),
            pixel_pitch_um=pitch_um(pitch),
            blur_std_um=blur,
        )

    setting = _Setting(
        magnification=m,
        marked_stop=stop,
        effective_f_number=float(effective_f_number(marked, m, ratio)),
        pixel_pitch_um=pitch,
        pupil_ratio=ratio,
        blur_std_um=blur,
        loss_percent=loss,
        flash=light,
    )
    still = still_at(m)

    def table(times: Sequence[float]) -> tuple[ShutterLine, ...]:
        return shutter_table(still, speeds, times, magnification=m, loss_percent=loss, flash=light)

    lines = [_usable(line, light) for line in table([1 / n for n in _WHOLE_STOPS])]
    found = [_speed(setting, still, label, one) for label, one in speeds.items()]
    rule = _rule(setting, still_at(_RULE_MAGNIFICATION), still)
    if figure is not None:
        dense = np.geomspace(1 / _WHOLE_STOPS[0], 1 / _WHOLE_STOPS[-1], _CURVE_POINTS).tolist()
        drawn = shutter_file(
            [_usable(line, light) for line in table(dense)],
            setting=f"{m:.4g}x, f/{stop:g}, {pitch:g} um pixels",
            loss_percent=loss,
            file_format=figure.suffix[1:].lower(),
        )
        figure.write_bytes(drawn)
    if as_json:
        print_json(
            {
                **asdict(setting),
                "mtf50_image_cyc_per_mm": still.mtf50_cyc_per_mm,
                "are_examples": speeds is _EXAMPLES_UM_PER_S,
                "speeds": [asdict(one) for one in found],
                "lines": [asdict(one) for one in lines],
                "rule": rule,
                "files": [] if figure is None else [str(figure)],
            }
        )
        return
    _print(setting, still, found, lines, rule, are_examples=speeds is _EXAMPLES_UM_PER_S)
    if figure is not None:
        typer.echo(f"Made {figure}")


@dataclass(frozen=True, kw_only=True)
class _Shown:
    """What a trial tells of the setting; nothing where there is none."""

    magnification: float | None = None
    marked_stop: float | None = None
    pixel_pitch_um: float | None = None
    pupil_ratio: float = 1.0
    speeds_um_per_s: dict[str, float] | None = None


def _of_trial(folder: Path) -> _Shown:
    """Setting and speeds of the first trial of a session in which something moved."""
    from lab.errors import SessionError
    from lab.inference.trial_analysis import analyse_trial
    from lab.session.running import stored_session

    measured = stored_session(folder)
    for series in measured.config.trials:
        result = analyse_trial(measured.config, measured.assignment, measured.frames, series)
        still = [curve for curve in result.curves[:2] if curve.speed_um_per_s > 0]
        if still:
            return _Shown(
                magnification=result.magnification,
                marked_stop=result.marked_stop,
                pixel_pitch_um=result.pixel_pitch_um,
                pupil_ratio=measured.config.lens.pupil_ratio or 1.0,
                speeds_um_per_s={c.label: c.speed_um_per_s for c in still},
            )
    raise SessionError(
        f"{folder}: no trial of it shows a speed: that takes a [[trial]] with a condition without "
        "flash, of known exposure, in which frames moved. Give -m, --stop, --pitch and --speed."
    )


def _speeds(given: list[float] | None) -> dict[str, float]:
    from lab.errors import LabError

    if given is None:
        return _EXAMPLES_UM_PER_S
    speeds = {f"{positive('--speed', one, '1500'):g} um/s": one for one in given}
    if len(speeds) < len(given):
        raise LabError("--speed: one is given twice. Give each once.")
    if len(speeds) > _MOST_SPEEDS:
        raise LabError(f"--speed: {len(speeds)} are given. Give {_MOST_SPEEDS} at most.")
    return speeds


def _flash(t01: str | None, share: float | None, under: float | None) -> Flash | None:
    from lab.errors import LabError
    from lab.optics.exposure import ambient_share
    from lab.optics.shutter import Flash

    if share is not None and under is not None:
        raise LabError("--ambient-share, --ambient-under: say it one way. Leave one out.")
    if t01 is None:
        for name, value in (("--ambient-share", share), ("--ambient-under", under)):
            if value is not None:
                raise LabError(f"{name}: is beside a flash. Give --flash, like 1/4000.")
        return None
    if share is not None and not 0 <= share <= 1:
        raise LabError(f"--ambient-share {share:g}: give a share from 0 to 1; 5 % is 0.05.")
    if under is not None and not -20 <= under <= 20:
        raise LabError(f"--ambient-under {under:g}: give stops from -20 to 20, like 5.")
    if under is not None:
        share = ambient_share(under)
    t01_s = seconds("--flash", t01)
    if t01_s > _LONGEST_FLASH_S:
        raise LabError(f"--flash {t01}: no flash lasts that long. For a lamp leave it out.")
    return Flash(t01_s=t01_s, ambient_share=share or 0.0)


def _speed(setting: _Setting, still: StillImage, label: str, speed_um_per_s: float) -> _Speed:
    from lab.optics.shutter import (
        ambient_share_limit,
        longest_flash_t01_s,
        of_still,
        slowest_safe_s,
    )

    moving: dict[str, Any] = {
        "magnification": setting.magnification,
        "speed_um_per_s": speed_um_per_s,
    }
    within: dict[str, Any] = {**moving, "loss_percent": setting.loss_percent}
    flash = setting.flash
    alone = safe = half_way = share = None
    if flash is not None:
        alone = float(of_still(still, 1.0, **moving, flash=replace(flash, ambient_share=0.0)))
        safe = slowest_safe_s(still, **within, flash=flash)
        half_way = slowest_safe_s(still, **within, flash=replace(flash, fires_at=0.5))
        share = ambient_share_limit(still, **within, flash_t01_s=flash.t01_s)
    return _Speed(
        label=label,
        speed_um_per_s=speed_um_per_s,
        slowest_safe_s=slowest_safe_s(still, **within),
        longest_flash_t01_s=longest_flash_t01_s(still, **within),
        flash_alone_of_sharp=alone,
        slowest_safe_with_flash_s=safe,
        slowest_safe_half_way_s=half_way,
        ambient_share_limit=share,
    )


def _rule(setting: _Setting, still_1x: StillImage, still: StillImage) -> dict[str, float | None]:
    """Speed that the rule for 1x lets pass, and that speed's time here."""
    from lab.optics.shutter import fastest_speed_um_per_s, slowest_safe_s

    loss = setting.loss_percent
    speed = fastest_speed_um_per_s(
        still_1x, _RULE_S, magnification=_RULE_MAGNIFICATION, loss_percent=loss
    )
    here = slowest_safe_s(
        still, magnification=setting.magnification, speed_um_per_s=speed, loss_percent=loss
    )
    return {"time_s": _RULE_S, "speed_um_per_s": speed, "same_speed_here_s": here}


def _usable(line: ShutterLine, flash: Flash | None) -> ShutterLine:
    """A line without the times that would cut the flash short."""
    if not line.is_flash or flash is None:
        return line
    first = sum(time < flash.t01_s for time in line.time_s)
    return replace(
        line,
        time_s=line.time_s[first:],
        mtf50_image_cyc_per_mm=line.mtf50_image_cyc_per_mm[first:],
        of_sharp=line.of_sharp[first:],
    )


def _print(
    setting: _Setting,
    still: StillImage,
    found: Sequence[_Speed],
    lines: Sequence[ShutterLine],
    rule: Mapping[str, float | None],
    *,
    are_examples: bool,
) -> None:
    from reports.shutter_figure import safe_words

    m, loss, flash = setting.magnification, setting.loss_percent, setting.flash
    print_wrapped(
        f"{m:.4g}x at f/{setting.marked_stop:g} (effective f/{setting.effective_f_number:.1f}), "
        f"{setting.pixel_pitch_um:g} um pixels: MTF50 {still.mtf50_cyc_per_mm:.1f} cycles/mm on "
        f"the sensor, held still; movement may take {loss:g} % of it."
    )
    if are_examples:
        print_wrapped(
            "The speeds are invented examples: hands and floors differ tenfold. Measure yours "
            "with 'stopwise trial', and give it as --speed."
        )
    typer.echo()
    _print_speeds(setting, found)
    typer.echo()
    _print_times(setting, lines)
    typer.echo()
    if flash is not None:
        _print_flash(setting, found)
    speed = rule["speed_um_per_s"]
    assert speed is not None
    unit = 10.0 ** (math.floor(math.log10(speed)) - 1)  # two digits, to the safe side
    there = (
        ""
        if m == _RULE_MAGNIFICATION
        else f", who needs {safe_words(rule['same_speed_here_s'])} at {m:.4g}x"
    )
    print_wrapped(
        f"Rule: 1/200 s at 1x ({_UNSOURCED}): right for one who moves "
        f"{math.floor(speed / unit) * unit:g} um/s or less there{there}."
    )
    print_wrapped(
        "Taken for granted: a perfect lens in focus, "
        f"{'no residual blur' if setting.blur_std_um == 0 else 'its residual blur as given'}, "
        f"pupil ratio {setting.pupil_ratio:g}, movement that is even while the light lasts and "
        "crosses the detail. A softer lens bears more."
    )
    print_wrapped(
        "Never look into a flash at close range; heads get hot: keep to the maker's limits and "
        "local rules."
    )


def _print_speeds(setting: _Setting, found: Sequence[_Speed]) -> None:
    from reports.shutter_figure import safe_words

    flash = setting.flash
    print_wrapped(
        "Slowest safe shutter without flash, and flash (t0.1) without other light"
        + (
            "; shutter beside your flash; MTF50 that your flash alone keeps; most ambient light "
            "beside it at any shutter time"
            if flash is not None
            else ""
        )
    )
    header = ["movement", "shutter", "flash"]
    if flash is not None:
        header += ["both", "flash keeps", "ambient"]
    rows = []
    for one in found:
        given = f"{one.speed_um_per_s:g} um/s"
        row = [given if one.label == given else f"{one.label}, {given}"]
        row += [safe_words(one.slowest_safe_s), safe_words(one.longest_flash_t01_s)]
        if one.flash_alone_of_sharp is not None and one.ambient_share_limit is not None:
            row += [
                safe_words(one.slowest_safe_with_flash_s),
                f"{100 * one.flash_alone_of_sharp:.1f} %",
                f"{_floored(one.ambient_share_limit)} %",
            ]
        rows.append(row)
    print_table(header, rows)


def _floored(share: float) -> str:
    """A permitted share in percent, rounded to the safe side."""
    return f"{math.floor(1000 * share) / 10:.1f}"


def _print_times(setting: _Setting, lines: Sequence[ShutterLine]) -> None:
    limit, flash = 1 - setting.loss_percent / 100, setting.flash
    shares = [dict(zip(one.time_s, one.of_sharp, strict=True)) for one in lines]
    is_any_over = any(share < limit for one in lines for share in one.of_sharp)
    print_wrapped(
        "MTF50 kept, percent, by speed in um/s"
        + (", F: with flash and ambient light" if flash is not None else "")
        + (f"; !: more than {setting.loss_percent:g} % lost" if is_any_over else "")
    )
    print_table(
        ["shutter", *(f"{one.speed_um_per_s:g}{'F' if one.is_flash else ''} " for one in lines)],
        [
            [
                f"1/{n}" if n > 1 else "1 s",
                *(
                    f"{100 * kept[1 / n]:.1f}{'!' if kept[1 / n] < limit else ' '}"
                    if 1 / n in kept
                    else "- "
                    for kept in shares
                ),
            ]
            for n in _WHOLE_STOPS
        ],
    )


def _print_flash(setting: _Setting, found: Sequence[_Speed]) -> None:
    from lab.optics.exposure import stops_under_for
    from reports.shutter_figure import safe_words

    flash = setting.flash
    assert flash is not None
    said = (
        f"With flash: 1/{1 / flash.t01_s:.4g} s (t0.1) and "
        f"{100 * flash.ambient_share:.3g} % ambient light, fired as the shutter opens, "
        "as cameras do unless told otherwise "
        f"({_UNSOURCED}); no shutter time shorter than the camera's for flash."
    )
    half = [
        f"{safe_words(one.slowest_safe_half_way_s)} ({one.speed_um_per_s:g} um/s)"
        for one in found
        if one.slowest_safe_with_flash_s
    ]
    if half:
        said += f" Fired half way through, it would bear {', '.join(half)}."
    print_wrapped(said)
    limits = [one.ambient_share_limit for one in found if one.ambient_share_limit is not None]
    least = min(limits)
    under = "" if least >= 1 else f" ({stops_under_for(least):.1f} stops under the flash)"
    print_wrapped(
        f"Ambient light: up to {_floored(least)} %{under} takes no more than "
        f"{setting.loss_percent:g} % beyond what the flash alone leaves, at any shutter time; its "
        "faint trail stays, and MTF50 hardly counts it."
    )
    print_wrapped(
        f"Rule: a flash share of 90 to 95 % behaves like the flash alone ({_UNSOURCED}): here "
        f"{100 - float(_floored(least)):.1f} % or more does."
    )
