"""Makes the seeds of every reader again, by our own writers where we have one.

All content is invented. The files stay in the project so that a seed number names the same
cases on every machine; encoders of images may change with their versions.

Run: ``python -m tests.fuzz.make_corpus``
"""

from __future__ import annotations

import json
import sqlite3
import struct
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from lab.frames import FrameMetadata, write_dng
from lab.inference.session_analysis import analyse_session
from lab.session.bundle import Bundle, write_bundle
from lab.session.bundle_frames import Exposure
from lab.session.config import parse_session
from lab.session.records import PROFILE, EdgeRecord, FrameRecord
from lab.session.slate_looks import SlateLook, looks_to_json
from lab.session.store import ResultsStore
from targets.chart import chart_sheet, square_field
from targets.code import code_modules
from targets.layout import read_layout, write_layout
from targets.slates import Slate, slate_text
from tests.bench.lossless_dng import write_lossless_dng
from tests.fuzz.campaign import CORPUS
from tests.session.bundle_files import as_schema_1, zipped

_METADATA = FrameMetadata(
    camera="Club body",
    exposure_s=1 / 125,
    iso=100,
    f_number=5.6,
    focal_length_mm=75,
    captured_at="2024:11:16 14:07:31.25",
)

_RIG = """[rig]
name = "Bellows rig"
magnifications = [1, 2, 3]
stops = [2.8, 4, 5.6]
[body]
name = "Club body"
pixel_pitch_um = 4.35
sensor_mm = [35.9, 23.9]
flange_mm = 18
"""
_RIGS = {
    "bellows.toml": """[lens]
name = "Enlarger 75"
focal_length_mm = 75
pupil_ratio = 0.8
mount = "reversed"
seat_mm = -2.5
[[part]]
kind = "bellows"
shortest_mm = 40
longest_mm = 300
[[part]]
kind = "tube"
length_mm = 12
""",
    "closeup.toml": """[lens]
name = "Bench 100"
focal_length_mm = 100
closest_magnification = 1
closest_distance_mm = 300
[[part]]
kind = "teleconverter"
factor = 1.4
[[part]]
kind = "close-up"
dioptres = 4
gap_mm = 5
[[part]]
kind = "tube"
length_mm = 60
""",
    "objective.toml": """[lens]
name = "Finite 4"
nominal_magnification = 4
numerical_aperture = 0.1
image_distance_mm = 150
[[part]]
kind = "bellows"
shortest_mm = 40
longest_mm = 300
""",
    "front.toml": """[lens]
name = "Tube 200"
focal_length_mm = 200
[[part]]
kind = "objective"
nominal_magnification = 4
numerical_aperture = 0.13
tube_lens_mm = 200
gap_mm = 20
""",
}

_SESSION = """# invented
[session]
name = "Bellows rig"
[body]
name = "Club body"
pixel_pitch_um = 4.35
sensor_mm = [35.9, 23.9]
[lens]
name = "Enlarger 75 reversed"
focal_length_mm = 75
pupil_ratio = 1.25
blades = 8
exif_f_number = "marked"
[light]
wavelength_um = { red = 0.610, green = 0.535 }
[target]
kind = "blade"
edge_blur_um = 0.4
edge_blur_std_um = 0.1
[[series]]
magnification = 2.0
stops = [4, 5.6, 8]
frames_per_stop = 7
focus_step_um = [20, 25, 0]
frames = "2x/**/*.dng"
light = "flash"
"""
_TRIAL = """[[trial]]
name = "Shutter"
magnification = 2
stop = 5.6
frames = "trial/*.dng"
frames_per_condition = 4
reference = "flash"
[[trial.condition]]
name = "flash"
flash_t01_s = 0.00025
ambient_share = 0.01
[[trial.condition]]
name = "by hand"
"""

_TABLE = """file,magnification,marked_stop,focus_position_um,condition,use
2x/IMG_1.dng,2,5.6,-20,,yes
2x/IMG_2.dng,2,5.6,0,"by hand, sitting",
2x/IMG_3.dng,,8,20.5,,no

2x\\IMG_4.dng,1e0,.5,+3,tripod,YES
"""


def main() -> None:
    """Write all seeds and say how large they are."""
    for write in (_frames, _look, _texts, _layouts, _results):
        write()
    size = sum(path.stat().st_size for path in CORPUS.rglob("*") if path.is_file())
    print(f"{size / 1000:.0f} kB")


def _folder(reader: str) -> Path:
    folder = CORPUS / reader
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _picture(n_row: int, n_col: int) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """A slanted edge with noise, 0 to 1."""
    rng = np.random.default_rng(5)
    row, col = np.mgrid[:n_row, :n_col]
    edge = 1 / (1 + np.exp(-(col - 0.5 * n_col + 0.1 * row)))
    return np.clip(0.1 + 0.7 * edge + 0.01 * rng.standard_normal((n_row, n_col)), 0, 1)


def _frames() -> None:
    from PIL import Image
    from tifffile import imwrite

    folder = _folder("frame")
    mosaic = (512 + 12_000 * _picture(36, 48)).astype(np.uint16)
    levels = {"black_dn": 512, "white_dn": 15_000, "metadata": _METADATA}
    write_dng(folder / "plain.dng", mosaic, pattern="GBRG", **levels)
    write_lossless_dng(folder / "lossless.dng", mosaic, **levels)
    (folder / "second.cr2").write_bytes(_cr2_like((folder / "lossless.dng").read_bytes()))
    (folder / "boxes.cr3").write_bytes(_boxes())
    grey = _picture(24, 30)
    deep = (65_535 * grey).astype(np.uint16)
    flat = (255 * grey).astype(np.uint8)
    colour = np.stack([flat, flat, 255 - flat], axis=2)
    profile = _profile()
    imwrite(folder / "grey16.tif", deep, byteorder=">", photometric="minisblack")
    imwrite(folder / "colour.tif", colour, photometric="rgb", iccprofile=profile)
    imwrite(folder / "deflate.tif", deep, compression="zlib", predictor=True, tile=(16, 16))
    imwrite(
        folder / "planes.tif", np.moveaxis(colour, 2, 0), photometric="rgb", planarconfig="separate"
    )
    exif = Image.Exif()
    exif[272] = "Club body"
    exif.get_ifd(34665).update({33434: 0.008, 33437: 5.6, 36867: "2024:11:16 14:07:31", 40961: 1})
    Image.fromarray(colour).save(folder / "lzw.tif", compression="tiff_lzw")
    Image.fromarray(colour).save(folder / "colour.jpg", quality=80, exif=exif, icc_profile=profile)
    Image.fromarray(flat).save(folder / "grey.jpg", quality=60, progressive=True)
    Image.fromarray(deep).save(folder / "grey16.png")
    Image.fromarray(colour).quantize(8).save(folder / "palette.png")
    clear = np.concatenate([colour, flat[:, :, None]], axis=2)
    Image.fromarray(clear).save(folder / "clear.png", icc_profile=profile)
    from PIL.PngImagePlugin import PngInfo

    told = PngInfo()
    told.add(b"gAMA", struct.pack(">I", 45_455))
    Image.fromarray(flat).save(folder / "gamma.png", pnginfo=told)


def _profile() -> bytes:
    """An ICC profile of one tone curve of four parameters (kind 3), as far as readers ask."""
    curve = b"para\0\0\0\0\0\3\0\0" + struct.pack(">5i", 157_286, 62_119, 3_417, 5_072, 2_651)
    tags = struct.pack(">I", 1) + struct.pack(">4sII", b"gTRC", 144, len(curve))
    size = 128 + len(tags) + len(curve)
    head = struct.pack(">I4sI4s4s4s", size, b"none", 0x02400000, b"mntr", b"RGB ", b"XYZ ")
    head = head.ljust(36, b"\0") + b"acsp"
    return head.ljust(128, b"\0") + tags + curve


def _cr2_like(lossless: bytes) -> bytes:
    """A raw file as an older family of cameras writes it: its mark, two directories, JPEG."""
    packed = lossless[lossless.index(b"\xff\xd8\xff\xc4") :]
    model = b"Club body\0"
    first = [(256, 3, 1, 48), (257, 3, 1, 36), (259, 3, 1, 6), (272, 2, len(model), 0)]
    second = [(259, 3, 1, 6), (273, 4, 1, 0), (279, 4, 1, len(packed))]
    second_at = 16 + 2 + 12 * len(first) + 4 + len(model)
    data_at = second_at + 2 + 12 * len(second) + 4
    first[3] = (272, 2, len(model), second_at - len(model))
    second[1] = (273, 4, 1, data_at)
    content = b"II*\0" + struct.pack("<I", 16) + b"CR\2\0" + struct.pack("<I", second_at)
    for entries, following, tail in ((first, second_at, model), (second, 0, b"")):
        content += struct.pack("<H", len(entries))
        content += b"".join(struct.pack("<HHII", *entry) for entry in entries)
        content += struct.pack("<I", following) + tail
    return content + packed


def _boxes() -> bytes:
    """A boxed file as newer cameras write it, as far as its table of contents goes."""

    def box(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", 8 + len(body)) + name + body

    head = box(b"ftyp", b"crx \0\0\0\1crx isom")
    moov = box(b"moov", box(b"uuid", bytes(range(16)) + box(b"CNCV", b"club body 1.0")))
    return head + moov + struct.pack(">I4sQ", 1, b"mdat", 16 + 64) + bytes(64)


def _look() -> None:
    from tifffile import imwrite

    code = np.array(
        code_modules(slate_text(Slate(magnification=2, marked_stop=5.6)), smallest=True)
    )
    dark = np.kron(np.pad(code, 3), np.ones((9, 9), bool))
    imwrite(_folder("look") / "code.tif", np.where(dark, 20, 210).astype(np.uint8))
    looks = {"a" * 64: SlateLook(slate=Slate(condition="by hand")), "b" * 64: SlateLook()}
    kept = looks_to_json({**looks, "c" * 64: SlateLook(damage="a slate is damaged")})
    (_folder("looks") / "looks.json").write_text(kept, encoding="utf-8")


def _texts() -> None:
    session = _folder("session")
    (session / "bracket.toml").write_text(_SESSION, encoding="utf-8")
    chart = _SESSION.replace('kind = "blade"', 'layout = "target.json"\ntechnology = "laser"')
    from targets.technology import TECHNOLOGIES

    chart = chart.replace('"laser"', f'"{next(iter(TECHNOLOGIES))}"')
    (session / "trial.toml").write_text(chart + _TRIAL, encoding="utf-8")
    for name, rest in _RIGS.items():
        rig = _RIG.replace("stops = [2.8, 4, 5.6]\n", "") if name == "objective.toml" else _RIG
        if name in ("closeup.toml", "objective.toml", "front.toml"):
            rig = rig.replace("magnifications = [1, 2, 3]\n", "")
        (_folder("rig") / name).write_text(rig + rest, encoding="utf-8")
    (_folder("table") / "frames.csv").write_text(_TABLE, encoding="utf-8")
    slates = (
        Slate(magnification=2, marked_stop=5.6, condition="by hand", rig="Bellows"),
        Slate(condition="Größe 3 %"),
        Slate(marked_stop=16),
    )
    for number, slate in enumerate(slates):
        (_folder("slate") / f"{number}.txt").write_text(slate_text(slate), encoding="utf-8")


def _layouts() -> None:
    folder = _folder("layout")
    field = square_field(magnification=2.0, sensor_width_mm=6.0, sensor_height_mm=4.0)
    field = replace(field, squares=field.squares[:4], marks=field.marks[:6])
    write_layout(chart_sheet([field], name="Club"), folder / "version2.json")
    record = json.loads((folder / "version2.json").read_text("utf-8"))
    record["version"] = 1
    for one in record["fields"]:
        one["magnification"] = one.pop("magnification_low")
        del one["magnification_high"]
    (folder / "version1.json").write_text(json.dumps(record), encoding="utf-8")


def _records() -> tuple[FrameRecord, ...]:
    """A bracket of five frames with made-up figures."""
    frequency = tuple(np.linspace(0, 0.5, 5).tolist())
    frames = []
    for i in range(5):
        mtf50 = 0.2 - 0.02 * (i - 2) ** 2
        edges = tuple(
            EdgeRecord(
                name=f"centre.{direction}",
                square="centre",
                channel=channel,
                direction=direction,
                field_x=0.01,
                field_y=-0.02,
                centre_row=200.5,
                centre_col=301.0,
                angle_deg=5.4 if direction == "vertical" else 95.4,
                status="measured",
                mtf50_cyc_per_px=mtf50 + 0.001 * j,
                mtf50_std=0.002,
                mtf20_cyc_per_px=0.3,
                mtf10_cyc_per_px=None,
                position_px=0.1,
                frequency_cyc_per_px=frequency,
                mtf=(1.0, 0.8, 0.5, 0.3, 0.1),
                mtf_std=(0.0, 0.01, 0.01, 0.02, 0.02),
                flags=("noisy",),
            )
            for j, direction in enumerate(("vertical", "horizontal"))
            for channel in ("green", "red")
        )
        frames.append(
            FrameRecord(
                file=f"2x/IMG_{i + 1}.dng",
                sha256=f"{i + 1:064x}",
                settings_key="settings-1",
                magnification=2.0,
                marked_stop=5.6,
                focus_position_um=20.0 * (i - 2),
                status="measured",
                flags=("tone-mapped",) if i == 1 else (),
                measured_magnification=2.01,
                measured_magnification_std=0.001,
                edges=edges,
            )
        )
    gone = replace(frames[0], file="2x/IMG_9.dng", status="missing", reason="gone", edges=())
    return (*frames, gone)


def _as_version_1(path: Path, older: Path) -> None:
    """A store as the first version wrote it: without conditions, profiles and checksums."""
    older.write_bytes(path.read_bytes())
    connection = sqlite3.connect(older, isolation_level=None)
    for table in ("frame", "edge", "summary"):
        for row in connection.execute(f"PRAGMA table_info({table})").fetchall():
            if row[1] in ("trial", "condition", "checksum", *PROFILE):
                connection.execute(f"ALTER TABLE {table} DROP COLUMN {row[1]}")
    connection.execute("PRAGMA user_version = 1")
    connection.execute("VACUUM")
    connection.close()


def _results() -> None:
    frames = _records()
    path = _folder("store") / "results.sqlite"
    for old in path.parent.iterdir():
        old.unlink()
    with ResultsStore(path) as store:
        for frame in frames[:2]:
            store.put(frame)
        looks = (CORPUS / "looks" / "looks.json").read_text("utf-8")
        store.put_summary("slates", looks)
    _as_version_1(path, path.with_name("version1.sqlite"))
    text = _SESSION.replace('kind = "blade"', 'layout = "target.json"')
    config = parse_session(text, "session.toml")
    profile = {
        "profile_px": (-0.25, 0.0, 0.25),
        "profile_dn": (100.5, 480.25, 901.0),
        "profile_std_dn": (1.5, 3.0, 4.5),
    }
    edges = tuple(replace(edge, **profile) for edge in frames[0].edges)
    bundle = Bundle(
        config=config,
        layout=read_layout(CORPUS / "layout" / "version2.json"),
        frames=(replace(frames[0], edges=edges), *frames[1:]),
        exposures=(Exposure(trial="hand", condition="stand", exposure_s=0.005),),
        result=analyse_session(config, frames),
        trials=(),
        loss_percent=10.0,
        rules=(),
        with_names=False,
        with_profiles=True,
        stopwise_version="0.1",
    )
    path = _folder("bundle") / "session.zip"
    write_bundle(bundle, path)
    with zipfile.ZipFile(path) as archive:
        older = as_schema_1({name: archive.read(name) for name in archive.namelist()})
    path.with_name("schema1.zip").write_bytes(zipped(older))


if __name__ == "__main__":
    main()
