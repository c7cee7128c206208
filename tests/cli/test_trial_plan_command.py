"""``stopwise trial-plan`` as a user meets it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner, Result

from lab.cli.terminal import guarded
from lab.cli.trial_plan import trial_plan
from lab.inference.proportions import frames_to_tell, power
from lab.session.config import read_session

app = typer.Typer()
app.command(name="trial-plan")(guarded(trial_plan))

HANDS = ("--condition", "stand", "--condition", "by hand", "-m", 1.5, "--stop", 8)


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


# Exact


@pytest.mark.parametrize("names", [("a", "b"), ("a", "b", "c", "d")])
def test_frames_count_with_every_test_that_a_trial_makes(names: tuple[str, ...]) -> None:
    options = [part for name in names for part in ("--condition", name)]
    found = figures("--tell", "0.9,0.5", *options)
    tests = len(names) * (len(names) - 1)  # pairs, each by keepers and by sharpness
    assert (found["conditions"], found["tests"]) == (len(names), tests)
    assert found["alpha"] == pytest.approx(0.05 / tests)
    needed = frames_to_tell(0.9, 0.5, power=0.8, alpha=0.05 / tests)
    assert found["frames_to_tell"] == needed
    (asked,) = [line for line in found["lines"] if line["share_other"] == 0.5]
    assert asked["frames"] == needed
    assert asked["powers"][str(needed)] == pytest.approx(power(needed, 0.9, 0.5, 0.05 / tests))
    assert asked["powers"][str(needed)] >= 0.8


def test_the_trials_own_correction_tells_at_that_level() -> None:
    from lab.inference.permutation import holm

    three = ("--condition", "a", "--condition", "b", "--condition", "c")
    alpha = figures("--tell", "0.9,0.3", *three)["alpha"]
    assert holm([alpha, *[0.9] * 5])[0] <= 0.05 * (1 + 1e-12)
    assert holm([1.01 * alpha, *[0.9] * 5])[0] > 0.05


def test_more_power_takes_more_frames() -> None:
    few = figures("--tell", "0.6,0.9", "--power", 0.5)["frames_to_tell"]
    many = figures("--tell", "0.6,0.9", "--power", 0.95)["frames_to_tell"]
    assert few < 38 < many


def test_typical_differences_in_80_columns() -> None:
    result = run()
    assert result.exit_code == 0, result.stderr
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    (line,) = [one for one in lines if one.startswith("90 % or 60 %")]
    assert line.split()[5] == str(frames_to_tell(0.9, 0.6, alpha=0.025))
    assert "Among 2 tests" in result.stdout and "Holm" in result.stdout


def test_session_with_whole_blocks(tmp_path: Path) -> None:
    folder = tmp_path / "hands"
    result = run(
        folder, *HANDS, "--tell", "0.9,0.6", "--block", 4, "--seed", 77, "--paper", "Letter"
    )
    assert result.exit_code == 0, result.stderr
    (series,) = read_session(folder).trials
    trial = series.trial
    assert trial is not None and trial.reference == "stand"
    needed = frames_to_tell(0.9, 0.6, alpha=0.025)
    assert needed is not None and 0 <= trial.frames_per_condition - needed < 4
    assert trial.frames_per_condition % 4 == 0
    assert "seed 77" in " ".join(result.stdout.split())
    assert f"Made {folder / 'order.pdf'}" in result.stdout
    assert f"stopwise measure {folder}" in " ".join(result.stdout.split())


def test_json_says_the_order(tmp_path: Path) -> None:
    options = ("--frames", 7, "--reference", "by hand", "--name", "Bench", "--seed", 3)
    found = figures(tmp_path / "s", *HANDS, *options)
    assert (found["frames_per_condition"], found["block"], found["seed"]) == (7, 5, 3)
    assert found["reference"] == "by hand" and found["frames_to_tell"] is None
    assert [r["frames"] for r in found["order"]] == [5, 5, 2, 2]
    assert str(tmp_path / "s" / "frames/bench/") in [f.rstrip("/") for f in found["files"]]
    again = figures(tmp_path / "t", *HANDS, *options)
    assert again["order"] == found["order"]


def test_a_drawn_seed_is_said(tmp_path: Path) -> None:
    found = figures(tmp_path / "s", *HANDS, "--frames", 40)
    (line,) = [
        one
        for one in (tmp_path / "s" / "session.toml").read_text("utf-8").splitlines()
        if one.startswith("# order.pdf")
    ]
    assert f"seed {found['seed']};" in line and 0 <= found["seed"] < 100_000


def test_one_round_is_warned_of(tmp_path: Path) -> None:
    said = run(tmp_path / "s", *HANDS, "--frames", 5).stdout
    assert "One round alone" in said
    assert "One round alone" not in run(tmp_path / "t", *HANDS, "--frames", 6).stdout


# Bad input


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--tell", "0.9"), "--tell 0.9: give two shares"),
        (("--tell", "90,60"), "two shares from 0 to 1"),
        (("--tell", "nan,0.6"), "two shares from 0 to 1"),
        (("--tell", "0.9,0.9"), "are equal"),
        (("--power", 1), "--power 1: give a chance"),
        (("--frames", 0), "--frames 0"),
        (("--frames", 1001), "--frames 1001"),
        (("--condition", "stand"), "is alone"),
        (("--condition", "a", "--condition", "a"), "is given twice"),
        (("--condition", "a", "--condition", " b"), "space at either end"),
        (("--condition", "a", "--condition", "b" * 41), "1 to 40 printable"),
        (("-m", 1, "--stop", 8), "-m, --stop: for a session"),
        (("NEW", "--frames", 5), "--condition: give two or more"),
        (("NEW", *HANDS), "--frames: how many of each"),
        (("NEW", *HANDS[:6], "--frames", 5), "--stop: is missing"),
        (("NEW", *HANDS[:4], "--stop", 8, "--frames", 5), "-m: is missing"),
        (("NEW", *HANDS, "--frames", 5, "--block", 0), "--block 0"),
        (("NEW", *HANDS, "--frames", 5, "--seed", -1), "--seed -1"),
        (("NEW", *HANDS, "--frames", 5, "--reference", "tripod"), "none of stand, by hand"),
        (("NEW", *HANDS, "--frames", 5, "--paper", "A3"), "--paper A3"),
        (("NEW", *HANDS, "--frames", 5, "--raw-suffix", "*"), "--raw-suffix *"),
        (("NEW", *HANDS, "--frames", 5, "--name", " "), "--name ' '"),
        (("NEW", *HANDS, "--frames", 5, "--pitch", 4350), "--pitch 4350"),
        (("NEW", *HANDS, "--frames", 5, "--sensor", "full"), "--sensor full"),
    ],
)
def test_bad_input(arguments: tuple[object, ...], said: str, tmp_path: Path) -> None:
    new = tmp_path / "new"
    result = run(*(new if a == "NEW" else a for a in arguments))
    assert result.exit_code == 2
    assert said in result.stderr and result.stdout == ""
    assert not new.exists()


def test_too_small_a_difference_needs_frames_said(tmp_path: Path) -> None:
    result = run(tmp_path / "s", *HANDS, "--tell", "0.95,0.93")
    assert result.exit_code == 2 and "more than 1000 frames" in result.stderr
    assert not (tmp_path / "s").exists()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text("ours")
    result = run(tmp_path, *HANDS, "--frames", 5)
    assert result.exit_code == 2 and "not empty. Name a new folder" in result.stderr
    assert (tmp_path / "session.toml").read_text() == "ours"
