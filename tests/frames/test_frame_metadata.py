"""Metadata: what was set comes back, what is missing or impossible is None."""

from pathlib import Path

import numpy as np
import pytest
import rawpy
from PIL import Image

from lab.frames import FrameMetadata, read_frame, read_metadata, write_dng
from lab.frames.metadata import metadata_from_raw

FULL = FrameMetadata(
    camera="Club body",
    exposure_s=1 / 640,
    iso=320,
    f_number=6.3,
    focal_length_mm=52.5,
    captured_at="2031:04:05 06:07:08.09",
)
PIXELS = np.random.default_rng(3).integers(500, 9000, (40, 50), dtype=np.uint16)


def dng(path: Path, metadata: FrameMetadata) -> Path:
    write_dng(path, PIXELS, black_dn=400, white_dn=16000, metadata=metadata)
    return path


# Exact.
@pytest.mark.parametrize(
    "metadata",
    [
        FULL,
        FrameMetadata(),
        FrameMetadata(exposure_s=30.0, captured_at="2031:04:05 06:07:08"),
        FrameMetadata(exposure_s=1 / 16000, iso=65535, f_number=0.95, focal_length_mm=1200.0),
    ],
)
def test_written_metadata_come_back(tmp_path: Path, metadata: FrameMetadata) -> None:
    path = dng(tmp_path / "frame.dng", metadata)
    assert read_metadata(path) == metadata
    assert read_frame(path).metadata == metadata


def test_second_route_agrees(tmp_path: Path) -> None:
    # LibRaw's own fields serve formats whose tags cannot be read; single precision.
    with rawpy.imread(str(dng(tmp_path / "frame.dng", FULL))) as raw:
        found = metadata_from_raw(raw)
    assert found.captured_at == "2031:04:05 06:07:08"
    assert found.camera is None
    for name in ("exposure_s", "iso", "f_number", "focal_length_mm"):
        assert getattr(found, name) == pytest.approx(getattr(FULL, name), rel=1e-6)
    with rawpy.imread(str(dng(tmp_path / "bare.dng", FrameMetadata()))) as raw:
        assert metadata_from_raw(raw) == FrameMetadata()


@pytest.mark.parametrize(
    ("make", "model", "camera"),
    [
        ("Club", "Body 2", "Club Body 2"),
        ("CLUB WORKS", "Club Body 2", "Club Body 2"),
        ("Club", "", None),
        ("", "Body 2", "Body 2"),
    ],
)
def test_camera_name(tmp_path: Path, make: str, model: str, camera: str | None) -> None:
    exif = Image.Exif()
    exif[271], exif[272] = make, model
    Image.new("RGB", (20, 20)).save(tmp_path / "a.jpg", exif=exif)
    assert read_metadata(tmp_path / "a.jpg").camera == camera


def test_nothing_that_names_a_person_or_a_body(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[315] = exif[33432] = "PRIVATE"  # Artist, Copyright
    exif[272] = "Body 2"
    fields = exif.get_ifd(0x8769)
    fields[42032] = fields[42033] = fields[42037] = "PRIVATE"  # owner, body and lens serial
    exif.get_ifd(0x8825)[1], exif.get_ifd(0x8825)[2] = "N", (10.0, 20.0, 30.0)
    path = tmp_path / "a.jpg"
    Image.new("RGB", (20, 20)).save(path, exif=exif)
    assert b"PRIVATE" in path.read_bytes()
    assert read_metadata(path) == FrameMetadata(camera="Body 2")


# Bad input.
@pytest.mark.parametrize("impossible", [(0, 1), (0, 0), (1, 0)])
def test_impossible_numbers_are_none(tmp_path: Path, impossible: tuple[int, int]) -> None:
    path = dng(tmp_path / "frame.dng", FULL)
    data = path.read_bytes()
    bad = np.array(impossible, "<u4").tobytes()
    for good in ((1, 640), (63, 10), (105, 2)):
        written = np.array(good, "<u4").tobytes()
        assert data.count(written) == 1
        data = data.replace(written, bad)
    path.write_bytes(data)
    assert read_metadata(path) == FrameMetadata(
        camera=FULL.camera, iso=FULL.iso, captured_at=FULL.captured_at
    )
    assert read_frame(path).metadata.f_number is None


@pytest.mark.parametrize(
    "moment", ["0000:00:00 00:00:00", "    :  :     :  :  ", "yesterday, noon"]
)
def test_impossible_time_is_none(tmp_path: Path, moment: str) -> None:
    assert (
        read_metadata(dng(tmp_path / "a.dng", FrameMetadata(captured_at=moment))).captured_at
        is None
    )


@pytest.mark.parametrize(
    "content", [b"", b"plain words", b"II*\0\xff\xff\xff\x7f", b"\xff\xd8\xff\xe1"]
)
def test_any_file_gives_a_record_and_no_output(
    tmp_path: Path, content: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(content)
    assert read_metadata(path) == FrameMetadata()
    assert read_metadata(tmp_path / "gone.dng") == FrameMetadata()
    assert capfd.readouterr() == ("", "")
