"""``stopwise compare`` as a user meets it."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from lab.cli import compare as command
from lab.cli.terminal import guarded
from lab.errors import LabError
from lab.inference.compare import KeptSession
from tests.inference.compared import kept, session

app = typer.Typer()
app.command(name="compare")(guarded(command.compare))

HOSTILE = "<b>\x1b[31m\u202e🔬" + "x" * 10_000


@pytest.fixture
def stored(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """Sessions that are found under the names given to the command."""

    def store(**sessions: KeptSession) -> list[str]:
        monkeypatch.setattr(command, "kept_session", lambda path: sessions[path.name])
        return list(sessions)

    return store


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "80"})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def quick(lens: str, **of: object) -> KeptSession:
    return kept(session(lens, model=False, **of))


def test_the_terminal_says_each_verdict_in_80_columns(stored: Callable[..., list[str]]) -> None:
    names = stored(one=quick("Enlarger"), two=quick("Bellows", scale=0.95), three=quick(HOSTILE))
    result = run(*names)
    assert result.exit_code == 0
    text = result.stdout
    assert max(map(len, text.splitlines())) <= 80
    assert "A is sharper than B by 5.3 % (95 %: 2.8 to 7.8)" in text
    assert "A and C cannot be told apart" in text
    assert "\x1b" not in text and "\u202e" not in text
    assert "1: A and C (tied); 3: B" in text
    assert "No lens was measured in two sessions" in text


def test_out_writes_page_and_table(stored: Callable[..., list[str]], tmp_path: Path) -> None:
    names = stored(one=kept(session("Enlarger")), two=kept(session(HOSTILE, scale=0.97)))
    out = tmp_path / "new" / "compare"
    result = run(*names, "--out", out, "--depth", 300)
    assert result.exit_code == 0 and "index.html" in result.stdout
    page = (out / "index.html").read_text("utf-8")
    assert "300 µm of depth" in page and "<b>" not in page
    with (out / "data.csv").open(newline="", encoding="utf-8") as file:
        held = [row for row in csv.DictReader(file) if row["question"] == "held"]
    assert {row["depth_um"] for row in held} == {"300"}
    first = (out / "index.html").read_bytes()
    run(*names, "--out", out, "--depth", 300)
    assert (out / "index.html").read_bytes() == first


def test_json_holds_every_figure(stored: Callable[..., list[str]]) -> None:
    names = stored(one=quick("Enlarger"), two=quick("Bellows", scale=0.95))
    found = json.loads(run(*names, "--json").stdout)
    (size,) = found["magnifications"]
    assert size["optimum"]["pairs"][0]["told_apart"] is True
    assert found["sessions"][1]["letter"] == "B"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["one"], "one session alone"),
        (["one", "two", "--depth", "0"], "--depth 0"),
        (["one", "two", "--depth", "nan"], "--depth nan"),
        (["one", "empty"], "no stop of this session was measured"),
    ],
)
def test_refused(stored: Callable[..., list[str]], arguments: list[str], says: str) -> None:
    empty = session("Nothing", model=False)
    stored(one=quick("Enlarger"), two=quick("Bellows"), empty=kept(replace(empty, series=())))
    result = run(*arguments)
    assert result.exit_code == 2
    (message,) = (line for line in result.stderr.splitlines() if line.startswith("stopwise: "))
    assert says in message
    assert result.stdout == ""


def test_out_must_not_be_a_file(stored: Callable[..., list[str]], tmp_path: Path) -> None:
    names = stored(one=quick("Enlarger"), two=quick("Bellows"))
    there = tmp_path / "there"
    there.write_text("mine")
    result = run(*names, "--out", there)
    assert result.exit_code == 2 and "is a file" in result.stderr
    assert there.read_text() == "mine"


def test_nothing_shared_exits_1(stored: Callable[..., list[str]]) -> None:
    names = stored(one=quick("Enlarger", sizes=(1.0,)), two=quick("Bellows", sizes=(4.0,)))
    result = run(*names)
    assert result.exit_code == 1
    assert "Not shared" in result.stdout


def test_a_missing_session_and_one_not_measured_are_named(tmp_path: Path) -> None:
    with pytest.raises(LabError, match="no such folder or file"):
        command.kept_session(tmp_path / "gone")
    (tmp_path / "empty").mkdir()
    with pytest.raises(LabError, match=r"session\.toml"):
        command.kept_session(tmp_path / "empty")
    (tmp_path / "not.zip").write_text("no archive")
    with pytest.raises(LabError):
        command.kept_session(tmp_path / "not.zip")
