"""Which files count as frames, how patterns take them, how names sort."""

import time
from pathlib import Path

import pytest

from lab.errors import SessionError
from lab.session import list_frames
from lab.session.frame_files import matches, natural_key


def test_hidden_files_sidecars_and_folders_are_no_frames(tmp_path: Path) -> None:
    root = tmp_path / "frames"
    for file in (".hidden/IMG_1.dng", "a/._IMG_1.dng", "a/IMG_1.xmp", "a/Thumbs.db", "a/notes.txt"):
        (root / file).parent.mkdir(parents=True, exist_ok=True)
        (root / file).write_bytes(b"")
    (root / "a" / "folder.dng").mkdir()
    for file in ("a/img_10.DNG", "a/IMG_9.dng", "a/IMG_11.CR2", "b.tif"):
        (root / file).write_bytes(b"")
    assert list_frames(tmp_path) == ("a/IMG_9.dng", "a/img_10.DNG", "a/IMG_11.CR2", "b.tif")


def test_a_session_without_frames_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="no folder frames"):
        list_frames(tmp_path)


@pytest.mark.parametrize("name", [b"IMG_\xff.dng", b"IMG_\x1b[2J.dng", b"IMG\n.dng"])
def test_names_that_cannot_be_printed_are_refused(tmp_path: Path, name: bytes) -> None:
    (tmp_path / "frames").mkdir()
    try:
        with open(bytes(tmp_path / "frames") + b"/" + name, "wb"):
            pass
    except OSError:
        pytest.skip("this file system does not take such names")
    with pytest.raises(SessionError, match="Rename") as caught:
        list_frames(tmp_path)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("pattern", "takes", "leaves"),
    [
        ("2x/*.dng", ["2x/A.DNG", "2X/a.dng"], ["2x/b/a.dng", "12x/a.dng", "2x/a.tif"]),
        ("**/*.dng", ["a.dng", "a/b/c.dng"], ["a/b.tif"]),
        ("a/**", ["a/b.dng", "a/b/c.dng"], ["b/a.dng"]),
        ("a/**/**/b/*.dng", ["a/b/c.dng", "a/x/y/b/c.dng"], ["a/c.dng"]),
        ("IMG_00[1-3]?.dng", ["IMG_0012.dng"], ["IMG_0042.dng", "IMG_001.dng"]),
    ],
)
def test_patterns(pattern: str, takes: list[str], leaves: list[str]) -> None:
    assert [file for file in takes + leaves if matches(pattern, file)] == takes


def test_a_hostile_pattern_is_answered_at_once() -> None:
    start = time.perf_counter()
    assert not matches("**/" * 150 + "x", "a/" * 40 + "b")
    assert not matches("*a" * 100 + "b", "a" * 250)
    assert time.perf_counter() - start < 1


def test_names_sort_as_people_count() -> None:
    names = ["IMG_10.dng", "b/1.dng", "IMG_9.dng", "img_9a.dng", "a/2.dng", "a/10.dng", "7.dng"]
    assert sorted(names, key=natural_key) == [
        "7.dng",
        "a/2.dng",
        "a/10.dng",
        "b/1.dng",
        "IMG_9.dng",
        "img_9a.dng",
        "IMG_10.dng",
    ]
