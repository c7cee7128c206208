"""What may a reader choose on the page, and which of its parts does a choice hide?

A part of the page is whatever carries ``data-part``, a word of our own and never one of
the records. The controls are in the page from the start and ``hidden``: its script
(``reports.page_script``) shows and serves them. Without it everything is shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lab.inference.results import SessionResult
from lab.inference.trial_records import TrialResult
from reports import words
from reports.markup import text

__all__ = ["Parts", "controls", "parts_of", "series_part"]

_SHORT = 24  # characters of a name on a control
_FIGURES = (("stops", "MTF50 by stop"), ("mtf", "MTF curves"), ("focus", "Focus brackets"))
_LENS_FIGURES = (("field", "Centre to corners"), ("residuals", "Model's misfits"))
_TABLES = (("tables", "Tables"),)
_SWITCHES = (
    (
        "side",
        "Frequencies in tables of stops and places",
        (("image", "image side"), ("object", "object side")),
    ),
    ("stop", "Stops", (("marked", "marked"), ("effective", "effective f\u2011numbers"))),
)


@dataclass(frozen=True, kw_only=True)
class Parts:
    """Parts of a page: for each its word in ``data-part`` and its name, as plain text."""

    series: tuple[tuple[str, str], ...]
    figures: tuple[tuple[str, str], ...]
    colours: tuple[tuple[str, str], ...]
    more: tuple[tuple[str, str], ...]

    def colour(self, channel: str) -> str:
        """The part of a raw colour."""
        return next(part for part, name in self.colours if name == channel)


def series_part(magnification: float) -> str:
    """The part of everything that speaks of one magnification alone.

    >>> series_part(2.5)
    'at-2-5'
    """
    return "at-" + f"{magnification:g}".replace(".", "-").replace("+", "")


def parts_of(
    result: SessionResult, trials: Sequence[TrialResult] = (), *, with_truth: bool = False
) -> Parts:
    """The parts of a session's page."""
    measured = [one for one in result.series if one.points]
    lens = () if result.lens is None else result.lens.series
    in_lens = tuple(
        figure
        for figure, of in zip(_LENS_FIGURES, ("field", "residuals"), strict=True)
        if any(getattr(one, of) for one in lens)
    )
    channels = dict.fromkeys(colour.channel for one in measured for colour in one.colours)
    more = [("lens", "The lens")] if result.lens is not None else []
    more += [(f"trial-{i}", f"Trial {one.name}") for i, one in enumerate(trials, start=1)]
    more += [("truth", "Simulated truth")] if with_truth else []
    return Parts(
        series=tuple(
            (series_part(one.magnification), words.magnification_words(one.magnification))
            for one in result.series
        ),
        figures=(*(_FIGURES if measured else ()), *in_lens, *(_TABLES if measured or lens else ())),
        colours=tuple((f"colour-{i}", name) for i, name in enumerate(channels, start=1)),
        more=tuple(more),
    )


def controls(parts: Parts) -> str:
    """The controls as HTML, to be hidden until the script shows them."""
    groups = (
        ("Magnifications", parts.series),
        ("Figures and tables", parts.figures),
        ("Colours", parts.colours),
        ("Sections", parts.more),
    )
    boxes = "\n".join(_boxes(legend, ones) for legend, ones in groups if ones)
    switches = "\n".join(
        f"<fieldset><legend>{legend}</legend><div>"
        + "".join(
            f'<label><input type="radio" name="{name}" value="{value}" autocomplete="off"'
            f"{' checked' if k == 0 else ''}>{said}</label>"
            for k, (value, said) in enumerate(values)
        )
        + "</div></fieldset>"
        for name, legend, values in _SWITCHES
    )
    return (
        '<div class="view" id="view" hidden>\n<details><summary>Choose what is shown</summary>\n'
        f'<div class="choices">\n{boxes}\n{switches}\n</div></details>\n'
        '<p role="status"></p>\n</div>'
    )


def _boxes(legend: str, ones: Sequence[tuple[str, str]]) -> str:
    labels = "".join(
        f'<label><input type="checkbox" value="{part}" autocomplete="off" checked>'
        f"{text(_short(name))}</label>"
        for part, name in ones
    )
    return f"<fieldset><legend>{legend}</legend><div>{labels}</div></fieldset>"


def _short(name: str) -> str:
    return name if len(name) <= _SHORT else name[: _SHORT - 1] + "\N{HORIZONTAL ELLIPSIS}"
