"""frames.csv: what spreadsheets write is read, and every fault is named with its row."""

from pathlib import Path

import pytest

from lab.errors import SessionError
from lab.session.frame_table import FrameRow, read_frame_table

FILES = tuple(f"1x/IMG_{i}.dng" for i in range(1, 43))
HEADER = b"file,magnification,marked_stop,focus_position_um,condition,use\n"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (HEADER + b"1x/IMG_1.dng,two,,,,", ["row 2", "magnification", "'two'"]),
        (HEADER + b"1x/IMG_1.dng,0,,,,", ["row 2", "magnification", "more than 0"]),
        (HEADER + b"1x/IMG_1.dng,,-8,,,", ["row 2", "marked_stop", "-8"]),
        (HEADER + b"1x/IMG_1.dng,,f/8,,,", ["row 2", "marked_stop", "5.6"]),
        (HEADER + b"1x/IMG_1.dng,,nan,,,", ["row 2", "marked_stop", "nan"]),
        (HEADER + b"1x/IMG_1.dng,,1e999,,,", ["row 2", "marked_stop"]),
        (HEADER + b"1x/IMG_1.dng,,1_0,,,", ["row 2", "marked_stop"]),
        (HEADER + "1x/IMG_1.dng,,\u0668,,,".encode(), ["row 2", "marked_stop"]),
        (HEADER + b"1x/IMG_1.dng,,=4+4,,,", ["row 2", "marked_stop", "'=4+4'"]),
        (HEADER + b"1x/IMG_1.dng,,,inf,,", ["row 2", "focus_position_um"]),
        (
            HEADER + b"1x/IMG_1.dng,two,8,x,,maybe",  # all of a row at once
            ["row 2, magnification: ", "'two'", "focus_position_um: ", "'x'", "'maybe'"],
        ),
        (HEADER + b"1x/IMG_1.dng,2,5,6,0,flash,yes", ["row 2", "7 cells", "decimal points"]),
        (HEADER + b"1x/IMG_1.dng,2,5,6,,,", ["row 2", "7 cells", "decimal points"]),
        (HEADER + b"1x/IMG_1.dng,,,,,maybe", ["row 2", "use", "yes, no"]),
        (HEADER + b"1x/IMG_1.dng,,,,a\x1b[2Jb,", ["row 2", "condition", "\\x1b"]),
        (HEADER + b"1x/IMG_1.dng,,,," + b"x" * 501 + b",", ["row 2", "condition", "500"]),
        (HEADER + b"IMG_1.dng,,,,,", ["row 2", "IMG_1.dng", "relative to frames/"]),
        (HEADER + b"1x/IMG_1.dgn,,,,,", ["row 2", "Did you mean 1x/IMG_1"]),
        (HEADER + b"../session.toml,,,,,", ["row 2", "../session.toml"]),
        (HEADER + b",2,,,,", ["row 2", "file"]),
        (HEADER + b"1x/IMG_1.dng\n\n1x/IMG_1.dng", ["row 4", "row 2 already"]),
        (b"file,marked_stops\n", ["row 1", "marked_stops", "mean marked_stop?"]),
        (b"file,use,use\n", ["row 1", "'use'", "twice"]),
        (b"marked_stop,use\n", ["row 1", "no column file"]),
        (b"file;marked_stop\n1x/IMG_1.dng;8\n", ["row 1", "commas"]),
        (b"file\tmarked_stop\n", ["row 1", "commas"]),
        (b"", ["empty"]),
        (b"\n\n,,,\n", ["empty"]),
        (HEADER + b'1x/IMG_1.dng,,,,"never closed', ["row 2", "comma-separated"]),
        (HEADER + b'"1x"/IMG_1.dng,,,,,', ["row 2", "comma-separated"]),
        (HEADER + b"x" * 200_000, ["row 2", "comma-separated"]),
        (HEADER + b"\x00" * 100, ["row 2"]),
        (bytes(range(256)), ["UTF-8"]),
        (HEADER.decode().encode("utf-16"), ["UTF-8"]),
        (HEADER + b"\n" * 10_000_001, ["10 MB"]),
    ],
)
def test_a_bad_table_is_refused_with_row_and_mend(
    tmp_path: Path, content: bytes, said: list[str]
) -> None:
    (tmp_path / "frames.csv").write_bytes(content)
    with pytest.raises(SessionError) as caught:
        read_frame_table(tmp_path, FILES)
    text = str(caught.value)
    assert text.startswith(str(tmp_path / "frames.csv"))
    for words in said:
        assert words in text
    assert text.isprintable() and len(text) < 600


def test_spreadsheet_habits_are_read(tmp_path: Path) -> None:
    # Byte-order mark, Windows line ends, empty columns and rows at the end.
    content = "\ufefffile, marked_stop,,\r\n1x/IMG_1.dng, 4 ,,\r\n,,,\r\n"
    (tmp_path / "frames.csv").write_bytes(content.encode())
    rows = read_frame_table(tmp_path, FILES)
    assert rows == {"1x/IMG_1.dng": FrameRow(file="1x/IMG_1.dng", marked_stop=4.0)}


def test_every_column_is_read_and_blank_means_not_said(tmp_path: Path) -> None:
    content = HEADER + b'1x/IMG_1.dng,2.5,5.6,-1.25e1,"hand, held",no\n1x/IMG_2.dng,,,,,\n'
    (tmp_path / "frames.csv").write_bytes(content)
    first, second = read_frame_table(tmp_path, FILES).values()
    assert first == FrameRow(
        file="1x/IMG_1.dng",
        magnification=2.5,
        marked_stop=5.6,
        focus_position_um=-12.5,
        condition="hand, held",
        use=False,
    )
    assert second == FrameRow(file="1x/IMG_2.dng")
    assert second.use


def test_no_table_is_no_fault(tmp_path: Path) -> None:
    assert read_frame_table(tmp_path, FILES) == {}
