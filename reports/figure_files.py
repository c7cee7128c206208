"""Which figures does a session give, each as a file of its own to show elsewhere?

``write_figures``: an SVG and a PNG for every figure of the report, named by what it
states, and ``captions.txt`` with the finding of each and its uncertainty. No word of the
records enters a file's name. The same result gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from textwrap import fill

from lab.inference.results import LensSeries, SeriesResult, SessionResult
from lab.inference.trial_records import TrialResult
from reports.drawing import Draw, Drawing, Drawings
from reports.field_figure import draw_field
from reports.figures import draw_focus, draw_mtf
from reports.residual_figure import draw_residuals
from reports.short_names import with_short_names
from reports.stops_figure import draw_stops
from reports.trial_section import TRIAL_FIGURES
from reports.words import magnification_words, marked_stop

__all__ = ["CAPTIONS", "session_figures", "write_figures"]

CAPTIONS = "captions.txt"
_DPI = 200
_SERIES: tuple[tuple[str, Draw[SeriesResult]], ...] = (
    ("stops", draw_stops),
    ("mtf", draw_mtf),
    ("focus", draw_focus),
)
_LENS: tuple[tuple[str, Draw[LensSeries]], ...] = (
    ("field", draw_field),
    ("lens-residuals", draw_residuals),
)


def write_figures(
    result: SessionResult,
    trials: Sequence[TrialResult],
    folder: str | Path,
    *,
    drawings: Drawings | None = None,
) -> tuple[Path, ...]:
    """Write every figure of a session, and what each states.

    Parameters
    ----------
    result : SessionResult
    trials : sequence of TrialResult
    folder : str or Path
        Made if it does not exist; files of the same names are replaced.
    drawings : Drawings, optional
        Of the report, where it shows them elsewhere too.

    Returns
    -------
    tuple of Path
        What was written, ``captions.txt`` last.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written, captions = [], []
    for name, where, drawing in session_figures(result, trials, drawings):
        svg = '<?xml version="1.0" encoding="UTF-8"?>\n' + drawing.svg
        for suffix, content in (("svg", svg.encode()), ("png", drawing.png_bytes(_DPI))):
            written.append(folder / f"{name}.{suffix}")
            written[-1].write_bytes(content)
        captions.append(f"{name}.svg, {name}.png\n{where}\n{_lines(drawing.caption)}\n")
    written.append(folder / CAPTIONS)
    written[-1].write_text("\n".join(captions), encoding="utf-8", newline="\n")
    return tuple(written)


def session_figures(
    result: SessionResult, trials: Sequence[TrialResult], drawings: Drawings | None = None
) -> Iterator[tuple[str, str, Drawing]]:
    """Each figure with the name of its files, and the session and rig it belongs to."""
    drawings = Drawings() if drawings is None else drawings
    result, trials = with_short_names(result, trials)
    rig = f"{result.name}: {result.lens_name} on {result.body_name}"
    names: set[str] = set()
    for series in result.series:
        where = f"{rig}, {magnification_words(series.magnification)}"
        for kind, draw in _SERIES:
            name = _free(f"{kind}-{_at(series.magnification)}", names)
            yield from _drawn(name, where, drawings.of(draw, series, name))
    for one in () if result.lens is None else result.lens.series:
        where = f"{rig}, {magnification_words(one.magnification)}"
        for kind, draw_lens in _LENS:
            name = _free(f"{kind}-{_at(one.magnification)}", names)
            yield from _drawn(name, where, drawings.of(draw_lens, one, name))
    for index, trial in enumerate(trials, start=1):
        where = (
            f"{rig}, trial {trial.name}, {magnification_words(trial.magnification)}, "
            f"{marked_stop(trial.marked_stop)}"
        )
        for kind, draw_trial in TRIAL_FIGURES.items():
            name = f"trial-{index}-{kind}"
            yield from _drawn(name, where, drawings.of(draw_trial, trial, name))


def _drawn(name: str, where: str, drawing: Drawing | None) -> Iterator[tuple[str, str, Drawing]]:
    if drawing is not None:
        yield name, where, drawing


def _lines(caption: str) -> str:
    """A caption in lines; a number stays beside its sign."""
    bound = caption.replace(" %", "\xa0%").replace("± ", "±\xa0")
    return fill(bound, 88).replace("\xa0", " ")


def _at(magnification: float) -> str:
    """``2x``, ``2.5x``: a magnification in a file's name."""
    return f"{magnification:g}x"


def _free(name: str, names: set[str]) -> str:
    """The name, or where two series share a magnification the next free one."""
    free, ordinal = name, 1
    while free in names:
        ordinal += 1
        free = f"{name}-{ordinal}"
    names.add(free)
    return free
