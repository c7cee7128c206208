"""How often are two lenses told apart that differ by 3 % in MTF50, and two that do not?

    python -m tests.bench.compare_study                 40 sessions, 5 minutes on one core
    python -m tests.bench.compare_study --sessions 16   fewer, in fours

Sessions come from ``tests.bench.second_lens``, which shares no optics with the model, with
lenses that have what the model lacks (zonal spherical aberration, blades, vibration), at
one magnification, 6 stops of 7 frames in green. Light and rail are off by as much as the fit
takes them to be. Invented. Each session is fitted and its result made as ``stopwise fit`` does;
then pairs of different lenses go through ``compare_sessions``. The error of each difference is
taken from its truth and set on true differences of 0 and of some percent: a factor on all of
one session's frequencies, as another scale in the subject would be, changes nothing else.
Verdicts are of one pair alone.

Questions: the own optimum; one effective f-number, the whole stops that both measured; 100 um
of depth, each at its best stop. Of four sessions, the first and third share a light, and the
second and fourth another: pairs that do not, and with ``same_light`` those that do.

What the information allows stands beside it: a difference of 3 % over the claimed standard
uncertainty of its measurement, and how often that is told where the claim is exact.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.special import ndtr

from lab.inference.compare import compare_sessions
from lab.inference.compare_curves import Figure
from lab.inference.compare_input import kept_session
from lab.inference.compare_records import Question
from lab.inference.compare_tables import compare_tables
from lab.inference.lens_curve import lens_curve, stop_choice
from lab.inference.lens_fit import LensFit, fit_lens
from lab.inference.results import (
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
_LIGHT_STD, _RAIL_STD = 0.015, 0.02  # of wavelength and rail step, as ``lens_fit`` takes them
_GRID = STOPS[0] * 2 ** (np.linspace(0, 5, 121) / 2)
_EQUAL, _HELD = "one effective f-number, all", f"{DEPTH_UM:g} um of depth"
_WHOLE_STOPS = tuple(2 ** (k / 2) for k in range(6, 12))  # that most of the lenses reach
_Z95 = 1.959964
_MARKED = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """One session's result with the truth, object side [cycles per mm]."""

    result: SessionResult
    lens: SecondLens
    optimum: float
    held: float
    light: float  # relative error of the stated wavelength

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
    # Four seeds share two lights by turns: the fit takes neither light nor rail as exact.
    light = 1 + _LIGHT_STD * np.random.default_rng([82, seed // 4, seed % 2]).standard_normal()
    data = replace(
        data,
        wavelength_um=(data.wavelength_um[0] / light,),
        position_um=data.position_um * (1 + _RAIL_STD * rng.standard_normal()),
    )
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
        light=light - 1,
    )


def _result(fit: LensFit, name: str) -> SessionResult:
    """What ``lab.inference.lens_result`` records, as far as a comparison reads it."""
    marks, curve = lens_curve(fit, 0, "green", STOPS), lens_curve(fit, 0, "green", _GRID)
    choice = stop_choice(curve, loss_percent=10, rng=np.random.default_rng(1))
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
        compare=compare_tables(fit, 0, curve, choice.optimum_stop),
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
            figures=(),
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
        return abs(true_log + self.error) > _Z95 * self.std


def judged(one: Simulated, other: Simulated, *, same_light: bool) -> list[Judged]:
    """Each question's error of a pair, against the interval that the comparison gives."""
    comparison = compare_sessions(
        [kept_session(one.result), kept_session(other.result)],
        depth_um=DEPTH_UM,
        same_light=same_light,
    )
    (size,) = comparison.magnifications
    out = [_judge("own optimum", size.optimum, one.optimum, other.optimum)]
    for question in size.equal_stops:
        n = question.effective_f_number
        assert n is not None
        key = f"effective f/{n:.0f}"
        out.append(_judge(key, question, one.at_f_number(n), other.at_f_number(n)))
    out += [_judge(_HELD, field.held, one.held, other.held) for field in comparison.fields]
    return out


def _judge(key: str, question: Question, truth: float, other: float) -> Judged:
    (pair,) = question.pairs
    low, high = math.log1p(pair.low95 / 100), math.log1p(pair.high95 / 100)
    measured = math.log1p(pair.percent / 100)
    return Judged(key=key, error=measured - math.log(truth / other), std=(high - low) / (2 * _Z95))


def _print(sessions: list[Simulated]) -> None:
    fours = [sessions[k : k + 4] for k in range(0, len(sessions) - 3, 4)]
    for same_light, places in ((False, ((0, 1), (2, 3))), (True, ((0, 2), (1, 3)))):
        pairs = [
            judged(four[i], four[j], same_light=same_light) for four in fours for i, j in places
        ]
        print(
            f"{len(pairs)} pairs that share no lens, {MAGNIFICATION:g}x, "
            + ("in one light, --same-light" if same_light else "each in a light of its own")
        )
        found = [one for several in pairs for one in several]
        keys = sorted({one.key for one in found if "/" in one.key}, key=lambda k: float(k[12:]))
        for key in ("own optimum", _EQUAL, *keys, _HELD):
            _print_question(
                key, [one for one in found if one.key in (keys if key == _EQUAL else [key])]
            )


def _print_question(key: str, found: list[Judged]) -> None:
    error, std = (np.array([getattr(one, n) for one in found]) for n in ("error", "std"))
    alarms = np.mean([one.told_apart(0.0) for one in found])
    # A true difference may lie either way.
    power = {
        percent: np.mean(
            [one.told_apart(s * math.log1p(percent / 100)) for one in found for s in (1, -1)]
        )
        for percent in (1, 2, 3)
    }
    over = math.log(1.03) / std
    allowed = np.mean(ndtr(over - _Z95) + ndtr(-over - _Z95))
    print(
        f"  {key}: {len(found)} differences, error {np.sqrt(np.mean(error**2)):.2%}, std claimed "
        f"{np.median(std):.2%}, error over std {np.sqrt(np.mean((error / std) ** 2)):.2f}; "
        f"false alarms {alarms:.1%}; told apart at "
        + ", ".join(f"{percent} %: {share:.0%}" for percent, share in power.items())
        + f"; 3 % is {np.median(over):.1f} std, which tells {allowed:.0%}"
    )


def _print_all_pairs(sessions: list[Simulated]) -> None:
    """Every pair: more figures, but a lens counts in many pairs.

    As if in one light: each figure moved to its own true wavelength.
    """
    found: dict[str, list[tuple[Figure, float, float]]] = {}
    for one in sessions:
        (size,) = kept_session(one.result).sizes
        assert size.over_depth is not None
        asked = [("own optimum", size.sharpest.figure, one.optimum)]
        asked.append((_HELD, size.over_depth.figure(math.log(DEPTH_UM)), one.held))
        for n in _WHOLE_STOPS:
            asked.append((f"{_EQUAL}:{n}", size.equal_stop.figure(math.log(n)), one.at_f_number(n)))
        for key, figure, truth in asked:
            if figure is not None:
                error = figure.log - math.log(truth)
                found.setdefault(key, []).append((figure, error, one.light))
    for same_light in (False, True):
        print("all pairs, " + ("as if in one light" if same_light else "each in its own light"))
        for question in ("own optimum", _EQUAL, _HELD):
            pairs = [
                pair
                for key, several in found.items()
                if key.startswith(question)
                for pair in _all_pairs(several, same_light=same_light)
            ]
            _print_question(question, pairs)


def _all_pairs(several: list[tuple[Figure, float, float]], *, same_light: bool) -> Iterator[Judged]:
    for (one, error, light), (other, off, another) in combinations(several, 2):
        if not same_light:
            if light != another:
                yield Judged(key="", error=error - off, std=math.hypot(one.std, other.std))
            continue
        error, off = (
            e + f.by_light * (true - f.light)
            for f, e, true in ((one, error, light), (other, off, another))
        )
        common = (one.by_light - other.by_light) * min(one.light_std, other.light_std)
        yield Judged(key="", error=error - off, std=math.hypot(one.own, other.own, common))


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
