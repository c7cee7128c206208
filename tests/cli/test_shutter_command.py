"""``stopwise shutter`` and its figure as a user meets them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import typer
from typer.testing import CliRunner, Result

from lab.cli.shutter import shutter
from lab.cli.terminal import guarded
from lab.optics.geometry import effective_f_number
from lab.optics.shutter import (
    Flash,
    ambient_share_limit,
    fastest_speed_um_per_s,
    longest_flash_t01_s,
    of_still,
    predicted_still,
    shutter_table,
    slowest_safe_s,
)
from lab.optics.system import channel_band
from reports.shutter_figure import draw_shutter, safe_words, shutter_file

app = typer.Typer()
app.command(name="shutter")(guarded(shutter))

RIG = ("-m", 3, "--stop", 5.6, "--pitch", 4.35, "--pupil-ratio", 1.25, "--blur", 1.5)
ONE = (*RIG, "--speed", 1500)
LIGHT = ("--flash", "1/4000", "--ambient-share", 0.15)
STILL = predicted_still(
    wavelength_um=channel_band(0.53),
    f_number=float(effective_f_number(2**2.5, 3, 1.25)),
    pixel_pitch_um=4.35,
    blur_std_um=1.5,
)
HAND: dict[str, Any] = {"magnification": 3.0, "speed_um_per_s": 1500.0}


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "80"})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def figures(*arguments: object) -> dict[str, Any]:
    result = run(*arguments, "--json")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    return found


def refused(*arguments: object) -> str:
    result = run(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("stopwise: ")
    return str(result.stderr)


# Exact: the command says what the functions say


def test_json_of_one_speed_with_flash() -> None:
    found = figures(*ONE, *LIGHT, "--loss", 12)
    flash = Flash(t01_s=1 / 4000, ambient_share=0.15)
    assert found["mtf50_image_cyc_per_mm"] == pytest.approx(STILL.mtf50_cyc_per_mm, rel=1e-12)
    assert found["effective_f_number"] == pytest.approx(2**2.5 * (1 + 3 / 1.25), rel=1e-12)
    (speed,) = found["speeds"]
    within: dict[str, Any] = {**HAND, "loss_percent": 12.0}
    assert speed["slowest_safe_s"] == slowest_safe_s(STILL, **within)
    assert speed["longest_flash_t01_s"] == longest_flash_t01_s(STILL, **within)
    assert speed["slowest_safe_with_flash_s"] == slowest_safe_s(STILL, **within, flash=flash)
    half_way = Flash(t01_s=1 / 4000, ambient_share=0.15, fires_at=0.5)
    assert speed["slowest_safe_half_way_s"] == slowest_safe_s(STILL, **within, flash=half_way)
    assert speed["flash_alone_of_sharp"] == of_still(STILL, 1, **HAND, flash=Flash(t01_s=1 / 4000))
    assert speed["ambient_share_limit"] == ambient_share_limit(
        STILL, **within, flash_t01_s=1 / 4000
    )
    alone, both = found["lines"]
    assert [alone["is_flash"], both["is_flash"]] == [False, True]
    assert alone["time_s"][3] == 1 / 1000
    assert alone["of_sharp"][3] == of_still(STILL, 1 / 1000, **HAND)
    assert both["time_s"][0] == 1 / 4000  # a shorter time would cut the flash
    assert both["of_sharp"][2] == of_still(STILL, 1 / 1000, **HAND, flash=flash)
    # The rule for 1x is judged at 1x, at the same stop.
    still_1x = predicted_still(
        wavelength_um=channel_band(0.53),
        f_number=float(effective_f_number(2**2.5, 1, 1.25)),
        pixel_pitch_um=4.35,
        blur_std_um=1.5,
    )
    assert found["rule"]["speed_um_per_s"] == fastest_speed_um_per_s(
        still_1x, 1 / 200, magnification=1, loss_percent=12
    )


def test_ways_to_say_time_and_share() -> None:
    one = figures(*ONE, "--flash", "1/2000", "--ambient-share", 1 / 17)
    assert figures(*ONE, "--flash", "0.0005", "--ambient-under", 4) == one
    assert figures(*ONE, "--flash", "1/200")["flash"]["t01_s"] == 0.005
    assert figures(*ONE, "--flash", "1/200")["flash"]["ambient_share"] == 0
    assert figures(*ONE)["flash"] is None


def test_text_holds_the_figures_in_80_columns() -> None:
    result, behind = run(*ONE, *LIGHT), figures(*ONE, *LIGHT)
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines())) <= 80
    words = " ".join(result.stdout.split())
    (speed,) = behind["speeds"]
    times = ("slowest_safe_s", "longest_flash_t01_s", "slowest_safe_with_flash_s")
    row = "1500 um/s " + " ".join(safe_words(speed[name]) for name in times)
    assert row in words
    assert f"MTF50 {behind['mtf50_image_cyc_per_mm']:.1f} cycles/mm" in words
    table = {line.split()[0]: line.split()[1:] for line in result.stdout.splitlines() if line}
    assert table["shutter"][0] == "1500"
    assert table["1/8000"][1] == "-"
    fast, slow = behind["lines"][0]["of_sharp"][0], behind["lines"][0]["of_sharp"][6]
    assert table["1/8000"][0] == f"{100 * fast:.1f}"
    assert table["1/125"][0] == f"{100 * slow:.1f}!"  # more lost than permitted
    share = speed["ambient_share_limit"]
    assert f"up to {int(1000 * share) / 10:.1f} %" in words  # rounded down
    assert words.count("common practice, no published source") == 3
    assert "Never look into a flash" in words
    assert "invented" not in words


def test_without_a_speed_marked_examples_are_shown() -> None:
    result = run(*RIG, *LIGHT)
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "The speeds are invented examples" in result.stdout
    assert "stopwise trial" in result.stdout
    assert figures(*RIG)["are_examples"] is True
    assert figures(*ONE)["are_examples"] is False
    safe = [one["slowest_safe_s"] for one in figures(*RIG)["speeds"]]
    assert len(safe) == 4
    assert safe == sorted(safe, reverse=True)


def test_a_softer_lens_bears_more() -> None:
    perfect = figures(*RIG[:-2], "--speed", 1500)["speeds"][0]["slowest_safe_s"]
    assert figures(*ONE)["speeds"][0]["slowest_safe_s"] > 1.01 * perfect


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (1 / 253, "1/260 s"),
        (1 / 4000, "1/4000 s"),
        (1 / 101, "1/110 s"),
        (0.2999, "1/3.4 s"),
        (0.3999, "0.39 s"),
        (1.37, "1.3 s"),
        (23.7, "23 s"),
        (0.0, "none"),
        (None, "any"),
    ],
)
def test_times_are_rounded_to_the_safe_side(seconds: float | None, words: str) -> None:
    assert safe_words(seconds) == words


# The figure


def test_figure_files(tmp_path: Path) -> None:
    for suffix, start in (("svg", b"<svg"), ("pdf", b"%PDF"), ("png", b"\x89PNG")):
        result = run(*ONE, *LIGHT, "--figure", tmp_path / f"kept.{suffix}")
        assert result.exit_code == 0
        assert result.stdout.splitlines()[-1].startswith("Made")
        content = (tmp_path / f"kept.{suffix}").read_bytes()
        assert content.startswith(start)
    run(*ONE, *LIGHT, "--figure", tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == (tmp_path / "kept.pdf").read_bytes()
    (speed,) = figures(*ONE, *LIGHT)["speeds"]
    root = ElementTree.fromstring((tmp_path / "kept.svg").read_text("utf-8"))
    shown = {"".join(node.itertext()).strip() for node in root.iter() if node.tag.endswith("text")}
    assert shown >= {"1500 um/s", "1500 um/s, flash", "10 % lost", "shutter time, s"}
    assert safe_words(speed["slowest_safe_s"]) in shown
    label = root.get("aria-label") or ""
    assert f"1500 um/s, flash: {safe_words(speed['slowest_safe_with_flash_s'])}" in label


def test_every_line_is_named_and_the_caption_times_it() -> None:
    times = [1 / 8000 * 8000 ** (k / 100) for k in range(101)]
    speeds = {"stand": 40.0, "shaky stand": 300.0, "both hands": 1700.0, "one hand": 5000.0}
    lines = shutter_table(STILL, speeds, times, magnification=3, loss_percent=10)
    drawn = draw_shutter(lines, setting="3x", loss_percent=10, name="kept")
    assert drawn is not None
    shown = re.findall(r">([^<>]+)</t(?:ext|span)>", drawn.svg)
    words = " ".join(shown).split()
    for line in lines:
        assert f"{line.label}: {safe_words(line.slowest_safe_s)}" in drawn.caption
        assert set(line.label.split()) <= set(words)
    assert words.count("stand") == 2
    assert words.count("hand") + words.count("hands") == 2


def test_figure_of_nothing_and_of_flashes_without_limit() -> None:
    assert draw_shutter((), setting="3x", loss_percent=10) is None
    with pytest.raises(ValueError, match="curve"):
        shutter_file((), setting="3x", loss_percent=10, file_format="svg")
    for share, t01, words in ((0.02, 1 / 9000, "any time will do"), (0.02, 1 / 50, "too slow")):
        flash = Flash(t01_s=t01, ambient_share=share)
        lines = shutter_table(
            STILL, {"hand": 1500.0}, [0.001, 0.1], magnification=3, loss_percent=10, flash=flash
        )
        drawn = draw_shutter(lines[1:], setting="3x", loss_percent=10)
        assert drawn is not None
        assert words in drawn.caption
        with pytest.raises(ValueError, match="file_format"):
            shutter_file(lines, setting="3x", loss_percent=10, file_format="gif")


# Bad input


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("-m", 0, *RIG[2:]), "--magnification"),
        ((*RIG, "--stop", 0), "--stop"),
        ((*RIG, "--pitch", 900), "--pitch"),
        ((*RIG, "--pupil-ratio", -1), "--pupil-ratio"),
        ((*RIG, "--blur", -1), "--blur"),
        ((*RIG, "--speed", 0), "--speed"),
        ((*RIG, "--speed", 5, "--speed", 5), "twice"),
        ((*RIG, *(x for n in range(1, 6) for x in ("--speed", n))), "4 at most"),
        ((*ONE, "--loss", 100), "--loss"),
        ((*ONE, "--flash", "soon"), "--flash"),
        ((*ONE, "--flash", "2"), "leave it out"),
        ((*ONE, "--ambient-share", 0.1), "Give --flash"),
        ((*ONE, "--ambient-under", 3), "Give --flash"),
        ((*ONE, *LIGHT, "--ambient-under", 3), "Leave one out"),
        ((*ONE, "--flash", "1/4000", "--ambient-share", 5), "0.05"),
        ((*ONE, "--flash", "1/4000", "--ambient-under", 50), "--ambient-under"),
        ((*ONE, "--figure", "kept.jpg"), ".svg"),
        ((*RIG, *LIGHT, "--figure", "kept.svg"), "--speed once"),
    ],
)
def test_bad_input(arguments: tuple[object, ...], said: str) -> None:
    assert said in refused(*arguments)
