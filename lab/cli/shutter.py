"""``stopwise shutter``: which shutter time, flash and ambient light a moving hand or rig bears."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.options import magnifications_of, pitch_um, positive, seconds
from lab.cli.shutter_text import (
    RULE_MAGNIFICATION,
    WHOLE_STOPS,
    Setting,
    Speed,
    is_rule_size,
    print_shutter,
)
from lab.cli.terminal import print_json

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
_CURVE_POINTS = 240
_LONGEST_FLASH_S = 0.1
# "1/200 s at 1x" and "90 to 95 % flash": common practice, no published source.
_RULE_S = 1 / 200


def shutter(
    session: Annotated[
        Path | None,
        typer.Argument(
            help="Measured session: the lens and the speeds of its first trial that shows any.",
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

    The trial's lens is as the sharpest frame of its reference shows it. With -m,
    --stop, --pitch, --pupil-ratio or --blur a perfect lens is taken instead, as
    without a session.

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
    given = (magnification, stop, pitch, pupil_ratio)
    is_lens_given = blur > 0 or any(v is not None for v in given)
    measured = None if is_lens_given else shown.still
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

    setting = Setting(
        trial=shown.trial,
        condition=None if speed else shown.condition,
        reference=None if measured is None else shown.reference,
        magnification=m,
        marked_stop=stop,
        effective_f_number=float(effective_f_number(marked, m, ratio)),
        pixel_pitch_um=pitch,
        pupil_ratio=ratio,
        blur_std_um=blur,
        loss_percent=loss,
        flash=light,
    )
    still = measured or still_at(m)
    still_1x = still if is_rule_size(m) else still_at(RULE_MAGNIFICATION)

    def table(times: Sequence[float]) -> tuple[ShutterLine, ...]:
        return shutter_table(still, speeds, times, magnification=m, loss_percent=loss, flash=light)

    lines = [_usable(line, light) for line in table([1 / n for n in WHOLE_STOPS])]
    found = [_speed(setting, still, label, one) for label, one in speeds.items()]
    rule = _rule(setting, still_1x, still)
    if figure is not None:
        dense = np.geomspace(1 / WHOLE_STOPS[0], 1 / WHOLE_STOPS[-1], _CURVE_POINTS).tolist()
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
    print_shutter(setting, still, found, lines, rule, are_examples=speeds is _EXAMPLES_UM_PER_S)
    if figure is not None:
        typer.echo(f"Made {figure}")


@dataclass(frozen=True, kw_only=True)
class _Shown:
    """What a trial tells of the setting; nothing where there is none."""

    trial: str | None = None
    condition: str | None = None
    reference: str | None = None
    still: StillImage | None = None
    magnification: float | None = None
    marked_stop: float | None = None
    pixel_pitch_um: float | None = None
    pupil_ratio: float = 1.0
    speeds_um_per_s: dict[str, float] | None = None


def _of_trial(folder: Path) -> _Shown:
    """Setting and speeds of the first trial of a session in which something moved."""
    from lab.errors import SessionError
    from lab.inference.trial_analysis import analyse_trial, trial_still
    from lab.session.running import stored_session

    measured = stored_session(folder)
    for series in measured.config.trials:
        result = analyse_trial(measured.config, measured.assignment, measured.frames, series)
        lens = trial_still(measured.config, measured.frames, series)
        moving = [curve for curve in result.curves[:2] if curve.speed_um_per_s > 0]
        if moving:
            # "half of the frames (by hand, 1/60 s)": the condition is said once, above both.
            labels = [curve.label.partition(" (") for curve in moving]
            return _Shown(
                trial=result.name,
                condition=labels[0][2].removesuffix(")"),
                reference=result.reference,
                still=None if lens is None else lens.image,
                magnification=result.magnification if lens is None else lens.magnification,
                marked_stop=result.marked_stop,
                pixel_pitch_um=result.pixel_pitch_um,
                pupil_ratio=measured.config.lens.pupil_ratio or 1.0,
                speeds_um_per_s={
                    label: c.speed_um_per_s for (label, *_), c in zip(labels, moving, strict=True)
                },
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


def _speed(setting: Setting, still: StillImage, label: str, speed_um_per_s: float) -> Speed:
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
    return Speed(
        label=label,
        speed_um_per_s=speed_um_per_s,
        slowest_safe_s=slowest_safe_s(still, **within),
        longest_flash_t01_s=longest_flash_t01_s(still, **within),
        flash_alone_of_sharp=alone,
        slowest_safe_with_flash_s=safe,
        slowest_safe_half_way_s=half_way,
        ambient_share_limit=share,
    )


def _rule(setting: Setting, still_1x: StillImage, still: StillImage) -> dict[str, float | None]:
    """Speed that the rule for 1x lets pass, and that speed's time here."""
    from lab.optics.shutter import fastest_speed_um_per_s, slowest_safe_s

    loss = setting.loss_percent
    speed = fastest_speed_um_per_s(
        still_1x, _RULE_S, magnification=RULE_MAGNIFICATION, loss_percent=loss
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
