"""A trial made to be shot: from its folder and sheet to the condition of every frame."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lab.errors import SessionError
from lab.frames.frame import FrameMetadata
from lab.session.assign import assign
from lab.session.config import Body, read_session
from lab.session.rig import Rig, RigLens
from lab.session.slate_looks import SlateLook
from lab.session.trial_plan import (
    TrialDesign,
    frames_folder,
    new_trial,
    shooting_order,
    trial_cards,
    trial_order,
    trial_sheet,
    trial_text,
)
from targets import TargetError, read_layout
from targets.nested import nested_field
from targets.order_sheet import CONDITION_MM, NUMBER_MM
from targets.slates import parse_slate

NAMES = ("stand", "by hand, 1/200 s", 'by hand, "Ü"')
# Invented.
DESIGN = TrialDesign(
    rig=Rig(
        name="Hands & stand",
        body=Body(name="Club body", pixel_pitch_um=4.35, sensor_mm=(35.9, 23.9)),
        lens=RigLens(name="Enlarger 75", pupil_ratio=0.8),
        magnifications=(1.4,),
        stops=(5.6,),
    ),
    conditions=NAMES,
    frames_per_condition=7,
    reference=NAMES[1],
    block=3,
    seed=29,
)


def shot_rows(design: TrialDesign) -> list[tuple[int, str, int]]:
    """Slate, condition and frames of each row, as the sheet's texts say them from the top."""
    rows = []
    for page in trial_sheet(design):
        large = [t for t in page.texts if t.size_mm == NUMBER_MM]
        slates = sorted((t.at_mm[1], t.text) for t in large if t.at_mm[0] == 32.0)
        frames = sorted((t.at_mm[1], t.text) for t in large if t.at_mm[0] == 110.0)
        said = sorted(
            (t.at_mm[1], t.text)
            for t in page.texts
            if t.size_mm == CONDITION_MM and t.at_mm[0] == 46.0
        )
        rows += [
            (int(slate), name, int(n))
            for (_, slate), (_, name), (_, n) in zip(slates, said, frames, strict=True)
        ]
    return rows


# Exact


@pytest.mark.parametrize(("n", "block", "sizes"), [(7, 3, [3, 3, 1]), (6, 3, [3, 3]), (4, 9, [4])])
def test_every_round_holds_each_condition_once(n: int, block: int, sizes: list[int]) -> None:
    runs = shooting_order(NAMES, frames_per_condition=n, block=block, rng=np.random.default_rng(5))
    for number, size in enumerate(sizes, start=1):
        here = [run for run in runs if run.round_number == number]
        assert sorted(run.condition for run in here) == sorted(NAMES)
        assert {run.frames for run in here} == {size}
    assert len(runs) == len(sizes) * len(NAMES)
    assert all(NAMES[run.slate_number - 1] == run.condition for run in runs)


def test_the_seed_gives_the_order() -> None:
    assert trial_order(DESIGN) == trial_order(replace(DESIGN))
    assert trial_order(DESIGN) != trial_order(replace(DESIGN, seed=30))
    assert "Seed of the order: 29." in " ".join(
        t.text for page in trial_sheet(DESIGN) for t in page.texts
    )


def test_session_reads_back_as_designed(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "hands"
    made = new_trial(folder, DESIGN, raw_suffix="raw")
    assert set(made) == {
        *("session.toml", "target.json", "target.pdf", "order.pdf"),
        *("slates.pdf", "slates.html", "frames/hands-stand/"),
    }
    assert all((folder / name).exists() for name in made)
    assert [path.name for path in (folder / "frames").iterdir()] == ["hands-stand"]
    config = read_session(folder)
    assert config.body == DESIGN.rig.body and config.lens.pupil_ratio == pytest.approx(0.8)
    assert config.brackets == () and config.target.layout == "target.json"
    (series,) = config.trials
    assert (series.magnification, series.stops) == (1.4, (5.6,))
    assert series.frames == "hands-stand/*.raw"
    trial = series.trial
    assert trial is not None
    assert (trial.name, trial.names, trial.reference) == ("Hands & stand", NAMES, NAMES[1])
    assert trial.frames_per_condition == 7
    (field,) = read_layout(folder / "target.json").fields
    assert field == nested_field(
        magnification_low=1.4,
        magnification_high=1.4,
        sensor_width_mm=35.9,
        sensor_height_mm=23.9,
        name="chart",
    )


@pytest.mark.parametrize("name", ["[[series]]", '"A" \\ B', "Ü"])
def test_any_name_is_quoted(name: str, tmp_path: Path) -> None:
    text = trial_text(replace(DESIGN, rig=replace(DESIGN.rig, name=name)))
    (tmp_path / "session.toml").write_text(text, "utf-8")
    config = read_session(tmp_path)
    assert config.name == name and len(config.series) == 1
    assert frames_folder(name) in ("series", "a-b", "trial")


def test_slates_say_condition_magnification_and_stop() -> None:
    slates = [parse_slate(card.text) for card in trial_cards(DESIGN)]
    said = [(s.magnification, s.marked_stop, s.condition) for s in slates if s]
    assert said == [(1.4, 5.6, name) for name in NAMES]


def test_codes_too_fine_for_paper_are_on_the_phone_page_alone(tmp_path: Path) -> None:
    rig = replace(DESIGN.rig, magnifications=(10.0,), stops=(4.0,))
    made = new_trial(tmp_path / "s", replace(DESIGN, rig=rig))
    assert "slates.html" in made and "slates.pdf" not in made


# Recovery


@pytest.mark.parametrize("is_by_time", [True, False])
def test_every_frame_has_the_condition_of_the_sheet(is_by_time: bool, tmp_path: Path) -> None:
    new_trial(tmp_path / "hands", DESIGN)
    cards = trial_cards(DESIGN)
    files, looks, wanted = [], {}, {}
    for slate, condition, frames in shot_rows(DESIGN):
        for k in range(frames + 1):
            files.append(f"hands-stand/IMG_{len(files) + 8:04d}.dng")
            if k == 0:
                looks[files[-1]] = SlateLook(slate=parse_slate(cards[slate - 1].text))
            else:
                wanted[files[-1]] = condition
    assert Counter(wanted.values()) == dict.fromkeys(NAMES, 7)
    metadata = {
        file: FrameMetadata(
            captured_at=f"2024:11:16 14:{i:02d}:00" if is_by_time else None,
            exposure_s=0.005,
            iso=100.0,
        )
        for i, file in enumerate(files)
    }
    found = assign(read_session(tmp_path / "hands"), files, {}, metadata, {}, looks)
    assert found.problems == ()
    assert {f.file: f.condition for f in found.frames if f.use} == wanted
    assert {(f.trial, f.marked_stop) for f in found.frames if f.use} == {("Hands & stand", 5.6)}


# Bad input


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("ours")
    with pytest.raises(SessionError, match=r"already and not empty. Name a new folder"):
        new_trial(tmp_path, DESIGN)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
    with pytest.raises(SessionError, match="already"):
        new_trial(tmp_path / "notes.txt", DESIGN)


@pytest.mark.parametrize(
    ("change", "error", "said"),
    [
        ({"conditions": ("stand",), "reference": "stand"}, SessionError, "2 to 12 conditions"),
        ({"conditions": ("a", "a"), "reference": "a"}, SessionError, "more than once"),
        ({"reference": "tripod"}, SessionError, "no condition is called 'tripod'"),
        ({"conditions": ("a", "Ж" * 9), "reference": "a"}, TargetError, "too long for a code"),
        ({"conditions": ("a", "x " * 9), "reference": "a"}, TargetError, "space at either end"),
    ],
)
def test_what_is_impossible_leaves_nothing(
    change: dict[str, object], error: type[Exception], said: str, tmp_path: Path
) -> None:
    with pytest.raises(error, match=said):
        new_trial(tmp_path / "s", replace(DESIGN, **change))
    assert not (tmp_path / "s").exists()


def test_arguments_out_of_range() -> None:
    for change in ({"frames_per_condition": 0}, {"block": 0}, {"seed": -1}):
        with pytest.raises(ValueError, match="must be >= 1"):
            replace(DESIGN, **change)
    with pytest.raises(ValueError, match="one magnification"):
        replace(DESIGN, rig=replace(DESIGN.rig, stops=(4.0, 5.6)))
    with pytest.raises(ValueError, match="block"):
        shooting_order(NAMES, frames_per_condition=3, block=0, rng=np.random.default_rng(1))
