"""Exposures within a stop and from stop to stop: what passes, what is reported."""

from dataclasses import replace
from pathlib import Path

import pytest

from tests.session.shoot import Shoot, by_file, only


@pytest.mark.parametrize("exposure", ["constant", "made-up"])
def test_a_constant_exposure_and_one_that_makes_up_pass(tmp_path: Path, exposure: str) -> None:
    shoot = Shoot(tmp_path, exposure=exposure)
    times = {m.exposure_s for m in shoot.metadata.values()}
    assert len(times) == (4 if exposure == "constant" else 10)  # the series have their own
    assert shoot.assign().problems == ()


def test_iso_may_make_up_for_the_f_number(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, exposure="constant")
    for file, (_, stop, _) in shoot.truth.items():
        iso = {2.8: 100, 4.0: 200, 5.6: 400, 8.0: 800, 11.0: 1600, 16.0: 3200}[stop]
        shoot.change(file, iso=float(iso))
    assert shoot.assign().problems == ()


@pytest.mark.parametrize("exposure", ["constant", "made-up"])
def test_a_frame_set_otherwise_than_its_stop_is_reported(tmp_path: Path, exposure: str) -> None:
    shoot = Shoot(tmp_path, exposure=exposure)
    usual = shoot.metadata["2x/IMG_60.dng"].exposure_s
    assert usual is not None
    shoot.change("2x/IMG_60.dng", exposure_s=usual * 2 ** (1 / 3))
    shoot.change("2x/IMG_61.dng", exposure_s=usual * 1.1)  # a tenth of a stop is rounding
    problem = only(shoot.assign())
    assert (problem.severity, problem.files) == ("warning", ("2x/IMG_60.dng",))
    assert "Changed exposure within a stop" in problem.text
    assert "at ISO 100; f/5.6 has 1/" in problem.text
    frame = by_file(shoot.assign())["2x/IMG_60.dng"]
    assert (frame.flags, frame.use, frame.marked_stop) == (("changed-exposure",), True, 5.6)


def test_a_wrong_iso_is_reported_once(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    shoot.change("2x/IMG_60.dng", iso=400.0)
    problem = only(shoot.assign())
    assert "Changed ISO" in problem.text and "exposure" not in problem.text


@pytest.mark.parametrize("stops", [(4.0, 5.6), (2.8, 16.0)])
def test_exchanged_stops_show_in_exposures_that_make_up(
    tmp_path: Path, stops: tuple[float, float]
) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    exchanged = dict(zip(stops, reversed(stops), strict=True))
    odd = []
    for file, (m, stop, um) in shoot.truth.items():
        if m == 3.0 and stop in exchanged:  # shot in another order than session.toml says
            shoot.change(file, exposure_s=shoot.exposure_s(m, exchanged[stop]))
            shoot.truth[file] = (m, exchanged[stop], um)
            odd.append(file)
    assignment = shoot.assign()
    problem = only(assignment)
    assert problem.files == tuple(odd)
    assert f"the exposure at f/{stops[0]:g}, f/{stops[1]:g} goes neither" in problem.text
    assert "f/8 0.5 s at ISO 100" in problem.text
    flagged = [f.file for f in assignment.frames if f.flags == ("changed-exposure",)]
    assert flagged == odd == shoot.wrong(assignment)  # the order of session.toml stands
    # Mended by the table.
    shoot.table(*(f"{file},,{shoot.truth[file][1]:g},,," for file in odd))
    assignment = shoot.assign()
    assert shoot.wrong(assignment) == []
    assert "exposure" not in " ".join(p.text for p in assignment.problems)


def test_exchanged_stops_do_not_show_in_constant_exposures(tmp_path: Path) -> None:
    # What the check cannot see: flash at one power, or a lamp dimmed by hand.
    shoot = Shoot(tmp_path, exposure="constant")
    assert shoot.assign().problems == ()


def test_exposures_without_a_pattern_are_reported_for_the_series(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, exposure="constant")
    times = {2.8: 0.01, 4.0: 0.5, 5.6: 0.03, 8.0: 2.0, 11.0: 0.004, 16.0: 0.13}
    for file, (m, stop, _) in shoot.truth.items():
        if m == 5.0:
            shoot.change(file, exposure_s=times[stop])
    problem = only(shoot.assign())
    assert "neither stays nor makes up for the f-number" in problem.text
    assert "f/4 0.5 s at ISO 100, f/5.6 1/33 s at ISO 100" in problem.text
    assert len(problem.files) == 42
    assert all(f.flags == () for f in shoot.assign().frames)


def test_a_bracket_of_one_is_judged_by_the_other_stops(tmp_path: Path) -> None:
    shoot = Shoot(tmp_path, exposure="constant")
    kept = [f"1x/IMG_{n}.dng" for n in (4, 11, 18, 25, 32, 39)]
    for file in [file for file in shoot.truth if file.startswith("1x/") and file not in kept]:
        shoot.remove(file)
    first, *others = shoot.config.series
    shoot.config = replace(shoot.config, series=(replace(first, frames_per_stop=1), *others))
    assert shoot.assign().problems == ()
    shoot.change("1x/IMG_18.dng", iso=800.0)
    problem = only(shoot.assign())
    assert problem.files == ("1x/IMG_18.dng",)
    assert "the exposure at f/5.6 goes neither" in problem.text


@pytest.mark.parametrize("changes", [{"exposure_s": None}, {"iso": None}, {"exposure_s": 0.0}])
def test_what_the_file_does_not_say_is_not_judged(
    tmp_path: Path, changes: dict[str, float | None]
) -> None:
    shoot = Shoot(tmp_path, exposure="made-up")
    for n in (43, 60, *range(64, 71)):
        shoot.change(f"2x/IMG_{n}.dng", **changes)
    assert shoot.assign().problems == ()
