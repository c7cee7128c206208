"""session.toml: the contract's example, defaults, and every way to get it wrong."""

import os
import pickle
import time
from dataclasses import replace
from pathlib import Path

import pytest

from lab.errors import SessionError
from lab.session import Light, parse_session, read_session
from targets.technology import TECHNOLOGIES

EXAMPLE = """
[session]
name = "Bellows rig, first light"
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
wavelength_um = { red = 0.610, green = 0.535, blue = 0.465 }
[target]
layout = "target.json"
[[series]]
magnification = 2.0
stops = [2.8, 4, 5.6, 8, 11, 16]
frames_per_stop = 7
focus_step_um = 20
frames = "2x/*.dng"
light = "flash"
[[series]]
magnification = 3
stops = [8, 4]
frames_per_stop = 1
frames = "3x/**/*.dng"
"""


def test_reads_every_key_of_the_contract(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text(EXAMPLE, encoding="utf-8")
    config = read_session(tmp_path)
    assert config.name == "Bellows rig, first light"
    assert config.body.name == "Club body"
    assert config.body.pixel_pitch_um == 4.35
    assert config.body.sensor_mm == (35.9, 23.9)
    assert config.lens.name == "Enlarger 75 reversed"
    assert config.lens.focal_length_mm == 75.0
    assert config.lens.pupil_ratio == 1.25
    assert config.lens.blades == 8
    assert config.lens.exif_f_number == "marked"
    assert config.light == Light(red_um=0.61, green_um=0.535, blue_um=0.465, source="session.toml")
    assert config.target.kind == "layout"
    assert config.target.layout == "target.json"
    first, second = config.series
    assert first.magnification == 2.0
    assert first.stops == (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
    assert first.frames_per_stop == 7
    assert first.focus_steps_um == (20.0,) * 6
    assert first.frames == "2x/*.dng"
    assert first.light == "flash"
    assert second.stops == (8.0, 4.0)  # unsorted: the order they were shot in
    assert (second.focus_steps_um, second.light) == ((0.0, 0.0), "")
    assert pickle.loads(pickle.dumps(config)) == config  # goes to worker processes


def test_a_focus_step_may_be_given_for_each_stop() -> None:
    text = EXAMPLE.replace("focus_step_um = 20", "focus_step_um = [12.5, 15, 20, 25, 0, 40]")
    series = parse_session(text, "session.toml").series[0]
    assert series.focus_steps_um == (12.5, 15.0, 20.0, 25.0, 0.0, 40.0)
    assert [series.focus_step_um(stop) for stop in (16.0, 11.0, 5.6, 6.3)] == [40, 0, 20, 0]
    with pytest.raises(ValueError, match="one step for each stop"):
        replace(series, focus_steps_um=(20.0,))


def test_optional_keys_have_their_documented_defaults() -> None:
    text = EXAMPLE
    for line in ("focal_length_mm = 75", "pupil_ratio = 1.25", "blades = 8"):
        text = text.replace(line, "")
    text = text.replace('exif_f_number = "marked"', "")
    text = text.replace("[light]", "").replace(
        "wavelength_um = { red = 0.610, green = 0.535, blue = 0.465 }", ""
    )
    text = text.replace('layout = "target.json"', 'kind = "blade"')
    config = parse_session(text, "session.toml")
    assert config.lens.focal_length_mm is None
    assert config.lens.pupil_ratio is None
    assert config.lens.blades is None
    assert config.lens.exif_f_number == "absent"
    assert config.light.wavelength_um == {"red": 0.600, "green": 0.530, "blue": 0.460}
    assert config.light.source == "default"
    assert (config.target.kind, config.target.layout) == ("blade", None)


def test_a_partly_given_light_says_so() -> None:
    text = EXAMPLE.replace("{ red = 0.610, green = 0.535, blue = 0.465 }", "{ green = 0.55 }")
    light = parse_session(text, "session.toml").light
    assert (light.red_um, light.green_um) == (0.600, 0.55)
    assert "green" in light.source and "default" in light.source


def test_byte_order_mark_and_windows_line_ends_are_read(tmp_path: Path) -> None:
    content = b"\xef\xbb\xbf" + EXAMPLE.replace("\n", "\r\n").encode()
    (tmp_path / "session.toml").write_bytes(content)
    assert read_session(tmp_path).name == "Bellows rig, first light"


STOPS = "stops = [2.8, 4, 5.6, 8, 11, 16]"
WAVELENGTHS = "{ red = 0.610, green = 0.535, blue = 0.465 }"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        # unknown keys and tables: the nearest known one is named
        ("focal_length_mm", "focal_lenght_mm", ["[lens]", "focal_lenght_mm", "focal_length_mm?"]),
        ("pixel_pitch_um", "Pixel_Pitch_um", ["[body]", "mean pixel_pitch_um?"]),
        ("[light]", "[lights]", ["lights", "mean light?"]),
        ("frames_per_stop = 7", "frame_per_stop = 7", ["[[series]] (1 of 2)", "frames_per_stop?"]),
        ("blades = 8", "zzz = 8", ["[lens]", "zzz", "focal_length_mm, pupil_ratio"]),
        ("red = 0.610", "rot = 0.610", ["[light.wavelength_um]", "rot"]),
        ("blades = 8", '"a\\u001b[2Jb" = 8', ["[lens]", "\\x1b"]),
        # wrong types
        ("4.35", '"4.35"', ["[body] pixel_pitch_um", "number", "without quotes"]),
        ("4.35", "true", ["[body] pixel_pitch_um", "True"]),
        ("4.35", "1979-05-27", ["[body] pixel_pitch_um", "number"]),
        ('"Club body"', "7", ["[body] name", "text", "quotes"]),
        ('"Club body"', '"  "', ["[body] name", "empty"]),
        ('"Club body"', '"a\\u001b[2J"', ["[body] name", "\\x1b"]),
        ('"Club body"', '"' + "x" * 600 + '"', ["[body] name", "500"]),
        ("[35.9, 23.9]", "35.9", ["[body] sensor_mm", "list"]),
        ("[35.9, 23.9]", "[35.9]", ["[body] sensor_mm", "two"]),
        ("[35.9, 23.9]", '[35.9, "23.9"]', ["[body] sensor_mm", "number"]),
        ("blades = 8", "blades = 8.0", ["[lens] blades", "whole"]),
        ("blades = 8", "blades = true", ["[lens] blades", "whole"]),
        ("frames_per_stop = 7", "frames_per_stop = 7.5", ["frames_per_stop", "whole"]),
        (STOPS, "stops = 8", ["[[series]] (1 of 2) stops", "list"]),
        (STOPS, "stops = [8, [11]]", ["stops", "number"]),
        (WAVELENGTHS, "0.53", ["[light.wavelength_um]", "table"]),
        ('[session]\nname = "Bellows rig, first light"', "session = 3", ["[session]", "table"]),
        # out of range
        ("4.35", "0", ["[body] pixel_pitch_um", "more than 0"]),
        ("4.35", "-4.35", ["[body] pixel_pitch_um", "-4.35"]),
        ("4.35", "nan", ["[body] pixel_pitch_um", "nan"]),
        ("4.35", "inf", ["[body] pixel_pitch_um", "finite"]),
        ("4.35", "1" + "0" * 400, ["[body] pixel_pitch_um", "finite"]),
        ("magnification = 2.0", "magnification = 0.0", ["magnification", "more than 0"]),
        ("magnification = 2.0", "magnification = nan", ["magnification", "nan"]),
        ("focus_step_um = 20", "focus_step_um = -1", ["focus_step_um", "0 or more"]),
        ("focus_step_um = 20", "focus_step_um = nan", ["focus_step_um", "nan"]),
        ("focus_step_um = 20", "focus_step_um = [20, 30]", ["2 steps", "lists 6", "each stop"]),
        ("focus_step_um = 20", "focus_step_um = []", ["0 steps", "lists 6"]),
        (
            "focus_step_um = 20",
            "focus_step_um = [9, 9, 9, 9, 9, -1]",
            ["focus_step_um", "0 or more"],
        ),
        ("focus_step_um = 20", "focus_step_um = [9, 9, 9, 9, 9, '9']", ["must be a number"]),
        ("pupil_ratio = 1.25", "pupil_ratio = 0", ["[lens] pupil_ratio"]),
        ("focal_length_mm = 75", "focal_length_mm = -75", ["[lens] focal_length_mm"]),
        ("blades = 8", "blades = 2", ["[lens] blades", "3 to"]),
        ("frames_per_stop = 7", "frames_per_stop = 0", ["frames_per_stop", "1 to"]),
        ("frames_per_stop = 7", "frames_per_stop = 99999999999", ["frames_per_stop"]),
        ("red = 0.610", "red = 610", ["[light.wavelength_um] red", "0.530"]),
        ("red = 0.610", "red = -0.610", ["[light.wavelength_um] red"]),
        (STOPS, "stops = []", ["stops", "empty"]),
        (STOPS, "stops = [8, 11, 8.0]", ["stops", "8", "more than once"]),
        (STOPS, "stops = [8, nan]", ["stops", "nan"]),
        (STOPS, "stops = [8, 0]", ["stops", "more than 0"]),
        ('"marked"', '"Marked"', ["[lens] exif_f_number", "absent, marked, effective"]),
        # target
        ('layout = "target.json"', "", ["[target]", "both are missing"]),
        ('layout = "target.json"', 'layout = "t.json"\nkind = "blade"', ["exclude"]),
        ('layout = "target.json"', 'kind = "knife"', ["[target] kind", "blade", "knife"]),
        (
            'layout = "target.json"',
            'kind = "blade"\ntechnology = "Litho-Film"',
            [
                "[target] technology",
                "Litho-Film",
                ", litho-film, ",
                "chrome-on-glass",
                "blade, not",
            ],
        ),
        (
            'layout = "target.json"',
            'kind = "blade"\ntechnology = 3',
            ["[target] technology", "text"],
        ),
        ('layout = "target.json"', 'layout = "../target.json"', ["[target] layout", "leaves"]),
        ('layout = "target.json"', 'layout = "/etc/hosts"', ["[target] layout", "leaves"]),
        # frames patterns
        ('"2x/*.dng"', '"../*.dng"', ["frames", "leaves frames/"]),
        ('"2x/*.dng"', '"2x/../../*.dng"', ["frames", "leaves frames/"]),
        ('"2x/*.dng"', '"/2x/*.dng"', ["frames", "leaves frames/"]),
        ('"2x/*.dng"', '"C:/2x/*.dng"', ["frames", "leaves frames/"]),
        ('"2x/*.dng"', "'2x\\*.dng'", ["frames", "backslash"]),
        ('"2x/*.dng"', '"."', ["frames", "leaves frames/"]),
        ('"2x/*.dng"', '""', ["frames", "empty"]),
        ('"2x/*.dng"', '"2x/**.dng"', ["frames", "**"]),
        # missing
        ('name = "Club body"', "", ["[body] name", "missing"]),
        ("pixel_pitch_um = 4.35", "", ["[body] pixel_pitch_um", "missing"]),
        ("magnification = 2.0", "", ["[[series]] (1 of 2) magnification", "missing"]),
        (STOPS, "", ["[[series]] (1 of 2) stops", "missing"]),
        ('frames = "2x/*.dng"', "", ["[[series]] (1 of 2) frames", "missing"]),
        ('[target]\nlayout = "target.json"', "", ["[target]", "missing"]),
        # not TOML at all
        ('name = "Club body"', "name = Club body", ["not valid TOML", "line 5"]),
        ("[body]", "[body", ["not valid TOML"]),
        ("[lens]", "[body]", ["not valid TOML"]),
        ('"2x/*.dng"', '"2x\\*.dng"', ["not valid TOML"]),
    ],
)
def test_bad_values_are_named_with_place_and_mend(old: str, new: str, said: list[str]) -> None:
    assert old in EXAMPLE
    with pytest.raises(SessionError) as caught:
        parse_session(EXAMPLE.replace(old, new, 1), "my-session/session.toml")
    text = str(caught.value)
    assert text.startswith("my-session/session.toml")
    for words in said:
        assert words in text
    assert text.isprintable()
    assert len(text) < 600


@pytest.mark.parametrize("series", ["", "[series]\nmagnification = 2", "series = []", "series = 3"])
def test_series_need_double_brackets(series: str) -> None:
    rest = EXAMPLE[: EXAMPLE.index("[[series]]")]
    text = series + "\n" + rest if series.startswith("series") else rest + series
    with pytest.raises(SessionError, match=r"\[\[series\]\]"):
        parse_session(text, "session.toml")


def test_series_must_be_tables() -> None:
    rest = EXAMPLE[: EXAMPLE.index("[[series]]")]
    with pytest.raises(SessionError, match=r"\[\[series\]\] \(1 of 2\): this must be a table"):
        parse_session("series = [1, 2]\n" + rest, "session.toml")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("Caf\u00e9".encode("latin-1"), "UTF-8"),
        (EXAMPLE.encode("utf-16"), "UTF-8"),
        (bytes(range(256)) * 20, "UTF-8"),
        (b"\x00" * 1000, "TOML"),
        (b"", "[session]"),
        (b"a = " + b"[" * 100_000, "TOML"),
        (b"a = " + b"{a=" * 50_000, "TOML"),
        (b"a = 1" + b"0" * 10_000, "TOML"),
        (b"#" * 10_000_001, "10 MB"),
    ],
    ids=["latin-1", "utf-16", "binary", "zeros", "empty", "lists", "tables", "digits", "huge"],
)
def test_hostile_files_are_refused_in_words(tmp_path: Path, content: bytes, said: str) -> None:
    (tmp_path / "session.toml").write_bytes(content)
    with pytest.raises(SessionError) as caught:
        read_session(tmp_path)
    assert said in str(caught.value)
    assert "session.toml" in str(caught.value)


def test_very_long_list_of_stops_is_checked_in_reasonable_time() -> None:
    stops = ", ".join(str(i) for i in range(1, 100_000))
    start = time.perf_counter()
    parsed = parse_session(EXAMPLE.replace(STOPS, f"stops = [{stops}]"), "session.toml")
    assert len(parsed.series[0].stops) == 99_999
    assert time.perf_counter() - start < 5


def test_missing_folder_and_missing_file_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="no such folder"):
        read_session(tmp_path / "nowhere")
    with pytest.raises(SessionError, match=r"no session\.toml"):
        read_session(tmp_path)
    (tmp_path / "session.toml").mkdir()
    with pytest.raises(SessionError, match="no regular file"):
        read_session(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are a POSIX thing")
def test_a_pipe_does_not_block(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "session.toml")
    with pytest.raises(SessionError, match="no regular file"):
        read_session(tmp_path)


def test_the_targets_own_blur_may_be_stated() -> None:
    text = EXAMPLE.replace(
        'layout = "target.json"',
        'layout = "target.json"\nedge_blur_um = 0.8\nedge_blur_std_um = 0.2',
    )
    target = parse_session(text, "session.toml").target
    assert (target.edge_blur_um, target.edge_blur_std_um) == (0.8, 0.2)


def test_an_uncertainty_without_a_blur_is_refused() -> None:
    text = EXAMPLE.replace('layout = "target.json"', 'layout = "target.json"\nedge_blur_std_um = 1')
    with pytest.raises(SessionError, match="edge_blur_um"):
        parse_session(text, "session.toml")


@pytest.mark.parametrize("place", ['layout = "target.json"', 'kind = "blade"'])
def test_a_technology_states_the_targets_blur(place: str) -> None:
    text = EXAMPLE.replace('layout = "target.json"', f'{place}\ntechnology = "litho-film"')
    target = parse_session(text, "session.toml").target
    film = TECHNOLOGIES["litho-film"]
    assert target.technology == "litho-film"
    assert (target.edge_blur_um, target.edge_blur_std_um) == (film.blur_um, film.blur_std_um)
    assert target.edge_blur_std_um > 0
    # Not stated: a perfect edge, as ever.
    plain = parse_session(EXAMPLE, "session.toml").target
    assert (plain.technology, plain.edge_blur_um, plain.edge_blur_std_um) == (None, 0.0, 0.0)


@pytest.mark.parametrize(
    ("stated", "blur_um", "std_um"),
    [
        ("edge_blur_um = 0.8\nedge_blur_std_um = 0.15", 0.8, 0.15),
        ("edge_blur_um = 0.8", 0.8, TECHNOLOGIES["litho-film"].blur_std_um),
        ("edge_blur_std_um = 0.15", TECHNOLOGIES["litho-film"].blur_um, 0.15),
    ],
)
def test_what_is_stated_goes_before_the_technology(
    stated: str, blur_um: float, std_um: float
) -> None:
    text = EXAMPLE.replace(
        'layout = "target.json"', f'layout = "target.json"\ntechnology = "litho-film"\n{stated}'
    )
    target = parse_session(text, "session.toml").target
    assert (target.edge_blur_um, target.edge_blur_std_um) == (blur_um, std_um)
