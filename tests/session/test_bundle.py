"""A session as one file: private, exact, the same bytes again, and safe to be given.

Every hostile archive here is one that ``read_bundle`` would take but for what was done to it.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import struct
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from lab.errors import LabError
from lab.inference.result_json import result_from_json
from lab.session import bundle_archive, bundle_frames
from lab.session.bundle import (
    Bundle,
    read_bundle,
    recomputed,
    renamed,
    session_bundle,
    write_bundle,
)
from lab.session.config import parse_session
from lab.session.draft import Problem
from lab.session.kept_result import Analysed, analysed_session
from lab.session.neutral import Renaming
from lab.session.records import PROFILE
from lab.session.running import MeasuredSession, measure_session
from lab.session.session_text import config_text
from lab.simulate.demo import DemoPlan, write_demo_session
from lab.simulate.demo_trials import DemoCondition, DemoTrial
from lab.simulate.hand import Hand
from lab.simulate.rig import SimulatedRig
from tests.session.bundle_files import Members, as_schema_1, signed, zipped

STILL = {"trial": "hand", "condition": "stand", "exposure_s": 0.0}
LOSS, RULES = 12.5, ("2x: f/8", "effective f/22")


@pytest.fixture(scope="module")
def measured(tiny: Any) -> MeasuredSession:
    """One stop of the tiny session, with a problem that names a frame."""
    session: MeasuredSession = tiny.measured
    problem = Problem(severity="warning", text="Look at 2x/IMG_0002.dng again.", files=())
    return replace(
        session,
        frames=session.frames[:3],
        assignment=replace(session.assignment, problems=(problem,)),
    )


@pytest.fixture(scope="module")
def folder(tiny: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The session without its frames: nothing here needs them."""
    made = tmp_path_factory.mktemp("bundle") / "session"
    made.mkdir()
    for name in ("session.toml", "target.json", "results.sqlite"):
        shutil.copy(tiny.folder / name, made)
    return made


@pytest.fixture(scope="module")
def analysed(folder: Path, measured: MeasuredSession) -> Analysed:
    return analysed_session(folder, measured, loss_percent=LOSS, rules=RULES)


@pytest.fixture(scope="module")
def whole(folder: Path, measured: MeasuredSession, analysed: Analysed) -> Bundle:
    return session_bundle(folder, measured, analysed, loss_percent=LOSS, rules=RULES)


@pytest.fixture(scope="module")
def members(whole: Bundle, tmp_path_factory: pytest.TempPathFactory) -> Members:
    """Content of a sound bundle by name."""
    path = tmp_path_factory.mktemp("sound") / "sound.zip"
    write_bundle(whole, path)
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def edited(members: Members, name: str, change: Callable[[Any], Any]) -> bytes:
    """A well-signed archive with one JSON member changed."""
    document = json.loads(members[name])
    changed = change(document)
    text = json.dumps(document if changed is None else changed, ensure_ascii=False)
    return zipped(signed({**members, name: text.encode()}))


def refused(content: bytes, said: str, tmp_path: Path) -> None:
    """It is refused in words, by name, with a mend, and leaves nothing anywhere."""
    path = tmp_path / "given.zip"
    path.write_bytes(content)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(LabError, match=said) as caught:
        read_bundle(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert message.isprintable()
    assert ". " in message or "update stopwise" in message  # what is wrong, then the mend
    assert sorted(tmp_path.rglob("*")) == before
    assert path.read_bytes() == content


# Exact


def test_what_was_written_is_read(whole: Bundle, tmp_path: Path) -> None:
    path = tmp_path / "club.zip"
    write_bundle(whole, path)
    again = read_bundle(path)
    assert again == whole
    assert repr(again.result) == repr(whole.result)  # a zero's sign too
    assert [p.name for p in tmp_path.iterdir()] == ["club.zip"]


def test_the_result_follows_from_the_frames_to_the_last_digit(
    whole: Bundle, tmp_path: Path
) -> None:
    path = tmp_path / "club.zip"
    write_bundle(whole, path)
    given = read_bundle(path)
    assert given.result.lens is not None
    assert recomputed(given) == given
    assert repr(recomputed(given).result) == repr(given.result)
    # It is computed, not handed through: another frame, another result.
    softer = tuple(
        replace(edge, mtf50_cyc_per_px=edge.mtf50_cyc_per_px and 0.9 * edge.mtf50_cyc_per_px)
        for edge in given.frames[1].edges
    )
    frame = replace(given.frames[1], edges=softer)
    other = recomputed(replace(given, frames=(given.frames[0], frame, given.frames[2])))
    assert other.result.series[0].points != given.result.series[0].points
    looser = recomputed(replace(given, loss_percent=30.0)).result.series[0]
    assert (looser.loss_percent, given.result.series[0].loss_percent) == (30.0, LOSS)


def test_the_same_session_gives_the_same_bytes(
    whole: Bundle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_bundle(whole, tmp_path / "a.zip")
    monkeypatch.setattr("time.time", lambda: 2e9)
    old = os.umask(0o077)
    try:
        write_bundle(whole, tmp_path / "b.zip")
    finally:
        os.umask(old)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        infos = archive.infolist()
    assert [i.filename for i in infos] == sorted(i.filename for i in infos)
    assert {(i.date_time, i.external_attr) for i in infos} == {
        ((1980, 1, 1, 0, 0, 0), 0o100644 << 16)
    }


def test_a_trial_follows_from_its_frames_to_the_last_digit(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    trial = DemoTrial(
        name="Hands",
        folder="hands",
        magnification=1.0,
        true_magnification=1.004,
        stop=8.0,
        frames_per_condition=1,
        conditions=(
            DemoCondition(name="stand", exposure_s=1 / 60),
            DemoCondition(
                name="by hand",
                hand=Hand(focus_std_um=20.0, speed_um_per_s=600.0),
                exposure_s=1 / 60,
            ),
        ),
    )
    rig = SimulatedRig(n_rows=400, n_cols=600)
    plan = DemoPlan(rig=rig, series=(), trials=(trial,))
    write_demo_session(folder, seed=8, workers=1, plan=plan)
    measured = measure_session(folder)
    whole = session_bundle(folder, measured, analysed_session(folder, measured))
    path = tmp_path / "club.zip"
    write_bundle(whole, path)
    given = read_bundle(path)
    assert given == whole
    assert [one.exposure_s for one in given.exposures] == pytest.approx([1 / 60, 1 / 60])
    assert [frame.kind for frame in given.trials[0].frames] == ["sharp", "linear"]
    again = recomputed(given)
    assert again.trials == given.trials
    assert repr(again.trials) == repr(given.trials)
    # It is computed: a looser limit, other keepers; another exposure, another speed.
    (looser,) = recomputed(replace(given, loss_percent=89.0)).trials
    assert sum(f.is_keeper for f in looser.frames) > sum(
        f.is_keeper for f in again.trials[0].frames
    )
    longer = tuple(replace(one, exposure_s=2 * one.exposure_s) for one in given.exposures)
    (slower,) = recomputed(replace(given, exposures=longer)).trials
    speeds = [t.frames[1].speed_object_um_per_s or 0.0 for t in (slower, again.trials[0])]
    assert speeds[0] == pytest.approx(speeds[1] / 2)

    # Too large a session is shared without what its trials are worked out from.
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(bundle_archive.LIMITS, "curves.f64", 300_000)
        write_bundle(whole, path)
    assert path.stat().st_size < 300_000
    less = read_bundle(path)
    assert not less.with_profiles
    assert less.trials == whole.trials
    assert all(getattr(e, n) == () for f in less.frames for e in f.edges for n in PROFILE)
    with pytest.raises(LabError, match=r"without the edge profiles.* Use the session"):
        recomputed(less)


def test_an_earlier_bundle_is_read(members: Members, whole: Bundle, tmp_path: Path) -> None:
    older = as_schema_1(members)
    path = tmp_path / "older.zip"
    path.write_bytes(zipped(older))
    assert read_bundle(path) == replace(whole, with_profiles=False, exposures=())
    for code, said in (("????", "no base64"), ("AAAA", "no list of 64-bit"), (7, "must be a text")):
        document = json.loads(older["frames.json"])
        document["curves"][0] = code
        text = json.dumps(document).encode()
        refused(zipped(signed({**older, "frames.json": text})), said, tmp_path)
    mixed = {**older, "curves.f64": members["curves.f64"]}
    refused(zipped(signed(mixed)), "curves.f64 belongs in no bundle of its schema", tmp_path)


# Names


def test_frames_have_neutral_names_everywhere(whole: Bundle, measured: MeasuredSession) -> None:
    assert [f.file for f in whole.frames] == ["frame-0001", "frame-0002", "frame-0003"]
    assert [s.file for s in whole.result.series[0].points[0].focus_samples] == [
        "frame-0001",
        "frame-0002",
        "frame-0003",
    ]
    assert whole.result.cautions[0] == "Look at frame-0002 again."
    assert whole.result.lens is not None
    assert {r.file for r in whole.result.lens.series[0].residuals} == {f.file for f in whole.frames}
    # All else is as measured.
    assert whole.frames[1].edges == measured.frames[1].edges
    assert whole.frames[1].sha256 == measured.frames[1].sha256


def test_the_digest_is_that_of_the_names_in_the_bundle(whole: Bundle, analysed: Analysed) -> None:
    old, new = analysed[0].provenance, whole.result.provenance
    assert {key for key in old if old[key] != new[key]} <= {"frames SHA-256"}


def test_names_are_kept_where_they_are_wanted_and_can_be_dropped_again(
    folder: Path, measured: MeasuredSession, analysed: Analysed, whole: Bundle
) -> None:
    named = session_bundle(
        folder, measured, analysed, loss_percent=LOSS, rules=RULES, with_names=True
    )
    assert [f.file for f in named.frames] == ["IMG_0001.dng", "IMG_0002.dng", "IMG_0003.dng"]
    assert named.result.cautions[0] == "Look at IMG_0002.dng again."
    assert renamed(named) == whole
    assert renamed(whole) is whole


def test_shared_last_parts_are_told_apart_and_texts_claim_no_wrong_frame(
    measured: MeasuredSession,
) -> None:
    files = ["1x/A.dng", "2x/A.dng", "2x/A.dng.tif", "2x/B\x1b.dng"]
    folder = Path("/quill/lens of quill")
    named = Renaming(measured.config, files, folder=folder, with_names=True)
    assert [*named.names.values()] == [
        "A.dng (frame-0001)",
        "A.dng (frame-0002)",
        "A.dng.tif",
        "B?.dng",
    ]
    neutral = Renaming(measured.config, files, folder=folder)
    assert neutral.text("1x/A.dng, 2x/A.dng.tif; A.dng.") == "frame-0001, frame-0003; a frame."
    assert neutral.text("A.dng: is broken.", "2x/A.dng") == "frame-0002: is broken."
    assert neutral.text(f"{folder}/frames/2x/A.dng is gone") == "SESSION/frames/frame-0002 is gone"
    assert neutral.text(f"Run: stopwise measure {folder}") == "Run: stopwise measure SESSION"
    assert neutral.text("'2x/B\\x1b.dng'") == "'frame-0004'"
    here = Renaming(measured.config, files, folder=Path("f"))
    assert here.text("f/8. Run: stopwise measure f") == "f/8. Run: stopwise measure SESSION"


# session.toml


TOML = """
[session]
name = "Quartz \\"first\\" light µ"
[body]
name = 'C:\\body'
pixel_pitch_um = 4.35
sensor_mm = [7.83, 5.22]
[lens]
name = "Enlarger"
{lens}
[light]
{light}
[target]
{target}
[[series]]
magnification = 2
stops = [2.8, 4]
frames_per_stop = 3
focus_step_um = [12.5, 1e-5]
frames = "2x/*.dng"
light = "flash"
[[trial]]
name = "hand"
magnification = 2
stop = 5.6
frames = "hand/*.dng"
frames_per_condition = 4
reference = "stand"
[[trial.condition]]
name = "stand"
exposure_s = 0.005
[[trial.condition]]
name = "flash"
flash_t01_s = 0.0001
ambient = "stand"
[[trial.condition]]
name = "by hand"
ambient_share = 0
"""


@pytest.mark.parametrize(
    ("lens", "light", "target"),
    [
        ("", "", 'kind = "blade"'),
        (
            'focal_length_mm = 75\npupil_ratio = 0.88\nblades = 9\nexif_f_number = "marked"',
            "wavelength_um = { red = 0.61, blue = 0.46 }",
            'layout = "target.json"\ntechnology = "litho-film"\nedge_blur_um = 0.7',
        ),
        (
            "pupil_ratio = 1.0",
            "wavelength_um = { red = 0.61, green = 0.53, blue = 0.46 }",
            'layout = "target.json"\nedge_blur_um = 0.3\nedge_blur_std_um = 0.1',
        ),
        ("", "", 'layout = "t.json"\ntechnology = "chrome-on-glass"'),
    ],
)
def test_a_configuration_written_again_reads_the_same(lens: str, light: str, target: str) -> None:
    config = parse_session(TOML.format(lens=lens, light=light, target=target), "x")
    text = config_text(config)
    assert parse_session(text, "y") == config
    assert "#" not in text
    many = replace(
        config.series[0],
        stops=tuple(k + 0.5 for k in range(150)),
        focus_steps_um=tuple(k / 7 for k in range(150)),
    )
    long = replace(config, series=(many, config.series[1]))
    assert parse_session(config_text(long), "y") == long


# Archives that are none of ours


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("../manifest.json", "belongs in no bundle"),
        ("/etc/passwd", "belongs in no bundle"),
        ("trials.json\x00.exe", "belongs in no bundle"),
        ("Manifest.json", "belongs in no bundle"),
        ("\x1b[2Jx", "belongs in no bundle"),
    ],
)
def test_a_name_that_belongs_in_no_bundle(
    members: Members, name: str, said: str, tmp_path: Path
) -> None:
    last = list(members)[-1]
    stand_in = "x" * len(name)  # the library writes no strange names
    content = zipped({stand_in if n == last else n: c for n, c in members.items()})
    refused(content.replace(stand_in.encode(), name.encode()), said, tmp_path)


def test_a_member_too_many(members: Members, tmp_path: Path) -> None:
    refused(zipped({**members, "x": b""}), "more members than a bundle has", tmp_path)


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_member_twice(members: Members, tmp_path: Path) -> None:
    content = zipped({n: c for n, c in members.items() if n != "trials.json"})
    archive = io.BytesIO(content)
    with zipfile.ZipFile(archive, "a") as whole:
        whole.writestr("result.json", members["result.json"])
    refused(archive.getvalue(), "holds 'result.json' twice", tmp_path)


@pytest.mark.parametrize("kind", [0o120777, 0o040755, 0o010644])
def test_a_link_a_folder_or_a_pipe(members: Members, kind: int, tmp_path: Path) -> None:
    def mark(info: zipfile.ZipInfo) -> None:
        if info.filename == "result.json":
            info.create_system, info.external_attr = 3, kind << 16

    refused(zipped(members, mark), "is a link or no file", tmp_path)


def test_an_encrypted_member(members: Members, tmp_path: Path) -> None:
    content = bytearray(zipped(members))
    for signature, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        content[content.index(signature) + at] |= 1
    refused(bytes(content), "is encrypted", tmp_path)


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_another_compression(members: Members, method: int, tmp_path: Path) -> None:
    refused(zipped(members, method=method), "compressed in a way", tmp_path)


def test_a_bomb_is_stopped_at_the_limit(
    members: Members, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 30 MB of blanks make an archive of 30 kB.
    monkeypatch.setitem(bundle_archive.LIMITS, "trials.json", 1_000_000)
    bomb = zipped(signed({**members, "trials.json": b" " * 30_000_000}))
    assert len(bomb) < 500_000
    refused(bomb, "trials.json is larger than 1000000 bytes", tmp_path)


@pytest.mark.parametrize("lie", [10, 0xFFFFFF])
def test_a_size_that_the_list_states_wrongly(members: Members, lie: int, tmp_path: Path) -> None:
    content = bytearray(zipped(members))
    at = content.index(b"PK\x01\x02")
    struct.pack_into("<I", content, at + 24, lie)
    refused(bytes(content), "damaged|cut short|larger than", tmp_path)


def test_the_limits_together_stay_below_240_mb() -> None:
    assert sum(bundle_archive.LIMITS.values()) < 240_000_000


def test_a_file_too_large_is_not_read_whole(
    members: Members, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle_archive, "_MOST_BYTES", 5000)
    refused(zipped(members), "is larger than", tmp_path)


def test_cut_short_anywhere(members: Members, tmp_path: Path) -> None:
    content = zipped(members)
    for keep in (0, 3, 22, 1000, len(content) // 2, len(content) - 1):
        refused(content[:keep], "cut short|no bundle|damaged", tmp_path)


@pytest.mark.parametrize("change", ["before", "after", "remark", "larger list"])
def test_what_stands_around_the_archive(members: Members, change: str, tmp_path: Path) -> None:
    content = zipped(members)
    end = len(content) - 22
    made = {
        "before": b"#!/bin/sh\n" + content,
        "after": content + b"\0",
        "remark": content[:-2] + b"\x05\0hello",
        "larger list": content[: end - 20] + b"PK\x06\x07" + bytes(16) + content[end:],
    }[change]
    refused(made, "is no bundle", tmp_path)


def test_a_byte_that_changed_on_the_way(members: Members, tmp_path: Path) -> None:
    stored = zipped(members, method=zipfile.ZIP_STORED)
    at = stored.index(members["frames.json"]) + 500
    refused(stored[:at] + b"~" + stored[at + 1 :], "is damaged", tmp_path)
    # And one whose archive is sound, as after a careless edit.
    other = {**members, "result.json": members["result.json"].replace(b"Club", b"Klub")}
    assert other != members
    refused(zipped(other), "result.json is not as it was written", tmp_path)


@pytest.mark.parametrize(
    "name", ["manifest.json", "session.toml", "frames.json", "curves.f64", "target.json"]
)
def test_a_member_missing(members: Members, name: str, tmp_path: Path) -> None:
    less = {n: c for n, c in members.items() if n != name}
    refused(zipped(less), "not in it|lists other members", tmp_path)
    if name != "manifest.json":
        refused(zipped(signed(less)), "not in it|do not fit", tmp_path)


def test_no_archive_at_all(tmp_path: Path) -> None:
    refused(b"hello", "is no bundle", tmp_path)
    refused(b"\0" * 5000, "is no bundle", tmp_path)
    with pytest.raises(LabError, match="there is no such file"):
        read_bundle(tmp_path / "gone.zip")
    with pytest.raises(LabError, match="there is no such file"):
        read_bundle(tmp_path)


# Members of the wrong shape


def test_a_newer_bundle_asks_for_an_update(members: Members, tmp_path: Path) -> None:
    for name in ("manifest.json", "frames.json", "result.json", "trials.json", "target.json"):
        content = json.loads(members[name])
        changed = {**members, name: json.dumps({**content, "schema": 99}).encode()}
        made = changed if name == "manifest.json" else signed(changed)
        refused(zipped(made), f"{name}: made by a newer stopwise", tmp_path)


def test_json_of_the_wrong_shape(members: Members, tmp_path: Path) -> None:
    def set_at(*path: Any, value: Any) -> Callable[[Any], None]:
        def change(document: Any) -> None:
            for key in path[:-1]:
                document = document[key]
            document[path[-1]] = value

        return change

    edge = ("frames", 0, "edges", 0)
    for name, change, said in (
        ("frames.json", lambda _: [], "one object in braces"),
        ("frames.json", set_at("frames", value={}), "frames must be a list"),
        ("frames.json", set_at("frames", 0, value=7), r"frames\[0\]: must be an object"),
        ("frames.json", set_at("frames", 0, "owner", value="x"), r"\[0\]\.owner is unknown"),
        ("frames.json", set_at("frames", 1, "file", value="frame-0001"), "two frames"),
        ("frames.json", set_at("frames", 0, "status", value="fine"), "status must be one of"),
        ("frames.json", set_at(*edge, value=None), r"edges\[0\]: must be an object"),
        ("frames.json", set_at(*edge, "mtf", value=-1), r"edges\[0\]\.mtf: is no place"),
        ("frames.json", set_at(*edge, "mtf", value=10**6), r"edges\[0\]\.mtf: is no place"),
        ("frames.json", set_at(*edge, "mtf", value=None), "must be a whole number"),
        ("frames.json", set_at(*edge, "profile_px", value=-1), r"profile_px: is no place"),
        ("frames.json", set_at(*edge, "profile_px", value=0), "must have one length"),
        ("frames.json", set_at("curves", 0, value=10**9), "lengths are not those"),
        ("frames.json", set_at("curves", 0, value=-1), "lengths are not those"),
        ("frames.json", set_at("curves", 0, value="A"), r"curves\[0\] must be a whole number"),
        ("frames.json", set_at("exposures", value=[{}]), r"exposures\[0\]\.trial is missing"),
        ("frames.json", set_at("exposures", value=[STILL]), "exposures must be above 0 s"),
        ("result.json", set_at("result", "series", value={}), "must be a list"),
        ("result.json", set_at("result", "name", value="\x1b[2J"), "control characters"),
        ("result.json", set_at("result", "name", value="\u202egnp.x"), "control characters"),
        ("trials.json", set_at("trials", value=[{}]), r"trials\[0\]\.name is missing"),
        ("target.json", set_at("layout", "fields", value=3), "must be a list"),
    ):
        refused(edited(members, name, change), said, tmp_path)


def test_curves_that_are_cut_or_no_numbers(members: Members, tmp_path: Path) -> None:
    curves = members["curves.f64"]
    for content, said in (
        (curves[:-8], "lengths are not those"),
        (curves[:-1], "lengths are not those"),
        (curves + bytes(8), "lengths are not those"),
        (b"", "lengths are not those"),
        (b"\xff" * len(curves), "finite"),  # no number
    ):
        refused(zipped(signed({**members, "curves.f64": content})), said, tmp_path)


def test_a_manifest_of_the_wrong_shape(members: Members, tmp_path: Path) -> None:
    for key, value, said in (
        ("loss_percent", 100, "must lie between"),
        ("loss_percent", "10", "must be a number"),
        ("rules", "2x: f/8", "must be a list"),
        ("with_names", 0, "must be true or false"),
        ("with_profiles", 1, "must be true or false"),
        ("schema", True, "has no schema number"),
        ("schema", 0, "has no schema number"),
        ("schema", 2, "with_profiles is unknown here"),  # it has what that one had not
        ("sha256", [], "must be an object"),
        ("stopwise_version", None, "must be a text"),
        ("extra", 1, "is unknown here"),
    ):
        manifest = {**json.loads(members["manifest.json"]), key: value}
        content = {**members, "manifest.json": json.dumps(manifest).encode()}
        refused(zipped(content), said, tmp_path)


def test_members_that_are_no_text(members: Members, tmp_path: Path) -> None:
    for name in ("session.toml", "result.json"):
        refused(zipped(signed({**members, name: b"\xff\xfe"})), f"{name}: is not UTF-8", tmp_path)
        nested = signed({**members, name: b"[" * 100_000})
        refused(zipped(nested), "nested too deep|not valid TOML", tmp_path)
    wrong = members["session.toml"].replace(b"4.35", b"4350")
    refused(zipped(signed({**members, "session.toml": wrong})), "session.toml, .body", tmp_path)


def test_curves_referred_to_without_end(
    members: Members, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle_frames, "_MOST_FIGURES", 3000)
    refused(zipped(members), "more often than in any of ours", tmp_path)


# Where it cannot be written


def test_a_folder_that_is_not_there_or_a_full_disk(
    whole: Bundle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(LabError, match=r"gone/a\.zip: cannot be written \(No such file"):
        write_bundle(whole, tmp_path / "gone" / "a.zip")
    path = tmp_path / "a.zip"
    path.write_bytes(b"the one before")

    def full(_path: Path, _content: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(LabError, match=r"No space left on device.* free space"):
        write_bundle(whole, path)
    assert path.read_bytes() == b"the one before"
    assert [p.name for p in tmp_path.iterdir()] == ["a.zip"]


def test_what_could_not_be_read_is_not_written(
    whole: Bundle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(bundle_archive.LIMITS, "frames.json", 1000)
    with pytest.raises(LabError, match=r"frames\.json would be larger"):
        write_bundle(whole, tmp_path / "a.zip")
    assert list(tmp_path.iterdir()) == []


def test_the_members_are_what_the_documentation_says(members: Members, whole: Bundle) -> None:
    assert set(members) == set(bundle_archive.LIMITS)
    assert json.loads(members["manifest.json"])["schema"] == 3
    assert result_from_json(members["result.json"].decode()) == whole.result
    manifest = json.loads(members["manifest.json"])
    assert (manifest["loss_percent"], manifest["rules"]) == (LOSS, list(RULES))
