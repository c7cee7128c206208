"""The commands as a user meets them: what they print, write, refuse, and exit with.

Exit codes: 0 done, 1 nothing measurable, 2 bad input; a failure is one message on
standard error, never a traceback.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner, Result

from lab.cli import terminal
from lab.cli.main import app
from lab.cli.summary import print_summary, stop_text
from lab.cli.terminal import print_json, print_table, time_left
from lab.frames import FrameMetadata, read_frame
from lab.frames.dng import write_dng
from lab.inference import session_analysis
from lab.inference.session_analysis import analyse_session
from lab.session import running
from lab.simulate import demo as simulated_demo
from targets.layout import read_layout

Copy = Callable[..., Path]
COMMANDS = [
    *("compare", "demo", "depth", "fit", "inspect", "measure", "plan", "report", "shutter"),
    *("target", "trial", "trial-plan", "watch"),
]
STOPWISE = shutil.which("stopwise", path=os.path.dirname(sys.executable))


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "80"})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def refused(*arguments: object) -> str:
    """The message of a command that must fail with bad input: nothing else is printed."""
    result = run(*arguments)
    assert result.stderr.startswith("stopwise: ")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.count("stopwise: ") == 1
    return str(result.stderr)


def widest(text: str) -> int:
    return max(len(line) for line in text.splitlines())


def blank(path: Path, level: int = 6000) -> None:
    """A raw frame of even light: readable, with nothing to measure."""
    rng = np.random.default_rng(1)
    write_dng(
        path,
        rng.normal(level, 40, (400, 600)).astype(np.uint16),
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=FrameMetadata(camera="Club body"),
        unique_camera_model="Club body",
    )


# Help


def test_every_command_is_listed_in_80_columns() -> None:
    assert sorted(command.name or "" for command in app.registered_commands) == COMMANDS
    result = run("--help")
    assert result.exit_code == 0
    assert widest(result.stdout) <= 80
    for command in COMMANDS:
        assert f"│ {command} " in result.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"Example: stopwise {command} " in result.stdout
    assert widest(result.stdout) <= 80


def test_version_is_printed() -> None:
    assert run("--version").stdout.startswith("stopwise ")


@pytest.mark.parametrize("arguments", [["nonsense"], ["fit"], ["fit", "--loss", "0", "x"]])
def test_wrong_usage_exits_with_2(arguments: list[str]) -> None:
    assert run(*arguments).exit_code == 2


# measure


def test_measure_json_has_one_object_a_frame(tiny: Any, tiny_copy: Copy) -> None:
    result = run("measure", tiny_copy(measured=True), "--json", "--workers", 1)
    assert (result.exit_code, result.stderr) == (0, "")
    frames = json.loads(result.stdout)
    assert [frame["file"] for frame in frames] == [f.file for f in tiny.measured.frames]
    for frame, record in zip(frames, tiny.measured.frames, strict=True):
        assert set(frame) == {
            *("file", "magnification", "marked_stop", "status", "reason", "flags", "edges")
        }
        assert (frame["status"], frame["reason"], frame["flags"]) == ("measured", "", [])
        assert (frame["magnification"], frame["marked_stop"]) == (2.0, record.marked_stop)
        assert len(frame["edges"]) == len(record.edges)
        for edge, kept in zip(frame["edges"], record.edges, strict=True):
            assert edge["mtf50_cyc_per_px"] == kept.mtf50_cyc_per_px
            assert edge["mtf50_std"] == kept.mtf50_std
            assert edge["channel"] in ("red", "green", "blue")
            assert len(edge["frequency_cyc_per_px"]) == len(edge["mtf"]) == len(edge["mtf_std"])


def test_measure_tells_of_frames_that_failed(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    frames = folder / "frames" / "2x"
    whole = (frames / "IMG_0002.dng").read_bytes()
    (frames / "IMG_0002.dng").write_bytes(whole[:9000])
    blank(frames / "IMG_0005.dng")
    result = run("measure", folder, "--workers", 1)
    assert result.exit_code == 0
    assert "unreadable: 2x/IMG_0002.dng: is cut short" in result.stdout
    assert "rejected: 2x/IMG_0005.dng: " in result.stdout
    assert result.stdout.splitlines()[-1] == "4 measured, 1 rejected, 1 unreadable"
    as_json = json.loads(run("measure", folder, "--json", "--workers", 1).stdout)
    assert [f["status"] for f in as_json] == [
        *("measured", "unreadable", "measured", "measured", "rejected", "measured")
    ]
    (frames / "IMG_0006.dng").unlink()
    as_json = json.loads(run("measure", folder, "--json", "--workers", 1).stdout)
    assert {f["file"]: f["status"] for f in as_json}["2x/IMG_0006.dng"] == "missing"


def test_wrong_iso_is_measured_and_flagged(tiny: Any, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    path = folder / "frames" / "2x" / "IMG_0004.dng"
    frame = read_frame(path)
    write_dng(
        path,
        (frame.pixels + 512).astype(np.uint16),
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=replace(frame.metadata, iso=800),
        unique_camera_model="Club body",
    )
    result = run("measure", folder, "--workers", 1, "--json")
    seen = json.loads(result.stdout)[3]
    assert (seen["status"], seen["flags"]) == ("measured", ["changed-ISO"])
    kept = tiny.measured.frames[3].edges[0].mtf50_cyc_per_px
    assert seen["edges"][0]["mtf50_cyc_per_px"] == pytest.approx(kept)
    assert "warning: Changed ISO" in run("measure", folder, "--workers", 1).stdout


def test_nothing_measurable_exits_with_1(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    for path in (folder / "frames" / "2x").iterdir():
        blank(path, level=5000 + int(path.stem[-1]))
    result = run("measure", folder, "--workers", 1)
    assert result.exit_code == 1
    assert result.stdout.splitlines()[-1] == "6 rejected"
    # The six share one reason, which is said once.
    text = " ".join(result.stdout.split())
    assert text.count("rejected, 6 frames: ") == 1
    for k in range(1, 7):
        assert text.count(f"2x/IMG_000{k}.dng") == 1
    assert widest(result.stdout) <= 79
    result = run("fit", folder, "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["series"][0]["points"] == []
    assert widest(run("fit", folder).stdout) <= 80


def test_interrupt_is_a_message_and_130(tiny: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*args: object, **kwargs: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(running, "measure_session", interrupted)
    result = run("measure", tiny.folder)
    assert result.exit_code == 130
    assert "finished frames are kept" in result.stderr


# fit


def test_fit_json_keeps_the_contract(demo: Any) -> None:
    result = run("fit", demo.folder, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    document = json.loads(result.stdout)
    pupil = document["pupil_ratio"]
    assert abs(pupil["value"] - 0.88) < 3 * pupil["std"]
    assert 0 < pupil["std"] < 0.1
    assert document["stated_pupil_ratio"] == 0.88
    assert "std" in document["pupil_ratio"]
    (series,) = document["series"]
    assert series["magnification"] == 2.0
    assert series["measured_magnification"] == pytest.approx(1.991, rel=1e-3)
    assert {"optimum_stop", "optimum_low95", "optimum_high95", "deepest_sharp_stop"} < set(series)
    (record,) = analyse_session(demo.measured.config, demo.measured.frames).series
    # The interpolation stays beside the model of the lens, which agrees with it.
    assert series["interpolated_optimum_stop"] == record.optimum_stop
    assert series["interpolated_low95"] == record.optimum_low95
    assert series["deepest_low95"] <= series["deepest_sharp_stop"] <= series["deepest_high95"]
    assert series["optimum_stop"] == pytest.approx(record.optimum_stop, rel=0.05)
    assert series["optimum_low95"] <= series["optimum_stop"] <= series["optimum_high95"]
    assert [point["marked_stop"] for point in series["points"]] == [2.8, 4.0, 5.6, 8.0]
    for point, true in zip(series["points"], demo.truth.series[0].points, strict=True):
        assert {
            *("marked_stop", "effective_f_number", "mtf50_image_cyc_per_mm", "mtf50_std"),
            *("mtf50_object_cyc_per_mm", "diffraction_mtf50_image_cyc_per_mm"),
            *("frames_measured", "frames_used", "flags"),
        } < set(point)
        assert point["mtf50_image_cyc_per_mm"] == pytest.approx(
            true.mtf50_image_cyc_per_mm, rel=0.02
        )


def test_fit_json_judges_rules(demo: Any) -> None:
    (series,) = json.loads(run("fit", demo.folder, "--json").stdout)["series"]
    assert {"rule", "verdict", "loss_percent"} <= set(series["rules"][0])


def test_fit_prints_what_its_json_says(demo: Any) -> None:
    text = run("fit", demo.folder).stdout
    (series,) = json.loads(run("fit", demo.folder, "--json").stdout)["series"]
    assert widest(text) <= 80
    for point in series["points"]:
        line, *_ = [li for li in text.splitlines() if li.startswith(f"f/{point['marked_stop']:g} ")]
        assert f" {point['mtf50_image_cyc_per_mm']:.2f} " in line
        assert line.endswith(f"{point['frames_used']}/{point['frames_measured']}")
    # The answer comes first.
    answer = next(line for line in text.splitlines() if line.startswith("2x "))
    assert f" {stop_text(series['optimum_stop'])} " in answer
    assert f" {stop_text(series['deepest_sharp_stop'])} " in answer
    assert text.index(answer) < 24 * 80
    assert text.index(answer) < text.index("what takes the contrast")
    for one in series["rules"]:
        said = f"{one['rule'].removeprefix('2x: ')}: {one['verdict']}"
        assert text.index(said) < text.index("what takes the contrast")


def test_fit_in_brief_is_the_answer_alone(demo: Any) -> None:
    text, whole = run("fit", demo.folder, "--brief").stdout, run("fit", demo.folder).stdout
    *answer, more = text.split("All that lies behind it: ")
    assert " ".join(more.split()) == f"stopwise fit {demo.folder}"
    assert whole.startswith(answer[0])
    assert len(answer[0].splitlines()) < 12 < len(whole.splitlines())
    assert "--brief: JSON holds all" in refused("fit", demo.folder, "--brief", "--json")


def test_fit_tells_of_colour(demo: Any) -> None:
    text = run("fit", demo.folder).stdout
    (series,) = json.loads(run("fit", demo.folder, "--json").stdout)["series"]
    record = analyse_session(demo.measured.config, demo.measured.frames).series[0].colours
    assert series["colours"] == [asdict(colour) for colour in record]
    assert [colour["channel"] for colour in series["colours"]] == ["red", "blue"]
    (first,) = [i for i, li in enumerate(text.splitlines()) if li.startswith("colour at ")]
    for colour, line in zip(series["colours"], text.splitlines()[first:], strict=False):
        assert (
            f" {colour['channel']} {colour['lateral_corner_px']:+.2f} px "
            f"({colour['lateral_corner_image_um']:+.1f} um image) at the corner, "
            f"focus {colour['focus_difference_um']:+.0f} um"
        ) in line
    assert text.splitlines()[first].startswith(f"colour at f/{record[0].marked_stop:g}: red")


def test_fit_says_that_a_colour_was_not_measured(
    demo: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    result = analyse_session(demo.measured.config, demo.measured.frames)
    red, blue = result.series[0].colours
    bare = replace(red, lateral_corner_px=None, focus_difference_um=None)
    nil = replace(blue, lateral_corner_px=-0.001, lateral_corner_image_um=-0.004)
    for colours, said in (
        ((bare, nil), ["red not measured at the corner, focus not measured;", "blue +0.00 px (+0"]),
        ((), []),
    ):
        changed = replace(result, series=(replace(result.series[0], colours=colours),))
        monkeypatch.setattr(
            session_analysis, "analyse_session", lambda *a, changed=changed, **k: changed
        )
        text = run("fit", demo.folder).stdout
        assert all(words in text for words in said)
        assert ("colour at" in text) == bool(colours)


def test_fit_takes_the_permitted_loss(demo: Any) -> None:
    deepest = [
        json.loads(run("fit", demo.folder, "--json", "--loss", loss).stdout)["series"][0][
            "deepest_sharp_stop"
        ]
        for loss in (3, 20)
    ]
    assert deepest[0] < deepest[1]


def test_widest_figures_stay_within_80_columns(
    demo: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    result = analyse_session(demo.measured.config, demo.measured.frames)
    point = replace(
        result.series[0].points[0],
        marked_stop=16.0,
        effective_f_number=128.4,
        mtf50_image_cyc_per_mm=123.456,
        mtf50_low95=121.11,
        mtf50_high95=125.99,
        diffraction_mtf50_image_cyc_per_mm=234.56,
        percent_of_diffraction=100.2,
        frames_measured=25,
        frames_used=25,
    )
    series = replace(
        result.series[0],
        magnification=2.25,
        measured_magnification=2.345,
        points=(point,),
        optimum_stop=2.828,
        optimum_low95=2.828,
        optimum_high95=3.999,
        optimum_mtf50_image_cyc_per_mm=123.4,
        colours=tuple(
            replace(
                colour,
                lateral_corner_px=-87.654,
                lateral_corner_image_um=-876.54,
                focus_difference_um=-9876.5,
            )
            for colour in result.series[0].colours
        ),
        deepest_sharp_stop=16.0,
        flags=("optimum-not-bracketed", "deepest-beyond-range"),
    )
    extreme = replace(result, series=(series,))
    print_summary(extreme)
    text = capsys.readouterr().out
    row = text.splitlines()[1].split()
    assert row[:6] == ["2.25x", "f/2.8", "(end)", "123.4", "f/16", "(end)"]
    assert "f/2.8 to" not in text
    assert "(end): of the stops measured" in " ".join(text.split())
    assert widest(text) <= 80
    monkeypatch.setattr(session_analysis, "analyse_session", lambda *a, **k: extreme)
    text = run("fit", demo.folder).stdout
    assert "121.11 to 125.99" in text
    assert "red -87.65 px (-876.5 um image) at the corner, focus -9876 um;" in text
    assert widest(text) <= 80
    assert max(len(line) for line in text.splitlines() if " px (" in line) <= 79


# report


def test_report_is_written_beside_the_session(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    result = run("report", folder)
    assert result.exit_code == 0
    page = folder / "report" / "index.html"
    assert f"The report: {page}" in result.stdout.replace("\n", "")
    assert page.read_text("utf-8").startswith("<!")
    table = [line for line in result.stdout.splitlines() if not line.startswith("The report")]
    assert max(map(len, table)) <= 80


@pytest.mark.parametrize("command", ["fit", "report"])
def test_problems_are_told_before_the_result(command: str, tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=True)
    (folder / "frames" / "2x" / "IMG_0006.dng").unlink()
    result = run(command, folder)
    said = [f"{p.severity}: {p.text}" for p in running.stored_session(folder).assignment.problems]
    assert said
    assert result.stderr.split() == " ".join(said).split()
    assert widest(result.stderr) <= 79


def test_end_stops_are_printed_as_engraved(demo: Any, capsys: pytest.CaptureFixture[str]) -> None:
    result = analyse_session(demo.measured.config, demo.measured.frames)
    series = result.series[0]
    ends = replace(
        series,
        optimum_stop=series.points[2].exact_stop,  # f/5.66, engraved as 5.6
        optimum_low95=None,
        optimum_high95=None,
        flags=("optimum-not-bracketed",),
    )
    print_summary(replace(result, series=(ends,)))
    assert capsys.readouterr().out.splitlines()[1].split()[1:3] == ["f/5.6", "(end)"]


# Sessions that are none


@pytest.mark.parametrize("command", ["measure", "fit", "report"])
def test_session_that_is_none_is_refused(command: str, tmp_path: Path) -> None:
    assert "there is no such folder" in refused(command, tmp_path / "gone").replace("\n", " ")
    assert "session.toml" in refused(command, tmp_path)
    (tmp_path / "session.toml").write_text("[session\n")
    assert "session.toml" in refused(command, tmp_path)


def test_fit_before_measure_is_refused(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    assert f"Run: stopwise measure {folder}" in refused("fit", folder)


def test_store_of_another_program_is_refused(tiny_copy: Copy) -> None:
    folder = tiny_copy(measured=False)
    (folder / "results.sqlite").write_bytes(b"not a database at all" * 99)
    assert "results.sqlite" in refused("fit", folder)
    assert (folder / "results.sqlite").read_bytes().startswith(b"not a database")


# inspect


def test_inspect_measures_a_raw_frame(tiny: Any) -> None:
    path = tiny.folder / "frames" / "2x" / "IMG_0002.dng"
    result = run("inspect", path, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    seen = json.loads(result.stdout)
    assert (seen["file"], seen["rows"], seen["columns"]) == ("IMG_0002.dng", 400, 600)
    assert (seen["flags"], seen["reason"]) == ([], "")
    assert seen["clipped_percent"] < 1
    # The chart's figure for the same frame, at the centre in green.
    record = tiny.measured.frames[1]
    centre = [
        e.mtf50_cyc_per_px
        for e in record.edges
        if e.channel == "green" and np.hypot(e.field_x, e.field_y) <= 0.15
    ]
    measured = [e for e in seen["edges"] if e["status"] == "measured"]
    assert len(measured) >= 4
    assert np.median([e["mtf50_cyc_per_px"] for e in measured]) == pytest.approx(
        np.mean(centre), rel=0.03
    )
    for edge in measured:
        assert 0 < edge["mtf50_std"] < 0.1 * edge["mtf50_cyc_per_px"]
        assert 0 <= edge["row"] < 400
        assert 0 <= edge["column"] < 600


def test_inspect_measures_no_more_edges_than_asked(tiny: Any) -> None:
    path = tiny.folder / "frames" / "2x" / "IMG_0002.dng"
    assert len(json.loads(run("inspect", path, "--json", "--most", 2).stdout)["edges"]) == 2
    more = "More edges were found than the 2 measured"
    assert more in run("inspect", path, "--most", 2).stdout
    assert "More edges" not in run("inspect", path, "--most", 200).stdout


def test_inspect_prints_80_columns(tiny: Any) -> None:
    result = run("inspect", tiny.folder / "frames" / "2x" / "IMG_0002.dng")
    assert result.exit_code == 0
    assert "IMG_0002.dng: 600 x 400 px, raw mosaic" in result.stdout
    assert widest(result.stdout) <= 80


def test_inspect_reads_a_finished_picture_and_says_it_is_one(tmp_path: Path) -> None:
    # A slanted Gaussian edge of 1.2 px standard deviation, sampled and encoded as sRGB
    # (IEC 61966-2-1): MTF50 = sqrt(ln 2 / 2) / (pi 1.2) = 0.1562.
    from scipy.special import erf

    rows, cols = np.mgrid[0:300, 0:400]
    angle = np.deg2rad(5)
    away = (cols - 199.5) * np.cos(angle) + (rows - 149.5) * np.sin(angle)
    linear = 0.1 + 0.5 * (1 + erf(away / (1.2 * 2**0.5))) / 2
    linear += np.random.default_rng(4).normal(0, 0.01, linear.shape)
    encoded = 255 * (1.055 * linear ** (1 / 2.4) - 0.055)
    path = tmp_path / "edge.png"
    Image.fromarray(np.repeat(encoded.round().astype(np.uint8)[:, :, None], 3, axis=2)).save(path)
    result = run("inspect", path, "--json")
    assert result.exit_code == 0
    seen = json.loads(result.stdout)
    assert "tone-mapped" in seen["flags"]
    (edge,) = [e for e in seen["edges"] if e["status"] == "measured"]
    assert edge["mtf50_cyc_per_px"] == pytest.approx(0.1562, rel=0.02)
    assert edge["angle_deg"] == pytest.approx(5, abs=0.1)
    assert widest(run("inspect", path).stdout) <= 80


def test_inspect_of_a_blank_frame_exits_with_1(tmp_path: Path) -> None:
    blank(tmp_path / "blank.dng")
    result = run("inspect", tmp_path / "blank.dng", "--json")
    assert result.exit_code == 1
    seen = json.loads(result.stdout)
    assert seen["edges"] == []
    assert seen["reason"] != ""
    assert run("inspect", tmp_path / "blank.dng").exit_code == 1


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"hello",
        bytes(range(256)) * 40,
        b"II*\0" + bytes(64),
        b"\xff\xd8\xff" + bytes(64),
        b"\x89PNG\r\n\x1a\n" + bytes(64),
        b"<html></html>",
    ],
    ids=["empty", "text", "bytes", "tiff", "jpeg", "png", "html"],
)
@pytest.mark.parametrize("suffix", [".dng", ".png"])
def test_inspect_of_junk_is_refused(tmp_path: Path, content: bytes, suffix: str) -> None:
    path = tmp_path / f"junk{suffix}"
    path.write_bytes(content)
    assert path.name in refused("inspect", path, "--json")


def test_inspect_of_no_file_is_refused(tmp_path: Path) -> None:
    assert "no such file" in refused("inspect", tmp_path / "gone.dng")
    assert f"stopwise: {tmp_path}: is a folder" in refused("inspect", tmp_path).replace("\n", "")
    assert "stopwise: .: is a folder" in refused("inspect", ".")


# target


def test_target_writes_one_chart_for_a_range(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "chart"
    result = run("target", folder, "-m", 1, "-m", 2.5, "--sensor", "23.5x15.6", "--name", "Club")
    assert result.exit_code == 0
    assert sorted(path.name for path in folder.iterdir()) == [
        *("target.json", "target.pdf", "target.svg")
    ]
    assert (folder / "target.pdf").read_bytes().startswith(b"%PDF-")
    assert "<svg" in (folder / "target.svg").read_text("utf-8")
    (field,) = read_layout(folder / "target.json").fields
    assert (field.magnification_low, field.magnification_high) == (1.0, 2.5)
    assert field.code_text == "stopwise 2 Club 1-2.5x"
    assert max(map(len, result.stdout.splitlines())) < 80


def test_target_writes_a_field_for_each_magnification(tmp_path: Path) -> None:
    asked = ("-m", 1, "-m", 2.5, "--sensor", "23.5x15.6", "--name", "Club", "--sheet", "fields")
    assert run("target", tmp_path, *asked).exit_code == 0
    fields = read_layout(tmp_path / "target.json").fields
    assert [field.code_text for field in fields] == ["stopwise 2 Club 1x", "stopwise 2 Club 2.5x"]
    # The fifteen squares of a field fit on the sensor.
    for field, m in zip(fields, (1, 2.5), strict=True):
        reach_mm = [abs(square.centre_mm[0]) + square.side_mm / 2 for square in field.squares]
        assert 0.5 < max(reach_mm) * m / (23.5 / 2) < 1


def test_target_goes_into_a_session(tmp_path: Path, tiny: Any) -> None:
    """The command's record for the same sensor is the one that the simulator prints."""
    pitch_mm, rig = tiny.plan.rig.pixel_pitch_um / 1000, tiny.plan.rig
    sensor = f"{rig.n_cols * pitch_mm:.6g}x{rig.n_rows * pitch_mm:.6g}"
    made = run("target", tmp_path, "-m", 2, "--sensor", sensor, "--sheet", "fields")
    assert made.exit_code == 0  # the folder was there, but empty
    mine, theirs = (
        read_layout(folder / "target.json").field_for(2.0) for folder in (tmp_path, tiny.folder)
    )
    assert mine.squares == theirs.squares


@pytest.mark.parametrize(
    ("technology", "says"),
    [
        ("office-print", "DOES NOT SERVE this rig: it serves at no magnification"),
        ("litho-film", "DOES NOT SERVE this rig: it serves up to 0.22x only"),
        ("chrome-on-glass", "serves this rig: at 3x its edge costs"),
    ],
)
def test_target_says_whether_a_technology_serves(
    tmp_path: Path, technology: str, says: str
) -> None:
    result = run("target", tmp_path, "-m", 1, "-m", 3, "--technology", technology)
    assert result.exit_code == 0
    assert says in " ".join(result.stdout.split())


def test_target_judges_the_users_own_edge(tmp_path: Path) -> None:
    asked = ("-m", 1, "-m", 4, "--edge-blur", 0.3, "--json")
    document = json.loads(run("target", tmp_path, *asked).stdout)
    needed = {one["magnification"]: one["blur_limit_um"] for one in document["magnifications"]}
    assert needed[4.0] < 0.3 < needed[1.0]
    assert document["verdict"] == [
        "Your edge of 0.3 um DOES NOT SERVE at 4x: the table says what is needed."
    ]
    assert document["limits"][-1]["key"] == "yours"
    # What is good for a loss of 5 % at 4x costs less at 1x, and just about 5 % at its own limit.
    (lost,) = (t for t in document["magnifications"][-1]["technologies"] if t["key"] == "yours")
    assert lost["mtf_loss"] > 0.05


def test_target_makes_every_sheet(tmp_path: Path) -> None:
    sheets = [word for sheet in ("chart", "ramp", "blade", "slates") for word in ("--sheet", sheet)]
    asked = (*sheets, "-m", 1, "-m", 2, "--dpi", 5400, "--mask", "--condition", "tripod")
    result = run("target", tmp_path, *asked, "--stops", "4,8")
    assert result.exit_code == 0, result.stderr
    names = {path.name for path in tmp_path.iterdir()}
    for stem in ("target", "focus-ramp", "blade-holder", "slates"):
        assert {f"{stem}.json", f"{stem}.pdf"} <= names
    assert {"target.tif", "target.png", "target.gds", "slates.html"} <= names


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["-m", "0"], "--magnification 0"),
        (["-m", "-2"], "--magnification -2"),
        (["-m", "nan"], "--magnification nan"),
        (["-m", "inf"], "--magnification inf"),
        (["-m", "0.049"], "--magnification 0.049: give a number from 0.05 to 20"),
        (["-m", "20.1"], "--magnification 20.1"),
        (["-m", "1", "-m", "1"], "--magnification 1: is given twice"),
        (["-m", "0.05", "--sensor", "5000x4000"], "sensor"),
        ([], "--magnification: is missing"),
        (["-m", "1", "--technology", "potato"], "litho-film"),
        (["-m", "1", "--sheet", "poster"], "--sheet poster: is none of chart"),
        (["-m", "1", "--sheet", "ramp", "--mask"], "--mask: goes with"),
        (["-m", "1", "--stops", "2.8,x"], "--stops 2.8,x"),
        (["-m", "1", "--loss", "100"], "--loss 100"),
        (["-m", "1", "--polarity", "grey"], "--polarity grey: give dark or clear"),
        (["-m", "1", "--polarity", "clear"], "Add --mask"),
        (["-m", "1", "--condition", "tripod"], "Add --sheet slates"),
        (["-m", "1", "--dpi", "0"], "--dpi 0: give the printer's dots"),
        (["-m", "1", "--sheet", "ramp", "--dpi", "600"], "--dpi: goes with"),
        (["-m", "1", "--pitch", "4350"], "--pitch 4350: pixels are"),
        (["-m", "1", "-m", "5", "--dpi", "300"], "dpi"),
        (["-m", "1", "--name", "much too long for the code"], "Choose a short name"),
        (["-m", "1", "--sensor", "36"], "--sensor 36: give width x height in mm"),
        (["-m", "1", "--sensor", "0x24"], "--sensor 0x24"),
        (["-m", "1", "--sensor", "1.2.3x4"], "--sensor 1.2.3x4"),
        (["-m", "1", "--paper", "A9"], "--paper A9: give A4 or Letter"),
        (["-m", "0.1", "--paper", "A4"], "A4 is 210 x 297 mm"),
    ],
)
def test_impossible_target_is_refused(tmp_path: Path, arguments: list[str], says: str) -> None:
    assert says in refused("target", tmp_path / "chart", *arguments)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("file", ["target.json", "target.pdf", "target.svg"])
def test_target_overwrites_nothing(tmp_path: Path, file: str) -> None:
    (tmp_path / file).write_text("mine")
    said = refused("target", tmp_path, "-m", 2)
    assert f"holds {file} already. Name a new folder." in said.replace("\n", " ")
    assert [path.name for path in tmp_path.iterdir()] == [file]
    assert (tmp_path / file).read_text() == "mine"


def test_a_blade_gets_its_holder(tmp_path: Path) -> None:
    result = run("target", tmp_path, "-m", 1, "-m", 3, "--technology", "blade")
    assert result.exit_code == 0, result.stderr
    assert (tmp_path / "blade-holder.pdf").exists()
    assert not (tmp_path / "target.pdf").exists()


def test_a_file_is_no_folder_for_a_target(tmp_path: Path) -> None:
    place = tmp_path / "taken"
    place.write_text("mine")
    result = run("target", place, "-m", 1)
    assert result.exit_code == 2
    assert "is a file. Name a new folder" in result.stderr
    assert place.read_text() == "mine"


def test_target_needs_a_magnification(tmp_path: Path) -> None:
    result = run("target", tmp_path)
    assert result.exit_code == 2
    assert "--magnification" in result.stderr


# demo


def test_demo_runs_the_whole_job(
    tmp_path: Path, tiny: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    small = partial(simulated_demo.write_demo_session, plan=tiny.plan)
    monkeypatch.setattr(simulated_demo, "write_demo_session", small)
    folder = tmp_path / "demo"
    result = run("demo", folder, "--seed", 3, "--workers", 1)
    assert result.exit_code == 0
    assert (folder / "report" / "index.html").is_file()
    assert (folder / "frames/2x/IMG_0001.dng").read_bytes() == (
        (tiny.folder / "frames/2x/IMG_0001.dng").read_bytes()
    )
    table = [line for line in result.stdout.splitlines() if not line.startswith("The report")]
    assert max(map(len, table)) <= 80
    # An earlier demo may be replaced.
    again = run("demo", folder, "--seed", 3, "--workers", 1)
    assert (again.exit_code, again.stdout) == (0, result.stdout)


def test_demo_leaves_what_is_there_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    assert "is not empty and no earlier demo" in refused("demo", tmp_path)
    assert "is a file" in refused("demo", tmp_path / "notes.txt")
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


# The installed command


def _stopwise(*arguments: object) -> subprocess.CompletedProcess[str]:
    assert STOPWISE is not None, "install the project: pip install -e ."
    return subprocess.run(
        [STOPWISE, *map(str, arguments)], capture_output=True, text=True, timeout=120, check=False
    )


def test_installed_command_measures_the_same_over_two_processes(tiny: Any, tiny_copy: Copy) -> None:
    done = _stopwise("measure", tiny_copy(measured=False), "--workers", 2, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout) == [frame.to_json_dict() for frame in tiny.measured.frames]


def test_installed_command_fails_without_a_traceback(tmp_path: Path) -> None:
    done = _stopwise("inspect", tmp_path / "gone.dng")
    assert (done.returncode, done.stdout) == (2, "")
    assert "gone.dng: there is no such file" in done.stderr
    assert "Traceback" not in done.stderr


def test_reader_that_leaves_early_is_no_failure(tiny: Any) -> None:
    assert STOPWISE is not None
    process = subprocess.Popen(
        [STOPWISE, "measure", str(tiny.folder), "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    stderr = process.stderr.read()
    process.stderr.close()
    assert (process.wait(timeout=120), stderr) == (0, b"")


# What the commands print with


@pytest.mark.parametrize(
    ("done", "to_do", "elapsed_s", "said"),
    [
        (2, 150, 6.0, "-:--:--"),
        (4, 154, 12.0, "0:07:42"),
        (5, 0, 9.0, "0:00:00"),
        (3, 9000, 3.1, "2:35:00"),
    ],
)
def test_time_left_counts_what_this_run_did(
    done: int, to_do: int, elapsed_s: float, said: str
) -> None:
    assert time_left(done, to_do, elapsed_s) == said


def test_a_resumed_bar_forgets_what_was_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """Exact: 40 of 200 were there, 10 more took 30 s, so 150 take 450 s."""
    clock = iter([5.0, 5.0, 35.0])
    seen: list[tuple[int, int, float]] = []

    def told(done: int, to_do: int, elapsed_s: float) -> str:
        seen.append((done, to_do, elapsed_s))
        return time_left(done, to_do, elapsed_s)

    monkeypatch.setattr(terminal.time, "monotonic", lambda: next(clock))
    monkeypatch.setattr(terminal, "time_left", told)
    with terminal.progress_bar("measuring", quiet=True) as move:
        move(40, 200)
        monkeypatch.setattr(terminal.time, "monotonic", lambda: 35.0)
        move(50, 200)
    assert seen[-1] == (10, 150, 30.0)
    assert time_left(*seen[-1]) == "0:07:30"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("fit", "x", "--loss", "0"), "--loss"),
        (("fit", "x", "--mend"), "--mend"),
        (("fitt",), "fitt"),
        (("fit",), "session"),
    ],
)
def test_a_wrong_command_line_is_a_plain_message(arguments: tuple[str, ...], said: str) -> None:
    message = refused(*arguments)
    assert said in message
    assert "Help: stopwise" in message
    assert len(message.splitlines()) == 1


@pytest.mark.parametrize("command", COMMANDS)
def test_no_help_lost_its_brackets(command: str) -> None:
    shown = run(command, "--help").stdout
    assert "[]" not in shown
    body = shown.split("╭")[0].splitlines()
    # A line of one or two words before another one: wrapped by hand wider than the screen.
    short = [
        k for k, line in enumerate(body[:-1]) if 0 < len(line.split()) < 3 and body[k + 1].strip()
    ]
    assert short == []


def test_a_file_in_place_of_a_session_is_told_so(tmp_path: Path) -> None:
    one, bundle = tmp_path / "frame.dng", tmp_path / "club.zip"
    one.write_bytes(b"no picture")
    with zipfile.ZipFile(bundle, "w") as archive:
        archive.writestr("kept.json", "{}")
    assert "is a file" in refused("fit", one)
    assert "bundle" not in refused("fit", one)
    assert "A bundle is read by stopwise report" in refused("fit", bundle)


def test_table_is_padded_and_not_trailed(capsys: pytest.CaptureFixture[str]) -> None:
    rows: Sequence[Sequence[str]] = [["f/2.8", "1", ""], ["f/16", "1234", "x"]]
    print_table(["stop", "n", ""], rows)
    assert capsys.readouterr().out == "stop      n\nf/2.8     1\nf/16   1234  x\n"


def test_json_refuses_what_is_no_number() -> None:
    with pytest.raises(ValueError, match="JSON"):
        print_json({"mtf50": float("nan")})
