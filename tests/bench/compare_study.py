"""How often are two lenses told apart that differ by 3 % in MTF50, and two that do not?

    python -m tests.bench.compare_study                 40 sessions, 7 minutes on one core
    python -m tests.bench.compare_study --sessions 16   fewer

Sessions come from ``tests.bench.second_lens``, which shares no optics with the model, with
lenses that have what the model lacks (zonal spherical aberration, blades, vibration), at
one magnification, 6 stops of 7 frames in green. Invented. Each session is fitted and its
result made as ``stopwise fit`` does; then pairs of different lenses go through
``compare_sessions``. The error of each difference is taken from its truth and set on true
differences of 0 and of some percent: a factor on all of one session's frequencies, as
another scale in the subject would be, changes nothing else. Verdicts are of one pair alone.

Questions: the own optimum; one effective f-number, the whole stops that both measured; 100 um
of depth, each at its best stop.
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from lab.inference.compare import KeptSession, compare_sessions
from lab.inference.compare_curves import size_curves
from lab.inference.compare_records import Question
from lab.inference.lens_curve import lens_curve, stop_choice
from lab.inference.lens_fit import LensFit, at_widest, fit_lens
from lab.inference.results import (
    LensFigure,
    LensResult,
    LensSeries,
    LensStop,
    SeriesResult,
    SessionResult,
    StopPoint,
)
from tests.bench.second_lens import COLOURS, PITCH_UM, STOPS, SecondLens

__all__ = ["Judged", "Simulated", "judged", "simulated"]

MAGNIFICATION = 2.0
DEPTH_UM = 100.0
_FIRST_SEED = 100  # FORM_STD was set on 0 to 39
_GRID = STOPS[0] * 2 ** (np.linspace(0, 5, 121) / 2)
_MARKED = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """One session's result with the truth, object side [cycles per mm]."""

    result: SessionResult
    lens: SecondLens
    optimum: float
    held: float

    def at_f_number(self, f_number: float) -> float:
        """True MTF50 at an effective f-number."""
        iris = f_number / (1 + MAGNIFICATION / self.lens.pupil_ratio)
        return MAGNIFICATION * self.lens.mtf50_at_best_focus(MAGNIFICATION, iris)


def _lens(rng: np.random.Generator) -> tuple[SecondLens, float]:
    """One whose best stop lies between the first and the last, and that stop."""
    while True:
        w040 = float(rng.uniform(0.2, 0.8))
        lens = SecondLens(
            magnifications=(MAGNIFICATION,),
            pupil_ratio=float(rng.uniform(0.8, 1.25)),
            w040_um=w040,
            w060_um=float(rng.uniform(-0.1, 0.1)),
            zonal_um=float(rng.uniform(-0.2, 0.2)) * w040,
            blur_um=float(rng.uniform(0.6, 1.4)),
            vibration_um=float(rng.uniform(0, 2)),
            ring=tuple(rng.normal(0, 0.03, 6).tolist()),
            blades=int(rng.integers(6, 12)),
            turn=float(rng.uniform(0, 1)),
        )
        best = lens.best_stop(MAGNIFICATION)
        if STOPS[0] < best < STOPS[-1]:
            return lens, best


def _true_iris(lens: SecondLens, stop: float) -> float:
    ring = np.interp(2 * math.log2(stop), np.arange(3, 9), lens.ring)
    return float(stop * 2 ** (ring / 2))


def _held(lens: SecondLens, stop: float) -> float:
    """True MTF50 at the worse end of the depth, focus set best; object side."""
    iris, wavelength = _true_iris(lens, stop), COLOURS["green"]
    n = iris * (1 + MAGNIFICATION / lens.pupil_ratio)
    waves = lens.waves(MAGNIFICATION, iris, wavelength)
    # ``second_lens``: transfer at steps of the cut-off.
    s = np.linspace(0, 1.05, 180)
    f = s / (wavelength * 1e-3 * n)
    half = DEPTH_UM / 2 * MAGNIFICATION**2 / (8 * wavelength * n**2)
    rest = lens.rest(f)

    def mtf50(w20: float) -> float:
        mtf = lens.opening(iris).transfer(w20, *waves) * rest
        k = int(np.argmax(mtf < 0.5))
        return float(f[k - 1] + (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k]) * (f[k] - f[k - 1]))

    low, high = -sum(waves) - 0.6, -sum(waves) + 0.9
    for _ in range(10):  # focus at which both ends are alike
        middle = (low + high) / 2
        if mtf50(middle + half) > mtf50(middle - half):
            low = middle
        else:
            high = middle
    return MAGNIFICATION * min(mtf50(middle + half), mtf50(middle - half))


def _top(x: np.ndarray, value: np.ndarray) -> float:
    """Height of a parabola through the highest sample and its neighbours."""
    k = int(np.clip(np.argmax(value), 1, x.size - 2))
    bend, slope, top = np.polyfit(x[k - 1 : k + 2] - x[k], value[k - 1 : k + 2], 2)
    return float(top - slope**2 / (4 * bend))


def simulated(seed: int) -> Simulated:
    """One lens, measured once."""
    rng = np.random.default_rng([81, seed])
    lens, best = _lens(rng)
    data = lens.session(rng, noise=float(rng.uniform(0.003, 0.008)), colours=("green",))
    fit = fit_lens(data)
    around = 2 * math.log2(best) + np.linspace(-0.3, 0.3, 5)
    tops = [
        MAGNIFICATION * lens.mtf50_at_best_focus(MAGNIFICATION, _true_iris(lens, 2 ** (x / 2)))
        for x in around
    ]
    wide = np.linspace(3.5, 6.5, 10)
    held = np.array([_held(lens, 2 ** (x / 2)) for x in wide])
    return Simulated(
        result=_result(fit, f"lens {seed}"),
        lens=lens,
        optimum=_top(around, np.array(tops)),
        held=_top(wide, held),
    )


def _result(fit: LensFit, name: str) -> SessionResult:
    """What ``lab.inference.lens_result`` records, as far as a comparison reads it."""
    marks, curve = lens_curve(fit, 0, "green", STOPS), lens_curve(fit, 0, "green", _GRID)
    choice = stop_choice(curve, loss_percent=10, rng=np.random.default_rng(1))
    figures = [
        ("pupil ratio", float(np.exp(fit.value("pupil")[0])), float(fit.std("pupil")[0])),
        ("wavelength against stated", 100 * float(fit.value("light")[0]), 0.0),
        ("primary spherical, widest stop", *at_widest(fit, "w040", 4)),
        ("secondary spherical, widest stop", *at_widest(fit, "w060", 6)),
    ]
    variance, doubt = float(fit.value("blur2")[0]), float(fit.std("blur2")[0])
    blur = math.sqrt(max(variance, 0.0))
    blur_std = doubt / (2 * blur) if variance > doubt else math.sqrt(doubt)
    figures.append((f"residual blur at {MAGNIFICATION:g}x", blur, blur_std))
    stops = tuple(
        LensStop(
            marked_stop=marked,
            effective_f_number=float(marks.f_number[k]),
            effective_f_number_std=float(marks.f_number_std[k]),
            over_nominal=float(marks.f_number[k] / (STOPS[k] * (1 + MAGNIFICATION))),
            mtf50_image_cyc_per_mm=float(marks.mtf50_image_cyc_per_mm[k]),
            mtf50_std=float(marks.mtf50_std[k]),
            **dict.fromkeys(_NOT_READ, 0.0),
        )
        for k, marked in enumerate(_MARKED)
    )
    of_lens = LensSeries(
        magnification=MAGNIFICATION,
        stops=stops,
        optimum_stop=choice.optimum_stop,
        optimum_mtf50_image_cyc_per_mm=choice.optimum_mtf50,
        curve_stop=tuple(curve.stop.tolist()),
        curve_mtf50_image_cyc_per_mm=tuple(curve.mtf50_image_cyc_per_mm.tolist()),
        curve_mtf50_std=tuple(curve.mtf50_std.tolist()),
    )
    series = SeriesResult(
        magnification=MAGNIFICATION,
        measured_magnification=None,
        measured_magnification_std=None,
        points=tuple(_point(stop) for stop in stops),
        optimum_stop=choice.optimum_stop,
        optimum_low95=choice.optimum_low95,
        optimum_high95=choice.optimum_high95,
        optimum_mtf50_image_cyc_per_mm=choice.optimum_mtf50,
        deepest_sharp_stop=choice.deepest_stop,
        loss_percent=10.0,
        curve_stop=of_lens.curve_stop,
        curve_mtf50_image_cyc_per_mm=of_lens.curve_mtf50_image_cyc_per_mm,
        curve_diffraction_mtf50_image_cyc_per_mm=of_lens.curve_mtf50_image_cyc_per_mm,
    )
    return SessionResult(
        name=name,
        body_name="invented",
        lens_name=name,
        pixel_pitch_um=PITCH_UM,
        focal_length_mm=None,
        pupil_ratio=1.0,
        pupil_ratio_source="assumed",
        channel="green",
        wavelength_um=COLOURS["green"],
        light_source="session.toml",
        series=(series,),
        frames_by_status={},
        cautions=(),
        provenance={"frames SHA-256": name},
        lens=LensResult(
            figures=tuple(
                LensFigure(name=n, unit="", value=value, std=std, measured=True)
                for n, value, std in figures
            ),
            correlated=(),
            cones=(),
            series=(of_lens,),
            chi_square=fit.chi_square,
            excess_percent=100 * fit.excess_std,
            frames_in_doubt=(),
            describes=True,
            cannot_say=(),
        ),
    )


_NOT_READ = (
    "diffraction_share",
    "aberration_share",
    "defocus_share",
    "pixel_share",
    "residual_share",
    "beyond_model_percent",
    "focus_shift_um",
    "focus_shift_std_um",
)


def _point(stop: LensStop) -> StopPoint:
    value, spread = stop.mtf50_image_cyc_per_mm, 1.96 * stop.mtf50_std
    exact = STOPS[_MARKED.index(stop.marked_stop)]
    return StopPoint(
        marked_stop=stop.marked_stop,
        exact_stop=float(exact),
        effective_f_number=stop.effective_f_number,
        mtf50_image_cyc_per_mm=value,
        mtf50_std=stop.mtf50_std,
        mtf50_low95=value - spread,
        mtf50_high95=value + spread,
        mtf50_object_cyc_per_mm=value * MAGNIFICATION,
        diffraction_mtf50_image_cyc_per_mm=value,
        percent_of_diffraction=100.0,
        best_focus_um=None,
        focus_curve_um=(),
        focus_curve_mtf50=(),
        focus_samples=(),
        frequency_image_cyc_per_mm=(),
        mtf=(),
        mtf_std=(),
        diffraction_mtf=(),
        frames_measured=7,
        frames_used=7,
    )


@dataclass(frozen=True, kw_only=True)
class Judged:
    """One question of one pair: error of the difference [log], its std, and both verdicts."""

    key: str
    error: float
    std: float

    def told_apart(self, true_log: float) -> bool:
        """Whether the pair alone would be told apart if the truth were this."""
        return abs(true_log + self.error) > 1.959964 * self.std


def judged(one: Simulated, other: Simulated) -> list[Judged]:
    """Each question's error of a pair, against the interval that the comparison gives."""
    comparison = compare_sessions(
        [KeptSession(result=one.result), KeptSession(result=other.result)], depth_um=DEPTH_UM
    )
    (size,) = comparison.magnifications
    out = [_judge("optimum", size.optimum, one.optimum, other.optimum)]
    for question in size.equal_stops:
        n = question.effective_f_number
        assert n is not None
        out.append(_judge("equal-stop", question, one.at_f_number(n), other.at_f_number(n)))
    out += [_judge("held", field.held, one.held, other.held) for field in comparison.fields]
    return out


def _judge(key: str, question: Question, truth: float, other: float) -> Judged:
    (pair,) = question.pairs
    low, high = math.log1p(pair.low95 / 100), math.log1p(pair.high95 / 100)
    measured = math.log1p(pair.percent / 100)
    return Judged(
        key=key, error=measured - math.log(truth / other), std=(high - low) / (2 * 1.959964)
    )


def _print(sessions: list[Simulated]) -> None:
    pairs = [judged(*two) for two in zip(sessions[::2], sessions[1::2], strict=False)]
    print(f"{len(sessions)} lenses, {len(pairs)} pairs that share none, {MAGNIFICATION:g}x")
    for key in ("optimum", "equal-stop", "held"):
        found = [one for several in pairs for one in several if one.key == key]
        error, std = (np.array([getattr(one, n) for one in found]) for n in ("error", "std"))
        alarms = np.mean([one.told_apart(0.0) for one in found])
        power = {
            percent: np.mean([one.told_apart(math.log1p(percent / 100)) for one in found])
            for percent in (1, 2, 3)
        }
        print(
            f"  {key}: {len(found)} differences, error {np.std(error):.2%}, std claimed "
            f"{np.median(std):.2%}, error over std {np.sqrt(np.mean((error / std) ** 2)):.2f}; "
            f"false alarms {alarms:.1%}; told apart at "
            + ", ".join(f"{percent} %: {share:.0%}" for percent, share in power.items())
        )


def _print_all_pairs(sessions: list[Simulated]) -> None:
    """The own optimum, every pair: more figures, but a lens counts in many pairs."""
    best = [size_curves(KeptSession(result=one.result), 0)[0].sharpest() for one in sessions]
    error = [b.log_mtf50 - math.log(one.optimum) for b, one in zip(best, sessions, strict=True)]
    pairs = [
        Judged(
            key="optimum",
            error=error[i] - error[j],
            std=math.hypot(best[i].own, best[j].own),
        )
        for i, j in combinations(range(len(sessions)), 2)
    ]
    shares = {
        percent: np.mean([one.told_apart(math.log1p(percent / 100)) for one in pairs])
        for percent in (0, 1, 2, 3, 5)
    }
    print(
        f"  optimum, all {len(pairs)} pairs: told apart at "
        + ", ".join(f"{percent} %: {share:.1%}" for percent, share in shares.items())
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=40)
    chosen = parser.parse_args()
    start = time.perf_counter()
    sessions = [simulated(_FIRST_SEED + k) for k in range(chosen.sessions)]
    _print(sessions)
    _print_all_pairs(sessions)
    print(f"{time.perf_counter() - start:.0f} s in all")


if __name__ == "__main__":
    main()
