"""``stopwise trial-plan``: how many frames tell conditions apart, and a session to shoot them.

The number of tests that a trial makes is that of ``lab.inference.trial_analysis``: every
pair of conditions by keepers and by sharpness, corrected together.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.options import magnifications_of, pitch_um, positive, sensor_mm
from lab.cli.terminal import print_json, print_table, print_wrapped

if TYPE_CHECKING:
    from lab.session.trial_plan import TrialDesign

__all__ = ["trial_plan"]

_LEVEL = 0.05  # largest corrected p that counts as told apart, as in the analysis
_NAME_LIMIT = 40  # of a condition: a slate holds no more
_MOST_BLOCK = 100
_SEEDS = 100_000  # drawn from so many: short enough to copy by hand
# Keeper shares that are shown where none are asked for: invented, from much to little.
_TYPICAL = ((0.9, 0.8), (0.9, 0.7), (0.9, 0.6), (0.9, 0.4), (0.7, 0.4), (0.5, 0.2))
_SCALES = (0.75, 1.0, 1.25, 1.5)  # of the difference asked for


@dataclass(frozen=True, kw_only=True)
class _Line:
    """A difference: frames for the power asked for, and the power of some frames."""

    share_one: float
    share_other: float
    frames: int | None
    powers: dict[int, float]


@dataclass(frozen=True, kw_only=True)
class _Wish:
    """What is to be told, and among how many tests."""

    tell: tuple[float, float] | None
    power: float
    conditions: int

    @property
    def tests(self) -> int:
        """Pairs of conditions, by keepers and by sharpness."""
        return self.conditions * (self.conditions - 1)

    @property
    def alpha(self) -> float:
        """What the smallest p must not exceed: Holm's first step."""
        return _LEVEL / self.tests


def trial_plan(
    folder: Annotated[
        Path | None,
        typer.Argument(help="New or empty: a session is made there. Without it, figures alone."),
    ] = None,
    condition: Annotated[
        list[str] | None, typer.Option(help="Name of a condition; repeat, two or more.")
    ] = None,
    tell: Annotated[
        str | None, typer.Option(help="Shares of keepers to tell apart, like 0.9,0.6.")
    ] = None,
    power: Annotated[float, typer.Option(help="Chance to tell them apart.")] = 0.8,
    frames: Annotated[
        int | None,
        typer.Option(help="Of each condition.", show_default="from --tell, in whole blocks"),
    ] = None,
    magnification: Annotated[
        float | None, typer.Option("--magnification", "-m", help="Of the trial.")
    ] = None,
    stop: Annotated[float | None, typer.Option(help="On the ring.")] = None,
    pitch: Annotated[
        float | None, typer.Option(help="Pixel pitch in um.", show_default="4.35")
    ] = None,
    sensor: Annotated[
        str | None, typer.Option(help="Width x height in mm.", show_default="36x24")
    ] = None,
    pupil_ratio: Annotated[
        float | None, typer.Option(help="Exit over entrance pupil.", show_default="1")
    ] = None,
    reference: Annotated[
        str | None,
        typer.Option(
            help="Condition by which sharpness is judged.", show_default="the first of them"
        ),
    ] = None,
    block: Annotated[
        int | None, typer.Option(help="Frames shot in a run.", show_default="5")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(help="Of the order of shooting.", show_default="drawn")
    ] = None,
    name: Annotated[
        str | None, typer.Option(help="Of trial and session.", show_default="Trial")
    ] = None,
    raw_suffix: Annotated[
        str | None, typer.Option(help="Of raw files.", show_default="dng")
    ] = None,
    paper: Annotated[str | None, typer.Option(help="A4 or Letter.", show_default="A4")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Figures as JSON.")] = False,
) -> None:
    """Plan a trial of conditions, such as hand and stand, or flash and lamp.

    Says how many frames tell a difference in keepers. With a folder it makes a
    session: chart, slates, and a sheet of what to shoot in which order.

    Example: stopwise trial-plan --tell 0.9,0.6

    With a session: stopwise trial-plan hands -m 1 --stop 8 --tell 0.9,0.6
    --condition stand --condition "by hand"
    """
    from lab.errors import LabError

    if folder is None:
        own = {
            "-m": magnification,
            "--stop": stop,
            "--pitch": pitch,
            "--sensor": sensor,
            "--pupil-ratio": pupil_ratio,
            "--reference": reference,
            "--block": block,
            "--seed": seed,
            "--name": name,
            "--raw-suffix": raw_suffix,
            "--paper": paper,
        }
        given = [option for option, value in own.items() if value is not None]
        if given:
            raise LabError(f"{', '.join(given)}: for a session. Name a folder, or leave it out.")
    wish = _wish(tell, power, _conditions(condition))
    block = 5 if block is None else block
    if folder is not None:
        _check_session(condition, block, frames, tell)
    needed = _needed(wish, frames)
    count = frames if folder is None else _frames(wish, needed, frames, block)
    # With a session, differences that nobody asks for are beside the point.
    is_asked = folder is None or tell is not None
    lines = _lines(wish, needed if frames is None else frames) if is_asked else ()
    document: dict[str, Any] = {
        "conditions": wish.conditions,
        "tests": wish.tests,
        "alpha": wish.alpha,
        "power": wish.power,
        "tell": wish.tell,
        "frames_to_tell": needed,
        "lines": [asdict(line) for line in lines],
    }
    if folder is None or count is None:
        if as_json:
            print_json(document)
        else:
            _print_frames(wish, needed, lines)
        return
    design = _design(
        conditions=tuple(condition or ()),
        frames=count,
        block=block,
        magnification=magnification,
        stop=stop,
        pitch=4.35 if pitch is None else pitch,
        sensor="36x24" if sensor is None else sensor,
        pupil_ratio=pupil_ratio,
        reference=reference,
        seed=seed,
        name="Trial" if name is None else name,
    )
    files = _made(folder, design, paper or "A4", raw_suffix or "dng")
    if as_json:
        print_json({**document, **_design_document(design), "files": list(files)})
        return
    if lines:
        _print_frames(wish, needed, lines)
        typer.echo()
    _print_made(folder, design, wish, files)


def _check_session(
    condition: list[str] | None, block: int, frames: int | None, tell: str | None
) -> None:
    from lab.errors import LabError

    if not condition:
        raise LabError('--condition: give two or more, like --condition stand --condition "hand".')
    if not 1 <= block <= _MOST_BLOCK:
        raise LabError(f"--block {block}: give frames of a run, 1 to {_MOST_BLOCK}.")
    if frames is None and tell is None:
        raise LabError(
            "--frames: how many of each condition? Give it, or --tell 0.9,0.6 with the shares of "
            "keepers to tell apart."
        )


def _conditions(names: list[str] | None) -> int:
    """How many there are; two where none is named."""
    from lab.errors import LabError

    if not names:
        return 2
    if len(names) < 2:
        raise LabError(f"--condition {names[0]}: is alone. Give two or more.")
    for name in names:
        if not 0 < len(name) <= _NAME_LIMIT or not name.isprintable() or name != name.strip():
            raise LabError(
                f"--condition {name!r}: give 1 to {_NAME_LIMIT} printable characters without a "
                "space at either end."
            )
        if names.count(name) > 1:
            raise LabError(f"--condition {name}: is given twice. Give each once.")
    return len(names)


def _wish(tell: str | None, power: float, conditions: int) -> _Wish:
    from lab.errors import LabError

    if not 0 < power < 1:
        raise LabError(f"--power {power:g}: give a chance between 0 and 1, like 0.8.")
    shares = None
    if tell is not None:
        try:
            one, other = (float(part) for part in tell.split(","))
        except ValueError:
            one = other = -1.0
        if not (0 <= one <= 1 and 0 <= other <= 1):
            raise LabError(f"--tell {tell}: give two shares from 0 to 1, like 0.9,0.6.")
        if one == other:
            raise LabError(f"--tell {tell}: are equal. Give two different shares, like 0.9,0.6.")
        shares = (one, other)
    return _Wish(tell=shares, power=power, conditions=conditions)


def _needed(wish: _Wish, frames: int | None) -> int | None:
    """Frames of each condition that tell what is asked."""
    from lab.errors import LabError
    from lab.inference.proportions import MOST_FRAMES, frames_to_tell

    if frames is not None and not 1 <= frames <= MOST_FRAMES:
        raise LabError(f"--frames {frames}: give frames of each condition, 1 to {MOST_FRAMES}.")
    if wish.tell is None:
        return None
    return frames_to_tell(*wish.tell, power=wish.power, alpha=wish.alpha)


def _lines(wish: _Wish, about: int | None) -> tuple[_Line, ...]:
    """Differences near the one asked for, or typical ones."""
    from lab.inference.proportions import MOST_FRAMES, frames_to_tell, power

    pairs: Sequence[tuple[float, float]] = _TYPICAL
    if wish.tell is not None:
        one, other = wish.tell
        scaled = [(one, round(one + scale * (other - one), 4)) for scale in _SCALES]
        pairs = [pair for pair in scaled if 0 <= pair[1] <= 1]
    shown = [10, 20, 40, 80]
    if about is not None:
        near = {math.ceil(about * by) for by in (0.25, 0.5, 1, 2)}
        shown = sorted(n for n in near if n <= MOST_FRAMES)
    return tuple(
        _Line(
            share_one=one,
            share_other=other,
            frames=frames_to_tell(one, other, power=wish.power, alpha=wish.alpha),
            powers={n: power(n, one, other, wish.alpha) for n in shown},
        )
        for one, other in pairs
    )


def _frames(wish: _Wish, needed: int | None, frames: int | None, block: int) -> int:
    """Of each condition: as given, or whole blocks that hold what is needed."""
    from lab.errors import LabError
    from lab.inference.proportions import MOST_FRAMES

    if frames is not None:
        return frames
    if needed is None:
        assert wish.tell is not None
        raise LabError(
            f"--tell {wish.tell[0]:g},{wish.tell[1]:g}: takes more than {MOST_FRAMES} frames of "
            "each condition. Ask for a larger difference or a lower --power, or give --frames."
        )
    return block * math.ceil(needed / block)


def _design(
    *,
    conditions: tuple[str, ...],
    frames: int,
    block: int,
    magnification: float | None,
    stop: float | None,
    pitch: float,
    sensor: str,
    pupil_ratio: float | None,
    reference: str | None,
    seed: int | None,
    name: str,
) -> TrialDesign:
    import secrets

    from lab.errors import LabError
    from lab.session.config import Body
    from lab.session.rig import Rig, RigLens
    from lab.session.trial_plan import TrialDesign

    if magnification is None or stop is None:
        missing = "-m" if magnification is None else "--stop"
        raise LabError(f"{missing}: is missing. A trial has one of each, like -m 1 --stop 8.")
    if reference is not None and reference not in conditions:
        raise LabError(f"--reference {reference}: is none of {', '.join(conditions)}.")
    if seed is not None and seed < 0:
        raise LabError(f"--seed {seed}: give a whole number, 0 or more.")
    if not name.strip() or not name.isprintable() or len(name) > 100:
        raise LabError(f"--name {name!r}: give one line of at most 100 plain characters.")
    rig = Rig(
        name=name.strip(),
        body=Body(name="Body", pixel_pitch_um=pitch_um(pitch), sensor_mm=sensor_mm(sensor)),
        lens=RigLens(
            name="Lens",
            pupil_ratio=None
            if pupil_ratio is None
            else positive("--pupil-ratio", pupil_ratio, "1"),
        ),
        magnifications=magnifications_of((magnification,)),
        stops=(positive("--stop", stop, "8"),),
    )
    return TrialDesign(
        rig=rig,
        conditions=conditions,
        frames_per_condition=frames,
        reference=conditions[0] if reference is None else reference,
        block=block,
        seed=secrets.randbelow(_SEEDS) if seed is None else seed,
    )


def _made(folder: Path, design: TrialDesign, paper: str, raw_suffix: str) -> tuple[str, ...]:
    from lab.errors import LabError
    from lab.session.trial_plan import new_trial
    from targets.page import PAPERS_MM

    if paper not in PAPERS_MM:
        raise LabError(f"--paper {paper}: give {' or '.join(PAPERS_MM)}.")
    if not re.fullmatch(r"[A-Za-z0-9]{1,8}", raw_suffix):
        raise LabError(f"--raw-suffix {raw_suffix}: give letters and digits alone, like dng.")
    names = new_trial(folder, design, paper=paper, raw_suffix=raw_suffix)
    return tuple(str(folder / name) for name in names)


def _design_document(design: TrialDesign) -> dict[str, Any]:
    from lab.session.trial_plan import trial_order

    return {
        "names": list(design.conditions),
        "reference": design.reference,
        "frames_per_condition": design.frames_per_condition,
        "block": design.block,
        "seed": design.seed,
        "order": [asdict(run) for run in trial_order(design)],
    }


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _print_frames(wish: _Wish, needed: int | None, lines: Sequence[_Line]) -> None:
    from lab.inference.proportions import MOST_FRAMES

    chance = _percent(wish.power)
    if wish.tell is not None:
        one, other = wish.tell
        how_many = f"more than {MOST_FRAMES}" if needed is None else str(needed)
        print_wrapped(
            f"To tell {_percent(one)} keepers from {_percent(other)}, with a chance of {chance}: "
            f"{how_many} frames of each of {wish.conditions} conditions."
        )
        typer.echo()
    shown = list(lines[0].powers)
    typer.echo("Frames of each condition, and the chance to tell shares of keepers apart")
    print_table(
        ["keepers", f"frames for {chance}", *(f"with {n}" for n in shown)],
        [
            [
                f"{_percent(line.share_one)} or {_percent(line.share_other)}",
                f"over {MOST_FRAMES}" if line.frames is None else str(line.frames),
                *(_chance(line.powers[n]) for n in shown),
            ]
            for line in lines
        ],
    )
    pairs = wish.tests // 2
    print_wrapped(
        f"Counted for: {wish.conditions} conditions make {pairs} pair{'s' if pairs > 1 else ''}, "
        f"and 'stopwise trial' tests each by keepers and by sharpness. Among {wish.tests} tests "
        f"the smallest p must be {_LEVEL:g} / {wish.tests} = {wish.alpha:.2g} or less (Holm's "
        "first step); later ones have it easier. Test of keepers: mid-p of Fisher's exact test."
    )
    print_wrapped(
        "Taken for granted: every frame is a try of its own. Frames of one run resemble each "
        "other, so small blocks in many rounds are worth more than few long runs."
    )


def _chance(power: float) -> str:
    """Whole percent, never a certainty that it is not."""
    return ">99 %" if power > 0.99 else f"{100 * power:.0f} %"


def _print_made(folder: Path, design: TrialDesign, wish: _Wish, files: Sequence[str]) -> None:
    from lab.inference.proportions import power
    from lab.session.trial_plan import frames_folder, trial_order

    n, rounds = design.frames_per_condition, trial_order(design)[-1].round_number
    said = (
        f"{len(design.conditions)} conditions x {n} frames, "
        f"{rounds} round{'s' if rounds > 1 else ''} in runs of {min(design.block, n)}, order from "
        f"seed {design.seed}"
    )
    if wish.tell is not None:
        said += f"; chance to tell what you ask: {_chance(power(n, *wish.tell, wish.alpha))}"
    print_wrapped(said + ".")
    if rounds == 1:
        print_wrapped(
            "One round alone: whatever drifts meanwhile looks like a difference between "
            "conditions. Give a smaller --block."
        )
    if str(folder / "slates.pdf") not in files:
        print_wrapped(
            "No slates.pdf: codes too fine for a common printer, or cards too large for the paper. "
            "slates.html shows them on a phone; shorter names of conditions help."
        )
    for file in files:
        typer.echo(f"Made {file}")
    where = folder / "frames" / frames_folder(design.rig.name)
    print_wrapped(
        f"Next: shoot by order.pdf, put raw files and slates into {where}, then: "
        f"stopwise measure {folder}, and: stopwise trial {folder}"
    )
