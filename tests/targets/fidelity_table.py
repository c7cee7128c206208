"""What each technology of making a target can serve, and how near published values we come.

The published figures were computed outside this repository (many-digit arithmetic, closed
forms) for a lens that only diffraction limits, pupil ratio 1, wavelength 0.55 um: the
highest object-side frequency and the largest magnification at which a Gaussian edge takes
no more than 5 % of the MTF, there at the diffraction MTF50. The tests assert them to half
a unit of the last printed digit; as a command this module prints the table of the
technologies and the worst difference, from the repository's root:

    python -m tests.targets.fidelity_table
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from lab.optics.geometry import effective_f_number
from lab.optics.system import diffraction_mtf, diffraction_mtf50
from lab.session.target_need import target_need
from targets.fidelity import frequency_limit_cyc_per_mm, magnification_limit, mtf50_loss
from targets.technology import TECHNOLOGIES

__all__ = ["BIAS_PERCENT", "LIMITS", "STOPS", "compared", "lens_mtf50"]

STOPS = (4.0, 8.0, 16.0)
# blur [um]: (frequency limit [cycles per mm], largest magnification at each stop), as printed.
LIMITS = {
    0.2: ("254.88", ("any", "any", "any")),
    0.5: ("101.95", ("1.248", "any", "any")),
    1.0: ("50.98", (".384", "1.248", "any")),
    2.0: ("25.49", (".161", ".384", "1.248")),
    5.0: ("10.20", (".0588", ".1249", ".2855")),
    10.0: ("5.10", (".0286", ".0588", ".1249")),
}
# (blur [um], magnification) at f/4: MTF50 too low by [%], as printed.
BIAS_PERCENT = {(0.2, 1.0): ".70", (0.2, 5.0): "1.90", (0.5, 1.0): "4.13", (0.5, 5.0): "10.26"}
_LOSS = 0.05
_WAVELENGTH_UM = 0.55
_LOWEST, _HIGHEST = 1e-3, 1e3  # magnification: "any" is meant without end


def lens_mtf50(stop: float) -> Callable[[float], float]:
    """Diffraction MTF50 against magnification, object side, pupil ratio 1."""
    return lambda m: (
        m
        * diffraction_mtf50(
            wavelength_um=_WAVELENGTH_UM, f_number=float(effective_f_number(stop, m, 1.0))
        )
    )


def _bias_percent(blur_um: float, magnification: float) -> float:
    f_number = float(effective_f_number(4.0, magnification, 1.0))
    return 100 * mtf50_loss(
        lambda f: diffraction_mtf(
            f / magnification, wavelength_um=_WAVELENGTH_UM, f_number=f_number
        ),
        lens_mtf50(4.0)(magnification),
        blur_um,
    )


def compared() -> Iterator[tuple[str, float, float, float]]:
    """What, the published value, ours, and half a unit of the last printed digit."""
    for blur, (frequency, magnifications) in LIMITS.items():
        yield _row(f"{blur:g} um", frequency, frequency_limit_cyc_per_mm(blur, _LOSS))
        for stop, printed in zip(STOPS, magnifications, strict=True):
            ours = magnification_limit(blur, _LOSS, lens_mtf50(stop), _LOWEST, _HIGHEST)
            assert ours is not None
            yield _row(f"{blur:g} um, f/{stop:g}", printed, ours)
    for (blur, m), printed in BIAS_PERCENT.items():
        yield _row(f"{blur:g} um, f/4, {m:g}x, MTF50", printed, _bias_percent(blur, m))


def _row(what: str, printed: str, ours: float) -> tuple[str, float, float, float]:
    if printed == "any":
        return what, math.inf, ours, 0.0
    return what, float(printed), ours, 0.5 * 10.0 ** -len(printed.split(".")[1])


def _largest(value: float | None) -> str:
    if value is None:
        return "none"
    return "any" if math.isinf(value) else f"{value:.3g}x"


def main() -> None:
    """Print the table of the technologies, then the worst difference from the published."""
    needs = [
        target_need(
            magnifications=[1.0, 3.0],
            marked_stops=[stop],
            pupil_ratio=1.0,
            pixel_pitch_um=4.35,
            wavelength_um=_WAVELENGTH_UM,
            loss=_LOSS,
        )
        for stop in STOPS
    ]
    heads = "".join(f"{f'f/{stop:g}':>11}" for stop in STOPS)
    print("Largest magnification served: at most 5 % of the MTF taken at the diffraction MTF50")
    print(f"{'pupil ratio 1, 0.55 um':<28}{'spread':>9}{heads}")
    for i, one in enumerate(TECHNOLOGIES.values()):
        cells = "".join(f"{_largest(need.limits[i].largest_magnification):>11}" for need in needs)
        print(f"{one.name:<28}{one.spread_um:>6.2f} um{cells}")
    print("\nMTF50 of lens and 4.35 um pixel too low by [%], at 1x and 3x")
    print(f"{'':<37}{heads}")
    for i, one in enumerate(TECHNOLOGIES.values()):
        losses = [[at.technologies[i].mtf50_loss for at in need.magnifications] for need in needs]
        cells = "".join(f"{100 * first:>6.1f}{100 * last:>5.1f}" for first, last in losses)
        print(f"{one.name:<37}{cells}")
    rows = list(compared())
    known = [row for row in rows if math.isfinite(row[1])]
    ends = [row for row in rows if math.isinf(row[1])]
    found = sum(math.isinf(ours) for _, _, ours, _ in ends)
    what, value, ours, allowed = max(known, key=lambda row: abs(row[2] - row[1]) / row[3])
    print(f'\n{len(known)} published figures, and "any" found again {found} times of {len(ends)}.')
    print(
        f"Worst: {what}: {value:g} published, {ours:.6g} here: {abs(ours - value):.1e} off, "
        f"allowed {allowed:.0e}"
    )


if __name__ == "__main__":
    main()
