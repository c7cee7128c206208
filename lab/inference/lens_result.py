"""One optical model of the whole session: what it says, how sure, and what it cannot say.

Puts the fit of the lens, its curves, the rules of thumb and the field into records.
The model's optimum takes the place of the interpolated one where the model describes
the frames; the interpolation stays beside it always.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.centre import CHANNEL
from lab.inference.compare_tables import compare_tables
from lab.inference.depth import Sharpness, best_stop, held_curve
from lab.inference.field_fit import field_points
from lab.inference.field_shape import field_shape
from lab.inference.lens_curve import (
    curve_of,
    focus_shift_um,
    lens_curve,
    loss_shares,
    stop_choice,
)
from lab.inference.lens_data import lens_data
from lab.inference.lens_fit import LensFit, at_widest, cone_handles, fit_lens
from lab.inference.lens_model import log2_stop
from lab.inference.lens_optics import measured_optics
from lab.inference.results import (
    ChannelOptimum,
    FieldPoint,
    LensFigure,
    LensResidual,
    LensResult,
    LensSeries,
    LensStop,
    RuleResult,
    SeriesResult,
    SessionResult,
    StopPoint,
)
from lab.inference.rules import DEFAULT_RULES, Rule, judge_rules, parse_rule
from lab.inference.white import WHITE, white_optics
from lab.session.config import SessionConfig
from lab.session.records import FrameRecord, bracketed

__all__ = ["lens_result", "with_lens"]

_PER_STOP = 24  # grid of curves
_SEED = 21
_LEARNED = 0.5  # share of the doubt that frames must settle for a figure to count as measured
_DESCRIBES_CHI, _DESCRIBES_EXCESS = 4.0, 0.03  # beyond these the interpolation is reported
_DIFFRACTION_LIMITED = 0.97  # of ln 2 less pixel and residual: where aberration and focus take none
_CORRELATED = 0.8
_OF_THE_OPTIMUM = ("optimum-not-bracketed", "deepest-beyond-range")


def lens_result(
    config: SessionConfig,
    frames: Sequence[FrameRecord],
    *,
    loss_percent: float,
    rules: Sequence[str] = DEFAULT_RULES,
    detail_um: float | None = None,
) -> LensResult | None:
    """Fit the model and say what it tells.

    Parameters
    ----------
    config : SessionConfig
    frames : sequence of FrameRecord
        Those of trials are left out.
    loss_percent : float
        Permitted loss of MTF50 for the deepest sharp stop. [%], 0 < loss < 100
    rules : sequence of str
        Rules of thumb, as ``lab.inference.rules`` reads them.
    detail_um : float, optional
        Width of a line, and of the gap beside it, in the subject, > 0, whose contrast is
        followed over the stops. By default as wide as two pixels are there. [um]

    Returns
    -------
    LensResult or None
        None where no frame can be used.
    """
    frames = bracketed(frames)
    data = lens_data(config, frames)
    if data is None:
        return None
    parsed = [parse_rule(rule) for rule in rules]
    fit = fit_lens(data)
    points, residuals = field_points(fit, config, frames), _residuals(fit)
    series = tuple(
        replace(
            _with_field(_series(fit, k, loss_percent, parsed, detail_um), points),
            residuals=residuals[k],
        )
        for k in range(len(data.nominal_magnifications))
    )
    describes = fit.chi_square <= _DESCRIBES_CHI and fit.excess_std <= _DESCRIBES_EXCESS
    return LensResult(
        figures=_figures(fit),
        correlated=_correlated(fit),
        cones=cone_handles(fit),
        series=series,
        chi_square=fit.chi_square,
        excess_percent=100 * fit.excess_std,
        frames_in_doubt=tuple(
            file for file, weight in zip(data.files, fit.frame_weight, strict=True) if weight < 0.25
        ),
        describes=describes,
        cannot_say=_cannot_say(fit, series, describes),
    )


def _figures(fit: LensFit) -> tuple[LensFigure, ...]:
    data = fit.model.data
    ratio = float(np.exp(fit.value("pupil")[0]))
    out = [
        _figure(fit, "pupil", 0, "pupil ratio", "", value=ratio, scale=ratio),
        _figure(fit, "light", 0, "wavelength against stated", "%", scale=100),
        _at_widest(fit, "w040", 4, "primary spherical, widest stop"),
        _at_widest(fit, "w060", 6, "secondary spherical, widest stop"),
    ]
    if not np.isnan(data.position_um).all():
        out.insert(2, _figure(fit, "rail", 0, "rail step against stated", "%", scale=100))
    if len(data.magnifications) > 1:
        rise = "primary spherical, rise to twice the mean magnification"
        out.append(_figure(fit, "w040_rise", 0, rise, "um"))
    for i, stop in enumerate(data.marked_stops):
        out.append(_figure(fit, "ring", i, f"ring at f/{stop:g}", "stops"))
    for i, m in enumerate(data.nominal_magnifications):
        variance, std = float(fit.value("blur2")[i]), float(fit.std("blur2")[i])
        blur = float(np.sqrt(max(variance, 0.0)))
        out.append(
            LensFigure(
                name=f"residual blur at {m:g}x",
                unit="um",
                value=blur,
                # Of the root, where it is clear of zero; else what the variance allows.
                std=std / (2 * blur) if variance > std else float(np.sqrt(std)),
                measured=bool(fit.learned("blur2")[i] > _LEARNED),
            )
        )
        for c, colour in enumerate(data.channels):
            if colour != CHANNEL:
                k = i * len(data.channels) + c
                name = f"{colour} focus against green at {m:g}x, image side"
                out.append(_figure(fit, "colour", k, name, "um"))
    return tuple(out)


def _at_widest(fit: LensFit, part: str, power: int, name: str) -> LensFigure:
    """Path length at the rim of the widest stop as it is: the ring's error moves the rim."""
    value, std = at_widest(fit, part, power)
    return LensFigure(
        name=name,
        unit="um",
        value=value,
        std=std,
        measured=bool(fit.learned(part)[0] > _LEARNED),
    )


def _figure(
    fit: LensFit,
    part: str,
    index: int,
    name: str,
    unit: str,
    *,
    value: float | None = None,
    scale: float = 1.0,
) -> LensFigure:
    return LensFigure(
        name=name,
        unit=unit,
        value=scale * float(fit.value(part)[index]) if value is None else value,
        std=scale * float(fit.std(part)[index]),
        measured=bool(fit.learned(part)[index] > _LEARNED),
    )


def _correlated(fit: LensFit) -> tuple[tuple[str, str, float], ...]:
    """Pairs of the common figures whose errors go together."""
    names = ("pupil", "light", "rail", "w040", "w040_rise", "w060")
    at = [fit.model.slices[name].start for name in names]
    covariance = fit.covariance[np.ix_(at, at)]
    std = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(std, std)
    return tuple(
        (one, other, float(correlation[i, i + 1 + j]))
        for i, one in enumerate(names)
        for j, other in enumerate(names[i + 1 :])
        if abs(correlation[i, i + 1 + j]) > _CORRELATED
    )


def _grid(stops: FloatArray) -> FloatArray:
    x = log2_stop(stops)
    count = max(3, round((x[-1] - x[0]) * _PER_STOP) + 1)
    return np.asarray(2 ** (np.linspace(x[0], x[-1], count) / 2))


def _with_field(series: LensSeries, points: Sequence[FieldPoint]) -> LensSeries:
    here = tuple(point for point in points if point.magnification == series.magnification)
    return replace(series, field=here, shape=field_shape(here) if here else None)


def _residuals(fit: LensFit) -> tuple[tuple[LensResidual, ...], ...]:
    """By magnification, frame by frame and colour by colour."""
    model, data = fit.model, fit.model.data
    mtf, _ = model(fit.parameters)
    waves = model.defocus_waves(fit.parameters)
    out: list[list[LensResidual]] = [[] for _ in data.magnifications]
    for frame in np.unique(data.frame):
        for c, colour in enumerate(data.channels):
            here = (data.frame == frame) & (data.channel == c)
            if here.any():
                out[data.frame_series[frame]].append(
                    LensResidual(
                        file=data.files[frame],
                        marked_stop=data.marked_stops[data.frame_stop[frame]],
                        channel=colour,
                        defocus_waves=float(waves[here].mean()),
                        mtf=float((data.mtf - mtf)[here].mean()),
                        mtf_std=float(np.sqrt(np.sum(data.mtf_std[here] ** 2)) / here.sum()),
                    )
                )
    return tuple(map(tuple, out))


def _series(
    fit: LensFit, k: int, loss_percent: float, rules: Sequence[Rule], detail_um: float | None
) -> LensSeries:
    data = fit.model.data
    here = np.unique(data.stop[data.series == k])
    stops = np.array(data.stops)[here]
    marked = np.array(data.marked_stops)[here]
    m = data.magnifications[k]
    at_marks = lens_curve(fit, k, CHANNEL, stops)
    shares = loss_shares(fit, k, CHANNEL)
    shift, shift_std = focus_shift_um(measured_optics(fit, k, CHANNEL, stops))
    excess = fit.value("excess")[k * len(data.stops) + here]
    nominal = np.array(stops) * (1 + m)
    lens_stops = tuple(
        LensStop(
            marked_stop=float(marked[i]),
            effective_f_number=float(at_marks.f_number[i]),
            effective_f_number_std=float(at_marks.f_number_std[i]),
            over_nominal=float(at_marks.f_number[i] / nominal[i]),
            mtf50_image_cyc_per_mm=float(at_marks.mtf50_image_cyc_per_mm[i]),
            mtf50_std=float(at_marks.mtf50_std[i]),
            diffraction_share=shares[here[i]].diffraction,
            aberration_share=shares[here[i]].aberration,
            defocus_share=shares[here[i]].defocus,
            pixel_share=shares[here[i]].pixel,
            residual_share=shares[here[i]].residual,
            beyond_model_percent=100 * float(excess[i]),
            focus_shift_um=float(shift[i]) / m**2,
            focus_shift_std_um=float(shift_std[i]) / m**2,
        )
        for i in range(here.size)
    )
    series = LensSeries(magnification=data.nominal_magnifications[k], stops=lens_stops)
    if here.size < 2:
        return series
    grid = _grid(stops)
    curves = {channel: lens_curve(fit, k, channel, grid) for channel in data.channels}
    white = white_optics(fit, k, grid)
    if white is not None:
        curves[WHITE] = curve_of(white)
    choices = {
        channel: stop_choice(one, loss_percent=loss_percent, rng=np.random.default_rng(_SEED))
        for channel, one in curves.items()
    }
    curve, choice = curves[CHANNEL], choices[CHANNEL]
    verdicts = judge_rules(
        rules,
        magnification=m,
        stop=grid,
        f_number=curve.f_number,
        mtf50=curve.mtf50_image_cyc_per_mm,
        covariance=curve.covariance,
        loss_percent=loss_percent,
        rng=np.random.default_rng(_SEED),
    )
    width_um = 2 * data.pixel_pitch_um / m if detail_um is None else detail_um
    sharp = Sharpness(detail_um=width_um)
    contrast = held_curve(measured_optics(fit, k, CHANNEL, grid), sharp, 0.0)
    best = best_stop(
        lambda stop: measured_optics(fit, k, CHANNEL, stop),
        float(grid[0]),
        float(grid[-1]),
        sharp,
        0.0,
        rng=np.random.default_rng(_SEED),
    )
    return replace(
        series,
        detail_um=width_um,
        detail_stop=best.stop if best.held > 0 else None,
        detail_low95=best.low95,
        detail_high95=best.high95,
        curve_contrast=tuple(contrast.held.tolist()),
        curve_contrast_std=tuple(
            (contrast.held * np.sqrt(np.maximum(np.diag(contrast.covariance), 0))).tolist()
        ),
        optimum_stop=choice.optimum_stop,
        optimum_low95=choice.optimum_low95,
        optimum_high95=choice.optimum_high95,
        optimum_mtf50_image_cyc_per_mm=choice.optimum_mtf50,
        deepest_sharp_stop=choice.deepest_stop,
        deepest_low95=choice.deepest_low95,
        deepest_high95=choice.deepest_high95,
        curve_stop=tuple(grid.tolist()),
        curve_mtf50_image_cyc_per_mm=tuple(curve.mtf50_image_cyc_per_mm.tolist()),
        curve_mtf50_std=tuple(curve.mtf50_std.tolist()),
        channels=tuple(
            ChannelOptimum(
                channel=channel,
                optimum_stop=one.optimum_stop,
                optimum_low95=one.optimum_low95,
                optimum_high95=one.optimum_high95,
                mtf50_image_cyc_per_mm=one.optimum_mtf50,
            )
            for channel, one in choices.items()
        ),
        rules=tuple(
            RuleResult(
                rule=v.rule,
                verdict=v.verdict,
                reason=v.reason,
                probability=float(v.probabilities.get(v.verdict, max(v.probabilities.values()))),
                limit_stop=v.limit_stop,
                loss_percent=v.loss_percent,
                loss_low95=v.loss_low95,
                loss_high95=v.loss_high95,
                depth_given_away=v.depth_given_away,
            )
            for v in verdicts
        ),
        compare=compare_tables(fit, k, curve, choice.optimum_stop),
        flags=choice.flags,
    )


def _cannot_say(fit: LensFit, series: tuple[LensSeries, ...], describes: bool) -> tuple[str, ...]:
    """What these frames leave open, in sentences."""
    data = fit.model.data
    out = []
    limited = [
        stop
        for one in series
        for stop in one.stops
        if stop.aberration_share + stop.defocus_share < 1 - _DIFFRACTION_LIMITED
    ]
    if not limited:
        out.append(
            "No stop is limited by diffraction alone: the pupil ratio and with it the effective "
            "f-number rest on what was stated. Add a smaller stop."
        )
    if len(data.magnifications) == 1:
        out.append(
            "One magnification only: pupil ratio, ring scale and wavelength share one factor. "
            "What they come to together, the effective f-number, is measured; each alone is not. "
            "Add a second magnification."
        )
    elif not fit.learned("pupil")[0] > _LEARNED:
        out.append("These frames do not tell the pupil ratio: it stays as stated or assumed.")
    if np.isnan(data.position_um).any():
        out.append(
            "Frames rocked by hand carry no length: depth of focus tells nothing of the cone "
            "there. Give focus_step_um of a rail for that."
        )
    if np.bincount(data.frame_series * len(data.stops) + data.frame_stop).max() < 2:
        out.append("One frame a stop: whether it was in focus cannot be seen.")
    if len(data.stops) == 1:
        out.append("One stop only: there is no optimum to name.")
    if not describes:
        out.append(
            "The model does not describe this lens well: the optimum is the interpolated one."
        )
    return tuple(out)


def _placed(point: StopPoint, stop: LensStop | None) -> StopPoint:
    """A bracket rocked by hand has the peak that the model finds between its frames."""
    if stop is None or "focus-order-unknown" not in point.flags:
        return point
    ratio = stop.mtf50_image_cyc_per_mm / point.mtf50_image_cyc_per_mm
    spread = 1.96 * stop.mtf50_std
    return replace(
        point,
        mtf50_image_cyc_per_mm=stop.mtf50_image_cyc_per_mm,
        mtf50_std=stop.mtf50_std,
        mtf50_low95=stop.mtf50_image_cyc_per_mm - spread,
        mtf50_high95=stop.mtf50_image_cyc_per_mm + spread,
        mtf50_object_cyc_per_mm=ratio * point.mtf50_object_cyc_per_mm,
        percent_of_diffraction=ratio * point.percent_of_diffraction,
        flags=tuple(
            "focus-from-model" if flag == "focus-order-unknown" else flag for flag in point.flags
        ),
    )


def with_lens(result: SessionResult, lens: LensResult | None) -> SessionResult:
    """A session's result with the model's optimum in place of the interpolated one."""
    if lens is None:
        return result
    by_magnification = {one.magnification: one for one in lens.series}

    def moved(series: SeriesResult) -> SeriesResult:
        series = replace(
            series,
            interpolated_optimum_stop=series.optimum_stop,
            interpolated_low95=series.optimum_low95,
            interpolated_high95=series.optimum_high95,
        )
        one = by_magnification.get(series.magnification)
        known = one is not None and None not in (one.optimum_stop, series.optimum_stop)
        if one is None or not (lens.describes and known):
            return series
        stops = {stop.marked_stop: stop for stop in one.stops}
        series = replace(
            series,
            points=tuple(_placed(point, stops.get(point.marked_stop)) for point in series.points),
        )
        inside = "optimum-not-bracketed" not in one.flags
        return replace(
            series,
            curve_mtf50_image_cyc_per_mm=tuple(
                np.interp(
                    log2_stop(series.curve_stop),
                    log2_stop(one.curve_stop),
                    one.curve_mtf50_image_cyc_per_mm,
                ).tolist()
            ),
            interpolated_curve_mtf50_image_cyc_per_mm=series.curve_mtf50_image_cyc_per_mm,
            optimum_stop=one.optimum_stop,
            optimum_low95=one.optimum_low95 if inside else None,
            optimum_high95=one.optimum_high95 if inside else None,
            optimum_mtf50_image_cyc_per_mm=one.optimum_mtf50_image_cyc_per_mm,
            deepest_sharp_stop=one.deepest_sharp_stop,
            deepest_low95=one.deepest_low95,
            deepest_high95=one.deepest_high95,
            flags=(
                *one.flags,
                *(f for f in series.flags if f not in _OF_THE_OPTIMUM),
            ),
        )

    return replace(result, lens=lens, series=tuple(moved(series) for series in result.series))
