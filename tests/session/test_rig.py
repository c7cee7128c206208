"""Rigs as people build them: what they reach, their cones, and RIG.toml with its mistakes."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from lab.errors import SessionError
from lab.optics import rigs
from lab.optics.geometry import effective_f_number, object_numerical_aperture
from lab.session.rig import Objective, Rig, RigLens, RigOptics, assumptions, reach, rig_optics
from lab.session.rig_file import parse_rig, read_rig

# Invented throughout.
BODY = """
[body]
name = "Club body"
pixel_pitch_um = 4.35
sensor_mm = [35.9, 23.9]
flange_mm = 18
"""
LENS = '[lens]\nname = "Bench 75"\nfocal_length_mm = 75\npupil_ratio = 0.8\n'


def text(
    parts: str = "", *, lens: str = LENS, rig: str = "stops = [4, 8]\n", body: str = BODY
) -> str:
    return f'[rig]\nname = "Bench"\n{rig}{body}{lens}{parts}'


def rig_of(parts: str = "", *, lens: str = LENS, rig: str = "stops = [4, 8]\n") -> Rig:
    return parse_rig(text(parts, lens=lens, rig=rig), "RIG.toml")


def part(kind: str, **keys: float) -> str:
    rows = "".join(f"{key} = {value}\n" for key, value in keys.items())
    return f'[[part]]\nkind = "{kind}"\n{rows}'


def only(rig: Rig) -> RigOptics:
    (m,) = rig.magnifications
    return rig_optics(rig, m)


# Exact


def test_a_lens_alone_takes_whatever_extension_it_needs() -> None:
    rig = rig_of(rig="stops = [8, 4]\nmagnifications = [2.5, 0.4]\n")
    assert (rig.magnifications, rig.stops) == ((0.4, 2.5), (4.0, 8.0))
    assert reach(rig) == (0.0, math.inf)
    found = rig_optics(rig, 2.5)
    assert (found.extension_mm, found.working_distance_mm) == (187.5, 105.0)
    assert found.effective(8) == pytest.approx(8 * (1 + 2.5 / 0.8))


def test_tubes_and_bellows_add_up() -> None:
    rig = rig_of(
        part("tube", length_mm=12)
        + part("tube", length_mm=20)
        + part("bellows", shortest_mm=43, longest_mm=193)
    )
    assert rig.magnifications == (1.0, 3.0)  # what the parts give: 75 and 225 mm
    found = rig_optics(rig, 2.2)
    assert found.extension_mm == pytest.approx(2.2 * 75)
    assert found.bellows_mm == pytest.approx(2.2 * 75 - 32)
    assert found.own_magnification == 0.0


def test_tube_behind_a_lens_that_focuses() -> None:
    lens = LENS + "closest_magnification = 0.5\n"
    rig = rig_of(part("tube", length_mm=30), lens=lens)
    assert reach(rig) == pytest.approx((0.4, 0.9))
    found = rig_optics(rig, 0.7)
    assert found.own_magnification == pytest.approx(0.3)
    assert found.per_marked == pytest.approx(float(effective_f_number(1, 0.7, 0.8)))


def test_lens_whose_focal_length_shortens() -> None:
    # 300 mm from subject to sensor at 1x: 75 mm of a lens of 100.
    lens = LENS.replace("= 75", "= 100") + "closest_magnification = 1\nclosest_distance_mm = 300\n"
    rig = rig_of(lens=lens, rig="stops = [4]\nmagnifications = [0.5, 1]\n")
    close, half = rig_optics(rig, 1.0), rig_optics(rig, 0.5)
    assert close.focal_length_mm == pytest.approx(75.0)
    assert half.focal_length_mm == pytest.approx(87.5)
    assert close.working_distance_mm == pytest.approx(150.0)
    # Its entrance pupil stays 25 mm wide: 75 / 25 (1 + 1 / 0.8), not 4 (1 + 1 / 0.8).
    assert close.effective(4) == pytest.approx(3 * (1 + 1 / 0.8))
    # Tubes behind it count by the focal length that it then has.
    longer = rig_of(part("tube", length_mm=37.5), lens=lens)
    assert reach(longer)[1] == pytest.approx(1.5)


@pytest.mark.parametrize(("mount", "per"), [("reversed", 2 + 1 / 0.8), ("barrel", 1 + 2 / 0.8)])
def test_lens_without_a_focusing_mount(mount: str, per: float) -> None:
    lens = LENS + f'mount = "{mount}"\nseat_mm = -6\n'
    rig = rig_of(part("bellows", shortest_mm=30, longest_mm=260), lens=lens)
    found = rig_optics(rig, 2.0)
    # Sensor to principal plane: 18 + bellows - 6 = 75 (1 + 2).
    assert found.bellows_mm == pytest.approx(213.0)
    assert found.per_marked == pytest.approx(per)


def test_close_up_lenses_cost_no_light() -> None:
    lens = LENS + "closest_magnification = 0.25\n"
    rig = rig_of(part("close-up", dioptres=3) + part("close-up", dioptres=2), lens=lens)
    low, high = reach(rig)
    assert low == pytest.approx(75 / 200)
    assert high == pytest.approx(0.25 + 75 * 1.25 / 200)
    far, near = rig_optics(rig, low), rig_optics(rig, high)
    assert far.working_distance_mm == pytest.approx(200.0)
    assert far.own_magnification == 0.0
    assert far.per_marked == 1.0
    assert near.per_marked == pytest.approx(1 + 0.25 / 0.8)


def test_teleconverter_enlarges_all_but_the_subjects_side() -> None:
    without = rig_of(part("tube", length_mm=60))
    rig = rig_of(part("tube", length_mm=60) + part("teleconverter", factor=1.4))
    one, two = only(without), only(rig)
    assert two.magnification == pytest.approx(1.4 * one.magnification)
    assert two.effective(8) == pytest.approx(1.4 * one.effective(8))
    assert two.working_distance_mm == one.working_distance_mm
    free = rig_of(part("teleconverter", factor=2), rig="stops = [4]\nmagnifications = [3]\n")
    assert only(free).per_marked == pytest.approx(2 * (1 + 1.5 / 0.8))


def test_two_lenses_face_to_face() -> None:
    rig = rig_of(part("front-lens", focal_length_mm=25, f_number=2, working_distance_mm=38))
    found = only(rig)
    assert found.magnification == pytest.approx(3.0)
    assert found.working_distance_mm == 38
    # The front lens at f/2 lets 6 through; the ring's 4 is lost on it, its 8 is not.
    assert (found.effective(4), found.effective(8)) == pytest.approx((6.0, 8.0))
    assert (found.is_front_limited(4), found.is_front_limited(8)) == (True, False)


def test_objective_before_a_tube_lens() -> None:
    rig = rig_of(
        part("objective", nominal_magnification=10, numerical_aperture=0.28, tube_lens_mm=200)
    )
    found = only(rig)
    assert found.magnification == 3.75  # 75 mm where its maker reckons with 200
    assert found.working_distance_mm == 20.0
    aperture = float(object_numerical_aperture(found.effective(4), 3.75))
    assert aperture == pytest.approx(0.28, rel=1e-12)


def test_objective_in_the_lens_place() -> None:
    lens = '[lens]\nname = "4x"\nnumerical_aperture = 0.1\nnominal_magnification = 4\n'
    alone = rig_of(lens=lens, rig="")
    assert isinstance(alone.lens, Objective)
    assert (alone.magnifications, alone.stops) == ((4.0,), ())
    assert only(alone).effective(None) == pytest.approx(20.0)
    on_tube = rig_of(part("tube", length_mm=57), lens=lens, rig="")
    assert only(on_tube).magnification == pytest.approx(2.0)  # half of 150 mm: 18 + 57
    assert only(on_tube).effective(None) == pytest.approx(10.0)
    with pytest.raises(ValueError, match="marked"):
        only(alone).effective(4)
    converted = rig_of(part("teleconverter", factor=2), lens=lens, rig="")
    assert only(converted).magnification == 8.0
    assert only(converted).effective(None) == pytest.approx(40.0)  # 2 x 20


def test_rounded_magnifications_pass_at_the_ends() -> None:
    rig = rig_of(
        part("bellows", shortest_mm=40, longest_mm=190),
        rig="stops = [4]\nmagnifications = [0.53, 2.54]\n",
    )
    assert rig_optics(rig, 0.53).bellows_mm == pytest.approx(40)
    assert rig_optics(rig, 2.54).bellows_mm == pytest.approx(190)


def test_what_is_assumed_is_said() -> None:
    plain = RigLens(name="Lens", focal_length_mm=75)
    base = rig_of(rig="stops = [4]\nmagnifications = [1]\n")
    said = " ".join(assumptions(Rig(**{**vars(base), "lens": plain})))
    assert "pupil ratio is taken as 1" in said
    assert "thin lenses" in said
    assert "pupil ratio" not in " ".join(assumptions(base))
    shortens = LENS + "closest_magnification = 1\nclosest_focal_length_mm = 60\n"
    assert "focal length shortens" in " ".join(assumptions(rig_of(lens=shortens)))
    face = rig_of(part("front-lens", focal_length_mm=25, f_number=2))
    assert "numerical aperture" in " ".join(assumptions(face))
    assert "teleconverter" in " ".join(
        assumptions(rig_of(part("tube", length_mm=60) + part("teleconverter", factor=2)))
    )


def test_formulas_are_those_of_optics() -> None:
    rig = rig_of(part("close-up", dioptres=4, gap_mm=20) + part("tube", length_mm=50))
    behind = rigs.extended_magnification(0.0, 50, 75)
    found = only(rig)
    whole = rigs.close_up_magnification(behind, 75, 250, 20)
    assert found.magnification == pytest.approx(whole, rel=5e-4)  # four digits of the label
    distance = rigs.close_up_distance(behind, 75, 250, 20)
    assert found.working_distance_mm == pytest.approx(distance)


# Bad input

BELLOWS = part("bellows", shortest_mm=40, longest_mm=190)
WRONG = [
    (text(rig="stops = []\n"), "[rig] stops: is empty"),
    (text(rig="stops = [4, 4]\n"), "stands there more than once"),
    (text(), "[rig] magnifications: missing"),
    (text(BELLOWS, rig="stops = [4]\nmagnifications = []\n"), "magnifications: is empty"),
    (text(BELLOWS, rig="stops = [4]\nmagnifications = [1, 1]\n"), "names one twice"),
    (text(BELLOWS, rig="stops = [4]\nmagnifications = [3]\n"), "out of reach"),
    (text(part("tube", length_mm=75), rig="stops=[4]\nmagnifications=[2]\n"), "1x alone"),
    (text(part("tube", length_mm=0)), "length_mm: must be a finite number, more than 0"),
    (text(part("tub", length_mm=10)), "kind: is 'tub'"),
    (text("[[part]]\nlength_mm = 3\n"), "[[part]] (1 of 1) kind: missing"),
    (text("[part]\nkind = 'tube'\n"), "must stand in double brackets"),
    (text(part("tube", lenght_mm=10)), "Did you mean length_mm?"),
    (text(part("bellows", shortest_mm=90, longest_mm=40)), "must be more than shortest_mm"),
    (text(BELLOWS + BELLOWS), "there are bellows already"),
    (text(part("teleconverter", factor=0.7)), "factor: must be 1 or more"),
    (
        text(part("close-up", dioptres=3) + part("front-lens", focal_length_mm=50, f_number=2)),
        "stands before the lens already",
    ),
    (
        text(part("front-lens", focal_length_mm=50, f_number=2) + part("close-up", dioptres=3)),
        "stands before the lens already",
    ),
    (
        text(part("objective", nominal_magnification=10, numerical_aperture=1.1, tube_lens_mm=200)),
        "numerical_aperture: must be below 1",
    ),
    (text(part("close-up", dioptres=3, gap_mm=80)), "must be below the lens's focal length"),
    (text(BELLOWS, lens='[lens]\nname = "L"\n'), "[lens] focal_length_mm: missing"),
    (text(lens=LENS + 'mount = "upside"\n'), "mount: must be one of"),
    (text(lens=LENS + "seat_mm = 4\n"), "seat_mm: goes with mount"),
    (text(lens=LENS + 'mount = "barrel"\nclosest_magnification = 1\n'), "is not focused by its"),
    (text(lens=LENS + "closest_distance_mm = 200\n"), "has no closest_magnification"),
    (
        text(lens=LENS + "closest_magnification = 1\nclosest_distance_mm = 900\n"),
        "longer than 75",
    ),
    (
        text(
            lens=LENS
            + "closest_magnification = 1\nclosest_distance_mm = 200\nclosest_focal_length_mm = 60\n"
        ),
        "exclude each other",
    ),
    (
        text(BELLOWS, lens=LENS + 'mount = "reversed"\n', body=BODY.replace("flange_mm = 18", "")),
        "[body] flange_mm: missing",
    ),
    (text(body=BODY.replace("4.35", "4350")), "must lie between 0.5 and 50"),
    (text(body=BODY.replace(", 23.9", "")), "must hold two numbers"),
    (text() + "[light]\n", "unknown table or key"),
    ("[rig\n", "not valid TOML"),
]


@pytest.mark.parametrize(("toml", "says"), WRONG, ids=[says for _, says in WRONG])
def test_mistakes_are_named_with_place_and_mend(toml: str, says: str) -> None:
    with pytest.raises(SessionError) as caught:
        parse_rig(toml, "bench.toml")
    message = str(caught.value)
    assert message.startswith("bench.toml")
    assert says in message
    assert message.endswith((".", "?"))


def test_objective_takes_no_stops_and_no_front() -> None:
    lens = '[lens]\nname = "4x"\nnumerical_aperture = 0.1\nnominal_magnification = 4\n'
    with pytest.raises(SessionError, match="an objective has no ring"):
        parse_rig(text(lens=lens), "RIG.toml")
    with pytest.raises(SessionError, match="nothing stands before an objective"):
        parse_rig(text(part("close-up", dioptres=3), lens=lens, rig=""), "RIG.toml")


def test_bellows_too_short_to_focus() -> None:
    lens = LENS + 'mount = "barrel"\n'
    toml = text(
        part("bellows", shortest_mm=20, longest_mm=50),
        lens=lens,
        rig="stops = [4]\nmagnifications = [1]\n",
    )
    with pytest.raises(SessionError, match="no image, the sensor is nearer"):
        parse_rig(toml, "RIG.toml")


def test_file_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="no such file"):
        read_rig(tmp_path / "rig.toml")
    with pytest.raises(SessionError, match="no regular file"):
        read_rig(tmp_path)
    path = tmp_path / "rig.toml"
    path.write_text(text(BELLOWS), "utf-8")
    assert read_rig(path).bellows_mm == (40.0, 190.0)


@pytest.mark.parametrize("bad", [0.0, -2.0, math.nan, math.inf])
def test_magnification_must_be_a_number(bad: float) -> None:
    with pytest.raises(ValueError, match="magnification"):
        rig_optics(rig_of(BELLOWS), bad)
