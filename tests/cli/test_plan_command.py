"""``stopwise plan`` as a user meets it."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner, Result

from lab.cli.plan import plan
from lab.cli.terminal import guarded
from lab.session.config import read_session

app = typer.Typer()
app.command(name="plan")(guarded(plan))

BARE = ("-m", 2, "-m", 1, "--pitch", 5, "--stops", "4,8,16", "--focal-length", 75)
# Invented.
RIG = """
[rig]
name = "Bench"
magnifications = [1, 2]
stops = [4, 8]
[body]
name = "Club body"
pixel_pitch_um = 4.35
sensor_mm = [35.9, 23.9]
flange_mm = 18
[lens]
name = "Bench 75"
focal_length_mm = 75
mount = "reversed"
[[part]]
kind = "bellows"
shortest_mm = 40
longest_mm = 240
"""


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "80"})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def figures(*arguments: object) -> dict[str, Any]:
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.stderr
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    return found


def refused(*arguments: object) -> str:
    result = run(*arguments)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.startswith("stopwise: ")
    return " ".join(result.stderr.split())


@pytest.fixture
def rig_file(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(RIG, "utf-8")
    return path


# What is printed


def test_bare_options_in_80_columns() -> None:
    wanted = (*BARE, "--detail", 5, "--other-pitch", 3.2)
    result, behind = run(*wanted), figures(*wanted)
    text = result.stdout
    assert max(map(len, text.splitlines())) <= 80
    assert [one["magnification"] for one in behind["series"]] == [1.0, 2.0]
    rows = [line.split() for line in text.splitlines() if line.startswith("f/")]
    points = [point for one in behind["series"] for point in one["points"]]
    assert len(rows) == len(points) == 6
    for row, point in zip(rows, points, strict=True):
        assert row[0] == f"f/{point['marked_stop']:g}"
        assert float(row[1]) == pytest.approx(point["effective_f_number"], abs=0.051)
        assert float(row[2]) == pytest.approx(point["mtf50_image_cyc_per_mm"], abs=0.051)
        assert float(row[7]) == point["focus_step_um"]
        assert int(row[8]) == point["frames"]
        assert float(row[9]) == pytest.approx(point["added_stops"], abs=0.051)
        assert row[10].startswith("1/")
    assert "subject 112 mm from the lens, extension 150 mm" in text
    assert "Effective = 3.000 x the exact stop" in " ".join(text.split())
    assert sum(line.startswith(("1x ", "2x ")) for line in text.splitlines()) == 4
    for heading in ("How far to stop down", "Light and movement", "The target", "Made: ", "Lit: "):
        assert heading in text
    assert "Never look into the flash" in " ".join(text.split())
    assert "The pupil ratio is taken as 1" in text


def test_rules_stand_beside_the_limits() -> None:
    text = run("-m", 2, "-m", 5, "--pupil-ratio", 1).stdout
    (two,) = (line for line in text.splitlines() if line.startswith("2x "))
    assert two.endswith("f/8, f/11 scaled: f/3.8")
    assert "pupil ratio is taken" not in text
    own = run("-m", 2, "--rule", "effective f/22").stdout
    assert "effective f/22: f/7.3" in own


def test_limits_beyond_the_lens_are_marked() -> None:
    text = run("-m", 1, "-m", 3, "--stops", "4,5.6", "--pitch", 3.2, "--airy", 1.7).stdout
    (one,) = (line.split() for line in text.splitlines() if line.startswith("1x  "))
    (three,) = (line for line in text.splitlines() if line.startswith("3x  "))
    assert (one[3][-1], one[4]) == ("*", "f/11+")  # 1.7 px, print
    assert three.endswith("f/5.6, f/11 scaled: f/2.8*")
    said = " ".join(text.split())
    assert "*: wider than this lens opens" in said
    assert "+: beyond its smallest stop" in said
    wide = run("-m", 1, "--stops", "1,32").stdout
    assert "wider than this lens" not in wide
    assert "beyond its smallest" not in wide


def test_many_rules_stay_in_80_columns() -> None:
    rules = ["2x: f/8", "effective f/22", "effective f/5.6", "infinity f/16", "infinity f/11"]
    options = [part for rule in rules for part in ("--rule", rule)]
    text = run("-m", 2, "--detail", 5, *options).stdout
    assert max(map(len, text.splitlines())) <= 80
    start = text.index("rules of thumb\n2x ")
    block = text[start : text.index("10 % off: MTF50")]
    assert [
        one.split(": ")[0] for one in re.findall(r"(?:[a-z]+ )?f/[\d.]+(?: scaled)?: ", block)
    ] == [*("effective f/22", "effective f/5.6", "infinity f/16", "f/11 scaled")]


def test_one_stop_has_one_budget() -> None:
    rig = ("-m", 2, "--pitch", 4.35, "--focal-length", 75)
    one = " ".join(run(*rig, "--stops", "8").stdout.split())
    assert re.search(r"The budget is [0-9.]+ um\.", one)
    two = " ".join(run(*rig, "--stops", "4,8").stdout.split())
    assert re.search(r"The budget is [0-9.]+ um to [0-9.]+ um, from the widest stop", two)


def test_stops_over_the_hand_s_budget_are_marked() -> None:
    wanted = ("-m", 1, "-m", 3, "--stops", "2.8,16", "--flash", "1/3000", "--ambient-under", 8)
    found, text = figures(*wanted), run(*wanted).stdout
    marks = [line.endswith("!") for line in text.splitlines() if line.startswith("f/")]
    points = [p for one in found["series"] for p in one["points"]]
    assert marks == [p["is_over_hand_budget"] for p in points] == [False, False, True, False]
    effective_s = found["light"]["effective_exposure_s"]
    assert marks == [effective_s > p["longest_exposure_s"] for p in points]
    assert "Over budget in the hand (!): 3x at f/2.8. Put the rig" in " ".join(text.split())
    slow = " ".join(run(*wanted, "--hand-speed", 50).stdout.split())
    assert "(!): 1x at every stop, 3x at every stop." in slow
    calm = run(*wanted, "--hand-speed", 1).stdout
    assert "No stop is over budget in the hand." in calm
    assert "!" not in calm


def test_light_is_said_in_shares_and_times() -> None:
    wanted = (*BARE, "--flash", "1/2000", "--shutter", "1/60", "--ambient-under", 6)
    text = " ".join(run(*wanted).stdout.split())
    assert "flash makes 98.5 % of the picture" in text  # 1 - 0.0153846
    assert "Shutter 1/60 s and flash 1/2000 s (t0.1)" in text
    light = figures(*wanted)["light"]
    assert light["flash_share"] == pytest.approx(1 - 1 / 65)
    slow = figures(*BARE, "--hand-speed", 10)["series"][1]
    fast = figures(*BARE, "--hand-speed", 5)["series"][1]
    assert slow["hand_blur_um"] == pytest.approx(2 * fast["hand_blur_um"])


def test_rig_file_in_80_columns(rig_file: Path) -> None:
    result = run(rig_file, "--rail", 20)
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert result.stdout.startswith("Bench, 4.35 um pixels")
    assert "bellows out 207 mm" in result.stdout  # 75 (1 + 2) - 18
    steps = [p["focus_step_um"] for p in figures(rig_file, "--rail", 20)["series"][0]["points"]]
    assert all(step % 20 == 0 for step in steps)
    sizes = [s["magnification"] for s in figures(rig_file, "-m", 1.5)["series"]]
    assert sizes == [1.5]


def test_objective_and_face_to_face_say_what_limits(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    front = '[[part]]\nkind = "front-lens"\nfocal_length_mm = 25\nf_number = 2\n'
    plain = RIG.replace("magnifications = [1, 2]\n", "").replace('mount = "reversed"\n', "")
    face = plain[: plain.index("[[part]]")] + front
    path.write_text(face, "utf-8")
    text = run(path).stdout
    assert "Down to f/4 what stands before the lens sets the cone" in text
    lens = '[lens]\nname = "4x"\nnumerical_aperture = 0.1\nnominal_magnification = 4\n'
    alone = plain[: plain.index("[lens]")].replace("stops = [4, 8]\n", "") + lens
    path.write_text(alone, "utf-8")
    text = " ".join(run(path).stdout.split())
    assert "fixed 20.0" in text
    assert "on whose ring it would stand at f/4 (4x)" in text
    wide = alone.replace("numerical_aperture = 0.1", "numerical_aperture = 0.95")
    path.write_text(wide, "utf-8")
    assert "no diffuser fills so wide a cone" in run(path).stdout


def test_edge_that_no_technology_has() -> None:
    text = " ".join(run("-m", 5, "--stops", "1.4").stdout.split())
    assert "no usual one is that sharp" in text


# What is written


def test_files_are_made_and_named(rig_file: Path, tmp_path: Path) -> None:
    folder, sheet, table = tmp_path / "new", tmp_path / "list.pdf", tmp_path / "plan.csv"
    wanted = (rig_file, "--new", folder, "--sheet", sheet, "--csv", table, "--raw-suffix", "raw")
    found = figures(*wanted, "--paper", "Letter", "--focus-error", 0)
    assert set(found["files"]) == {
        *(str(folder / n) for n in ("session.toml", "shot-list.pdf", "target.json", "target.pdf")),
        *(str(folder / "frames" / n) for n in ("1x", "2x")),
        *(str(sheet), str(table), str(tmp_path / "plan-limits.csv")),
    }
    config = read_session(folder)
    assert [s.frames for s in config.series] == ["1x/*.raw", "2x/*.raw"]
    points = [(one["magnification"], p) for one in found["series"] for p in one["points"]]
    rows = list(csv.DictReader(io.StringIO(table.read_text("utf-8"))))
    for row, (m, point) in zip(rows, points, strict=True):
        assert float(row["magnification"]) == m
        assert float(row["mtf50_object_cyc_per_mm"]) == pytest.approx(
            point["mtf50_object_cyc_per_mm"], rel=5e-6
        )
        assert row["is_front_limited"] == "False"
        assert row["is_over_hand_budget"] == str(point["is_over_hand_budget"])
    content = sheet.read_bytes()
    assert content.startswith(b"%PDF-")
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert box is not None
    assert float(box[1]) == pytest.approx(612)  # 8.5 inch


@pytest.mark.parametrize("option", ["--new", "--sheet", "--csv"])
def test_nothing_is_overwritten(option: str, tmp_path: Path) -> None:
    there = tmp_path / "there.pdf"
    there.write_text("mine")
    assert "already" in refused(*BARE, option, there)
    assert there.read_text() == "mine"


def test_limits_are_not_overwritten(tmp_path: Path) -> None:
    limits = tmp_path / "mine-limits.csv"
    limits.write_text("mine")
    assert "mine-limits.csv: is there already" in refused(*BARE, "--csv", tmp_path / "mine.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["mine-limits.csv"]


def significant(number: float) -> int:
    return next(n for n in range(1, 18) if float(f"{number:.{n}g}") == number)


def test_tables_hold_six_digits_and_json_nine(tmp_path: Path) -> None:
    wanted = (*BARE, "--detail", 5, "--other-pitch", 3.2, "--csv", tmp_path / "plan.csv")
    found = figures(*wanted)
    tables = [
        list(csv.DictReader(io.StringIO((tmp_path / name).read_text("utf-8"))))
        for name in ("plan.csv", "plan-limits.csv")
    ]
    cells = [cell for table in tables for row in table for cell in row.values()]
    numbers = [float(cell) for cell in cells if re.fullmatch(r"[\d.e+-]+", cell)]
    assert max(map(significant, numbers)) == 6
    points = [point for one in found["series"] for point in one["points"]]
    floats = [v for point in points for v in point.values() if isinstance(v, float)]
    assert max(map(significant, floats)) == 9
    behind = {(one["magnification"], one["pixel_pitch_um"]): one for one in found["limits"]}
    for row in tables[1]:
        one = behind[float(row["magnification"]), float(row["pixel_pitch_um"])]
        if row["criterion"] == "rule":
            (stop,) = [rule["stop"] for rule in one["rules"] if rule["rule"] == row["asked"]]
        else:
            stop = one[f"{row['criterion']}_stop"]
        assert float(row["stop"]) == pytest.approx(stop, rel=5e-6)
        assert float(row["effective_f_number"]) == pytest.approx(stop * one["per_marked"], rel=1e-5)
        where = "yes" if 4 <= stop <= 16 else "wider than this lens opens"
        assert row["on_lens"] == where
    assert {row["criterion"] for row in tables[1]} == {"loss", "pixels", "print", "detail", "rule"}
    assert {row["on_lens"] for row in tables[1]} == {"yes", "wider than this lens opens"}


# Bad input


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "--magnification: is missing"),
        (("-m", 30), "--magnification 30"),
        (("-m", 2, "-m", 2), "is given twice"),
        (("-m", 2, "--stops", "4,4"), "a stop is given twice"),
        (("-m", 2, "--stops", "four"), "--stops four"),
        (("-m", 2, "--sensor", "36"), "--sensor 36"),
        (("-m", 2, "--pitch", 0), "--pitch 0"),
        (("-m", 2, "--shutter", "200"), "For a fraction write 1/200"),
        (("-m", 2, "--pitch", 4350), "--pitch 4350: pixels are 0.5 to 50 um"),
        (("-m", 2, "--pupil-ratio", -1), "--pupil-ratio -1"),
        (("-m", 2, "--focal-length", 0), "--focal-length 0"),
        (("-m", 2, "--name", ""), "--name ''"),
        (("-m", 2, "--name", "a\tb"), "--name"),
        (("-m", 2, "--rail", 0), "--rail 0"),
        (("-m", 2, "--focus-error", -1), "--focus-error -1"),
        (("-m", 2, "--shutter", "1/0"), "--shutter 1/0"),
        (("-m", 2, "--flash", "quick"), "--flash quick"),
        (("-m", 2, "--ambient-under", "nan"), "--ambient-under nan"),
        (("-m", 2, "--hand-speed", 0), "--hand-speed 0"),
        (("-m", 2, "--loss", 100), "--loss 100"),
        (("-m", 2, "--airy", 0), "--airy 0"),
        (("-m", 2, "--detail", -5), "--detail -5"),
        (("-m", 2, "--contrast", 0), "--contrast 0"),
        (("-m", 2, "--other-pitch", 0), "--other-pitch 0"),
        (("-m", 2, "--rule", "f/8"), "is no rule"),
        (("-m", 2, "--paper", "A3"), "--paper A3"),
        (("-m", 2, "--raw-suffix", "*.dng"), "--raw-suffix *.dng"),
        (("none.toml",), "none.toml: there is no such file"),
    ],
)
def test_bad_options_are_refused(arguments: tuple[object, ...], says: str) -> None:
    assert says in refused(*arguments)


def test_rig_file_and_its_options_exclude_each_other(rig_file: Path) -> None:
    said = refused(rig_file, "--pitch", 4, "--stops", "8")
    assert "--pitch, --stops" in said
    assert "out of reach" in refused(rig_file, "-m", 5)


def test_folder_is_refused_with_what_reads_it(tmp_path: Path) -> None:
    said = refused(tmp_path)
    assert "is a folder; a plan is made from a rig's TOML file" in said
    assert f"make a session there with --new {tmp_path}" in said
    (tmp_path / "session.toml").write_text("")
    assert f"stopwise measure {tmp_path}" in refused(tmp_path)


def test_sheet_is_a_pdf(tmp_path: Path) -> None:
    said = refused(*BARE, "--sheet", tmp_path / "list.txt")
    assert f"the shot list is a PDF. Name it so: {tmp_path / 'list.pdf'}." in said
    assert not list(tmp_path.iterdir())


def test_wrong_rig_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(RIG.replace("bellows", "belows"), "utf-8")
    assert "[[part]] (1 of 1) kind: is 'belows'" in refused(path)


def test_name_that_no_page_can_show_leaves_nothing(tmp_path: Path) -> None:
    assert "Use Latin letters" in refused(*BARE, "--name", "石英", "--new", tmp_path / "s")
    assert not (tmp_path / "s").exists()
