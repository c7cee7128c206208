"""What comparisons read of folders and bundles, and when they may do without the frames."""

from __future__ import annotations

import os
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lab.errors import LabError
from lab.inference import lens_result
from lab.inference.compare_input import KeptSession
from lab.inference.results import (
    SIMULATED,
    LensResult,
    LensSeries,
    LensStop,
    SessionResult,
    is_simulated,
)
from lab.inference.trial_records import TrialResult
from lab.session import compared_session as module
from lab.session.bundle import (
    Bundle,
    read_bundle,
    recomputed,
    session_bundle,
    write_bundle,
)
from lab.session.compared_session import compared_session
from lab.session.kept_result import session_result
from lab.session.running import stored_session
from lab.session.trial_config import Condition, Trial
from tests.inference.test_result_json import filled

Copy = Callable[..., Path]


def quiet(sentence: str) -> None:
    raise AssertionError(sentence)


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The loss of each call for the slow fit, which is spared here."""
    calls: list[float] = []

    def quick(*_: object, loss_percent: float, rules: object) -> None:
        calls.append(loss_percent)

    monkeypatch.setattr(lens_result, "lens_result", quick)
    return calls


@pytest.fixture
def whole(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Folders and bundles that were read whole."""
    seen: list[Path] = []

    def noted(name: str) -> None:
        read: Callable[[Path], Any] = getattr(module, name)

        def reading(path: Path) -> Any:
            seen.append(path)
            return read(path)

        monkeypatch.setattr(module, name, reading)

    noted("stored_session")
    noted("read_bundle")
    return seen


def figures(kept: KeptSession) -> tuple[object, ...]:
    (size,) = kept.sizes
    return kept.name, kept.provenance, size.sharpest, size.equal_stop.log.tolist(), size.marks


# Exact: the quick way gives what the slow one gives


def test_an_unchanged_session_is_read_whole_once(
    tiny_copy: Copy, fits: list[float], whole: list[Path]
) -> None:
    folder = tiny_copy(measured=True)
    first = compared_session(folder, quiet)
    assert (whole, fits) == ([folder], [10.0])
    again = compared_session(folder, quiet)
    assert (whole, fits) == ([folder], [10.0])
    assert figures(again) == figures(first)


def _touched(folder: Path) -> None:
    frame = next((folder / "frames").rglob("*.dng"))
    os.utime(frame, ns=(1, 1))


def _renamed(folder: Path) -> None:
    frame = next((folder / "frames").rglob("*.dng"))
    frame.rename(frame.with_name(f"Z{frame.name}"))


def _gone(folder: Path) -> None:
    next((folder / "frames").rglob("*.dng")).unlink()


def _other_target(folder: Path) -> None:
    text = (folder / "target.json").read_text("utf-8")
    (folder / "target.json").write_text(f"{text}\n", "utf-8")


def _table(folder: Path) -> None:
    (folder / "frames.csv").write_text("file,use\n", "utf-8")


def _renamed_session(folder: Path) -> None:
    text = (folder / "session.toml").read_text("utf-8")
    (folder / "session.toml").write_text(f"{text}\n# looked over\n", "utf-8")


@pytest.mark.parametrize(
    "change", [_touched, _renamed, _gone, _other_target, _table, _renamed_session]
)
def test_whatever_changes_it_is_read_whole_again(
    change: Callable[[Path], None], tiny_copy: Copy, fits: list[float], whole: list[Path]
) -> None:
    folder = tiny_copy(measured=True)
    compared_session(folder, quiet)
    change(folder)
    compared_session(folder, quiet)
    assert whole == [folder, folder]


def test_frames_are_known_by_hash_whatever_is_read(
    tiny_copy: Copy, fits: list[float], whole: list[Path], tmp_path: Path
) -> None:
    """Exact: of the folder read whole, read again, its bundle; without a frame that has gone."""
    folder = tiny_copy(measured=True)
    _gone(folder)
    first = compared_session(folder, quiet)
    hashes = {
        int(sha256(frame.read_bytes()).hexdigest()[:16], 16)
        for frame in (folder / "frames").rglob("*.dng")
    }
    assert first.frames == hashes and first.source == folder.name
    assert compared_session(folder, quiet).frames == hashes
    write_bundle(
        session_bundle(folder, stored_session(folder), session_result(folder)),
        tmp_path / "club.zip",
    )
    shared = compared_session(tmp_path / "club.zip", quiet)
    assert shared.frames == hashes and shared.source == "club.zip"
    assert whole == [folder]


def test_a_simulated_session_is_known_by_its_truth_and_its_bundle(
    tiny: Any, tiny_copy: Copy, fits: list[float], tmp_path: Path
) -> None:
    folder = tiny_copy(measured=True)
    (folder / "truth.json").unlink(missing_ok=True)
    assert not compared_session(folder, quiet).simulated
    shutil.copy(tiny.folder / "truth.json", folder)
    assert compared_session(folder, quiet).simulated
    made = session_bundle(folder, stored_session(folder), session_result(folder))
    write_bundle(made, tmp_path / "club.zip")
    assert compared_session(tmp_path / "club.zip", quiet).simulated
    again = recomputed(replace(made, loss_percent=5.0))
    assert is_simulated(again.result)
    # An older bundle says so in its first caution alone.
    bare = {k: v for k, v in made.result.provenance.items() if k != SIMULATED[0]}
    assert is_simulated(replace(made.result, provenance=bare))
    assert not is_simulated(replace(made.result, provenance=bare, cautions=()))


def test_another_loss_will_do_and_is_kept(
    tiny_copy: Copy, fits: list[float], whole: list[Path]
) -> None:
    folder = tiny_copy(measured=True)
    session_result(folder, loss_percent=5.0)
    assert compared_session(folder, quiet).losses == "5 %"
    session_result(folder, loss_percent=5.0)
    assert fits == [5.0]
    session_result(folder, loss_percent=10.0)  # takes the place of what was seen
    assert compared_session(folder, quiet).losses == "10 %"
    assert (fits, len(whole)) == ([5.0, 10.0], 1)  # and rests on the same frames


@pytest.fixture
def bundle(tiny_copy: Copy, fits: list[float]) -> tuple[Path, Bundle]:
    folder = tiny_copy(measured=True)
    measured = stored_session(folder)
    return folder, session_bundle(folder, measured, session_result(folder))


def test_a_bundle_is_the_session_it_was_made_of(
    bundle: tuple[Path, Bundle], whole: list[Path], tmp_path: Path
) -> None:
    folder, made = bundle
    path = tmp_path / "shared.zip"
    write_bundle(made, path)
    found = compared_session(path, quiet)
    assert whole == []
    assert figures(found) == figures(compared_session(folder, quiet))
    named = session_bundle(folder, stored_session(folder), session_result(folder), with_names=True)
    write_bundle(named, path)
    assert figures(compared_session(path, quiet)) == figures(found)
    assert whole[-1] == path


def test_a_bundle_without_tables_is_fitted_again_and_that_is_said(
    bundle: tuple[Path, Bundle], fits: list[float], tmp_path: Path
) -> None:
    made = replace(bundle[1], result=_of_old(bundle[1].result))
    # With a trial, whose frames lack what it is worked out from.
    stand = Trial(
        name="porch",
        conditions=(Condition(name="stand"), Condition(name="hand")),
        frames_per_condition=2,
        reference="stand",
    )
    (series,) = made.config.series
    of_trial = replace(series, stops=(4.0,), focus_steps_um=(0.0,), trial=stand, frames="x/*")
    made = replace(made, config=replace(made.config, series=(series, of_trial)))
    (trial,) = filled(tuple[TrialResult], np.random.default_rng(5))
    made = replace(made, trials=(trial,), with_profiles=False)
    path = tmp_path / "old.zip"
    write_bundle(made, path)
    told: list[str] = []
    before = len(fits)
    found = compared_session(path, told.append)
    assert len(fits) == before + 1
    assert "old.zip: made by an older stopwise" in told[0] and "--bundle FILE.zip" in told[0]
    assert len(told) == 1 and found.sizes


def _of_old(result: SessionResult) -> SessionResult:
    stop = LensStop(
        marked_stop=4.0,
        **dict.fromkeys(
            (
                "effective_f_number",
                "effective_f_number_std",
                "over_nominal",
                "mtf50_image_cyc_per_mm",
                "mtf50_std",
                "diffraction_share",
                "aberration_share",
                "defocus_share",
                "pixel_share",
                "residual_share",
                "beyond_model_percent",
                "focus_shift_um",
                "focus_shift_std_um",
            ),
            0.5,
        ),
    )
    return replace(
        result,
        lens=LensResult(
            figures=(),
            correlated=(),
            cones=(),
            series=(LensSeries(magnification=2.0, stops=(stop, stop)),),
            chi_square=1.0,
            excess_percent=0.5,
            frames_in_doubt=(),
            describes=True,
            cannot_say=(),
        ),
    )


# Bad input


def test_a_bundle_that_was_changed_is_refused(bundle: tuple[Path, Bundle], tmp_path: Path) -> None:
    path = tmp_path / "changed.zip"
    write_bundle(bundle[1], path)
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    members["result.json"] = members["result.json"].replace(b"tiny", b"tiny2", 1) + b" "
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    with pytest.raises(LabError, match=r"changed\.zip"):
        compared_session(path, quiet)


def test_what_is_no_session_is_named(tmp_path: Path, tiny_copy: Copy) -> None:
    with pytest.raises(LabError, match="no such folder or file"):
        compared_session(tmp_path / "gone", quiet)
    (tmp_path / "empty").mkdir()
    with pytest.raises(LabError, match=r"session\.toml"):
        compared_session(tmp_path / "empty", quiet)
    (tmp_path / "not.zip").write_text("no archive")
    with pytest.raises(LabError, match=r"not\.zip"):
        compared_session(tmp_path / "not.zip", quiet)
    folder = tiny_copy(measured=False)
    with pytest.raises(LabError, match="nothing is measured yet"):
        compared_session(folder, quiet)
    shutil.rmtree(folder)


def test_a_note_that_is_none_is_not_believed(
    tiny_copy: Copy, fits: list[float], whole: list[Path]
) -> None:
    from lab.session.store import ResultsStore

    folder = tiny_copy(measured=True)
    compared_session(folder, quiet)
    for text in ("[]", "{}", '{"stamp": 3}', '"x"'):
        with ResultsStore(folder / "results.sqlite") as store:
            store.put_summary("compared", text)
        compared_session(folder, quiet)
    assert len(whole) == 5
    assert read_bundle is not module.read_bundle
