"""How near does lab/optics come to published values and closed forms?

Each table holds numbers from outside, where they come from, how the lab computes the
same, and the deviation allowed: half a unit of the last printed digit unless a note
says why not. The tests assert the tables; as a command this module lists each table's
worst deviation, from the repository's root:

    python -m tests.optics.published

"Independent quadrature" marks digits computed outside this repository in many-digit
arithmetic, from the named formula, for want of a printed table. Relations "from memory"
were not looked up again. Frequencies ``s`` are fractions of the cut-off, lengths are in
1 / cut-off (wavelength x effective f-number), aberrations in waves at the rim.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, minimize_scalar

from lab.edges.types import FloatArray
from lab.optics.edge_profile import EdgeProfile
from lab.optics.exposure import ambient_share, blur_budget_um, flash_as_rectangle_s
from lab.optics.geometry import depth_of_field, effective_f_number
from lab.optics.movement import linear_otf, mixed_otf, oscillating_otf, pulse_otf
from lab.optics.pupil import (
    aberrated_otf,
    annular_pupil_mtf,
    clear_pupil_mtf,
    clear_pupil_slope,
)
from lab.optics.sensor import pixel_mtf
from lab.optics.system import Band, crossing, diffraction_mtf50
from targets.fidelity import gaussian_mtf

__all__ = [
    "EDGE",
    "GEOMETRY",
    "MOVEMENT",
    "PUPIL",
    "S50",
    "SYSTEM",
    "Table",
    "integral",
    "strehl",
    "truncated_mtf50",
]

S50 = 0.4039727533  # clear pupil, independent quadrature

_GOODMAN = "Goodman, Introduction to Fourier Optics, ch. 6; Born & Wolf, 9.5 (from memory)"
_ONEILL = "O'Neill, J. Opt. Soc. Am. 46, 285 (1956) (from memory)"
_HOPKINS = "Hopkins, Proc. R. Soc. Lond. A 231, 91 (1955) (from memory)"
_QUADRATURE = "; digits: independent quadrature"


@dataclass(frozen=True, kw_only=True, eq=False)
class Table:
    """Outside values, their source, and the lab's own computation of them."""

    title: str
    source: str
    expected: Sequence[float]
    allowed: float
    computed: Callable[[], npt.ArrayLike]

    def deviation(self) -> FloatArray:
        return np.abs(np.asarray(self.computed()) - np.asarray(self.expected))


def integral(transfer: Callable[[FloatArray], FloatArray], power: int) -> float:
    """Integral over s from 0 to 1 of ``transfer(s) s**power``."""
    node, weight = np.polynomial.legendre.leggauss(200)
    v = (node + 1) / 2  # s = 1 - v**2 takes the root out of the end at s = 1
    s = 1 - v * v
    return float((transfer(s) * s**power * v) @ weight)


def strehl(w20: float, w040: float = 0.0) -> float:
    """Strehl ratio: volume under the OTF over that of the clear pupil, whose moment is 1/8."""
    return 8 * integral(lambda s: aberrated_otf(s, w20, w040), 1)


def truncated_mtf50(
    edge: Callable[[FloatArray], FloatArray], reach: float, full_step: bool
) -> float:
    """MTF50 of an edge profile cut at +-reach, divided by its own or by the full step."""
    node, weight = np.polynomial.legendre.leggauss(500)  # 100 waves within the longest reach
    x, weight = reach * (node + 1) / 2, weight * reach / 2
    above = edge(x) - 0.5  # the dark side is its mirror
    step = 2 * float(edge(np.array(reach)) - 0.5)

    def transfer(f: FloatArray) -> FloatArray:
        # Transform of the line spread within +-reach, by parts: only the edge is needed.
        sine = 2 * np.sin(2 * np.pi * np.outer(f, x)) @ (weight * above)
        cut = step * np.cos(2 * np.pi * f * reach) + 2 * np.pi * f * sine
        return np.asarray(cut if full_step else cut / step)

    found = crossing(transfer, 0.5, 1.0)
    assert found is not None
    return found


def _s50(transfer: Callable[[FloatArray], FloatArray]) -> float:
    found = crossing(transfer, 0.5, 1.0)
    assert found is not None
    return found


def _best_focus(s: float, w040: float) -> float:
    """Defocus that gives the highest transfer at one frequency."""
    found = minimize_scalar(
        lambda w20: -float(aberrated_otf(s, w20, w040)),
        bounds=(-2 * w040, 0),
        method="bounded",
        options={"xatol": 1e-8},
    )
    return float(found.x)


_TENTHS = np.arange(1, 10) / 10
_SOME = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 0.9])

_ANNULUS = {  # obstruction: at _SOME, then s50
    0.2: (0.8422174, 0.6948542, 0.5664976, 0.4423246, 0.3673975, 0.1959588, 0.0389438, 0.3530533),
    0.3: (0.8191330, 0.6448124, 0.4877337, 0.3814898, 0.3370822, 0.2067257, 0.0410836, 0.2912625),
    0.5: (0.7462048, 0.4976240, 0.3058916, 0.2414423, 0.2235963, 0.2220550, 0.0498481, 0.1990269),
}
_DEFOCUS = {  # W20: at _SOME, then s50, then Strehl ratio sinc(W20)**2
    0.25: (
        *(0.8388603, 0.6585795, 0.5015696, 0.3794217, 0.2874683, 0.1524892, 0.0360281),
        *(0.3011251, 0.8105695),
    ),
    0.5: (
        *(0.7420891, 0.4348190, 0.2292645, 0.1256908, 0.0846088, 0.0728076, 0.0321611),
        *(0.1765175, 0.4052847),
    ),
    0.75: (
        *(0.5974800, 0.1763983, -0.0000090, -0.0373435, -0.0327053, 0.0048309, 0.0263661),
        *(0.1192594, 0.0900633),
    ),
    1.0: (
        *(0.4266458, -0.0144137, -0.0695150, -0.0368870, -0.0200725, -0.0173027, 0.0194870),
        *(0.0894844, 0.0),
    ),
}
_SPHERICAL = {  # W040 = -W20: at s = 0.1, 0.3, 0.5, 0.7, then s50, then Strehl ratio
    0.5: (0.8489113, 0.5799799, 0.3714487, 0.1801278, 0.3706351, 0.9464416),
    1.0: (0.7812588, 0.4618867, 0.3172242, 0.1581621, 0.2676084, 0.8003048),
    2.0: (0.5657073, 0.1528089, 0.1569679, 0.0952987, 0.1174088, 0.3947413),
}


def _annulus(obstruction: float) -> list[float]:
    def transfer(s: FloatArray) -> FloatArray:
        return annular_pupil_mtf(s, obstruction)

    return [*transfer(_SOME), _s50(transfer)]


def _aberrated(s: FloatArray, w20: float, w040: float) -> list[float]:
    def transfer(s: FloatArray) -> FloatArray:
        return aberrated_otf(s, w20, w040)

    return [*transfer(s), _s50(transfer), strehl(w20, w040)]


PUPIL = [
    Table(
        title="clear pupil, MTF at s = 0.1 ... 0.9",
        source=_GOODMAN + _QUADRATURE,
        expected=(
            *(0.8728886, 0.7470601, 0.6238377, 0.5046316, 0.3910022),
            *(0.2847570, 0.1881204, 0.1040880, 0.0373861),
        ),
        allowed=5e-8,
        computed=lambda: clear_pupil_mtf(_TENTHS),
    ),
    Table(
        title="clear pupil, s where the MTF is 0.9 ... 0.1",
        source=_GOODMAN + _QUADRATURE,
        expected=(
            *(0.0786209, 0.1577362, 0.2378824, 0.3196915, 0.4039728),
            *(0.4918618, 0.5851374, 0.6870488, 0.8053836),
        ),
        allowed=5e-8,
        computed=lambda: [crossing(clear_pupil_mtf, level, 1.0) for level in _TENTHS[::-1]],
    ),
    Table(
        title="clear pupil, s50 to ten digits",
        source=_GOODMAN + _QUADRATURE,
        expected=(S50,),
        allowed=5e-11,
        computed=lambda: [_s50(clear_pupil_mtf)],
    ),
    Table(
        title="clear pupil, slope at 0 and at s50",
        source="closed form -(4 / pi) sqrt(1 - s**2)" + _QUADRATURE,
        expected=(-1.2732395, -1.1647226),
        allowed=5e-8,
        computed=lambda: clear_pupil_slope([0.0, S50]),
    ),
    Table(
        title="clear pupil, shift of MTF50 in % for 0.01 of MTF",
        source="0.01 / (slope s50)" + _QUADRATURE,
        expected=(2.12533,),
        allowed=5e-6,
        computed=lambda: -1 / (clear_pupil_slope([S50]) * S50),
    ),
    Table(
        title="clear pupil, area under the MTF, 4 / (3 pi)",
        source="closed form",
        expected=(4 / (3 * np.pi),),
        allowed=1e-13,  # rounding of the quadrature
        computed=lambda: [integral(clear_pupil_mtf, 0)],
    ),
    *(
        Table(
            title=f"annulus {obstruction}, MTF at seven frequencies and s50",
            source=_ONEILL + _QUADRATURE,
            expected=expected,
            allowed=5e-8,
            computed=lambda obstruction=obstruction: _annulus(obstruction),
        )
        for obstruction, expected in _ANNULUS.items()
    ),
    *(
        Table(
            title=f"defocus {w20} waves, OTF at seven frequencies, s50, Strehl ratio",
            source=_HOPKINS + _QUADRATURE,
            expected=expected,
            allowed=5e-8,
            computed=lambda w20=w20: _aberrated(_SOME, w20, 0.0),
        )
        for w20, expected in _DEFOCUS.items()
    ),
    *(
        Table(
            title=f"spherical {w040} waves, refocused, OTF at four frequencies, s50, Strehl ratio",
            source="autocorrelation of the pupil" + _QUADRATURE,
            expected=expected,
            allowed=5e-8,
            computed=lambda w040=w040: _aberrated(_SOME[[0, 2, 4, 5]], -w040, w040),
        )
        for w040, expected in _SPHERICAL.items()
    ),
    Table(
        title="Strehl ratio 0.8 at W040 = -W20 = 1.0008417",
        source="independent quadrature",
        expected=(0.8,),
        allowed=5e-8,
        computed=lambda: [strehl(-1.0008417, 1.0008417)],
    ),
    Table(
        title="best focus W20 for W040 = 1 at s = 0.1, 0.25",
        source="independent quadrature",
        expected=(-1.1308, -0.9436),
        allowed=5e-5,
        computed=lambda: [_best_focus(s, 1.0) for s in (0.1, 0.25)],
    ),
]


def _airy_edge() -> EdgeProfile:
    return EdgeProfile(clear_pupil_mtf, 1.0)


def _width(low: float, high: float) -> float:
    edge = _airy_edge()
    at = [brentq(lambda x, y=y: float(edge(x)) - y, -3, 3, xtol=1e-13) for y in (low, high)]
    return float(at[1] - at[0])


def _truncation_bias(reaches: Sequence[float], full_step: bool) -> list[float]:
    edge = _airy_edge()
    return [100 * (truncated_mtf50(edge, reach, full_step) / S50 - 1) for reach in reaches]


# The profile is a table with cubic steps and states an error below 1e-6 of the edge's
# height; that, not the printed digits, is what may be asked of its values and widths.
EDGE = [
    Table(
        title="Airy edge at 0.25, 0.5, 1, 2, 5",
        source="integral of the clear pupil's MTF" + _QUADRATURE,
        expected=(0.7010497, 0.8454451, 0.9390891, 0.9683963, 0.9871638),
        allowed=1e-6,
        computed=lambda: _airy_edge()([0.25, 0.5, 1, 2, 5]),
    ),
    Table(
        title="Airy edge, 10-90 % and 20-80 % widths",
        source="integral of the clear pupil's MTF" + _QUADRATURE,
        expected=(1.3328697, 0.8121587),
        allowed=1e-6,
        computed=lambda: [_width(0.1, 0.9), _width(0.2, 0.8)],
    ),
    Table(
        title="Airy line spread, peak 8 / (3 pi)",
        source="closed form",
        expected=(8 / (3 * np.pi),),
        allowed=1e-6,
        computed=lambda: [(_airy_edge()(5e-4) - _airy_edge()(-5e-4)) / 1e-3],
    ),
    Table(
        title="Airy edge, missing light times distance, 2 / pi**3",
        source="asymptote -M'(0) / (2 pi**2), closed form" + _QUADRATURE,
        expected=(0.0645031,),
        allowed=5e-8,
        computed=lambda: [1e4 * (1 - _airy_edge()(1e4))],
    ),
    Table(
        title="MTF50 bias in % of an edge cut at 3, 5, 10, 20, 50, own step",
        source="independent quadrature",
        expected=(5.641, 2.913, 1.431, 0.706, 0.279),
        allowed=5e-4,
        computed=lambda: _truncation_bias([3, 5, 10, 20, 50], False),
    ),
    Table(
        title="MTF50 bias in % of an edge cut at 3, 5, 20, 50, full step",
        source="independent quadrature",
        expected=(1.094, 0.027, 0.013, 0.004),
        allowed=5e-4,
        computed=lambda: _truncation_bias([3, 5, 20, 50], True),
    ),
]


_CLOSE_RANGE = np.array(
    # m, N, N_eff, MTF50 image and object side [cycles/mm], wave and geometric depth [um]
    [
        (1, 4, 8, 91.81199, 91.81199, 140.8, 160),
        (1, 8, 16, 45.90599, 45.90599, 563.2, 320),
        (3, 4, 16, 45.90599, 137.71798, 62.57778, 35.55556),
        (3, 8, 32, 22.95300, 68.85899, 250.31111, 71.11111),
        (5, 4, 24, 30.60400, 153.01998, 50.688, 19.2),
        (5, 8, 48, 15.30200, 76.50999, 202.752, 38.4),
    ]
)
_M, _N, _N_EFF, _IMAGE, _OBJECT, _WAVE, _GEOMETRIC = _CLOSE_RANGE.T


def _depth(which: int) -> FloatArray:
    n_eff = effective_f_number(_N, _M, 1.0)
    return depth_of_field(n_eff, _M, wavelength_um=0.55, circle_um=10.0)[which]


def _mtf50() -> FloatArray:
    n_eff = effective_f_number(_N, _M, 1.0)
    return np.array([diffraction_mtf50(wavelength_um=0.55, f_number=float(n)) for n in n_eff])


GEOMETRY = [
    Table(
        title="effective f-number of f/8 at 3x, pupil ratio 0.5, 1, 2",
        source="N (1 + m / P): Conrad, Depth of Field in Depth, 2006 (from memory)",
        expected=(56, 32, 20),
        allowed=1e-13,
        computed=lambda: effective_f_number(8, 3, [0.5, 1, 2]),
    ),
    Table(
        title="effective f-number of f/8 at 1x and 2x",
        source="common practice, no published source",
        expected=(16, 24),
        allowed=1e-13,
        computed=lambda: effective_f_number(8, [1, 2], 1),
    ),
    Table(
        title="effective f-number of f/4 and f/8 at 1x, 3x, 5x",
        source="N (1 + m / P): Conrad, Depth of Field in Depth, 2006 (from memory)",
        expected=_N_EFF,
        allowed=1e-13,
        computed=lambda: effective_f_number(_N, _M, 1.0),
    ),
    Table(
        title="wave depth of the same in um",
        source="Fundamentals of Light Microscopy and Electronic Imaging, p. 90: wavelength / NA**2",
        expected=_WAVE,
        allowed=5e-6,
        computed=lambda: _depth(0),
    ),
    Table(
        title="geometric depth of the same in um, circle 10 um",
        source="2 c N_eff / m**2: Conrad, Depth of Field in Depth, 2006 (from memory)",
        expected=_GEOMETRIC,
        allowed=5e-6,
        computed=lambda: _depth(1),
    ),
]


def _against_mean(weight: Callable[[FloatArray], FloatArray], lines: FloatArray) -> float:
    """MTF50 of a band over MTF50 of a line at the band's mean wavelength."""
    share = weight(lines) / weight(lines).sum()
    band = Band(wavelength_um=tuple(lines), weight=tuple(share))
    line = diffraction_mtf50(wavelength_um=band.mean_um, f_number=8)
    return diffraction_mtf50(wavelength_um=band, f_number=8) / line


_NANOMETRES_UM = np.linspace(0.4, 0.7, 301)  # the band that the digits were computed with


def _bands() -> list[float]:
    centres = 0.4 + 0.3 * (np.arange(600) + 0.5) / 600  # midpoints: flat to the band's very ends
    return [
        _against_mean(np.ones_like, centres),
        _against_mean(lambda um: np.exp(-4 * np.log(2) * ((um - 0.53) / 0.1) ** 2), _NANOMETRES_UM),
        _against_mean(lambda um: np.exp(-285.4 * (um - 0.559) ** 2), _NANOMETRES_UM),
    ]


SYSTEM = [
    Table(
        title="diffraction MTF50 of f/4 and f/8 at 1x, 3x, 5x, image side",
        source=_GOODMAN + _QUADRATURE,
        expected=_IMAGE,
        allowed=5e-6,
        computed=_mtf50,
    ),
    Table(
        title="the same, object side",
        source=_GOODMAN + _QUADRATURE,
        expected=_OBJECT,
        allowed=5e-6,
        computed=lambda: _mtf50() * _M,
    ),
    Table(
        # V(wavelength) as the usual Gaussian, 1.019 exp(-285.4 (um - 0.559)**2), from memory.
        title="MTF50 of a band over that of its mean: flat 400-700 nm, 530/100 nm, V",
        source="weighted mean of monochromatic MTFs" + _QUADRATURE,
        expected=(1.0024435, 1.0006210, 1.0005451),
        allowed=5e-8,
        computed=_bands,
    ),
    Table(
        title="pixel MTF at 0.25 and 0.5 cycles per pixel",
        source="transform of a rectangle, closed form",
        expected=(0.9003163, 0.6366198),
        allowed=5e-8,
        computed=lambda: pixel_mtf([0.25, 0.5]),
    ),
    Table(
        title="pixel MTF50 in cycles per pixel",
        source="transform of a rectangle" + _QUADRATURE,
        expected=(0.6033546,),
        allowed=5e-8,
        computed=lambda: [_s50(pixel_mtf)],
    ),
]


_MOTION = "Hadar, Fisher & Kopeika, Opt. Eng. 31, 581 (1992) (abstract read)"
_PULSE = "transform of a falling exponential, closed form"


def _falls(transfer: Callable[[FloatArray], npt.ArrayLike], levels: Sequence[float]) -> list[float]:
    found = [crossing(lambda x: np.asarray(transfer(x)), level, 1.0) for level in levels]
    return [np.nan if x is None else x for x in found]


def _still_half(length_t01: float) -> list[float]:
    """Rectangle, in t0.1 or another unit, that halves the same frequency as the pulse."""
    (half,) = _falls(lambda x: np.abs(pulse_otf(x, length_t01)), [0.5])
    return [_falls(lambda x: linear_otf(x, 1.0), [0.5])[0] / half]


MOVEMENT = [
    Table(
        title="even movement, cycles in its length where the MTF is 0.9, 0.5",
        source=_MOTION + _QUADRATURE,
        expected=(0.2504090, 0.6033546),
        allowed=5e-8,
        computed=lambda: _falls(lambda x: linear_otf(x, 1.0), (0.9, 0.5)),
    ),
    Table(
        title="the same 0.9 as a budget, MTF50 of 1 cycle per um",
        source=_MOTION + _QUADRATURE,
        expected=(0.2504090,),
        allowed=5e-8,
        computed=lambda: [blur_budget_um(1000.0)],
    ),
    Table(
        title="vibration, cycles in its amplitude where the MTF is 0.9, 0.5",
        source=_MOTION + _QUADRATURE,
        expected=(0.1019596, 0.2420976),
        allowed=5e-8,
        computed=lambda: _falls(lambda x: oscillating_otf(x, 1.0), (0.9, 0.5)),
    ),
    Table(
        title="vibration, first zero",
        source=_MOTION + _QUADRATURE,
        expected=(0.3827399,),
        allowed=5e-8,
        computed=lambda: [brentq(lambda x: float(oscillating_otf(x, 1.0)), 0.3, 0.5, xtol=1e-13)],
    ),
    Table(
        title="random tremor (Gaussian), cycles in its deviation where the MTF is 0.9, 0.5",
        source="transform of a Gaussian" + _QUADRATURE,
        expected=(0.0730591, 0.1873906),
        allowed=5e-8,
        computed=lambda: _falls(lambda x: gaussian_mtf(x, 1.0), (0.9, 0.5)),
    ),
    Table(
        title="flash, rectangle of equal MTF50 in t0.1 and in t0.5, by transfer functions",
        source=_PULSE + _QUADRATURE,
        expected=(0.9505526, 3.1576674),
        allowed=5e-8,
        computed=lambda: [*_still_half(1.0), *_still_half(np.log2(10))],
    ),
    Table(
        title="the same, by the closed form",
        source=_PULSE + _QUADRATURE,
        expected=(0.9505526, 3.1576674),
        allowed=5e-8,
        computed=lambda: [flash_as_rectangle_s(1.0), flash_as_rectangle_s(np.log2(10))],
    ),
    Table(
        title="flash, MTF at 2 pi f v tau = 0.3, 1, 2.4",
        source=_PULSE,
        expected=tuple((1 + x * x) ** -0.5 for x in (0.3, 1.0, 2.4)),
        allowed=1e-15,
        computed=lambda: np.abs(pulse_otf(np.array([0.3, 1, 2.4]) / (2 * np.pi), np.log(10))),
    ),
    Table(
        title="ambient share 2 to 7 stops under flash",
        source="1 / (1 + 2**stops), closed form",
        expected=(0.2, 0.1111111, 0.0588235, 0.0303030, 0.0153846, 0.0077519),
        allowed=5e-8,
        computed=lambda: [ambient_share(stops) for stops in range(2, 8)],
    ),
    Table(
        title="flash and ambient light, 0.7 and 0.4 with 3 and 5 stops between",
        source="(1 - a) flash + a ambient, by hand",
        expected=(2 / 3, 0.7 - 0.3 / 33),
        allowed=1e-15,
        computed=lambda: np.real(mixed_otf(0.7, 0.4, [ambient_share(3), ambient_share(5)])),
    ),
]


def main() -> None:
    """Print each table's number of values, worst and allowed deviation."""
    tables = [*PUPIL, *EDGE, *GEOMETRY, *SYSTEM, *MOVEMENT]
    worst = [float(table.deviation().max()) for table in tables]
    print("values    worst  allowed  table [source]")
    for table, most in zip(tables, worst, strict=True):
        print(
            f"{len(table.expected):6d}  {most:7.1e}  {table.allowed:7.1e}"
            f"  {table.title} [{table.source}]"
        )
    within = sum(most <= table.allowed for table, most in zip(tables, worst, strict=True))
    count = sum(len(table.expected) for table in tables)
    print(f"{count} values in {len(tables)} tables; {within} tables within what is allowed")


if __name__ == "__main__":
    main()
