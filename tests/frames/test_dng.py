"""Writing DNG: two independent readers must find what was written."""

from pathlib import Path

import exifread
import numpy as np
import pytest
import rawpy
import tifffile

from lab.frames import BAYER_PATTERNS, FrameMetadata, write_dng

FULL = FrameMetadata(
    camera="Club body",
    exposure_s=1 / 400,
    iso=640,
    f_number=5.6,
    focal_length_mm=75,
    captured_at="2031:04:05 06:07:08.090",
)


def mosaic(n_row: int, n_col: int, bits: int = 14) -> np.ndarray:
    return np.random.default_rng(7).integers(0, 2**bits, (n_row, n_col), dtype=np.uint16)


# Exact: the same pixels come back.
@pytest.mark.parametrize("shape", [(64, 96), (63, 97), (211, 34)])
def test_two_readers_find_the_same_pixels(tmp_path: Path, shape: tuple[int, int]) -> None:
    path, pixels = tmp_path / "frame.dng", mosaic(*shape)
    write_dng(path, pixels, black_dn=512, white_dn=16000, metadata=FULL)
    with rawpy.imread(str(path)) as raw:
        np.testing.assert_array_equal(raw.raw_image, pixels)
        assert raw.white_level == 16000
    np.testing.assert_array_equal(tifffile.imread(path), pixels)


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_full_range_of_other_depths(tmp_path: Path, bits: int) -> None:
    path, pixels = tmp_path / "frame.dng", mosaic(40, 50, bits)
    pixels[0, :2] = 0, 2**bits - 1
    write_dng(path, pixels, black_dn=3, white_dn=2**bits - 1, bits=bits, metadata=FULL)
    with rawpy.imread(str(path)) as raw:
        np.testing.assert_array_equal(raw.raw_image, pixels)


@pytest.mark.parametrize("pattern", BAYER_PATTERNS)
def test_pattern_and_black_levels_in_both_readers(tmp_path: Path, pattern: str) -> None:
    path, black = tmp_path / "frame.dng", [500, 510, 525, 545]
    write_dng(path, mosaic(40, 50), pattern=pattern, black_dn=black, white_dn=16000, metadata=FULL)
    with tifffile.TiffFile(path) as file:
        tags = file.pages.first.tags
        assert tags["CFAPattern"].value == bytes("RGB".index(colour) for colour in pattern)
        assert list(tags["BlackLevel"].value) == black
    with rawpy.imread(str(path)) as raw:
        letters = np.array(list(raw.color_desc.decode()))[raw.raw_pattern]
        assert "".join(letters.ravel()) == pattern
        assert np.array(raw.black_level_per_channel)[raw.raw_pattern].ravel().tolist() == black


def test_tags_in_a_second_reader(tmp_path: Path) -> None:
    path = tmp_path / "frame.dng"
    write_dng(path, mosaic(40, 50), black_dn=512, white_dn=16000, metadata=FULL)
    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    assert {name: str(tag) for name, tag in tags.items() if name.startswith("EXIF")} == {
        "EXIF ExposureTime": "1/400",
        "EXIF FNumber": "28/5",
        "EXIF ISOSpeedRatings": "640",
        "EXIF ExifVersion": "0232",
        "EXIF DateTimeOriginal": "2031:04:05 06:07:08",
        "EXIF FocalLength": "75",
        "EXIF SubSecTimeOriginal": "090",
    }
    assert str(tags["Image Model"]) == "Club body"
    with rawpy.imread(str(path)) as raw:
        assert raw.other.shutter_speed == pytest.approx(1 / 400, rel=1e-6)


def test_absent_metadata_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "frame.dng"
    write_dng(path, mosaic(40, 50), black_dn=512, white_dn=16000, metadata=FrameMetadata())
    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    assert [name for name in tags if name.startswith("EXIF")] == ["EXIF ExifVersion"]
    assert "Image Model" not in tags


def test_every_directory_is_in_ascending_order(tmp_path: Path) -> None:
    # TIFF 6.0 demands it; strict readers refuse a file that breaks it.
    path = tmp_path / "frame.dng"
    write_dng(path, mosaic(40, 50), black_dn=512, white_dn=16000, metadata=FULL)
    with tifffile.TiffFile(path) as file:
        codes = [tag.code for tag in file.pages.first.tags]
        assert all(tag.valueoffset % 2 == 0 for tag in file.pages.first.tags)
    assert codes == sorted(codes)
    assert {33421, 33422, 50706, 50714, 50717, 50721, 50728, 50778} <= set(codes)


def test_same_arguments_same_bytes(tmp_path: Path) -> None:
    for name in ("a.dng", "b.dng"):
        write_dng(tmp_path / name, mosaic(40, 50), black_dn=5, white_dn=16000, metadata=FULL)
    assert (tmp_path / "a.dng").read_bytes() == (tmp_path / "b.dng").read_bytes()


# Bad input.
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"pattern": "RGBG"}, "pattern"),
        ({"bits": 17}, "bits"),
        ({"bits": 13}, "mosaic must lie"),
        ({"mosaic": np.full((4, 4), -1)}, "mosaic must lie"),
        ({"mosaic": np.zeros((4, 4))}, "integers"),
        ({"mosaic": np.zeros((4, 4, 3), np.uint16)}, "2-D"),
        ({"mosaic": np.zeros((0, 4), np.uint16)}, "empty"),
        ({"black_dn": [1, 2, 3]}, "black_dn"),
        ({"black_dn": 16000}, "black_dn"),
        ({"white_dn": 2**14}, "black_dn"),
        ({"metadata": FrameMetadata(f_number=0.0)}, "f-number"),
        ({"metadata": FrameMetadata(exposure_s=float("nan"))}, "exposure"),
        ({"metadata": FrameMetadata(iso=float("inf"))}, "ISO"),
        ({"metadata": FrameMetadata(iso=102400)}, "does not fit"),
        ({"black_dn": 512.5}, "does not fit"),
        ({"metadata": FrameMetadata(exposure_s=1e12)}, "does not fit"),
    ],
)
def test_bad_arguments(tmp_path: Path, changes: dict[str, object], words: str) -> None:
    arguments: dict[str, object] = {
        "mosaic": mosaic(40, 50),
        "black_dn": 512,
        "white_dn": 16000,
        "metadata": FULL,
    }
    with pytest.raises(ValueError, match=words):
        write_dng(tmp_path / "frame.dng", **(arguments | changes))  # type: ignore[arg-type]
    assert not (tmp_path / "frame.dng").exists()
