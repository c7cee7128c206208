"""Reading pictures: the tone curve is undone where one is declared, and said so."""

import io
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms
from PIL.PngImagePlugin import PngInfo

from lab.errors import FrameError
from lab.frames import CHANNELS, Frame, read_frame
from lab.frames.tone import decode_profile, decode_srgb

SRGB_PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def colours(depth: int = 8) -> np.ndarray:
    kind = np.uint8 if depth == 8 else np.uint16
    return np.random.default_rng(5).integers(0, 2**depth, (31, 43, 3), dtype=kind)


def profile_with(curve: bytes) -> bytes:
    """An ICC profile that holds one grey curve and nothing else."""
    head = bytes(128) + struct.pack(">I4sII", 1, b"kTRC", 144, len(curve))
    return head + curve


def read_tiff(path: Path, pixels: np.ndarray, **options: Any) -> Frame:
    tifffile.imwrite(path, pixels, **options)
    return read_frame(path)


# Published: IEC 61966-2-1:1999, clause 5.2 (from memory): the two branches meet at
# 0.04045 stored = 0.0031308 light; slope 12.92 below; 1.055 x**(1/2.4) - 0.055 above.
def test_srgb_breakpoints() -> None:
    assert decode_srgb(0.04045) == pytest.approx(0.0031308, abs=5e-8)
    assert decode_srgb(0.02) == pytest.approx(0.02 / 12.92, rel=1e-12)
    light = np.array([0.0031309, 0.0127, 0.18, 0.5, 0.93])
    np.testing.assert_allclose(decode_srgb(1.055 * light ** (1 / 2.4) - 0.055), light, rtol=1e-12)
    assert decode_srgb(0.0) == 0
    assert decode_srgb(1.0) == 1


def test_profile_of_another_library_gives_the_srgb_curve() -> None:
    value = np.linspace(0, 1, 256)
    light = decode_profile(SRGB_PROFILE, value)
    np.testing.assert_allclose(light, decode_srgb(value), atol=2e-5)  # s15Fixed16: 1.5e-5 steps


def test_curves_that_a_profile_can_hold() -> None:
    value = np.linspace(0, 1, 11)
    for curve, light in (
        (b"curv" + struct.pack(">II", 0, 0), value),
        (b"curv" + struct.pack(">IIH", 0, 1, 0x01CD), value ** (0x01CD / 256)),
        (b"curv" + struct.pack(">II3H", 0, 3, 0, 6553, 65535), None),
        (b"para" + struct.pack(">IHHi", 0, 0, 0, 0x1CCCD), value ** (0x1CCCD / 65536)),
    ):
        expected = np.interp(value, [0, 0.5, 1], [0, 6553 / 65535, 1]) if light is None else light
        np.testing.assert_allclose(decode_profile(profile_with(curve), value), expected, rtol=1e-9)


@pytest.mark.parametrize(
    "profile",
    [
        b"",
        b"short",
        bytes(200),
        profile_with(b"para" + struct.pack(">IHH5i", 0, 2, 0, 1, 1, 1, 1, 1)),
        profile_with(b"curv" + struct.pack(">II", 0, 900)),
        profile_with(b"para" + struct.pack(">IHHi", 0, 0, 0, -3 * 65536)),  # 0.5 ** -3 = 8
        profile_with(b"para" + struct.pack(">IHH5i", 0, 3, 0, 2**31 - 1, 2**31 - 1, 0, 0, 0)),
    ],
)
def test_profile_without_a_readable_curve(profile: bytes) -> None:
    assert decode_profile(profile, 0.5) is None


# Exact: planes in place, light from the curve.
@pytest.mark.parametrize("name", ["a.png", "a.tif", "lzw.tif"])
def test_8_bit_colour_is_srgb_and_indicative(tmp_path: Path, name: str) -> None:
    path, pixels = tmp_path / name, colours()
    compression = {"compression": "tiff_lzw"} if name.startswith("lzw") else {}
    Image.fromarray(pixels).save(path, **compression)
    frame = read_frame(path)
    np.testing.assert_allclose(frame.pixels, 255 * decode_srgb(pixels / 255), rtol=1e-6)
    assert frame.flags == ("tone-mapped", "demosaiced")
    assert frame.white_dn == 255
    assert not frame.is_mosaic
    values, mask = frame.region("blue", slice(3, 9), slice(4, 20))
    np.testing.assert_array_equal(values, frame.pixels[3:9, 4:20, 2])
    np.testing.assert_array_equal(mask, ~frame.saturated[3:9, 4:20])


def test_jpeg(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.new("RGB", (40, 30), (180, 90, 40)).save(path, quality=100, subsampling=0)
    frame = read_frame(path)
    expected = 255 * decode_srgb(np.array([180, 90, 40]) / 255)
    np.testing.assert_allclose(frame.pixels[10, 10], expected, rtol=0.03)  # JPEG rounds: 1 step
    assert frame.flags == ("tone-mapped", "demosaiced")


@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "predictor": True}])
def test_16_bit_tiff_is_linear(tmp_path: Path, options: dict[str, Any]) -> None:
    pixels = colours(16)
    for byteorder in "<>":
        frame = read_tiff(tmp_path / "a.tif", pixels, byteorder=byteorder, **options)
        np.testing.assert_array_equal(frame.pixels, pixels)
        assert frame.flags == ("demosaiced",)
        assert frame.white_dn == 65535


def test_16_bit_tiff_in_separate_planes(tmp_path: Path) -> None:
    pixels = colours(16)
    planes = np.moveaxis(pixels, 2, 0)
    frame = read_tiff(tmp_path / "a.tif", planes, photometric="rgb", planarconfig="separate")
    np.testing.assert_array_equal(frame.pixels, pixels)


def test_16_bit_tiff_that_declares_srgb(tmp_path: Path) -> None:
    pixels = colours(16)
    frame = read_tiff(tmp_path / "a.tif", pixels, iccprofile=SRGB_PROFILE)
    # One step of the profile's numbers, 1.5e-5, is 1 DN of 65535.
    np.testing.assert_allclose(frame.pixels, 65535 * decode_srgb(pixels / 65535), atol=1.5)
    assert frame.flags == ("tone-mapped", "demosaiced")


def test_16_bit_tiff_that_declares_a_linear_profile(tmp_path: Path) -> None:
    pixels, linear = colours(16), profile_with(b"curv" + bytes(8))
    frame = read_tiff(tmp_path / "a.tif", pixels, iccprofile=linear)
    np.testing.assert_array_equal(frame.pixels, pixels)
    assert frame.flags == ("demosaiced",)


def test_16_bit_tiff_that_declares_srgb_in_its_tags(tmp_path: Path) -> None:
    path, pixels = tmp_path / "a.tif", colours(16)[:, :, 0]
    tifffile.imwrite(path, pixels, extratags=[(65000, "I", 1, 0, True)])
    data, entry = path.read_bytes(), struct.pack("<HHII", 65000, 4, 1, 0)
    assert data.count(entry) == 1
    exif = struct.pack("<HHHIII", 1, 0xA001, 3, 1, 1, 0)  # ColorSpace, SHORT, 1 value: sRGB
    path.write_bytes(data.replace(entry, struct.pack("<HHII", 34665, 4, 1, len(data))) + exif)
    frame = read_frame(path)
    expected = 65535 * decode_srgb(pixels / 65535)
    np.testing.assert_allclose(frame.pixels[:, :, 0], expected, rtol=1e-6)
    assert frame.flags == ("tone-mapped", "grey")


@pytest.mark.parametrize("depth", [8, 16])
def test_grey_gives_three_equal_planes_and_says_so(tmp_path: Path, depth: int) -> None:
    path, pixels = tmp_path / "a.png", colours(depth)[:, :, 0]
    Image.fromarray(pixels).save(path)
    frame = read_frame(path)
    full = 2**depth - 1
    light = 255 * decode_srgb(pixels / full) if depth == 8 else pixels
    for index, channel in enumerate(CHANNELS):
        np.testing.assert_allclose(frame.pixels[:, :, index], light, rtol=1e-6)
        values, _ = frame.region(channel, slice(0, 31), slice(0, 43))
        np.testing.assert_allclose(values, light, rtol=1e-6)
    assert frame.flags == (("tone-mapped", "grey") if depth == 8 else ("grey",))


def test_16_bit_grey_png_with_a_declared_gamma(tmp_path: Path) -> None:
    path, pixels = tmp_path / "a.png", colours(16)[:, :, 0]
    chunks = PngInfo()
    chunks.add(b"gAMA", struct.pack(">I", 50000))  # ISO/IEC 15948, 11.3.3.2: exponent * 100000
    Image.fromarray(pixels).save(path, pnginfo=chunks)
    frame = read_frame(path)
    np.testing.assert_allclose(frame.pixels[:, :, 1], (pixels / 65535) ** 2 * 65535, rtol=1e-5)
    assert "tone-mapped" in frame.flags


@pytest.mark.parametrize("depth", [8, 16])
def test_tiff_with_white_as_zero_is_turned_round(tmp_path: Path, depth: int) -> None:
    pixels = colours(depth)[:, :, 0]
    turned = read_tiff(tmp_path / "a.tif", np.invert(pixels), photometric="miniswhite")
    plain = read_tiff(tmp_path / "b.tif", pixels, photometric="minisblack")
    np.testing.assert_array_equal(turned.pixels, plain.pixels)


def test_transparency_is_dropped(tmp_path: Path) -> None:
    pixels = colours()
    see_through = np.dstack([pixels, pixels[:, :, :1]])
    for path in (tmp_path / "a.png", tmp_path / "a.tif"):
        Image.fromarray(see_through).save(path)
        expected = 255 * decode_srgb(pixels / 255)
        np.testing.assert_allclose(read_frame(path).pixels, expected, rtol=1e-6)


def test_saturated_in_any_plane(tmp_path: Path) -> None:
    pixels = np.full((20, 30, 3), 120, np.uint8)
    pixels[10, 15, 2] = 255
    pixels[4, 4] = 250  # 95 % of full light
    Image.fromarray(pixels).save(tmp_path / "a.png")
    expected = np.zeros((20, 30), bool)
    expected[9:12, 14:17] = True
    np.testing.assert_array_equal(read_frame(tmp_path / "a.png").saturated, expected)


# Bad input.
def test_16_bit_colour_png_is_refused(tmp_path: Path) -> None:
    def chunk(name: bytes, data: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(name + data))
        return struct.pack(">I", len(data)) + name + data + check

    lines = b"".join(b"\0" + line.astype(">u2").tobytes() for line in colours(16))
    path = tmp_path / "a.png"
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", 43, 31, 16, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(lines))
        + chunk(b"IEND", b"")
    )
    with pytest.raises(FrameError, match=r"16-bit colour PNG.*Save it as an uncompressed"):
        read_frame(path)


@pytest.mark.parametrize("kind", ["jpeg", "png", "tiff"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_cut_short(tmp_path: Path, kind: str, share: float) -> None:
    stream = io.BytesIO()
    Image.fromarray(colours()).save(stream, kind)
    data = stream.getvalue()
    path = tmp_path / "frame"
    path.write_bytes(data[: int(share * len(data))])
    with pytest.raises(FrameError, match=r"frame: is (cut short|broken)"):
        read_frame(path)


@pytest.mark.parametrize(
    ("pixels", "options"),
    [
        (np.ones((20, 30), np.float32), {}),
        (np.ones((20, 30), np.uint32), {}),
        (np.ones((20, 30, 4), np.uint8), {"photometric": "separated"}),
    ],
)
def test_other_kinds_of_tiff(tmp_path: Path, pixels: np.ndarray, options: dict[str, Any]) -> None:
    with pytest.raises(FrameError, match="neither grey nor"):
        read_tiff(tmp_path / "a.tif", pixels, **options)


def test_unreadable_profile(tmp_path: Path) -> None:
    with pytest.raises(FrameError, match="Export it with the sRGB profile"):
        read_tiff(tmp_path / "a.tif", colours(16), iccprofile=bytes(200))


def test_colour_mode_of_print(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.new("CMYK", (20, 30)).save(path)
    with pytest.raises(FrameError, match="colour mode CMYK"):
        read_frame(path)
