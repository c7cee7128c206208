"""How sharp are the edges that each way of making a target gives?

Figures for planning, one record a technology: how blurred the edge is and how ragged, as
standard deviations in um on the target, with the range to expect and where the figures
come from. Hardly any edge figure is published; makers state tolerances of line width,
which say nothing about the edge. So each source says what it rests on, and the mend for
all of them is to measure your own target: ``lab.edges.target_quality`` does.

Left out: line width errors, flatness, contrast, size, price.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from targets.errors import TargetError
from targets.fidelity import edge_spread_um

__all__ = ["TECHNOLOGIES", "Technology", "technology"]

_GLASS = (
    "Glass plates have sharp edges and splinter: handle them by the faces or with gloves, "
    "wear eye protection when cutting; local rules come first."
)
_NO_CAUTION = "Nothing beyond what local rules ask of the printer and its inks or chemicals."


@dataclass(frozen=True, kw_only=True)
class Technology:
    """Edges that one way of making a target gives.

    Attributes
    ----------
    key : str
        For session.toml and the commands.
    name : str
        In plain words.
    blur_um : float
        Typical standard deviation of the edge's own spread. [um]
    blur_low_um, blur_high_um : float
        Range to expect. [um]
    raggedness_um : float
        Typical standard deviation of the contour about its line. [um]
    source : str
        What the figures rest on.
    caution : str
        What can hurt, and how to keep it from hurting.
    """

    key: str
    name: str
    blur_um: float
    blur_low_um: float
    blur_high_um: float
    raggedness_um: float
    source: str
    caution: str

    def __post_init__(self) -> None:
        if not 0 < self.blur_low_um <= self.blur_um <= self.blur_high_um < math.inf:
            raise ValueError("need 0 < blur_low_um <= blur_um <= blur_high_um")
        if not 0 <= self.raggedness_um < math.inf:
            raise ValueError("raggedness_um must be a finite number >= 0")

    @property
    def blur_std_um(self) -> float:
        """Standard uncertainty of the blur: anywhere in the range alike. [um].

        References
        ----------
        .. [1] JCGM 100:2008, 4.3.7: a rectangle's width over sqrt(12) (from memory).
        """
        return (self.blur_high_um - self.blur_low_um) / math.sqrt(12)

    @property
    def spread_um(self) -> float:
        """Typical blur and raggedness together. [um]."""
        return edge_spread_um(self.blur_um, self.raggedness_um)


# Blurriness is stated as 10 to 90 % width, 2.5631 standard deviations of a Gaussian
# (computed). Addressing alone scatters an edge by pitch / sqrt(12): 6.11 um at 1200 dots per
# inch, 3.06 um at 2400, 0.37 um at 20 000 (computed).
TECHNOLOGIES: Mapping[str, Technology] = MappingProxyType(
    {
        one.key: one
        for one in (
            Technology(
                key="office-print",
                name="office print on paper",
                blur_um=40.0,
                blur_low_um=20.0,
                blur_high_um=58.0,
                raggedness_um=12.0,
                source="from memory, weak: 10 to 90 % widths of 50 to 150 um (20 to 58 um as "
                "standard deviation) and raggedness of 5 to 20 um are called typical of office "
                "prints; their middles are taken",
                caution=_NO_CAUTION,
            ),
            Technology(
                key="photo-print",
                name="photo print on coated paper",
                blur_um=15.0,
                blur_low_um=6.1,
                blur_high_um=30.0,
                raggedness_um=5.0,
                source="common practice, no published source; the low end is addressing alone "
                "at 1200 dots per inch (pitch / sqrt(12) = 6.1 um, computed), the high end the "
                "size of paper fibres (10 to 30 um, electron micrographs, read), the rest guessed",
                caution=_NO_CAUTION,
            ),
            Technology(
                key="litho-film",
                name="film from an image setter",
                blur_um=1.0,
                blur_low_um=0.37,
                blur_high_um=3.0,
                raggedness_um=0.37,
                source="common practice, no published source for the edge; the low end and the "
                "raggedness are addressing at 20 000 dots per inch (pitch / sqrt(12) = 0.37 um, "
                "computed); a mask maker's tolerance of line width is 3 um (read): measure yours",
                caution="Film cuts like paper. " + _NO_CAUTION,
            ),
            Technology(
                key="emulsion-plate",
                name="emulsion on glass",
                blur_um=0.7,
                blur_low_um=0.3,
                blur_high_um=2.0,
                raggedness_um=0.3,
                source="common practice, no published source for the edge: guessed between film "
                "and chrome; a mask maker's tolerance of line width is 1 um (read): measure yours",
                caution=_GLASS,
            ),
            Technology(
                key="chrome-on-glass",
                name="chrome on glass",
                blur_um=0.2,
                blur_low_um=0.05,
                blur_high_um=0.4,
                raggedness_um=0.1,
                source="common practice, no published source for the edge: guessed from chrome "
                "0.10 to 0.125 um thick and a tolerance of line width of 0.1 um (a mask maker's "
                "table, read): measure yours",
                caution=_GLASS,
            ),
            Technology(
                key="blade",
                name="edge of a razor blade",
                blur_um=0.1,
                blur_low_um=0.05,
                blur_high_um=0.3,
                raggedness_um=0.2,
                source="from memory: a new blade's tip is 0.05 to 0.1 um round; nothing published "
                "was found for its straightness, which is guessed, and nicks are common: measure "
                "yours",
                caution="A blade cuts: keep it covered, mount it with the edge away from you, "
                "throw it away in a closed box; local rules come first.",
            ),
        )
    }
)


def technology(key: str) -> Technology:
    """The record of a technology.

    Parameters
    ----------
    key : str
        One of ``TECHNOLOGIES``.

    Raises
    ------
    TargetError
        If there is none of that name.
    """
    if key not in TECHNOLOGIES:
        raise TargetError(
            f"technology {key!r}: not known. Take one of {', '.join(TECHNOLOGIES)}, the nearest "
            "to how the target was made."
        )
    return TECHNOLOGIES[key]
