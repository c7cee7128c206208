"""``stopwise depth`` and the rules' table as a user meets them."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from typer.testing import CliRunner, Result

from lab.cli.depth import depth
from lab.cli.rules_text import print_rules
from lab.cli.terminal import guarded
from lab.inference.depth import Sharpness, best_stop, depth_within
from lab.inference.lens_optics import predicted_optics
from lab.inference.results import RuleResult
from lab.inference.rules import judge_rules, parse_rule
from lab.session.stops import exact_stop

app = typer.Typer()
app.command(name="depth")(guarded(depth))

PREDICTED = ("-m", 2, "--pitch", 4.35, "--depth", 200)


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


# A predicted lens


def test_predicted_lens_in_80_columns() -> None:
    wanted = (*PREDICTED, "--detail", 5, "--against", 1, "--recycle", 2.5, "--enlargement", 8)
    result, behind = run(*wanted), figures(*wanted)
    assert result.exit_code == 0
    text = result.stdout
    assert max(map(len, text.splitlines())) <= 80
    rows = {line.split()[0]: line.split() for line in text.splitlines() if line.startswith("f/")}
    assert list(rows) == ["f/2.8", "f/4", "f/5.6", "f/8", "f/11", "f/16"]
    widest, best = behind["stops"][0], behind["one_shot"]
    assert rows["f/2.8"][1:4] == ["8.5", f"{100 * widest['focused']:.1f}", "lost"]
    assert rows["f/2.8"][-2:] == [f"{widest['time_s']:.3g}", "s"]
    assert rows["f/16"][2:] == ["lost", "lost", "-", "-", "-"]
    words = " ".join(text.split())
    assert (
        f"one shot: f/{best['stop']:.1f}, effective {best['effective_f_number']:.1f}, "
        f"holds {100 * best['held']:.1f} %"
    ) in words
    assert "against 1x cropped to 50 % of its width (25 % of the pixels)" in words
    more = 100 * (behind["against"]["ratio"] - 1)
    assert f"the full frame at 2x shows {more:.1f} % more" in words
    # Clarke 2005, converted: f/6.7 to f/13.75 at 2x for E = 8.
    assert "prints 8 times the sensor: f/6.7 to f/14" in words
    assert "Look away from the flash" in words


def test_json_holds_the_same_figures() -> None:
    found = figures(*PREDICTED, "--detail", 5, "--recycle", 2, "--settle", 0.5, "--against", 1.5)
    assert found["sharpness"] == "contrast"
    sharp = Sharpness(detail_um=5.0)
    at = partial(
        predicted_optics,
        magnification=2.0,
        pupil_ratio=1.0,
        wavelength_um=0.53,
        pixel_pitch_um=4.35,
    )
    best = best_stop(at, exact_stop(2.8), 16.0, sharp, 200.0, rng=np.random.default_rng(1))
    assert found["one_shot"]["stop"] == pytest.approx(best.stop)
    assert found["one_shot"]["held"] == pytest.approx(best.held)
    assert found["one_shot"]["low95"] is None
    point = found["stops"][2]
    assert (point["marked_stop"], point["stop"]) == (5.6, pytest.approx(5.656854))
    within = depth_within(at(np.array([exact_stop(5.6)])), sharp, 10.0)
    assert point["depth_um"] == pytest.approx(within.depth_um[0])
    assert point["time_s"] == pytest.approx(2.5 * point["frames"])
    assert found["against"]["crop_width"] == pytest.approx(0.75)
    assert found["against"]["better"] == "full"
    assert found["published_criterion_stops"] is None


def test_options_of_a_predicted_lens_count() -> None:
    plain = figures(*PREDICTED)
    assert plain["sharpness"] == "mtf50_object_cyc_per_mm"
    for option in (
        ("--pupil-ratio", 1.6),
        ("--wavelength", 0.6),
        ("--spherical", 0.7),
        ("--blur", 3),
        ("--stops", "2.8,4"),
        ("--loss", 20),
    ):
        changed = figures(*PREDICTED, *option)
        assert changed != plain
    assert [p["marked_stop"] for p in changed["stops"]] == [2.8, 4.0, 5.6, 8.0, 11.0, 16.0]
    assert changed["stack"]["depth_um"] > plain["stack"]["depth_um"]
    # Without a recycling time there is none to add up.
    assert plain["stack"]["time_s"] is None


def test_a_detail_nobody_can_hold_is_said() -> None:
    words = " ".join(run(*PREDICTED, "--detail", 0.3).stdout.split())
    assert "one shot: no stop here holds 0.3 um lines over 200 um" in words
    assert "stack: no stop here shows 0.3 um lines even in focus" in words


def test_a_detail_finer_than_the_pixels_is_said() -> None:
    words = " ".join(run(*PREDICTED, "--detail", 2, "--against", 1).stdout.split())
    assert "note: at 2x 2 um lines are finer than half a cycle a pixel" in words


def test_long_stacks_are_timed_in_minutes() -> None:
    text = run("-m", 5, "--pitch", 4.35, "--depth", 1000, "--stops", "2.8", "--recycle", 3).stdout
    assert " min " in text


# A measured session


@pytest.fixture(scope="module")
def measured(demo: Any) -> dict[str, Any]:
    return figures(demo.folder, "-m", 2, "--depth", 150, "--detail", 6)


def test_measured_lens_agrees_with_its_truth(demo: Any, measured: dict[str, Any]) -> None:
    """Recovery: a rendered and measured session against the rig behind it."""
    rig = demo.plan.rig
    at = partial(
        predicted_optics,
        magnification=1.991,
        pupil_ratio=rig.pupil_ratio,
        wavelength_um=0.53,
        pixel_pitch_um=rig.pixel_pitch_um,
        spherical_um=rig.spherical_um,
        spherical_at=rig.widest_stop,
        blur_std_um=rig.blur_std_um,
    )
    sharp = Sharpness(detail_um=6.0)
    best = best_stop(at, exact_stop(2.8), 8.0, sharp, 150.0, rng=np.random.default_rng(1))
    found = measured["one_shot"]
    assert found["low95"] <= best.stop <= found["high95"]
    assert found["held"] == pytest.approx(best.held, rel=0.02)
    assert found["held_low95"] < found["held"] < found["held_high95"]
    assert [p["marked_stop"] for p in measured["stops"]] == [2.8, 4.0, 5.6, 8.0]
    true_depth = depth_within(at(np.array([exact_stop(5.6)])), sharp, 10.0).depth_um[0]
    assert measured["stops"][2]["depth_um"] == pytest.approx(true_depth, rel=0.05)
    assert 0 < measured["stops"][2]["depth_std_um"] < 0.05 * true_depth
    assert measured["magnification"] == pytest.approx(1.991, rel=2e-3)


def test_measured_lens_prints_its_intervals(demo: Any) -> None:
    result = run(demo.folder, "-m", 2, "--depth", 150, "--detail", 6)
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines())) <= 80
    words = " ".join(result.stdout.split())
    assert words.count("±") >= 10
    assert "one shot: f/" in words and "(95 %: f/" in words


def test_sizes_that_were_not_shot_are_refused(demo: Any) -> None:
    message = refused(demo.folder, "-m", 3, "--depth", 150)
    assert "no series at 3x. Give a magnification that was shot: 2." in message
    assert "no series at 1x" in refused(demo.folder, "-m", 2, "--depth", 150, "--against", 1)


def test_nothing_measurable_exits_with_one(demo: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lab.inference.lens_data.lens_data", lambda *_: None)
    result = run(demo.folder, "-m", 2, "--depth", 150)
    assert (result.exit_code, result.stdout) == (1, "")
    assert "no frame with a stop and a magnification is measured" in result.stderr


# Bad input


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("-m", 2, "--depth", 200), "--pitch: a predicted lens needs"),
        (("-m", 0, "--depth", 200, "--pitch", 4), "--magnification 0: give a number above 0"),
        (("-m", "nan", "--depth", 200, "--pitch", 4), "--magnification nan"),
        (("-m", 2, "--depth", -5, "--pitch", 4), "--depth -5"),
        ((*PREDICTED, "--detail", 0), "--detail 0"),
        ((*PREDICTED, "--loss", 100), "--loss 100: give a percentage"),
        ((*PREDICTED, "--recycle", -1), "--recycle -1: give seconds"),
        ((*PREDICTED, "--settle", "inf"), "--settle inf: give seconds"),
        ((*PREDICTED, "--against", 2), "--against 2: a crop needs a magnification below 2"),
        ((*PREDICTED, "--stops", "8,4"), "--stops 8,4: give rising f-numbers"),
        ((*PREDICTED, "--stops", "8,deep"), "--stops 8,deep: give rising f-numbers"),
        ((*PREDICTED, "--blur", -1), "--blur -1"),
        ((*PREDICTED, "--spherical", "nan"), "--spherical nan"),
        ((*PREDICTED, "--pupil-ratio", 0), "--pupil-ratio 0"),
        ((*PREDICTED, "--enlargement", 0), "--enlargement 0"),
        (("nowhere", *PREDICTED), "--pitch: the session's measured lens has its own"),
        (("nowhere", "-m", 2, "--depth", 200), "nowhere"),
    ],
)
def test_bad_input_names_the_mend(
    arguments: tuple[object, ...], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert said in " ".join(refused(*arguments).split())


# Rules


def test_rules_table_in_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    x = np.linspace(3.0, 8.0, 201)
    stop = 2 ** (x / 2)
    verdicts = judge_rules(
        [parse_rule(text) for text in ("2x: f/11", "infinity f/11", "2x: f/5.6", "2x: f/22")],
        magnification=2.0,
        stop=stop,
        f_number=stop * 3,
        mtf50=60 * np.exp(-0.12 * np.abs(x - 4.2)),
        covariance=0.015**2 * np.outer(x - 4.2, x - 4.2),
        rng=np.random.default_rng(4),
    )
    results = [
        RuleResult(
            rule=one.rule,
            verdict=one.verdict,
            reason=one.reason,
            probability=one.probabilities[one.verdict],
            limit_stop=one.limit_stop,
            loss_percent=one.loss_percent,
            loss_low95=one.loss_low95,
            loss_high95=one.loss_high95,
            depth_given_away=one.depth_given_away,
        )
        for one in verdicts
    ]
    print_rules([(2.0, results), (1.0, ())])
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert [one.verdict for one in verdicts] == [
        "too bold",
        "too cautious",
        "holds",
        "too bold",
    ]
    rows = [line.split() for line in text.splitlines() if line.startswith("2x ")]
    assert rows[0][1:7] == ["f/11", "too", "bold", "100", "%", "f/11"]
    assert rows[1][-1] == f"{verdicts[1].depth_given_away:.1f}x"
    assert "2x, f/22: the limit lies beyond the last stop measured" in " ".join(text.split())


def test_no_rule_prints_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    print_rules([(2.0, ())])
    assert capsys.readouterr().out == ""
