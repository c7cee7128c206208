"""Does the optical model describe the frames? What is left of each, as SVG text.

Every frame and colour is a dot: measured less modelled MTF, mean over its
frequencies, against its defocus. Noise scatters them evenly about zero; a bend or a
step says that the model lacks something. Nothing is measured here.
"""

from __future__ import annotations

import numpy as np

from lab.inference.results import LensSeries
from reports import drawing, words
from reports.drawing import PALETTE, Drawing

__all__ = ["draw_residuals"]

_LEAST_SPAN = 2.0  # percent of MTF: smaller misfits look as small as they are
_SHARE = 95.0


def draw_residuals(series: LensSeries, *, name: str = "residuals") -> Drawing | None:
    """Residuals of one magnification's frames, one panel a stop.

    Parameters
    ----------
    series : LensSeries
    name : str
        Prefix of the identifiers in the SVG; distinct within one page.

    Returns
    -------
    Drawing or None
        None where no frame was fitted.
    """
    if not series.residuals:
        return None
    stops = sorted({one.marked_stop for one in series.residuals})
    left = np.array([100 * one.mtf for one in series.residuals])
    span = max(_LEAST_SPAN, 1.1 * float(np.quantile(np.abs(left), 0.99)))
    with drawing.style():
        figure, panels = drawing.panels(
            len(stops), "defocus from paraxial focus, waves", "measured less model, % of MTF"
        )
        for axes, stop in zip(panels, stops, strict=True):
            here = [one for one in series.residuals if one.marked_stop == stop]
            axes.axhline(0, color=PALETTE["quiet"], linewidth=0.8)
            axes.plot(
                [one.defocus_waves for one in here],
                np.clip([100 * one.mtf for one in here], -span, span),
                "o",
                markersize=2.6,
                color=PALETTE["measured"],
            )
            axes.set_ylim(-1.1 * span, 1.1 * span)
            axes.text(
                *(0.97, 0.93, words.marked_stop(stop)),
                transform=axes.transAxes,
                ha="right",
                va="top",
                weight="bold",
            )
        within = float(np.quantile(np.abs(left), _SHARE / 100))
        finding = (
            f"At {words.magnification_words(series.magnification)} the model meets {_SHARE:g} % of "
            f"{left.size} readings (one per frame and colour) within {words.number(within, 1)} "
            "percent points of MTF; dots that bend away from zero would show what it lacks."
        )
        alternative = (
            f"{len(stops)} graphs, one for each stop, of measured less modelled MTF against "
            f"defocus. {finding}"
        )
        return drawing.drawing(figure, name, finding, alternative)
