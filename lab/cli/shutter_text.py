"""What ``stopwise shutter`` prints, 80 columns; it computes nothing but roundings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import typer

from lab.cli.terminal import print_table, print_wrapped

if TYPE_CHECKING:
    from lab.optics.shutter import Flash, ShutterLine, StillImage

__all__ = ["RULE_MAGNIFICATION", "WHOLE_STOPS", "Setting", "Speed", "is_rule_size", "print_shutter"]

WHOLE_STOPS = (8000, 4000, 2000, 1000, 500, 250, 125, 60, 30, 15, 8, 4, 2, 1)  # 1 over s
RULE_MAGNIFICATION = 1.0
_RULE_WITHIN = 0.02  # of it: a measured size departs a little from the one that is meant
_UNSOURCED = "common practice, no published source"


@dataclass(frozen=True, kw_only=True)
class Setting:
    """Lens, sensor and light of one answer.

    ``trial`` and ``condition`` showed the speeds; ``reference`` is the trial's condition that
    showed the lens. None: not taken from one.
    """

    trial: str | None
    condition: str | None
    reference: str | None
    magnification: float
    marked_stop: float
    effective_f_number: float
    pixel_pitch_um: float
    pupil_ratio: float
    blur_std_um: float
    loss_percent: float
    flash: Flash | None


@dataclass(frozen=True, kw_only=True)
class Speed:
    """What one speed bears."""

    label: str
    speed_um_per_s: float
    slowest_safe_s: float | None
    longest_flash_t01_s: float
    flash_alone_of_sharp: float | None
    slowest_safe_with_flash_s: float | None
    slowest_safe_half_way_s: float | None
    ambient_share_limit: float | None


def is_rule_size(magnification: float) -> bool:
    """Whether a magnification is the one that the rule for the time speaks of."""
    return abs(magnification / RULE_MAGNIFICATION - 1) < _RULE_WITHIN


def print_shutter(
    setting: Setting,
    still: StillImage,
    found: Sequence[Speed],
    lines: Sequence[ShutterLine],
    rule: Mapping[str, float | None],
    *,
    are_examples: bool,
) -> None:
    """The whole answer: speeds, times, flash, the rule, and what was taken for granted."""
    m, loss, flash = setting.magnification, setting.loss_percent, setting.flash
    print_wrapped(
        f"{m:.4g}x at f/{setting.marked_stop:g} (effective f/{setting.effective_f_number:.1f}), "
        f"{setting.pixel_pitch_um:g} um pixels: MTF50 {still.mtf50_cyc_per_mm:.1f} cycles/mm on "
        f"the sensor, held still; movement may take {loss:g} % of it."
    )
    if setting.trial is not None:
        speeds = ""
        if setting.condition is not None:
            speeds = (
                f", frames {setting.condition!r}: speeds that half of them and nine in ten of them "
                "did not pass"
            )
        print_wrapped(f"Trial {setting.trial!r}{speeds}.")
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
    there = "" if is_rule_size(m) else f", who needs {_time(rule['same_speed_here_s'])} at {m:.4g}x"
    print_wrapped(
        f"Rule: 1/200 s at 1x ({_UNSOURCED}): right for one who moves "
        f"{math.floor(speed / unit) * unit:g} um/s or less there{there}."
    )
    even = "movement that is even while the light lasts and crosses the detail"
    if setting.reference is not None:
        print_wrapped(
            f"Taken for granted: the lens as the trial's sharpest frame of {setting.reference!r} "
            f"shows it, in focus, and {even}."
        )
    else:
        print_wrapped(
            "Taken for granted: a perfect lens in focus, "
            f"{'no residual blur' if setting.blur_std_um == 0 else 'its residual blur as given'}, "
            f"pupil ratio {setting.pupil_ratio:g}, {even}. A softer lens bears more."
        )
    print_wrapped(
        "Never look into a flash at close range; heads get hot: keep to the maker's limits and "
        "local rules."
    )


def _print_speeds(setting: Setting, found: Sequence[Speed]) -> None:
    flash = setting.flash
    print_wrapped(
        "Slowest safe shutter without flash, and flash (t0.1) without other light"
        + (
            "; slowest safe shutter beside your flash (no limit: every time is safe); MTF50 that "
            "your flash alone keeps; most ambient light beside it at every shutter time"
            if flash is not None
            else ""
        )
    )
    header = ["movement", "no flash", "flash"]
    if flash is not None:
        header += ["beside it", "it keeps", "ambient"]
    rows = []
    shown = _figures([one.speed_um_per_s for one in found])
    for one, figure in zip(found, shown, strict=True):
        is_given = one.label == f"{one.speed_um_per_s:g} um/s"
        row = [f"{figure} um/s" if is_given else f"{one.label}, {figure} um/s"]
        row += [_time(one.slowest_safe_s), _time(one.longest_flash_t01_s)]
        if one.flash_alone_of_sharp is not None and one.ambient_share_limit is not None:
            row += [
                _time(one.slowest_safe_with_flash_s),
                f"{100 * one.flash_alone_of_sharp:.1f} %",
                f"{_floored(one.ambient_share_limit)} %",
            ]
        rows.append(row)
    print_table(header, rows)


def _time(seconds: float | None) -> str:
    """A slowest safe time; "no limit" where every time is safe."""
    from reports.shutter_figure import safe_words

    return "no limit" if seconds is None else safe_words(seconds)


def _figures(speeds_um_per_s: Sequence[float]) -> list[str]:
    """Speeds to three figures, more where two would else read alike."""
    three = [f"{float(f'{v:.3g}'):g}" for v in speeds_um_per_s]
    all_of_them = [f"{v:g}" for v in speeds_um_per_s]
    return three if len(set(three)) == len(set(all_of_them)) else all_of_them


def _floored(share: float) -> str:
    """A permitted share in percent, rounded to the safe side."""
    return f"{math.floor(1000 * share) / 10:.1f}"


def _print_times(setting: Setting, lines: Sequence[ShutterLine]) -> None:
    limit, flash = 1 - setting.loss_percent / 100, setting.flash
    shares = [dict(zip(one.time_s, one.of_sharp, strict=True)) for one in lines]
    shown = _figures([one.speed_um_per_s for one in lines])
    heads = [f"{v}{'F' if one.is_flash else ''} " for v, one in zip(shown, lines, strict=True)]
    is_any_over = any(share < limit for one in lines for share in one.of_sharp)
    print_wrapped(
        "MTF50 kept, percent, by speed in um/s"
        + (", F: with flash and ambient light" if flash is not None else "")
        + (f"; !: more than {setting.loss_percent:g} % lost" if is_any_over else "")
    )
    print_table(
        ["shutter", *heads],
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
            for n in WHOLE_STOPS
        ],
    )


def _print_flash(setting: Setting, found: Sequence[Speed]) -> None:
    from lab.optics.exposure import stops_under_for

    flash = setting.flash
    assert flash is not None
    said = (
        f"With flash: 1/{1 / flash.t01_s:.4g} s (t0.1) and "
        f"{100 * flash.ambient_share:.3g} % ambient light, fired as the shutter opens, "
        "as cameras do unless told otherwise "
        f"({_UNSOURCED}); no shutter time shorter than the camera's for flash."
    )
    shown = _figures([one.speed_um_per_s for one in found])
    half = [
        f"{_time(one.slowest_safe_half_way_s)} ({figure} um/s)"
        for one, figure in zip(found, shown, strict=True)
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
