"""The results store: same digits back, and whole frames whatever interrupts it."""

import json
import math
import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import lab.session.store as store_module
from lab.errors import SessionError
from lab.session import EdgeRecord, FrameRecord, ResultsStore
from lab.session.records import PROFILE
from lab.session.store import SCHEMA_VERSION

ROOT = Path(store_module.__file__).parents[2]
AWKWARD = (0.1, 1 / 3, math.pi, 5e-324, 1.7976931348623157e308, -0.0, 2**-1074 * 3, 1 - 2**-53)


def edge(name: str, rng: random.Random, points: int = 64, **changes: object) -> EdgeRecord:
    curve = tuple(rng.uniform(0, 1) for _ in range(points))
    record = EdgeRecord(
        name=name,
        square="centre",
        channel="green",
        direction="vertical",
        field_x=rng.uniform(-1, 1),
        field_y=rng.uniform(-1, 1),
        centre_row=rng.uniform(0, 4000),
        centre_col=rng.uniform(0, 6000),
        angle_deg=rng.uniform(-180, 180),
        status="measured",
        mtf50_cyc_per_px=rng.random(),
        mtf50_std=rng.random() / 100,
        mtf20_cyc_per_px=rng.random(),
        mtf10_cyc_per_px=None,
        position_px=rng.uniform(-2, 2),
        frequency_cyc_per_px=curve,
        mtf=curve[::-1],
        mtf_std=tuple(v / 100 for v in curve),
        flags=("noisy", "target-limited"),
    )
    return replace(record, **changes)  # type: ignore[arg-type]


def frame(file: str, seed: int, edges: int = 3, points: int = 64) -> FrameRecord:
    rng = random.Random(seed)
    return FrameRecord(
        file=file,
        sha256=f"{seed:064x}",
        settings_key="settings-1",
        magnification=2.0,
        marked_stop=5.6,
        focus_position_um=rng.uniform(-100, 100),
        status="measured",
        flags=("changed-ISO",),
        measured_magnification=2 + rng.random() / 50,
        measured_magnification_std=rng.random() / 1000,
        edges=tuple(edge(f"centre.{i}", rng, points) for i in range(edges)),
    )


def test_frames_come_back_to_the_same_digit(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    awkward = edge(
        "awkward",
        random.Random(1),
        frequency_cyc_per_px=AWKWARD,
        mtf=AWKWARD[::-1],
        mtf_std=AWKWARD,
        mtf50_cyc_per_px=5e-324,
    )
    rejected = EdgeRecord(
        name="corner.0",
        square='corner "\u00e4"\n',
        channel="blue",
        direction="horizontal",
        field_x=-0.9,
        field_y=0.4,
        centre_row=12.5,
        centre_col=17.25,
        angle_deg=95.0,
        status="rejected",
        reason="31 % of pixels are clipped",
    )
    records = [
        replace(frame("2x/IMG_1.dng", 1), edges=(awkward, rejected)),
        frame("2x/IMG_2.dng", 2),
        FrameRecord(
            file="2x/IMG_3.dng",
            sha256="",
            settings_key="settings-1",
            magnification=None,
            marked_stop=None,
            focus_position_um=None,
            status="missing",
            reason="the file is gone",
        ),
    ]
    with ResultsStore(path) as store:
        for record in reversed(records):
            store.put(record)
        assert store.all_frames() == tuple(records)
    with ResultsStore(path) as store:  # and from the disk
        assert store.all_frames() == tuple(records)
        for record in records:
            assert store.get(record.file) == record
        assert store.get("2x/IMG_4.dng") is None
        back = store.get("2x/IMG_1.dng")
    assert back is not None
    assert repr(back) == repr(records[0])  # the sign of -0.0, which == does not see
    assert [p.name for p in tmp_path.iterdir()] == ["results.sqlite"]  # one file to share


def test_a_second_measurement_replaces_the_first_with_all_its_edges(tmp_path: Path) -> None:
    with ResultsStore(tmp_path / "results.sqlite") as store:
        store.put(frame("a.dng", 1, edges=5))
        store.put(frame("b.dng", 2, edges=4))
        store.put(frame("a.dng", 3, edges=2))
        assert store.get("a.dng") == frame("a.dng", 3, edges=2)
        assert len(store.all_frames()) == 2
    connection = sqlite3.connect(tmp_path / "results.sqlite")
    assert connection.execute("SELECT count(*) FROM edge").fetchone() == (6,)
    connection.close()


def test_finished_needs_file_hash_and_settings_to_agree(tmp_path: Path) -> None:
    with ResultsStore(tmp_path / "results.sqlite") as store:
        assert store.finished("settings-1") == set()
        store.put(frame("a.dng", 1))
        store.put(replace(frame("b.dng", 2), settings_key="settings-2"))
        store.put(replace(frame("c.dng", 3), status="unreadable", edges=()))
        store.put(replace(frame("d.dng", 4), status="missing", edges=()))
        assert store.finished("settings-1") == {
            ("a.dng", f"{1:064x}"),
            ("c.dng", f"{3:064x}"),
        }
        assert store.finished("settings-2") == {("b.dng", f"{2:064x}")}
        assert store.finished("settings-3") == set()


def test_summaries(tmp_path: Path) -> None:
    with ResultsStore(tmp_path / "results.sqlite") as store:
        assert store.get_summary("fit") is None
        store.put_summary("fit", '{"a": 1}')
        store.put_summary("fit", '{"a":  2.50}')
        assert store.get_summary("fit") == '{"a":  2.50}'  # the text itself
        with pytest.raises(ValueError, match="property name"):
            store.put_summary("fit", "{a: 1}")
        assert store.get_summary("fit") == '{"a":  2.50}'


def test_json_for_machines_has_plain_types_and_all_digits() -> None:
    record = replace(
        frame("2x/IMG_1.dng", 1, edges=1),
        magnification=float(np.float32(2.5)),
        marked_stop=4,
    )
    shown = record.to_json_dict()
    assert list(shown) == [
        "file",
        "magnification",
        "marked_stop",
        "status",
        "reason",
        "flags",
        "edges",
    ]
    back = json.loads(json.dumps(shown, allow_nan=False))
    assert back["magnification"] == 2.5 and back["marked_stop"] == 4.0
    assert (back["file"], back["status"], back["flags"]) == (
        "2x/IMG_1.dng",
        "measured",
        ["changed-ISO"],
    )
    only = record.edges[0]
    assert tuple(back["edges"][0]["mtf"]) == only.mtf
    assert back["edges"][0]["mtf10_cyc_per_px"] is None
    assert back["edges"][0]["mtf50_cyc_per_px"] == only.mtf50_cyc_per_px
    assert back["edges"][0]["name"] == "centre.0"


def test_numpy_numbers_are_kept_as_numbers(tmp_path: Path) -> None:
    record = replace(
        frame("a.dng", 1, edges=1), magnification=np.float32(2.5), marked_stop=np.int64(8)
    )
    with ResultsStore(tmp_path / "results.sqlite") as store:
        store.put(record)
        assert store.get("a.dng") == record


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"status": "good"}, "^status must be one of"),
        ({"direction": "oblique"}, "^direction must be one of"),
        ({"mtf50_cyc_per_px": math.nan}, "^mtf50_cyc_per_px must be finite"),
        ({"mtf50_std": math.inf}, "^mtf50_std must be finite"),
        ({"mtf50_cyc_per_px": np.float32("nan")}, "^mtf50_cyc_per_px must be finite"),
        ({"mtf": (math.nan,) * 64}, "^mtf must be finite"),
        ({"mtf": (0.5,) * 63}, "must have one length"),
        ({"mtf_std": ()}, "must have one length"),
    ],
)
def test_an_edge_that_cannot_be_kept_is_refused(changes: dict[str, object], wrong: str) -> None:
    with pytest.raises(ValueError, match=wrong):
        edge("a", random.Random(1), **changes)


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"status": "fine"}, "^status must be one of"),
        ({"magnification": math.nan}, "^magnification must be finite"),
        ({"marked_stop": math.inf}, "^marked_stop must be finite"),
    ],
)
def test_a_frame_that_cannot_be_kept_is_refused(changes: dict[str, object], wrong: str) -> None:
    with pytest.raises(ValueError, match=wrong):
        replace(frame("a.dng", 1), **changes)  # type: ignore[arg-type]


def test_methods_need_the_with_statement(tmp_path: Path) -> None:
    store = ResultsStore(tmp_path / "results.sqlite")
    with pytest.raises(ValueError, match="with statement"):
        store.put(frame("a.dng", 1))


# Schema


def test_schema_is_the_one_the_docstring_describes(tmp_path: Path) -> None:
    with ResultsStore(tmp_path / "results.sqlite"):
        pass
    connection = sqlite3.connect(tmp_path / "results.sqlite")
    assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    tables = {
        name: [row[1] for row in connection.execute(f"PRAGMA table_info({name})")]
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
    }
    connection.close()
    assert set(tables) == {"frame", "edge", "summary"}
    doc = str(store_module.__doc__)
    assert f"Schema, version {SCHEMA_VERSION}" in doc
    described = doc[doc.index("``frame``") : doc.index("``edge``")]
    assert re.findall(r"``([a-z_0-9]+)``", described)[1:] == tables["frame"]
    # Names of the record fields, but for the ones the docstring adds.
    assert set(tables["edge"]) - {"frame_id", "ordinal"} == set(EdgeRecord.__dataclass_fields__)


def test_a_new_empty_file_becomes_a_store(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    path.write_bytes(b"")
    with ResultsStore(path) as store:
        store.put(frame("a.dng", 1))
        assert len(store.all_frames()) == 1


def test_a_store_of_version_1_is_brought_up(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    with ResultsStore(path) as store:
        store.put(frame("a.dng", 2))
        store.put_summary("fit", '{"a": 1}')
        kept = store.all_frames()
    connection = sqlite3.connect(path)
    for table, column in (
        *(("frame", name) for name in ("trial", "condition", "checksum")),
        ("summary", "checksum"),
        *(("edge", name) for name in PROFILE),
    ):
        connection.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
    connection.execute("PRAGMA user_version = 1")
    connection.commit()
    connection.close()
    with ResultsStore(path) as store:
        assert store.all_frames() == kept
        assert store.get_summary("fit") == '{"a": 1}'
        store.put(frame("b.dng", 1))
    with ResultsStore(path) as store:
        assert len(store.all_frames()) == 2


@pytest.mark.parametrize(("version", "said"), [(SCHEMA_VERSION + 1, "newer"), (-1, "older")])
def test_other_schema_versions_are_refused(tmp_path: Path, version: int, said: str) -> None:
    path = tmp_path / "results.sqlite"
    with ResultsStore(path) as store:
        store.put(frame("a.dng", 1))
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {version}")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(SessionError, match=said) as caught, ResultsStore(path):
        pass
    assert "results.sqlite" in str(caught.value) and "measure again" in str(caught.value)
    assert path.read_bytes() == before


def test_another_programs_database_is_left_untouched(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE frame (id INTEGER)")
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(SessionError, match="not made by stopwise"), ResultsStore(path):
        pass
    assert path.read_bytes() == before


def _store_bytes(tmp_path: Path) -> bytearray:
    with ResultsStore(tmp_path / "good.sqlite") as store:
        for i in range(20):
            store.put(frame(f"{i}.dng", i))
    return bytearray((tmp_path / "good.sqlite").read_bytes())


@pytest.mark.parametrize("kind", ["text", "noise", "cut", "scribbled", "header only"])
def test_damaged_files_are_refused_in_words(tmp_path: Path, kind: str) -> None:
    content = _store_bytes(tmp_path)
    if kind == "text":
        content = bytearray(b"file,mtf50\n" * 500)
    elif kind == "noise":
        content = bytearray(random.Random(1).randbytes(20_000))
    elif kind == "cut":
        content = content[: len(content) // 2]
    elif kind == "scribbled":
        content[5000 : len(content) - 5000] = b"\xa5" * (len(content) - 10_000)
    else:
        content = content[:100]
    path = tmp_path / "results.sqlite"
    path.write_bytes(content)
    with pytest.raises(SessionError, match="damaged") as caught, ResultsStore(path) as store:
        store.all_frames()
    assert "results.sqlite" in str(caught.value) and "Move it away" in str(caught.value)
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE edge SET mtf = x'00'",
        "UPDATE edge SET mtf = 'text'",
        "UPDATE edge SET flags = 'no json'",
        "UPDATE frame SET flags = '3'",
        "UPDATE frame SET status = 'good'",
        "UPDATE frame SET marked_stop = 5.7",
        "UPDATE frame SET checksum = ''",
        "UPDATE edge SET mtf50_std = 0.5 WHERE ordinal = 1",
        "UPDATE edge SET mtf = mtf_std WHERE ordinal = 2",
        "UPDATE edge SET ordinal = ordinal + 5 WHERE ordinal = 0",
        "DELETE FROM edge WHERE ordinal = 2",
        "ALTER TABLE edge DROP COLUMN mtf_std",
        "DROP TABLE edge",
    ],
)
def test_tampered_contents_are_refused_in_words(tmp_path: Path, statement: str) -> None:
    path = tmp_path / "results.sqlite"
    with ResultsStore(path) as store:
        store.put(frame("a.dng", 1))
    connection = sqlite3.connect(path)
    with connection:
        connection.execute(statement)
    connection.close()
    with pytest.raises(SessionError, match="damaged"), ResultsStore(path) as store:
        store.all_frames()


def test_a_tampered_summary_is_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    with ResultsStore(path) as store:
        store.put_summary("fit", '{"a": 1}')
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("""UPDATE summary SET json = '{"a": 7}'""")
    connection.close()
    with ResultsStore(path) as store, pytest.raises(SessionError, match="says of fit has changed"):
        store.get_summary("fit")


def test_heads_are_the_frames_without_edges(tmp_path: Path) -> None:
    with ResultsStore(tmp_path / "results.sqlite") as store:
        store.put(frame("b.dng", 1))
        store.put(frame("a.dng", 2))
        assert store.heads() == tuple(replace(f, edges=()) for f in store.all_frames())


def test_a_place_that_cannot_hold_a_file_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "nowhere" / "results.sqlite"):
        with pytest.raises(SessionError, match="cannot be opened"), ResultsStore(path):
            pass


# Interruption


class _Breaks(tuple[EdgeRecord, ...]):
    """Edges that fail after a few have been written."""

    def __iter__(self) -> Iterator[EdgeRecord]:
        for i in range(len(self)):
            if i == 3:
                raise KeyboardInterrupt
            yield self[i]


def test_an_exception_in_the_middle_leaves_the_frame_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    old, new = frame("a.dng", 1, edges=2), frame("a.dng", 2, edges=6)
    with ResultsStore(path) as store:
        store.put(old)
        with pytest.raises(KeyboardInterrupt):
            store.put(replace(new, edges=_Breaks(new.edges)))
        with pytest.raises(KeyboardInterrupt):
            store.put(replace(frame("b.dng", 3, edges=6), edges=_Breaks(new.edges)))
        assert store.all_frames() == (old,)
        store.put(new)  # and the store goes on
        assert store.get("a.dng") == new


# The writers put frames of 40 edges (3.8 MB), more than SQLite's cache holds, so that half a
# transaction does reach the disk and only the journal can take it back.
_EDGES, _POINTS = 40, 4_000
_WRITER = f"""
import os, random, signal, sys
from dataclasses import replace
from pathlib import Path
sys.path[:0] = [{str(ROOT)!r}, {str(Path(__file__).parent)!r}]
from test_results_store import frame
from lab.session import ResultsStore

class Dies(tuple):
    def __iter__(self):
        for i in range(len(self)):
            if i == 35:
                os.kill(os.getpid(), signal.SIGKILL)
            yield self[i]

with ResultsStore(Path(sys.argv[1])) as store:
    whole = frame("x.dng", 1, edges={_EDGES}, points={_POINTS})
    for i in range(10_000):
        record = replace(whole, file=f"{{i % 3}}.dng", sha256=str(i))
        if sys.argv[2] == "dies" and i == 4:
            record = replace(record, edges=Dies(record.edges))
        store.put(record)
        print(i, flush=True)
"""


def _check_whole(path: Path, last_seen: int) -> None:
    with ResultsStore(path) as store:
        frames = store.all_frames()
        assert frames
        assert all(len(f.edges) == _EDGES for f in frames)
        kept = max(int(f.sha256) for f in frames)
        assert kept >= last_seen  # what was reported as written is there
        store.put(frame("after.dng", 9))
        assert store.get("after.dng") == frame("after.dng", 9)


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="kill -9 is a POSIX thing")
def test_kill_in_the_middle_of_a_transaction_is_taken_back(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    run = subprocess.run(
        [sys.executable, "-c", _WRITER, str(path), "dies"],
        check=False,
        capture_output=True,
        text=True,
    )
    assert run.returncode == -signal.SIGKILL, run.stderr
    assert run.stdout.split() == ["0", "1", "2", "3"]
    assert (tmp_path / "results.sqlite-journal").stat().st_size > 0  # it died half-way
    _check_whole(path, 3)
    with ResultsStore(path) as store:
        assert {f.file: f.sha256 for f in store.all_frames() if f.file != "after.dng"} == {
            "0.dng": "3",
            "1.dng": "1",
            "2.dng": "2",
        }


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="kill -9 is a POSIX thing")
@pytest.mark.parametrize("delay_s", [0.0, 0.013])
def test_kill_at_any_moment_leaves_a_valid_store(tmp_path: Path, delay_s: float) -> None:
    path = tmp_path / "results.sqlite"
    with subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(path), "runs"], stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        seen = [int(writer.stdout.readline()) for _ in range(4)]
        time.sleep(delay_s)
        writer.kill()
        seen += [int(line) for line in writer.stdout.read().split()]
    _check_whole(path, seen[-1])


# Two processes


def test_a_busy_store_is_waited_for_and_then_explained(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "results.sqlite"
    assert store_module._BUSY_TIMEOUT_S == 10
    with ResultsStore(path) as store:
        store.put(frame("a.dng", 1))
    monkeypatch.setattr(store_module, "_BUSY_TIMEOUT_S", 0.3)
    holder = sqlite3.connect(path, isolation_level=None)
    try:
        holder.execute("BEGIN IMMEDIATE")
        with ResultsStore(path) as store:
            assert store.get("a.dng") == frame("a.dng", 1)  # reading goes on
            start = time.perf_counter()
            with pytest.raises(SessionError, match="another process") as caught:
                store.put(frame("b.dng", 2))
            assert time.perf_counter() - start >= 0.25
            assert "results.sqlite" in str(caught.value) and "try again" in str(caught.value)
            holder.execute("COMMIT")
            store.put(frame("b.dng", 2))
            assert len(store.all_frames()) == 2
        holder.execute("BEGIN EXCLUSIVE")
        with pytest.raises(SessionError, match="another process"), ResultsStore(path):
            pass
    finally:
        holder.close()


def test_two_writers_wait_for_each_other(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    code = f"""
import sys
from pathlib import Path
sys.path[:0] = [{str(ROOT)!r}, {str(Path(__file__).parent)!r}]
from test_results_store import frame
from lab.session import ResultsStore
for i in range(15):
    with ResultsStore(Path(sys.argv[1])) as store:  # they race to make the schema as well
        store.put(frame(f"{{sys.argv[2]}}-{{i}}.dng", i))
"""
    writers = [
        subprocess.Popen([sys.executable, "-c", code, str(path), name]) for name in ("a", "b")
    ]
    assert [writer.wait(timeout=60) for writer in writers] == [0, 0]
    with ResultsStore(path) as store:
        assert {f.file for f in store.all_frames()} == {
            f"{name}-{i}.dng" for name in "ab" for i in range(15)
        }


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere"
)
def test_a_read_only_store_can_be_read_and_says_so_on_writing(tmp_path: Path) -> None:
    path = tmp_path / "results.sqlite"
    with ResultsStore(path) as store:
        store.put(frame("a.dng", 1))
    path.chmod(0o400)
    with ResultsStore(path) as store:
        assert store.get("a.dng") == frame("a.dng", 1)
        with pytest.raises(SessionError, match="may be written"):
            store.put(frame("b.dng", 2))
