"""``stopwise report``: what it writes, that it writes the same again, and what it keeps to itself.

The session's frames are full of what must not pass: serial numbers, owner, place, notes,
capture times; its folders and files bear a name. All of it is invented.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import shutil
import struct
import subprocess
import zipfile
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import exifread
import pytest
from typer.testing import CliRunner, Result

from lab.cli.main import app
from lab.inference.results import SessionResult
from lab.session.bundle import read_bundle, write_bundle
from lab.session.running import measure_session, stored_session

OWNER = "Quillfeather"
PRIVATE = {
    "artist": f"{OWNER}, Odalys",
    "copyright": f"(c) {OWNER} Estate",
    "description": "attic of the old mill",
    "body serial": "SN0042771933",
    "lens serial": "LX-88123-Z",
    "camera serial": "CAM55500177",
    "owner": f"Odalys {OWNER}",
    "note": "secret vein behind the waterfall",
    "maker": "MKNOTE-7f3a91-shutter-88231",
    "place": "PLACE-49.1234N-8.4321E",
    "time": "2031:07:19 04:33:",
}
# Tags of the main directory and of the EXIF directory, with what goes in.
_MAIN = {0x013B: "artist", 0x8298: "copyright", 0x010E: "description", 0xC62F: "camera serial"}
_EXIF = {0xA430: "owner", 0xA431: "body serial", 0xA435: "lens serial"}
_BYTES = {0x9286: "note", 0x927C: "maker"}  # UNDEFINED
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}


def directory(content: bytes, at: int) -> dict[int, bytes]:
    """Entries of a TIFF directory, by tag."""
    (count,) = struct.unpack_from("<H", content, at)
    entries = [content[at + 2 + 12 * k : at + 14 + 12 * k] for k in range(count)]
    return {struct.unpack_from("<H", entry)[0]: entry for entry in entries}


def appended(content: bytearray, entries: dict[int, bytes], values: dict[int, Any]) -> int:
    """Put a directory with more tags at the end of a file; its place."""
    entries = dict(entries)
    for tag, (kind, value) in values.items():
        count = len(value) // _SIZES[kind]
        if len(value) <= 4:
            cell = value.ljust(4, b"\0")
        else:
            content += bytes(len(content) % 2)
            cell = struct.pack("<I", len(content))
            content += value
        entries[tag] = struct.pack("<HHI", tag, kind, count) + cell
    content += bytes(len(content) % 2)
    at = len(content)
    content += struct.pack("<H", len(entries))
    content += b"".join(entries[tag] for tag in sorted(entries)) + bytes(4)
    return at


def made_private(path: Path, number: int) -> None:
    """Write everything that a camera may tell of its owner into a DNG."""
    content = bytearray(path.read_bytes())
    (first,) = struct.unpack_from("<I", content, 4)
    main = directory(content, first)
    exif = directory(content, struct.unpack_from("<I", main[0x8769], 8)[0])
    time = f"{PRIVATE['time']}{number:02d}\0".encode()
    where = {
        0x001B: (7, PRIVATE["place"].encode()),
        0x0001: (2, b"N\0"),
        0x0002: (5, struct.pack("<6I", 49, 1, 7, 1, 2424, 100)),
        0x001D: (2, b"2031:07:19\0"),
    }
    gps = appended(content, {}, where)
    private = {tag: (2, PRIVATE[name].encode() + b"\0") for tag, name in _EXIF.items()}
    private |= {tag: (7, PRIVATE[name].encode()) for tag, name in _BYTES.items()}
    private |= {0x9003: (2, time), 0x9004: (2, time)}
    exif_at = appended(content, exif, private)
    texts: dict[int, Any] = {
        tag: (2, PRIVATE[name].encode() + b"\0") for tag, name in _MAIN.items()
    }
    texts |= {
        0x0132: (2, time),
        0x8825: (4, struct.pack("<I", gps)),
        0x8769: (4, struct.pack("<I", exif_at)),
    }
    struct.pack_into("<I", content, 4, appended(content, main, texts))
    path.write_bytes(content)


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "80"})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def refused(*arguments: object) -> str:
    result = run(*arguments)
    assert result.exit_code == 2
    assert result.stdout == ""
    *_, said = str(result.stderr).partition("stopwise: ")  # problems of the frames may lead
    assert said
    return said.replace("\n", " ")


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def private(tiny: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One stop of the tiny session, full of private things, measured and analysed."""
    folder = tmp_path_factory.mktemp("home") / OWNER.lower() / f"lens of {OWNER}"
    heirloom = folder / "frames" / f"{OWNER} heirloom"
    heirloom.mkdir(parents=True)
    rows = ["file,magnification,marked_stop,focus_position_um,condition,use"]
    for k in (1, 2, 3):
        name = f"{OWNER}_{410 + k}.dng"
        shutil.copy(tiny.folder / "frames" / "2x" / f"IMG_{k:04d}.dng", heirloom / name)
        made_private(heirloom / name, k)
        rows.append(f"{heirloom.name}/{name},2,4,{25 * (k - 2)},,yes")
    # Two that make trouble, so that messages name files: one is broken, one has no place.
    (heirloom / f"{OWNER}_414.dng").write_bytes((heirloom / name).read_bytes()[:5000])
    (folder / "frames" / f"{OWNER} stray.dng").write_bytes(b"nothing")
    (folder / "frames.csv").write_text("\n".join(rows) + "\n", "utf-8")
    shutil.copy(tiny.folder / "target.json", folder)
    toml = (tiny.folder / "session.toml").read_text("utf-8")
    toml = toml.replace("2x/*.dng", f"{heirloom.name}/*.dng").replace(
        "stops = [4, 8]", "stops = [4]"
    )
    assert f'"{heirloom.name}/*.dng"' in toml
    (folder / "session.toml").write_text(f"# by {OWNER}\n{toml}", "utf-8")
    measure_session(folder, workers=1)
    assert run("report", folder, "--bundle", folder / "first.zip").exit_code == 0
    return folder


@pytest.fixture
def session(private: Path, tmp_path: Path) -> Path:
    """A copy to change at will, its result kept."""
    folder = tmp_path / f"of {OWNER}"
    shutil.copytree(private, folder, ignore=shutil.ignore_patterns("report", "first.zip"))
    return folder


@pytest.fixture
def no_drawings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without PDF and figures, which take most of the time."""

    def write_pdf(_result: object, _trials: object, path: Path, **_: object) -> None:
        path.write_bytes(b"%PDF")

    monkeypatch.setattr("reports.report_files.write_figures", lambda *_, **__: ())
    monkeypatch.setattr("reports.report_files.write_pdf_report", write_pdf)


@pytest.fixture
def quick(no_drawings: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the page's drawings either: cautions, and whether a truth is set beside them."""

    def write_page(result: SessionResult, path: Path, *, truth: object, **_: object) -> None:
        lines = (*result.cautions, f"truth: {truth is not None}")
        path.write_text("\n".join(lines), encoding="utf-8")

    monkeypatch.setattr("reports.report_files.write_page", write_page)


# What it writes


def test_all_files_are_there_and_the_same_again(private: Path, tmp_path: Path) -> None:
    first = files_of(private / "report")
    assert {"index.html", "report.pdf", "data.csv", "data.json", "data-dictionary.csv"} < set(first)
    assert any(name.startswith("figures/") and name.endswith(".svg") for name in first)
    assert any(name.startswith("figures/") and name.endswith(".png") for name in first)
    result = run("report", private, "--out", tmp_path / "a" / "b", "--bundle", tmp_path / "b.zip")
    assert files_of(tmp_path / "a" / "b") == first
    assert (tmp_path / "b.zip").read_bytes() == (private / "first.zip").read_bytes()
    shown = result.stdout.replace("\n", "")
    assert f"The report: {tmp_path / 'a' / 'b' / 'index.html'}" in shown
    assert "without raw frames (0." in shown


def test_a_bundle_gives_the_same_report_as_its_session(
    private: Path, tmp_path: Path, quick: None
) -> None:
    bundle = tmp_path / "club.zip"
    shutil.copy(private / "first.zip", bundle)
    result = run("report", bundle)
    assert f"The report: {tmp_path / 'club-report' / 'index.html'}" in result.stdout.replace(
        "\n", ""
    )
    made, of_session = files_of(tmp_path / "club-report"), files_of(private / "report")
    for name in ("data.csv", "data.json", "data-dictionary.csv"):
        assert made[name] == of_session[name]
    # A bundle of a bundle is that bundle.
    run("report", bundle, "--out", tmp_path / "o", "--bundle", tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == bundle.read_bytes()


def test_figures_can_be_computed_again_from_what_is_stated(private: Path) -> None:
    document = json.loads((private / "report" / "data.json").read_text("utf-8"))
    provenance = document["result"]["provenance"]
    page = (private / "report" / "index.html").read_text("utf-8")
    for key in ("stopwise version", "frames SHA-256", "measurement settings", "permitted loss"):
        assert provenance[key] in page
    assert re.fullmatch("[0-9a-f]{64}", provenance["frames SHA-256"])


def test_a_simulated_session_says_so_wherever_it_goes(
    session: Path, tiny: Any, tmp_path: Path, quick: None
) -> None:
    shutil.copy(tiny.folder / "truth.json", session)
    run("report", session, "--bundle", tmp_path / "club.zip")
    assert "truth: True" in (session / "report" / "index.html").read_text("utf-8")
    run("report", tmp_path / "club.zip", "--out", tmp_path / "o")
    assert "Simulated session: the frames were computed" in (
        tmp_path / "o" / "index.html"
    ).read_text("utf-8")


def test_loss_moves_what_counts_as_sharp(session: Path, tmp_path: Path, quick: None) -> None:
    run("report", session, "--loss", 20, "--bundle", tmp_path / "b.zip")
    document = json.loads((session / "report" / "data.json").read_text("utf-8"))
    assert document["result"]["series"][0]["loss_percent"] == 20
    assert read_bundle(tmp_path / "b.zip").loss_percent == 20
    assert run("report", tmp_path / "b.zip", "--loss", 20).exit_code == 0
    run("report", tmp_path / "b.zip", "--loss", 10, "--out", tmp_path / "stricter")
    run("report", session, "--loss", 10)
    for name in ("data.csv", "data.json"):
        made, of_session = (f / name for f in (tmp_path / "stricter", session / "report"))
        assert made.read_bytes() == of_session.read_bytes()


def test_the_handout_is_on_the_paper_that_was_asked_for(
    session: Path, quick: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    monkeypatch.setattr(
        "reports.report_files.write_pdf_report", lambda *_, paper, **__: asked.append(paper)
    )
    run("report", session)
    run("report", session, "--paper", "Letter")
    assert asked == ["A4", "Letter"]
    assert "give A4 or Letter" in refused("report", session, "--paper", "A5")


# What it keeps to itself


def everything(folder: Path) -> dict[str, bytes]:
    """All that was written, compressed parts unpacked, by file."""
    found = {}
    for name, content in files_of(folder).items():
        found[name] = content
        if name.endswith(".zip"):
            with zipfile.ZipFile(io.BytesIO(content)) as archive:
                found |= {f"{name}/{n}": archive.read(n) for n in archive.namelist()}
        if name.endswith(".pdf"):
            found[f"{name}, unpacked"] = unpacked(content)
    return found


def unpacked(content: bytes) -> bytes:
    """Streams of a PDF, in base 85 or not."""
    out = []
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", content, re.DOTALL):
        raw = stream.strip()
        if raw.endswith(b"~>"):
            raw = base64.a85decode(raw[:-2])
        try:
            out.append(zlib.decompress(raw))
        except zlib.error:
            out.append(raw)
    return b"\n".join(out)


def test_the_frames_do_hold_what_must_not_pass(private: Path) -> None:
    (path,) = (private / "frames").glob("*/*_412.dng")
    content = path.read_bytes()
    for secret in PRIVATE.values():
        assert secret.encode() in content
    with path.open("rb") as file:
        tags = {name: str(tag) for name, tag in exifread.process_file(file).items()}
    assert tags["Image Artist"] == PRIVATE["artist"]
    assert tags["EXIF BodySerialNumber"] == PRIVATE["body serial"]
    assert tags["EXIF DateTimeOriginal"] == f"{PRIVATE['time']}02"
    assert "GPS GPSLatitude" in tags
    problems = stored_session(private).assignment.problems
    assert any(f"{OWNER} stray.dng" in problem.text for problem in problems)


def test_nothing_private_passes(private: Path, tmp_path: Path) -> None:
    shutil.copytree(private / "report", tmp_path / "report")
    shutil.copy(private / "first.zip", tmp_path / "report")
    written = everything(tmp_path / "report")
    secrets = [
        *PRIVATE.values(),
        OWNER,
        "2031:07:19",
        str(private),
        str(private.parent),
        private.name,
        "_412",
        "stray.dng",
        "heirloom",
    ]
    assert len(written) > 15
    for name, content in written.items():
        low = content.lower()
        for secret in secrets:
            for code in ("utf-8", "utf-16-le", "utf-16-be"):
                assert secret.lower().encode(code) not in low, (name, secret)
    # It is not that frames go unnamed: the neutral names stand there.
    assert b"frame-0002" in written["data.csv"]
    assert b"frame-0004" in written["first.zip/frames.json"]
    cautions = json.loads(written["data.json"])["result"]["cautions"]
    assert any("frame-000" in caution for caution in cautions)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs pdftotext")
def test_nothing_private_stands_on_paper(private: Path) -> None:
    # Glyphs are numbered as each font's subset has them: bytes of the file do not tell.
    shown = subprocess.run(
        ["pdftotext", private / "report" / "report.pdf", "-"],
        capture_output=True,
        check=True,
        timeout=60,
    ).stdout.decode()
    assert "What to doubt" in shown
    assert "frame-000" in shown
    for secret in (*PRIVATE.values(), OWNER, private.name, "2031", "heirloom", "_412"):
        assert secret.lower() not in shown.lower()


def test_a_changed_session_names_no_folder_either(session: Path, quick: None) -> None:
    toml = session / "session.toml"
    toml.write_text(toml.read_text("utf-8").replace("4.35", "4.36"), "utf-8")
    result = run("report", session)
    assert f"stopwise measure {session}" in result.stderr.replace("\n ", "")
    page = (session / "report" / "index.html").read_text("utf-8")
    assert "Run: stopwise measure SESSION" in page
    assert OWNER not in page


def test_names_are_kept_on_demand_without_their_folders(
    session: Path, tmp_path: Path, quick: None
) -> None:
    bundle = tmp_path / "named.zip"
    run("report", session, "--names", "--bundle", bundle)
    data = (session / "report" / "data.csv").read_text("utf-8-sig")
    subjects = {row["subject"] for row in csv.DictReader(io.StringIO(data))}
    assert {f"{OWNER}_411.dng", f"{OWNER}_412.dng", f"{OWNER}_413.dng"} <= subjects
    for name, content in everything(session / "report").items():
        assert b"heirloom" not in content, name
        assert str(session).encode() not in content, name
    # Whoever has it can drop them again.
    run("report", bundle, "--out", tmp_path / "o")
    assert OWNER not in (tmp_path / "o" / "data.csv").read_text("utf-8")
    run("report", bundle, "--names", "--out", tmp_path / "n")
    assert (tmp_path / "n" / "data.csv").read_text("utf-8-sig") == data


# What it refuses


def test_options_that_do_not_fit_are_told(private: Path, tmp_path: Path) -> None:
    assert "holds no file names" in refused("report", private / "first.zip", "--names")
    raw = next((private / "frames").glob("*/*_412.dng"))
    before = raw.read_bytes()
    assert "Name it with .zip" in refused("report", private, "--bundle", raw)
    assert raw.read_bytes() == before
    assert "is no bundle" in refused("report", raw)
    assert "there is no such folder" in refused("report", tmp_path / "gone.zip")


def test_a_place_that_cannot_be_written_is_told(session: Path, tmp_path: Path, quick: None) -> None:
    (tmp_path / "file").write_text("mine")
    for out in (tmp_path / "file", tmp_path / "file" / "inner"):
        said = refused("report", session, "--out", out)
        assert str(tmp_path / "file") in said
        assert "Name with --out a folder that you may write to" in said
    assert (tmp_path / "file").read_text() == "mine"
    assert "gone" in refused("report", session, "--bundle", tmp_path / "gone" / "b.zip")


def test_a_full_disk_is_told(session: Path, quick: None, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(self: Path, *_: object, **__: object) -> int:
        raise OSError(28, "it says no", str(self))

    monkeypatch.setattr(Path, "write_text", fails)
    said = refused("report", session)
    assert "index.html: the report cannot be written (it says no)" in said
    assert "free space" in said


def test_a_bundle_of_nonsense_is_told(private: Path, tmp_path: Path, no_drawings: None) -> None:
    sound = read_bundle(private / "first.zip")
    series = sound.result.series[0]
    for point in (
        replace(series.points[0], marked_stop=0.0, exact_stop=-1.0),
        replace(series.points[0], mtf=series.points[0].mtf[:-3]),
    ):
        bad = replace(series, points=(point,) * 3, curve_stop=(0.0, -1.0, 2.0))
        result = replace(sound.result, series=(bad,))
        write_bundle(replace(sound, result=result), tmp_path / "bad.zip")
        assert "its figures make no sense" in refused("report", tmp_path / "bad.zip")
