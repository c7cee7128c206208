"""Everything a trial needs before the first frame: its order of shooting, in one new folder.

Runs of frames are shot in rounds. Every round holds each condition once, in an order drawn
anew, so that hands that tire and light that moves favour no condition (randomised complete
blocks: common practice in the design of experiments, no source opened). A slate goes
before every run, and says the condition.

The folder is that of ``lab.session.new_session`` with a ``[[trial]]`` in place of the
series, ``order.pdf`` in place of the shot list, and the slates. Nothing that is there
already is overwritten, and a trial that turns out impossible leaves nothing behind.

Left out: how many frames are enough (``lab.inference.proportions``).
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from lab.errors import SessionError
from lab.session.config import parse_session
from lab.session.new_session import new_session, session_text
from lab.session.plan import plan_rig
from lab.session.rig import Rig
from lab.session.target_need import focused_edge_um
from targets import TargetError, slate_pages, write_pdf
from targets.files import save_bytes
from targets.order_sheet import Run, order_pages
from targets.page import Page
from targets.slate_page import slate_page
from targets.slates import Slate, SlateCard, slate_card

__all__ = [
    "TrialDesign",
    "frames_folder",
    "new_trial",
    "shooting_order",
    "trial_cards",
    "trial_order",
    "trial_sheet",
    "trial_text",
]

_NOTES = (
    "Row by row: photograph the slate of that number, its code sharp and whole, then shoot.",
    "Frame and focus anew for every frame, as in use: each counts as a try of its own.",
    "Delete none and choose none, now or later. A frame too many or too few: write it down.",
    "Keep stop, target, distance and light as they are; change only what a condition names.",
    "Mind flash and bright LEDs at eye distance, and hot lamps. Local rules come first.",
)
_REMARKS = (
    "# exposure_s = 0.005  # shutter time; without it, what the camera wrote",
    "# flash_t01_s = 0.00025  # of a flash: how long it stays above a tenth of its peak",
    "# ambient_share = 0.05  # ambient light in all the light; or the condition without flash:",
    '# ambient = "..."',
)


@dataclass(frozen=True, kw_only=True)
class TrialDesign:
    """What is set against what, and how.

    Attributes
    ----------
    rig : Rig
        With one magnification and one stop; its name is the trial's.
    conditions : tuple of str
        Their names.
    frames_per_condition : int
        > 0
    reference : str
        The condition by which sharpness is judged.
    block : int
        Frames of one run; a condition's last run holds the rest. > 0
    seed : int
        Of the order. >= 0

    Raises
    ------
    ValueError
        If a number is outside its range, or the rig has more than one setting.
    """

    rig: Rig
    conditions: tuple[str, ...]
    frames_per_condition: int
    reference: str
    block: int
    seed: int

    def __post_init__(self) -> None:
        if len(self.rig.magnifications) != 1 or len(self.rig.stops) != 1:
            raise ValueError("a trial has one magnification and one stop")
        if self.frames_per_condition < 1 or self.block < 1 or self.seed < 0:
            raise ValueError("frames_per_condition and block must be >= 1, seed >= 0")


def shooting_order(
    conditions: Sequence[str],
    *,
    frames_per_condition: int,
    block: int,
    rng: np.random.Generator,
) -> tuple[Run, ...]:
    """Runs in randomised complete blocks.

    Parameters
    ----------
    conditions : sequence of str
        Their places are the numbers of their slates.
    frames_per_condition, block : int
        Frames of a condition in all, and in a run. > 0
    rng : numpy.random.Generator

    Returns
    -------
    tuple of Run
        In each round one run of every condition; runs of the last round hold what
        remains.

    Raises
    ------
    ValueError
        If a number is not above zero.
    """
    if frames_per_condition < 1 or block < 1:
        raise ValueError("frames_per_condition and block must be >= 1")
    return tuple(
        Run(
            round_number=number,
            slate_number=int(k) + 1,
            condition=conditions[k],
            frames=min(block, frames_per_condition - shot),
        )
        for number, shot in enumerate(range(0, frames_per_condition, block), start=1)
        for k in rng.permutation(len(conditions))
    )


def trial_order(design: TrialDesign) -> tuple[Run, ...]:
    """The order that the design's seed gives.

    Parameters
    ----------
    design : TrialDesign
    """
    return shooting_order(
        design.conditions,
        frames_per_condition=design.frames_per_condition,
        block=design.block,
        rng=np.random.default_rng(design.seed),
    )


def frames_folder(name: str) -> str:
    """Of a trial below ``frames/``: its name in plain letters."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "trial"


def trial_text(design: TrialDesign, *, raw_suffix: str = "dng") -> str:
    """Text of a session.toml for a trial.

    Parameters
    ----------
    design : TrialDesign
    raw_suffix : str
        As for ``session_text``.

    Raises
    ------
    ValueError
        If the suffix is no suffix.
    """
    # A name holds no line of its own, so the series begin where this line is.
    whole = session_text(plan_rig(design.rig), raw_suffix=raw_suffix)
    rig, _, _ = whole.partition("\n[[series]]\n")
    (m,), (stop,) = design.rig.magnifications, design.rig.stops
    lines = [
        "[[trial]]",
        f"name = {_quoted(design.rig.name)}",
        f"magnification = {m:g}",
        f"stop = {stop:g}",
        f'frames = "{frames_folder(design.rig.name)}/*.{raw_suffix}"',
        f"frames_per_condition = {design.frames_per_condition}",
        f"reference = {_quoted(design.reference)}  # what sharpness is judged by",
        f"# order.pdf: runs of {design.block}, seed {design.seed}; slates say the conditions",
    ]
    for k, name in enumerate(design.conditions):
        lines += ["[[trial.condition]]", f"name = {_quoted(name)}", *(_REMARKS if k == 0 else ())]
    return rig + "\n" + "\n".join(lines) + "\n"


def _quoted(name: str) -> str:
    """A basic string of TOML, which JSON's are too."""
    return json.dumps(name, ensure_ascii=False)


def trial_cards(design: TrialDesign) -> tuple[SlateCard, ...]:
    """A slate for each condition, in the order of the conditions.

    Parameters
    ----------
    design : TrialDesign

    Raises
    ------
    TargetError
        If a slate says what no code can hold, or is too blurred to be read.
    """
    (series,) = plan_rig(design.rig).series
    (point,) = series.points
    body = design.rig.body
    return tuple(
        slate_card(
            Slate(
                magnification=float(f"{series.magnification:g}"),
                marked_stop=point.marked_stop,
                condition=name,
            ),
            sensor_mm=body.sensor_mm,
            blur_sigma_object_um=focused_edge_um(
                effective_f_number=point.effective_f_number,
                magnification=series.magnification,
                pixel_pitch_um=body.pixel_pitch_um,
            ),
        )
        for name in design.conditions
    )


def trial_sheet(design: TrialDesign, *, paper: str = "A4") -> tuple[Page, ...]:
    """The order of shooting, to print.

    Parameters
    ----------
    design : TrialDesign
    paper : str
        "A4" or "Letter".

    Raises
    ------
    ValueError
        If the paper is unknown.
    """
    runs = trial_order(design)
    (m,), (stop,) = design.rig.magnifications, design.rig.stops
    n, rounds = design.frames_per_condition, runs[-1].round_number
    setting = (
        f"{m:g}x at f/{stop:g}, {len(design.conditions)} conditions, {n} frames of each in "
        f"{rounds} round{'s' if rounds > 1 else ''}, to frames/{frames_folder(design.rig.name)}.",
        f"Seed of the order: {design.seed}. Keep to this order.",
    )
    return order_pages(runs, name=design.rig.name, notes=(*setting, *_NOTES), paper=paper)


def new_trial(
    folder: Path, design: TrialDesign, *, paper: str = "A4", raw_suffix: str = "dng"
) -> tuple[str, ...]:
    """Make a session folder for a trial.

    Parameters
    ----------
    folder : Path
        New or empty.
    design : TrialDesign
    paper, raw_suffix : str
        As for ``new_session``.

    Returns
    -------
    tuple of str
        What was made, relative to the folder. ``slates.pdf`` is not among it where no
        printer could make the codes; ``slates.html`` has them.

    Raises
    ------
    SessionError
        If the folder holds anything already, or the conditions are such that no session
        may hold them.
    TargetError
        If no chart or slate can be made.
    ValueError
        If paper or suffix are unknown.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise SessionError(f"{folder}: is there already and not empty. Name a new folder.")
    text = trial_text(design, raw_suffix=raw_suffix)
    parse_session(text, "session.toml")  # what we write, we read
    cards, name = trial_cards(design), design.rig.name
    with TemporaryDirectory() as elsewhere:
        made = Path(elsewhere) / "session"
        new_session(made, plan_rig(design.rig), paper=paper, raw_suffix=raw_suffix)
        # The chart stays; what a bracket needs goes.
        (made / "shot-list.pdf").unlink()
        shutil.rmtree(made / "frames")
        (made / "frames" / frames_folder(name)).mkdir(parents=True)
        save_bytes(text.encode(), made / "session.toml")
        write_pdf(trial_sheet(design, paper=paper), made / "order.pdf")
        save_bytes(slate_page(cards, name=name).encode(), made / "slates.html")
        sheets = _printable(cards, name, paper)
        if sheets:
            write_pdf(sheets, made / "slates.pdf")
        files = sorted(path.name for path in made.iterdir() if path.is_file())
        shutil.copytree(made, folder, dirs_exist_ok=True)
    return (*files, f"frames/{frames_folder(name)}/")


def _printable(cards: Sequence[SlateCard], name: str, paper: str) -> tuple[Page, ...]:
    """Sheets of slates; none where codes are too fine for a printer."""
    try:
        return slate_pages(cards, name=name, paper=paper)
    except TargetError:
        return ()
