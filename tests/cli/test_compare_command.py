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
from lab.inference.compare_input import KeptSession
from lab.session import compared_session
from tests.inference.compared import kept, session

app = typer.Typer()
app.command(name="compare")(guarded(command.compare))

HOSTILE = "<b>\x1b[31m\u202e🔬" + "x" * 10_000


@pytest.fixture
def stored(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """Sessions that are found under the names given to the command."""

    def store(**sessions: KeptSession) -> list[str]:
        monkeypatch.setattr(
            compared_session, "compared_session", lambda path, _tell: sessions[path.name]
        )
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


def test_own_names_stay_in_the_terminal_unless_asked_for(
    stored: Callable[..., list[str]], tmp_path: Path
) -> None:
    one = replace(quick("Enlarger"), source="attic-box", simulated=True)
    names = stored(one=one, two=quick("Bellows", scale=0.95))
    text = run(*names, "--out", tmp_path / "a").stdout
    assert "attic-box" in text and "Simulated: A. The frames were computed" in text
    page = (tmp_path / "a" / "index.html").read_text("utf-8")
    assert "attic-box" not in page and "Simulated: A." in page
    found = json.loads(run(*names, "--json").stdout)
    assert [s["source"] for s in found["sessions"]] == ["", ""]
    assert [s["simulated"] for s in found["sessions"]] == [True, False]
    run(*names, "--out", tmp_path / "b", "--names")
    assert "attic-box" in (tmp_path / "b" / "index.html").read_text("utf-8")


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


def test_loss_and_light_are_those_of_the_command(stored: Callable[..., list[str]]) -> None:
    names = stored(one=kept(session("Enlarger")), two=kept(session("Bellows", scale=0.97)))
    plain = json.loads(run(*names, "--json").stdout)
    other = json.loads(run(*names, "--json", "--loss", 20, "--same-light").stdout)
    deep, deeper = (found["magnifications"][0]["depth_at_optimum"] for found in (plain, other))
    assert deeper["values"][0]["value"] > 1.2 * deep["values"][0]["value"]
    wide, narrow = (
        found["magnifications"][0]["equal_stops"][0]["pairs"][0] for found in (plain, other)
    )
    assert narrow["high95"] < wide["high95"]
    assert "--same-light" in run(*names).stdout
    assert "its doubt cancels" in " ".join(run(*names, "--same-light").stdout.split())


def test_of_many_sessions_the_terminal_shows_the_first(stored: Callable[..., list[str]]) -> None:
    names = stored(**{f"s{k}": quick(f"Lens {k}", scale=1 - 0.002 * k) for k in range(60)})
    text = run(*names).stdout
    assert len(text.splitlines()) < 160 and max(map(len, text.splitlines())) <= 80
    assert "30 more sessions" in text
    assert "more pairs: data.csv and --json hold those with the first place" in text
    assert "So many pairs ask for much larger differences" in " ".join(text.split())
