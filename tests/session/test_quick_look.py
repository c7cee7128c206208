"""One quick look: recovery on rendered frames against the full measurement, and bad input."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lab.frames import Frame, FrameMetadata, read_frame, write_dng
from lab.inference.centre import CHANNEL, frame_mtf50
from lab.session.measuring import centre_edges
from lab.session.quick_look import (
    ChartGuess,
    Looker,
    LookTask,
    QuickLook,
    look_at,
    quick_look,
)
from lab.session.warm_looks import warm_up
from targets.layout import read_layout
from targets.slates import Slate
from tests.conftest import SimulatedSession
from tests.session.slate_frames import write_slate_frame

PITCH_UM = 4.35
CORNERS = {"top left", "top right", "bottom left", "bottom right"}


def charts(session: SimulatedSession, *magnifications: float) -> tuple[ChartGuess, ...]:
    layout = read_layout(session.folder / "target.json")
    return tuple(ChartGuess(magnification=m, field=layout.field_for(2.0)) for m in magnifications)


def looks_and_measured(
    session: SimulatedSession, *, loose: bool
) -> list[tuple[QuickLook, float, float]]:
    """Each frame's look beside the figure and uncertainty of the full measurement."""
    pairs = []
    for record in session.measured.frames:
        task = LookTask(path=session.folder / "frames" / record.file, file=record.file)
        if not loose:
            task = LookTask(
                path=task.path,
                file=task.file,
                charts=charts(session, 2.0),
                pixel_pitch_um=PITCH_UM,
            )
        pairs.append((look_at(task), *frame_mtf50(centre_edges(record.edges, CHANNEL))))
    return pairs


def test_look_at_a_chart_agrees_with_the_full_measurement(tiny: SimulatedSession) -> None:
    pairs = looks_and_measured(tiny, loose=False)
    assert len(pairs) == 6
    for look, mtf50, std in pairs:
        assert look.status == "measured"
        assert look.mtf50_cyc_per_px is not None and look.mtf50_std is not None
        # 600 x 400 px: edges are short, and the look takes two of the four at the centre.
        assert abs(look.mtf50_cyc_per_px - mtf50) < 4 * np.hypot(std, look.mtf50_std)
        assert look.mtf50_cyc_per_px == pytest.approx(mtf50, rel=0.02)
        assert look.magnification == pytest.approx(2.006, rel=2e-3)
        assert look.rotation_deg == pytest.approx(0.35, abs=0.05)
        assert {c.corner for c in look.corners} == CORNERS
        assert look.metadata.captured_at is not None
        assert look.took_s > 0


def test_look_finds_edges_without_a_chart(tiny: SimulatedSession) -> None:
    for look, mtf50, _ in looks_and_measured(tiny, loose=True)[:2]:
        assert look.status == "measured"
        assert look.magnification is None
        assert look.mtf50_cyc_per_px == pytest.approx(mtf50, rel=0.03)


def test_second_guess_serves_where_the_first_does_not_fit(tiny: SimulatedSession) -> None:
    record = tiny.measured.frames[0]
    task = LookTask(
        path=tiny.folder / "frames" / record.file,
        file=record.file,
        charts=charts(tiny, 4.7, 2.0),
        pixel_pitch_um=PITCH_UM,
    )
    assert look_at(task).magnification == pytest.approx(2.006, rel=2e-3)


def test_stated_blur_of_the_target_is_divided_out(tiny: SimulatedSession) -> None:
    record = tiny.measured.frames[0]
    path = tiny.folder / "frames" / record.file
    seen = []
    for blur_um in (0.0, 0.6):
        task = LookTask(
            path=path,
            file=record.file,
            charts=charts(tiny, 2.0),
            pixel_pitch_um=PITCH_UM,
            edge_blur_um=blur_um,
            edge_blur_std_um=0.1,
        )
        seen.append(look_at(task).mtf50_cyc_per_px)
    assert seen[0] is not None and seen[1] is not None
    assert seen[1] > 1.01 * seen[0]


def moved(path: Path, source: Path, by: int) -> Path:
    """The same frame with the chart elsewhere: even steps, so that colours stay in place."""
    frame = read_frame(source)
    pixels = np.roll(frame.pixels, (by, by), axis=(0, 1)) + 512
    write_dng(
        path,
        np.clip(np.rint(pixels), 0, 16383).astype(np.uint16),
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=frame.metadata,
    )
    return path


def test_chart_is_expected_where_it_was_and_found_where_it_went(
    tiny: SimulatedSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lab.session import quick_look as module

    searched: list[str] = []
    register = module.register_field

    def counted(frame: Frame, *args: object, **kwargs: object) -> object:
        searched.append(frame.path.name)
        return register(frame, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "register_field", counted)
    paths = [tiny.folder / "frames" / record.file for record in tiny.measured.frames[:2]]
    paths.append(moved(tmp_path / "moved.dng", paths[1], 16))
    write_slate_frame(tmp_path / "S.dng", Slate(marked_stop=5.6), FrameMetadata())
    paths.append(tmp_path / "S.dng")
    looker = Looker()
    looks = [
        looker.look_at(
            LookTask(path=path, file="A", charts=charts(tiny, 2.0), pixel_pitch_um=PITCH_UM)
        )
        for path in paths
    ]
    assert searched == [paths[0].name, "moved.dng", "S.dng"]
    assert [look.status for look in looks] == ["measured", "measured", "measured", "slate"]
    afresh = look_at(
        LookTask(path=paths[1], file="A", charts=charts(tiny, 2.0), pixel_pitch_um=PITCH_UM)
    )
    for look in looks[1:3]:
        assert look.mtf50_cyc_per_px == pytest.approx(afresh.mtf50_cyc_per_px, rel=5e-3)


def bar(path: Path, *, bright_dn: int = 9000, blur_px: float = 1.2) -> Path:
    """A dark bar with four slanted edges."""
    from scipy.ndimage import gaussian_filter

    rows, cols = np.mgrid[0:400, 0:600]
    dark = (rows + 0.07 * cols > 160) & (rows + 0.07 * cols < 300) & (cols > 90) & (cols < 510)
    clean = gaussian_filter(np.where(dark, 900.0, float(bright_dn)), blur_px)
    noisy = clean + np.random.default_rng(5).normal(0, 12, clean.shape)
    mosaic = np.clip(np.rint(noisy), 0, 16383).astype(np.uint16)
    write_dng(
        path,
        mosaic,
        pattern="RGGB",
        black_dn=512,
        white_dn=16383,
        bits=14,
        metadata=FrameMetadata(captured_at="2024:11:16 14:07:31"),
    )
    return path


def test_wide_blur_is_measured_over_the_whole_width(tmp_path: Path) -> None:
    # A Gaussian of 8 px: MTF50 = 0.1874 / 8 = 0.0234 cycles per px, exact.
    look = look_at(LookTask(path=bar(tmp_path / "soft.dng", blur_px=8.0), file="soft.dng"))
    assert look.mtf50_cyc_per_px == pytest.approx(0.18739 / 8, rel=0.03)


def test_clipped_frame_says_so_and_by_how_much_to_lower(tmp_path: Path) -> None:
    look = look_at(LookTask(path=bar(tmp_path / "over.dng", bright_dn=40000), file="over.dng"))
    assert look.status == "lost"
    assert look.exposure is not None
    assert "clipped" in look.exposure.flags
    assert look.exposure.advice_stops == -1


@pytest.mark.parametrize("with_chart", [True, False])
def test_slate_is_read_out(tiny: SimulatedSession, tmp_path: Path, with_chart: bool) -> None:
    slate = Slate(magnification=2.0, marked_stop=5.6)
    write_slate_frame(tmp_path / "S.dng", slate, FrameMetadata())
    task = LookTask(
        path=tmp_path / "S.dng",
        file="S.dng",
        charts=charts(tiny, 2.0) if with_chart else (),
        pixel_pitch_um=PITCH_UM,
    )
    look = look_at(task)
    assert look.status == "slate"
    assert look.slate is not None
    assert look.slate.slate == slate


def test_frame_without_the_chart_is_lost_with_a_reason(
    tiny: SimulatedSession, tmp_path: Path
) -> None:
    path = bar(tmp_path / "bar.dng")
    task = LookTask(path=path, file="bar.dng", charts=charts(tiny, 2.0), pixel_pitch_um=PITCH_UM)
    look = look_at(task)
    assert look.status == "lost"
    assert "squares were found" in look.reason
    assert look.exposure is not None


def test_half_a_file_is_unreadable_with_a_reason(tmp_path: Path) -> None:
    path = bar(tmp_path / "half.dng")
    path.write_bytes(path.read_bytes()[:200_001])
    look = look_at(LookTask(path=path, file="half.dng"))
    assert look.status == "unreadable"
    assert look.reason.startswith("is cut short")


def test_missing_file_is_unreadable(tmp_path: Path) -> None:
    assert look_at(LookTask(path=tmp_path / "no.dng", file="no.dng")).status == "unreadable"


def test_chart_without_a_pitch_is_refused(tiny: SimulatedSession) -> None:
    path = tiny.folder / "frames" / tiny.measured.frames[0].file
    with pytest.raises(ValueError, match="pixel_pitch_um"):
        quick_look(read_frame(path), LookTask(path=path, file="A", charts=charts(tiny, 2.0)))


def test_warm_up_needs_nothing() -> None:
    warm_up()
