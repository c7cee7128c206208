"""What is looked at when: exact, on made-up scans, and one real folder."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from lab.session.quick_look import QuickLook
from lab.session.watching import (
    REST_S,
    Arrivals,
    Stamp,
    forgotten,
    is_unsettled,
    looked,
    next_file,
    scan,
    scanned,
    started,
    waiting,
)

FIRST, GROWN = Stamp(100, 7), Stamp(130, 11)


def look(file: str, status: str = "measured") -> QuickLook:
    return QuickLook(file=file, status=status)


def after(*scans: tuple[float, dict[str, Stamp]]) -> Arrivals:
    state = Arrivals()
    for at_s, stamps in scans:
        state = scanned(state, at_s, stamps)
    return state


def test_file_is_looked_at_once_two_scans_found_it_alike() -> None:
    state = after((5.0, {"A.dng": FIRST}))
    assert next_file(state, 5.0) is None
    assert next_file(state, 5.03) is None
    assert next_file(state, 5.05) == "A.dng"


def test_growing_file_waits_until_it_rests() -> None:
    state = after((5.0, {"A.dng": FIRST}), (5.2, {"A.dng": GROWN}))
    assert next_file(state, 5.22) is None
    assert next_file(state, 5.25) == "A.dng"


def test_one_look_at_a_time() -> None:
    state = started(after((5.0, {"A.dng": FIRST, "B.dng": GROWN})), "B.dng")
    assert next_file(state, 9.0) is None


def test_newest_goes_first_and_none_is_forgotten() -> None:
    stamps = {"IMG_9.dng": FIRST, "IMG_10.dng": FIRST, "IMG_2.dng": GROWN}
    state = after((5.0, stamps))
    order = []
    for at_s in (6.0, 7.0, 8.0):
        file = next_file(state, at_s)
        assert file is not None
        order.append(file)
        assert len(waiting(state)) == 4 - len(order)
        state = looked(started(state, file), at_s, look(file), stamps[file])
    assert order == ["IMG_2.dng", "IMG_10.dng", "IMG_9.dng"]
    assert next_file(state, 9.0) is None
    assert waiting(state) == ()


def test_look_at_a_file_that_grew_meanwhile_is_dropped() -> None:
    state = started(after((5.0, {"A.dng": FIRST})), "A.dng")
    state = looked(state, 5.6, look("A.dng"), GROWN)  # the next scan has not seen it yet
    assert waiting(state) == ("A.dng",)
    state = scanned(state, 5.7, {"A.dng": GROWN})
    assert next_file(state, 5.9) == "A.dng"


def test_look_counts_only_after_the_file_has_settled() -> None:
    stamps = {"A.dng": FIRST}
    state = looked(started(after((5.0, stamps)), "A.dng"), 5.15, look("A.dng"), FIRST)
    assert waiting(state) == ("A.dng",)
    assert next_file(state, 5.16) is None  # it is not looked at twice for that
    assert waiting(scanned(state, 5.21, stamps)) == ()


def test_unreadable_file_is_reported_only_after_a_rest() -> None:
    stamps = {"A.dng": FIRST}
    unreadable = look("A.dng", "unreadable")
    state = looked(started(after((5.0, stamps)), "A.dng"), 5.6, unreadable, FIRST)
    assert waiting(scanned(state, 5.0 + REST_S - 0.1, stamps)) == ("A.dng",)
    state = scanned(state, 5.0 + REST_S + 0.1, stamps)
    assert waiting(state) == ()
    assert state.files["A.dng"].look == unreadable


def test_unreadable_file_that_grows_is_tried_again() -> None:
    state = after((5.0, {"A.dng": FIRST}))
    state = looked(started(state, "A.dng"), 5.6, look("A.dng", "unreadable"), FIRST)
    state = scanned(state, 6.0, {"A.dng": GROWN})
    assert next_file(state, 6.2) == "A.dng"


def test_changed_file_loses_its_look() -> None:
    state = after((5.0, {"A.dng": FIRST}))
    state = looked(started(state, "A.dng"), 6.0, look("A.dng"), FIRST)
    assert waiting(scanned(state, 7.0, {"A.dng": replace(FIRST, size=8)})) == ("A.dng",)


def test_vanished_file_is_dropped_even_under_the_look() -> None:
    state = started(after((5.0, {"A.dng": FIRST})), "A.dng")
    state = scanned(state, 5.3, {})
    state = looked(state, 5.6, look("A.dng"), None)
    assert state == Arrivals()


def test_scan_without_news_gives_the_same_state() -> None:
    state = after((5.0, {"A.dng": FIRST}))
    assert scanned(state, 6.0, {"A.dng": FIRST}) is state


def test_look_of_another_file_is_refused() -> None:
    state = started(after((5.0, {"A.dng": FIRST})), "A.dng")
    with pytest.raises(ValueError, match="the file that was started"):
        looked(state, 5.6, look("B.dng"), FIRST)


def test_scan_finds_raw_files_below_and_nothing_else(tmp_path: Path) -> None:
    for name in ("a/b/IMG_1.DNG", "IMG_2.nef", "IMG_2.jpg", ".IMG_3.dng", ".old/IMG_4.dng"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"12345")
    (tmp_path / "folder.dng").mkdir()
    (tmp_path / "gone.dng").symlink_to(tmp_path / "nowhere.dng")
    (tmp_path / "round").symlink_to(tmp_path)
    stamps = scan(tmp_path)
    assert sorted(stamps) == ["IMG_2.nef", "a/b/IMG_1.DNG"]
    assert {stamp.size for stamp in stamps.values()} == {5}
    os.utime(tmp_path / "IMG_2.nef", ns=(3, 12345))
    assert scan(tmp_path)["IMG_2.nef"] == Stamp(12345, 5)
    assert scan(tmp_path / "not there") == {}


def test_forgotten_look_is_had_again() -> None:
    state = after((0.0, {"A.dng": FIRST}), (0.1, {"A.dng": FIRST}))
    assert is_unsettled(state)
    state = looked(started(state, "A.dng"), 0.5, look("A.dng"), FIRST)
    assert next_file(state, 0.6) is None
    assert not is_unsettled(state)
    state = forgotten(state, ["A.dng", "gone.dng"])
    assert next_file(state, 0.6) == "A.dng"
    assert set(state.files) == {"A.dng"}
    assert not is_unsettled(started(state, "A.dng"))
