"""Reading raw files: every site keeps its colour and its level, and no broken file passes."""

import hashlib
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from lab.errors import FrameError
from lab.frames import BAYER_PATTERNS, CHANNELS, FrameMetadata, frame_hash, read_frame, write_dng

BLACK = [500, 510, 525, 545]
WHITE = 16000
METADATA = FrameMetadata(camera="Club body", exposure_s=0.5, iso=100, f_number=8.0)


def mosaic(n_row: int = 60, n_col: int = 80) -> np.ndarray:
    return np.random.default_rng(11).integers(400, 15000, (n_row, n_col), dtype=np.uint16)


def dng(path: Path, pixels: np.ndarray, **changes: Any) -> Path:
    write_dng(
        path, pixels, **({"black_dn": BLACK, "white_dn": WHITE, "metadata": METADATA} | changes)
    )
    return path


def foreign_dng(path: Path, pixels: np.ndarray, **tags: tuple[int, str, int, Any]) -> Path:
    """A DNG by another writer, for kinds of raw that ours does not make."""
    every = {
        "version": (50706, "B", 4, (1, 4, 0, 0)),
        "model": (50708, "s", 0, "Club body"),
        "repeat": (33421, "H", 2, (2, 2)),
        "colours": (33422, "B", 4, (0, 1, 1, 2)),
        "white": (50717, "H", 1, WHITE),
    } | tags
    extra = [(*tag, True) for tag in every.values()]
    tifffile.imwrite(path, pixels, photometric="cfa", extratags=extra)
    return path


# Exact: value minus the black level of its own site, at its own place.
@pytest.mark.parametrize("shape", [(60, 80), (61, 81), (37, 90)])
@pytest.mark.parametrize("pattern", BAYER_PATTERNS)
def test_each_site_keeps_colour_and_black_level(
    tmp_path: Path, pattern: str, shape: tuple[int, int]
) -> None:
    pixels = mosaic(*shape)
    frame = read_frame(dng(tmp_path / "frame.dng", pixels, pattern=pattern))
    for row in range(2):
        for col in range(2):
            expected = pixels[row::2, col::2].astype(float) - BLACK[2 * row + col]
            np.testing.assert_array_equal(frame.pixels[row::2, col::2], expected)
    letters = ["RGB"[index] for index in frame.pattern.ravel()]
    assert "".join(letters) == pattern
    assert frame.pixels.dtype == np.float32
    assert frame.is_mosaic
    assert frame.white_dn == WHITE - max(BLACK)
    assert frame.flags == ()
    assert frame.metadata == METADATA


def test_region_gives_one_colour(tmp_path: Path) -> None:
    levels = {"red": 3000, "green": 7000, "blue": 11000}
    pixels = np.empty((60, 80), np.uint16)
    for colour, (row, col) in zip(("green", "red", "blue", "green"), np.ndindex(2, 2), strict=True):
        pixels[row::2, col::2] = levels[colour]
    frame = read_frame(dng(tmp_path / "frame.dng", pixels, pattern="GRBG", black_dn=500))
    for channel in CHANNELS:
        values, mask = frame.region(channel, slice(5, 42), slice(3, 30))
        assert set(values[mask]) == {levels[channel] - 500}
        share = 0.5 if channel == "green" else 0.25
        assert mask.mean() == pytest.approx(share, abs=0.02)


def test_odd_borders_shift_the_pattern_not_the_colours(tmp_path: Path) -> None:
    # DNG counts the pattern from the corner of the active area, here (row 1, col 1).
    pixels = mosaic()
    area = (50829, "I", 4, (1, 1, 59, 79))
    frame = read_frame(foreign_dng(tmp_path / "frame.dng", pixels, area=area))
    n_row, n_col = frame.shape
    [(top, left)] = [
        (top, left)
        for top, left in np.ndindex(4, 4)
        if np.array_equal(frame.pixels, pixels[top : top + n_row, left : left + n_col])
    ]
    red_from_corner = np.argwhere(frame.pattern == 0)[0] + (top, left) - (1, 1)
    assert (red_from_corner % 2 == 0).all()


def test_saturated_pixels_and_their_neighbours_are_masked(tmp_path: Path) -> None:
    pixels = mosaic()
    pixels[20, 30], pixels[59, 0] = WHITE, WHITE + 100
    share = 0.98 * (WHITE - max(BLACK))
    pixels[40:50, 40:50] = int(share) + min(BLACK)  # just below the limit at every site
    saturated = read_frame(dng(tmp_path / "frame.dng", pixels)).saturated
    expected = np.zeros(pixels.shape, bool)
    expected[19:22, 29:32] = expected[58:, :2] = True
    np.testing.assert_array_equal(saturated, expected)


def test_kind_is_told_by_content(tmp_path: Path) -> None:
    path = dng(tmp_path / "IMG 0412 µ.jpg", mosaic())
    assert read_frame(path).is_mosaic


def test_hash_is_that_of_the_bytes(tmp_path: Path) -> None:
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    # NIST FIPS 180-2, appendix B.1.
    assert frame_hash(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path = dng(tmp_path / "frame.dng", mosaic())
    assert frame_hash(path) == hashlib.sha256(path.read_bytes()).hexdigest()
    with pytest.raises(FrameError, match=r"gone\.dng"):
        frame_hash(tmp_path / "gone.dng")


# Bad input.
@pytest.mark.parametrize("share", [0.001, 0.01, 0.1, 0.5, 0.9, 0.99, 0.9999])
def test_cut_short(tmp_path: Path, share: float) -> None:
    path = dng(tmp_path / "frame.dng", mosaic())
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    with pytest.raises(FrameError, match=r"frame\.dng: (is cut short|is empty|not a raw file)"):
        read_frame(path)


@pytest.mark.parametrize(
    "content",
    [
        b"no picture",
        b"a line of text\n" * 9000,
        b"PK\3\4" + bytes(range(256)) * 99,
        b"%PDF-1.7\n\0",
    ],
)
def test_what_is_no_raw_file_is_told_so(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "frame.dng"
    path.write_bytes(content)
    with pytest.raises(FrameError, match=r"frame\.dng: is no raw file, nor TIFF"):
        read_frame(path)


@pytest.mark.parametrize("head", [b"IIRO\x08\0\0\0", b"MM\0*\0\0\0\x08", b"\0MRM\0\0\0\0"])
def test_a_broken_raw_file_is_still_called_one(tmp_path: Path, head: bytes) -> None:
    path = tmp_path / "frame.dng"
    path.write_bytes(head + b"broken" * 20)
    with pytest.raises(FrameError) as caught:
        read_frame(path)
    assert "is no raw file" not in str(caught.value)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_right_length_but_the_end_is_zero(tmp_path: Path, share: float) -> None:
    # What a card writes that was pulled out early, and a copy that broke off.
    path = dng(tmp_path / "frame.dng", mosaic(400, 300))
    data = path.read_bytes()
    kept = int(share * len(data))
    path.write_bytes(data[:kept] + bytes(len(data) - kept))
    with pytest.raises(FrameError, match=r"rows hold no data. Copy it from the card again"):
        read_frame(path)


def test_header_only(tmp_path: Path) -> None:
    path = dng(tmp_path / "frame.dng", mosaic())
    path.write_bytes(path.read_bytes()[: -2 * 60 * 80])
    with pytest.raises(FrameError, match=r"cut short, 5[0-9][0-9] of at least 1[0-9]{4} bytes"):
        read_frame(path)


@pytest.mark.parametrize(
    ("value", "mend"), [(700, "Copy it from the card again"), (WHITE, "Halve the exposure")]
)
def test_one_value_everywhere(tmp_path: Path, value: int, mend: str) -> None:
    path = dng(tmp_path / "frame.dng", np.full((60, 80), value, np.uint16))
    with pytest.raises(FrameError, match=rf"same value \({value} DN\). {mend}"):
        read_frame(path)


@pytest.mark.parametrize("n_plane", [1, 3])
def test_no_mosaic(tmp_path: Path, n_plane: int) -> None:
    # Sensors without filters, and raw files that hold every colour at every pixel.
    path = tmp_path / "frame.dng"
    pixels = np.squeeze(np.stack([mosaic()] * n_plane, axis=-1))
    version = (50706, "B", 4, (1, 4, 0, 0), True)
    photometric = "minisblack" if n_plane == 1 else "rgb"
    tifffile.imwrite(path, pixels, photometric=photometric, extratags=[version])
    with tifffile.TiffFile(path) as file:
        at = file.pages.first.tags["PhotometricInterpretation"].valueoffset
    data = bytearray(path.read_bytes())
    data[at : at + 2] = (34892).to_bytes(2, "little")  # LinearRaw
    path.write_bytes(data)
    with pytest.raises(FrameError, match="no red-green-blue mosaic"):
        read_frame(path)


def test_other_filter_colours(tmp_path: Path) -> None:
    # Green, magenta, cyan, yellow; CFAPlaneColor says the same.
    colours, planes = (33422, "B", 4, (1, 4, 3, 5)), (50710, "B", 4, (1, 4, 3, 5))
    path = foreign_dng(tmp_path / "frame.dng", mosaic(), colours=colours, planes=planes)
    with pytest.raises(FrameError, match="no red-green-blue mosaic"):
        read_frame(path)


def test_white_not_above_black(tmp_path: Path) -> None:
    black = (50714, "H", 1, WHITE)
    path = foreign_dng(tmp_path / "frame.dng", mosaic(), black=black)
    with pytest.raises(FrameError, match="not above its black level"):
        read_frame(path)


@pytest.mark.parametrize("content", [b"plain words, no picture\n" * 50, b"\0" * 5000, b"II*\0"])
def test_unknown_file(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "frame.dng"
    path.write_bytes(content)
    with pytest.raises(FrameError, match=r"frame\.dng: "):
        read_frame(path)


def test_boxed_file_cut_short(tmp_path: Path) -> None:
    # ISO/IEC 14496-12: length (4 bytes), name; length 1 puts it in the 8 bytes that follow.
    path = tmp_path / "frame.cr3"
    head = b"\0\0\0\x10ftypclub\0\0\0\0"
    for box in (b"\0\0\x10\0mdat", b"\0\0\0\x01mdat\0\0\0\0\0\0\x10\0"):
        path.write_bytes(head + box + bytes(100))
        with pytest.raises(FrameError, match=f"of at least {16 + 0x1000} bytes"):
            read_frame(path)


def test_empty_missing_and_folder(tmp_path: Path) -> None:
    (tmp_path / "empty.dng").touch()
    with pytest.raises(FrameError, match=r"empty\.dng: is empty"):
        read_frame(tmp_path / "empty.dng")
    with pytest.raises(FrameError, match=r"gone\.dng: there is no such file"):
        read_frame(tmp_path / "gone.dng")
    with pytest.raises(FrameError, match="is a folder"):
        read_frame(tmp_path)


def test_import_loads_no_decoder() -> None:
    code = "import lab.frames, sys; print([m for m in sys.modules if '.' not in m])"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    for heavy in ("rawpy", "exifread", "PIL", "tifffile", "scipy", "skimage"):
        assert f"'{heavy}'" not in loaded.stdout
