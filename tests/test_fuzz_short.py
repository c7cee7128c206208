"""Readers under mutated files: a short run of the fuzzing, and whether it sees faults at all.

``python -m tests.fuzz`` runs it for longer.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from random import Random

import numpy as np
import pytest

from lab.errors import FrameError, SessionError
from lab.frames import FrameMetadata, read_frame
from lab.session.rig_file import parse_rig
from tests.bench.lossless_dng import write_lossless_dng
from tests.fuzz.campaign import CORPUS, Campaign, Worker, seeds
from tests.fuzz.faulty_readers import READERS as FAULTY
from tests.fuzz.frames import difference, records
from tests.fuzz.mutate import mutated
from tests.fuzz.readers import READERS

_CASES = {"frame": 40, "store": 12, "bundle": 12}
# Made by hand, as far as a table of contents goes. Of the second LibRaw decodes nothing, and
# what stands in so small a block of memory before is anybody's guess.
_OTHER = {"boxes.cr3": {"refused"}, "second.cr2": {"refused", "read"}}


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    with Worker() as one:
        yield one


@pytest.mark.parametrize("reader", READERS)
def test_a_mutated_file_gives_a_result_or_an_error_of_ours(reader: str, worker: Worker) -> None:
    """Recovery: the seeds themselves are read, a fixed number of mutations told apart."""
    for path in sorted((CORPUS / reader).iterdir()):
        outcome = worker.read(reader, path.read_bytes())["outcome"]
        assert outcome in _OTHER.get(path.name, {"read"}), path.name
    campaign = Campaign(reader=reader, seed=11, worker=worker)
    campaign.run(cases=_CASES.get(reader, 40))
    assert [finding.line for finding in campaign.findings.values()] == []
    assert campaign.outcomes.total() == len(seeds(reader)) + _CASES.get(reader, 40)
    assert len(campaign.lines) > 5


def test_every_kind_of_fault_is_seen() -> None:
    """Exact: readers with one fault each."""
    with Worker("tests.fuzz.faulty_readers", cpu_s=0.2, wall_s=8) as it:
        assert it.read("sound", b"S")["outcome"] == "read"
        for fault in FAULTY.keys() - {"sound"}:  # after some the next case has a new process
            assert it.read(fault, b"S")["outcome"] == fault
            assert it.read("sound", b"T")["outcome"] == "refused"


def test_mutations_follow_from_the_seed_and_change_something() -> None:
    """Exact."""
    for reader in READERS:
        for content in seeds(reader):
            is_archive = content.startswith((b"SQLite", b"PK"))  # they hold times
            rounds = [
                [mutated(content, content, Random(f"{reader} {i}")) for i in range(8)]
                for _ in range(1 if is_archive else 2)
            ]
            assert rounds[0] == rounds[-1]
            assert sum(one != content for one in rounds[0]) >= 4


def test_a_good_frame_that_differs_and_a_mutated_one_that_is_lost_are_told(tmp_path: Path) -> None:
    """Exact: a store with two records, of which one counts as mutated."""
    shutil.copy(CORPUS / "store" / "results.sqlite", tmp_path)
    (good, record), _ = sorted(records(tmp_path).items())
    assert difference({good: record}, tmp_path, 1) == []
    moved = replace(record, focus_position_um=1.25)
    assert difference({good: moved}, tmp_path, 1) == [f"{good} differs"]
    assert difference({good: record}, tmp_path, 3) == ["2 mutated frames have no record"]


def test_the_corpus_stays_small() -> None:
    assert sum(path.stat().st_size for path in CORPUS.rglob("*") if path.is_file()) < 200_000


# Found by fuzzing, then mended


def test_a_file_that_claims_far_more_pixels_than_it_can_hold_is_told_at_once(
    tmp_path: Path,
) -> None:
    """Exact: 65 000 x 65 000 values would take 17 GB."""
    content = (CORPUS / "frame" / "deflate.tif").read_bytes()
    for tag in (256, 257):  # ImageWidth, ImageLength: both LONG in this file
        at = content.index(tag.to_bytes(2, "little") + b"\4\0\1\0\0\0")
        content = content[: at + 8] + (65_000).to_bytes(4, "little") + content[at + 12 :]
    path = tmp_path / "huge.tif"
    path.write_bytes(content)
    with pytest.raises(FrameError, match="too short for the 4225000000 values"):
        read_frame(path)


def test_rows_that_a_raw_file_lacks_are_never_those_of_the_frame_before(tmp_path: Path) -> None:
    """Recovery: one picture whole, then half of it in a file that claims all its rows."""
    mosaic = np.random.default_rng(4).integers(600, 5000, (1400, 1600)).astype(np.uint16)
    whole, half = tmp_path / "whole.dng", tmp_path / "half.dng"
    levels = {"black_dn": 512, "white_dn": 15_000, "metadata": FrameMetadata()}
    write_lossless_dng(whole, mosaic, **levels)
    write_lossless_dng(half, mosaic[:700], **levels)
    content = half.read_bytes()
    for tag in (257, 278):  # ImageLength, RowsPerStrip
        at = content.index(tag.to_bytes(2, "little") + b"\4\0\1\0\0\0")
        content = content[: at + 8] + (1400).to_bytes(4, "little") + content[at + 12 :]
    half.write_bytes(content)
    for _ in range(3):
        read_frame(whole)
        # Of what follows the packed picture's end the decoder may make one row more.
        with pytest.raises(FrameError, match=r"(699|700) of 1400 rows hold no data"):
            read_frame(half)


def test_a_colour_profile_that_is_a_number_is_refused(tmp_path: Path) -> None:
    content = (CORPUS / "frame" / "colour.tif").read_bytes()
    at = content.index((34675).to_bytes(2, "little") + b"\7\0")  # InterColorProfile, bytes
    path = tmp_path / "profile.tif"
    path.write_bytes(content[: at + 2] + b"\4\0\1\0\0\0\7\0\0\0" + content[at + 12 :])
    with pytest.raises(FrameError, match="colour profile cannot be read"):
        read_frame(path)


def test_a_key_of_very_many_parts_is_refused_before_it_takes_memory() -> None:
    text = "[rig]\n# " + "." * 200 + "\n" + "a." * 30_000 + "b = 1\n"
    with pytest.raises(SessionError, match="line 3: more than 100 dots"):
        parse_rig(text, "RIG.toml")
    with pytest.raises(SessionError, match="longer than 1000000 characters"):
        parse_rig("#" * 1_000_001, "RIG.toml")


@pytest.mark.parametrize("focal", ["1e-320", "1e300", "0.0000000001"])
def test_a_figure_beyond_any_unit_is_refused_before_it_is_reckoned_with(focal: str) -> None:
    text = (CORPUS / "rig" / "closeup.toml").read_text("utf-8")
    assert parse_rig(text, "RIG.toml").name == "Bellows rig"
    text = text.replace("focal_length_mm = 100", f"focal_length_mm = {focal}")
    with pytest.raises(SessionError, match="focal_length_mm: must lie between 1e-09 and 1e"):
        parse_rig(text, "RIG.toml")
