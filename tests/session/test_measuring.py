"""One frame from file to record: which edges, how right, and what is said when it fails."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from lab.edges.types import EdgeRegion, NoiseModel
from lab.frames import Frame, FrameMetadata, read_frame
from lab.frames.dng import write_dng
from lab.session.measuring import (
    CENTRE_RADIUS,
    FrameTask,
    TargetEdge,
    centre_edges,
    hash_of,
    measure_channel_edge,
    measure_frame,
    placed_edges,
)
from lab.session.one_decoding import see_task
from lab.session.records import EdgeRecord, FrameRecord
from lab.simulate.render import render_frame
from lab.simulate.rig import SimulatedRig
from lab.simulate.truth import best_focus, true_mtf50
from targets.chart import square_field
from targets.fidelity import DEFAULT_LOSS, edge_mtf_loss
from targets.layout import Field
from targets.nested import nested_field


def run_task(task: FrameTask) -> FrameRecord:
    """Record of a frame that is no slate."""
    record = see_task(task).record
    assert record is not None
    return record


# Square on and without lateral colour, so that each edge's truth is that of the axis.
RIG = SimulatedRig(
    n_rows=400, n_cols=600, tilt_x_deg=0.0, tilt_y_deg=0.0, lateral_colour=(0.0, 0.0, 0.0)
)
MAGNIFICATION, STOP = 2.0, 5.6568542
PITCH_MM = RIG.pixel_pitch_um / 1000


@pytest.fixture(scope="module")
def field() -> Field:
    return square_field(
        magnification=MAGNIFICATION,
        sensor_width_mm=RIG.n_cols * PITCH_MM,
        sensor_height_mm=RIG.n_rows * PITCH_MM,
    )


@pytest.fixture(scope="module")
def focus_um() -> float:
    """Best green focus, at the sensor."""
    return best_focus(
        RIG, magnification=MAGNIFICATION, stop=STOP, channel="green", edge_angle_deg=6.0
    ).shift_um


def _rendered(path: Path, field: Field, focus_um: float, **how: Any) -> Path:
    mosaic = render_frame(
        replace(RIG, **how),
        field,
        magnification=MAGNIFICATION,
        stop=STOP,
        focus_offset_object_um=focus_um / MAGNIFICATION**2,
        rng=np.random.default_rng(2),
    )
    _write(path, mosaic)
    return path


def _write(path: Path, mosaic: np.ndarray) -> None:
    write_dng(
        path,
        mosaic,
        pattern="RGGB",
        black_dn=RIG.black_dn,
        white_dn=RIG.white_dn,
        bits=RIG.bits,
        metadata=FrameMetadata(camera=RIG.body_name),
        unique_camera_model=RIG.body_name,
    )


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory, field: Field, focus_um: float) -> Path:
    return _rendered(tmp_path_factory.mktemp("frame") / "IMG_0001.dng", field, focus_um)


def _task(
    path: Path, field: Field | None, *, every_edge: bool = False, target_blur_um: float = 0.0
) -> FrameTask:
    return FrameTask(
        path=path,
        file=f"2x/{path.name}",
        sha256="ab" * 32,
        settings_key="cd" * 8,
        field=field,
        magnification=MAGNIFICATION,
        marked_stop=5.6,
        focus_position_um=-12.5,
        pixel_pitch_um=RIG.pixel_pitch_um,
        target=TargetEdge(
            object_um_per_px=RIG.pixel_pitch_um / MAGNIFICATION,
            blur_um=target_blur_um,
            blur_std_um=target_blur_um / 5,
        ),
        sensor_width_mm=max(RIG.n_cols, RIG.n_rows) * PITCH_MM,
        every_edge=every_edge,
    )


def test_centre_edges_have_the_true_mtf50_in_each_colour(
    file: Path, field: Field, focus_um: float
) -> None:
    record = run_task(_task(file, field))
    assert (record.status, record.reason, record.flags) == ("measured", "", ())
    for channel in ("red", "green", "blue"):
        truth = PITCH_MM * true_mtf50(
            RIG,
            magnification=MAGNIFICATION,
            stop=STOP,
            channel=channel,
            focus_shift_um=focus_um,
            edge_angle_deg=6.0,
        )
        edges = [
            e
            for e in record.edges
            if e.channel == channel and np.hypot(e.field_x, e.field_y) <= CENTRE_RADIUS
        ]
        assert Counter(e.direction for e in edges) == {"horizontal": 2, "vertical": 2}
        for edge in edges:
            assert edge.mtf50_cyc_per_px == pytest.approx(truth, rel=0.02)
            assert abs(edge.mtf50_cyc_per_px - truth) < 4 * edge.mtf50_std
            assert abs(edge.position_px) < 0.1
            assert len(edge.frequency_cyc_per_px) == len(edge.mtf) == len(edge.mtf_std) > 10


def test_a_sensor_of_another_size_is_flagged(file: Path, field: Field) -> None:
    task = replace(_task(file, field), sensor_width_mm=35.9)
    assert "frame-size-off" in run_task(task).flags


def test_stated_target_blur_is_divided_out(file: Path, field: Field) -> None:
    plain = run_task(_task(file, field)).edges
    mended = run_task(_task(file, field, target_blur_um=1.0)).edges
    for one, other in zip(plain, mended, strict=True):
        assert one.mtf50_cyc_per_px is not None
        assert other.mtf50_cyc_per_px is not None
        assert other.mtf50_cyc_per_px > 1.005 * one.mtf50_cyc_per_px
        assert (other.mtf50_std or 0) > (one.mtf50_std or 1)


@pytest.mark.parametrize(("blur_um", "limited"), [(0.35, False), (1.2, True)])
def test_a_stated_blur_that_takes_too_much_is_flagged(
    file: Path, field: Field, blur_um: float, limited: bool
) -> None:
    record = run_task(_task(file, field, target_blur_um=blur_um))
    assert ("target-limited" in record.flags) == limited
    for edge in record.edges:
        assert edge.mtf50_cyc_per_px is not None
        frequency = MAGNIFICATION * edge.mtf50_cyc_per_px / PITCH_MM
        taken = edge_mtf_loss(frequency, blur_um)
        assert (taken > DEFAULT_LOSS) == limited
        assert ("target-limited" in edge.flags) == limited


@pytest.mark.parametrize(("wobble_px", "limited"), [(0.0, False), (0.15, False), (0.6, True)])
def test_a_ragged_edge_that_takes_too_much_is_flagged(
    file: Path, wobble_px: float, limited: bool
) -> None:
    edge = _ragged_edge(file, wobble_px)
    assert edge.mtf50_cyc_per_px is not None
    assert edge.raggedness_object_um is not None
    scale = 2.2  # object um per px
    assert edge.raggedness_object_um == pytest.approx(wobble_px * scale, rel=0.25, abs=0.1)
    taken = edge_mtf_loss(edge.mtf50_cyc_per_px * 1e3 / scale, 0.0, edge.raggedness_object_um)
    assert (taken > DEFAULT_LOSS) == limited
    assert ("target-limited" in edge.flags) == limited


def _ragged_edge(file: Path, wobble_px: float) -> EdgeRecord:
    """One upright edge, soft over 1.1 px, whose contour wanders from one 4 rows to the next."""
    from scipy.special import erf

    rng = np.random.default_rng(6)
    frame = read_frame(file)
    row, col = np.mgrid[0 : frame.shape[0], 0 : frame.shape[1]]
    angle = np.deg2rad(5.3)
    wobble = np.repeat(rng.normal(0, wobble_px, frame.shape[0] // 4 + 1), 4)[: frame.shape[0]]
    away = (col - 300) * np.cos(angle) + (row - 200) * np.sin(angle) - wobble[:, None]
    pixels = 300 + 6000 * (1 + erf(away / (1.1 * 2**0.5))) / 2
    noise = NoiseModel(read_std=2, gain=0.3)
    pixels += np.sqrt(noise.variance(pixels)) * rng.standard_normal(pixels.shape)
    drawn = replace(
        frame, pixels=pixels.astype(np.float32), saturated=np.zeros(frame.shape, dtype=bool)
    )
    region = EdgeRegion(
        name="ragged",
        centre_row=200,
        centre_col=300,
        angle_deg=5.3,
        length_px=200,
        half_width_px=40,
    )
    (edge,) = placed_edges([region], drawn)
    target = TargetEdge(object_um_per_px=2.2)
    return measure_channel_edge(drawn, edge, "green", noise, target=target)


def test_centre_edges_are_those_near_it_or_the_nearest_of_no_chart() -> None:
    def edge(name: str, x: float, square: str = "", **how: str) -> EdgeRecord:
        words = {"channel": "green", "status": "measured", **how}
        return EdgeRecord(
            **{"name": name, "square": square, "direction": "vertical", **words},
            **{"field_x": x, "field_y": -0.02, "centre_row": 9, "centre_col": 9, "angle_deg": 5},
        )

    near, far = edge("near", 0.1, "a"), edge("far", 0.6, "b")
    others = [edge("red", 0.0, "a", channel="red"), edge("no", 0.0, "a", status="rejected")]
    assert centre_edges([far, near, *others], "green") == [near]
    assert centre_edges([far, *others], "green") == []  # of a chart: not at the centre
    lone, lonelier = edge("lone", -0.4), edge("lonelier", 0.7)
    assert centre_edges([lonelier, lone], "green") == [lone]
    assert centre_edges([], "green") == []


def test_a_perfect_targets_raggedness_is_next_to_nothing(file: Path, field: Field) -> None:
    for edge in run_task(_task(file, field)).edges:
        assert edge.raggedness_object_um is not None
        assert edge.raggedness_std_um is not None
        assert edge.raggedness_object_um < 0.1  # 0.05 px
        assert edge.raggedness_std_um < 0.1


def test_record_carries_its_task(file: Path, field: Field) -> None:
    record = run_task(_task(file, field))
    assert (record.file, record.sha256, record.settings_key) == (
        *("2x/IMG_0001.dng", "ab" * 32, "cd" * 8),
    )
    assert (record.magnification, record.marked_stop) == (2.0, 5.6)
    assert record.focus_position_um == -12.5
    assert record.measured_magnification == pytest.approx(MAGNIFICATION, rel=1e-3)
    assert record.measured_magnification_std is not None
    assert 0 < record.measured_magnification_std < 1e-3


def test_key_places_are_centre_and_corners(file: Path, field: Field) -> None:
    record = run_task(_task(file, field))
    count = Counter((e.square, e.channel, e.direction) for e in record.edges)
    places = {e.square: (e.field_x, e.field_y) for e in record.edges}
    centre = min(places, key=lambda name: np.hypot(*places[name]))
    corners = {square: place for square, place in places.items() if square != centre}
    assert len(corners) == 4
    assert len({(x > 0, y > 0) for x, y in corners.values()}) == 4
    for direction in ("horizontal", "vertical"):
        for channel in ("red", "green", "blue"):
            assert count[centre, channel, direction] == 2
        for square in corners:
            assert count[square, "green", direction] == 1
            assert count[square, "red", direction] == count[square, "blue", direction] == 1


def test_key_places_of_a_chart_for_a_range(tmp_path: Path, focus_um: float) -> None:
    """Recovery: the centre square and, in each corner, all four directions, once each."""
    size = {"n_rows": 960, "n_cols": 1440}
    chart = nested_field(
        magnification_low=1,
        magnification_high=5,
        sensor_width_mm=size["n_cols"] * PITCH_MM,
        sensor_height_mm=size["n_rows"] * PITCH_MM,
    ).view(MAGNIFICATION)
    path = _rendered(tmp_path / "IMG_0006.dng", chart, focus_um, **size)
    record = run_task(_task(path, chart))
    assert (record.status, record.reason) == ("measured", "")
    assert record.measured_magnification == pytest.approx(MAGNIFICATION, rel=1e-3)
    green = [e for e in record.edges if e.channel == "green"]
    centre = [e for e in green if np.hypot(e.field_x, e.field_y) <= CENTRE_RADIUS]
    assert Counter(e.direction for e in centre) == {"horizontal": 2, "vertical": 2}
    outer = [e for e in green if e not in centre]
    assert len(outer) == 16
    corners = Counter((e.field_x > 0, e.field_y > 0, e.direction) for e in outer)
    assert set(corners.values()) == {1}
    assert min(min(abs(e.field_x) / 0.832, abs(e.field_y) / 0.555) for e in outer) > 0.4
    truth = PITCH_MM * true_mtf50(
        RIG,
        magnification=MAGNIFICATION,
        stop=STOP,
        channel="green",
        focus_shift_um=focus_um,
        edge_angle_deg=6.0,
    )
    for edge in green:
        assert edge.mtf50_cyc_per_px == pytest.approx(truth, rel=0.03)


def test_every_edge_adds_squares_and_colours(file: Path, field: Field) -> None:
    key = run_task(_task(file, field))
    every = run_task(_task(file, field, every_edge=True))
    assert [edge for edge in every.edges if edge in key.edges] == list(key.edges)
    per_channel = Counter(edge.channel for edge in every.edges)
    assert per_channel["red"] == per_channel["green"] == per_channel["blue"]
    assert per_channel["green"] > sum(edge.channel == "green" for edge in key.edges)


def test_without_a_layout_any_straight_edge_counts(file: Path) -> None:
    record = run_task(_task(file, None))
    assert record.status == "measured"
    assert {edge.square for edge in record.edges} == {""}
    assert 1 <= len({edge.name for edge in record.edges}) <= 6
    assert record.measured_magnification is None


def test_clipped_frame_is_rejected_and_says_what_to_do(
    tmp_path: Path, field: Field, focus_um: float
) -> None:
    path = _rendered(tmp_path / "IMG_0002.dng", field, focus_um, exposure=1.6)
    record = run_task(_task(path, field))
    assert record.status == "rejected"
    assert "exposure" in record.reason


def test_clipped_edge_is_rejected_alone(file: Path) -> None:
    frame = read_frame(file)
    saturated = frame.saturated.copy()
    saturated[:, 310:] = True
    region = EdgeRegion(
        name="right", centre_row=200, centre_col=300, angle_deg=0, length_px=80, half_width_px=40
    )
    (edge,) = placed_edges([region], frame)
    record = measure_channel_edge(
        replace(frame, saturated=saturated), edge, "green", NoiseModel(read_std=2, gain=0.3)
    )
    assert record.status == "rejected"
    assert record.mtf50_cyc_per_px is None
    # 30 of 80 columns, give or take the ones that the window's border halves.
    share = int(record.reason.split(" %")[0])
    assert share == pytest.approx(100 * 30 / 80, abs=2)


@pytest.mark.parametrize("with_field", [True, False], ids=["chart", "blade"])
def test_frame_without_a_target_is_rejected(tmp_path: Path, field: Field, with_field: bool) -> None:
    rng = np.random.default_rng(1)
    path = tmp_path / "IMG_0003.dng"
    _write(path, rng.normal(6000, 40, (400, 600)).astype(np.uint16))
    record = run_task(_task(path, field if with_field else None))
    assert (record.status, record.edges) == ("rejected", ())
    assert record.reason != ""


def test_grey_picture_is_measured_once_and_flagged(
    tmp_path: Path, field: Field, file: Path
) -> None:
    raw = read_frame(file)
    green = raw.pixels[0::2, 1::2] / raw.white_dn  # one green site of each four
    encoded = np.where(green > 0.0031308, 1.055 * np.clip(green, 0, 1) ** (1 / 2.4) - 0.055, 0)
    path = tmp_path / "IMG_0004.png"
    Image.fromarray((255 * encoded).astype(np.uint8)).save(path)
    task = replace(_task(path, field), pixel_pitch_um=2 * RIG.pixel_pitch_um)
    record = run_task(task)
    assert record.status == "measured"
    assert {edge.channel for edge in record.edges} == {"green"}
    assert {"grey", "tone-mapped"} <= set(record.flags)


@pytest.mark.parametrize(
    "content", [b"", b"no frame at all", b"II*\0" + bytes(40)], ids=["empty", "junk", "broken"]
)
def test_unreadable_file_is_a_record(tmp_path: Path, field: Field, content: bytes) -> None:
    path = tmp_path / "IMG_0005.dng"
    path.write_bytes(content)
    record = run_task(_task(path, field))
    assert (record.status, record.edges, record.marked_stop) == ("unreadable", (), 5.6)
    assert record.reason.startswith("IMG_0005.dng: ")


def test_hash_is_of_the_bytes(tmp_path: Path) -> None:
    # SHA-256 of "abc": FIPS 180-2, appendix B.1.
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert hash_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert hash_of(tmp_path / "gone") == hash_of(tmp_path) == ""


@pytest.mark.parametrize(
    ("angle_deg", "direction"),
    [
        (0, "vertical"),
        (40, "vertical"),
        (-175, "vertical"),
        (50, "horizontal"),
        (-84, "horizontal"),
    ],
)
def test_found_edge_gets_direction_and_place(file: Path, angle_deg: float, direction: str) -> None:
    frame: Frame = read_frame(file)
    region = EdgeRegion(
        name="edge 1",
        centre_row=199.5,
        centre_col=299.5 + 0.3 * np.hypot(200, 300),
        angle_deg=angle_deg,
        length_px=50,
        half_width_px=20,
    )
    (edge,) = placed_edges([region], frame)
    assert (edge.square, edge.edge, edge.direction) == ("", "edge 1", direction)
    assert (edge.field_x, edge.field_y) == pytest.approx((0.3, 0.0))
    # The ends and the far half of a bar as wide as the edge is long are left out.
    assert edge.region == replace(region, length_px=0.85 * 50, half_width_px=20.0)
    long = replace(region, length_px=400, half_width_px=300)
    (edge,) = placed_edges([long], frame)
    assert edge.region.half_width_px == pytest.approx(0.45 * 400)


def test_decoded_frame_needs_no_file(file: Path, field: Field) -> None:
    frame = read_frame(file)
    task = replace(_task(file, field), path=Path("nowhere.dng"))
    assert measure_frame(frame, task) == run_task(_task(file, field))
