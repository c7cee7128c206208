"""What is kept of a lens for comparisons, against the lens it is kept of."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace
from typing import NamedTuple

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from lab.inference.compare_tables import compare_tables
from lab.inference.depth import Sharpness, best_stop, depth_within
from lab.inference.lens_curve import LensCurve, lens_curve
from lab.inference.lens_fit import LensFit, fit_lens
from lab.inference.lens_optics import measured_optics
from lab.inference.results import CompareTable, CompareTables
from tests.bench.second_lens import SecondLens

OPTIMUM, SIZE = 4.4, 2.0


class Kept(NamedTuple):
    fit: LensFit
    curve: LensCurve
    tables: CompareTables


@pytest.fixture(scope="module")
def lens() -> Kept:
    data = SecondLens(magnifications=(SIZE,), w040_um=0.5, pupil_ratio=0.9).session(
        np.random.default_rng(4), colours=("green",)
    )
    fit = fit_lens(data)
    curve = lens_curve(fit, 0, "green", 2 ** (np.linspace(3, 8, 121) / 2))
    return Kept(fit, curve, compare_tables(fit, 0, curve, OPTIMUM))


def std_of(table: CompareTable, light_std: float) -> np.ndarray:
    """Of the logarithm, the light's doubt included."""
    return np.hypot(table.std, np.array(table.by_light) * light_std)


# Exact


def test_sharpness_at_one_f_number_is_that_of_the_curve(lens: Kept) -> None:
    table = lens.tables.equal_stop
    found = np.interp(
        np.log(table.at), np.log(lens.curve.f_number), np.log(lens.curve.mtf50_image_cyc_per_mm)
    )
    assert np.log(table.value) == pytest.approx(math.log(SIZE) + found, abs=1e-5)
    at = [1.0 * n for n in table.at]
    for stop in (2**3.5, 16.0, 2**4.5, 32.0):  # whole stops lie on the grid
        assert min(abs(math.log(n / stop)) for n in at) < 1e-5
    assert (table.at[0], table.at[-1]) == pytest.approx(tuple(lens.curve.f_number[[0, -1]]))


def test_the_optimum_is_the_curves(lens: Kept) -> None:
    here = lens_curve(lens.fit, 0, "green", [OPTIMUM])
    table = lens.tables.optimum
    assert table.value[0] == pytest.approx(SIZE * here.mtf50_image_cyc_per_mm[0], rel=1e-5)
    std = here.mtf50_std[0] / here.mtf50_image_cyc_per_mm[0]
    assert std_of(table, lens.tables.light_std)[0] == pytest.approx(std, rel=1e-4)


def test_what_is_held_over_a_depth_is_the_best_stops(lens: Kept) -> None:
    table, light_std = lens.tables.over_depth, lens.tables.light_std
    for depth_um, digits in ((100.0, 3e-4), (240.0, 2e-3)):  # in the table, and between
        best = best_stop(
            lambda stop: measured_optics(lens.fit, 0, "green", stop),
            *lens.curve.stop[[0, -1]].tolist(),
            Sharpness(),
            depth_um,
            rng=np.random.default_rng(0),
        )
        at = math.log(depth_um)
        held = np.interp(at, np.log(table.at), np.log(table.value))
        assert held == pytest.approx(math.log(best.held), abs=digits)
        std = np.interp(at, np.log(table.at), std_of(table, light_std))
        assert std == pytest.approx(math.sqrt(best.curve.covariance[0, 0]), rel=0.02)
        stop = np.interp(at, np.log(table.at), np.log(table.stop))
        assert stop == pytest.approx(math.log(best.stop), abs=0.02)
    # Depths run from one that costs nothing to one over which hardly anything is held.
    assert table.value[0] == pytest.approx(max(lens.tables.equal_stop.value), rel=0.02)
    assert table.value[-1] < 0.2 * table.value[0]


def test_depth_within_a_loss(lens: Kept) -> None:
    optics = measured_optics(lens.fit, 0, "green", [OPTIMUM])
    table = lens.tables.depth_within
    for loss in (2.0, 10.0, 60.0):
        k = table.at.index(loss)
        found = depth_within(optics, Sharpness(), loss)
        assert table.value[k] == pytest.approx(found.depth_um[0], rel=1e-5)
        std = found.std_um[0] / found.depth_um[0]
        assert std_of(table, lens.tables.light_std)[k] == pytest.approx(std, rel=1e-4)


def test_the_tables_are_small(lens: Kept) -> None:
    assert len(json.dumps(asdict(lens.tables), separators=(",", ":"))) < 12_000


# Exact: the uncertainty at a given f-number, by moving all that the fit leaves open


def test_at_a_given_f_number_the_rings_error_counts_once(lens: Kept) -> None:
    fit, tables = lens.fit, lens.tables
    names = ("pupil", "light", "w040", "w060", "ring", "blur2", "excess")  # what a curve hangs on
    at = np.concatenate([np.arange(fit.model.size)[fit.model.slices[name]] for name in names])
    values, vectors = np.linalg.eigh(fit.covariance[np.ix_(at, at)])
    log_n = np.log([2**3.5, 16.0, 32.0])
    places = np.interp(log_n, np.log(lens.curve.f_number), np.log(lens.curve.stop))
    grid = np.exp(places[:, np.newaxis] + 0.08 * np.arange(-2, 3)).ravel()  # quarter stops

    def heights(parameters: np.ndarray) -> np.ndarray:
        one = lens_curve(replace(fit, parameters=parameters), 0, "green", grid)
        return np.asarray(
            CubicSpline(np.log(one.f_number), np.log(one.mtf50_image_cyc_per_mm))(log_n)
        )

    variance, with_light = np.zeros(3), np.zeros(3)
    for value, vector in zip(values, vectors.T, strict=True):
        step = np.zeros(fit.model.size)
        step[at] = 0.05 * math.sqrt(max(value, 0.0)) * vector
        moved = (heights(fit.parameters + step) - heights(fit.parameters - step)) / 0.1
        variance += moved**2
        with_light += moved * step[fit.model.slices["light"]] / 0.05
    by_light = with_light / tables.light_std**2
    known = np.sqrt(variance - (by_light * tables.light_std) ** 2)
    table = tables.equal_stop
    expected = [np.interp(log_n, np.log(table.at), c) for c in (table.by_light, table.std)]
    assert expected[0] == pytest.approx(by_light, abs=0.01)
    # Between two marked stops the table adds what no figure carries: a little.
    assert expected[1] == pytest.approx(known, rel=0.05)
    # As two doubts that know nothing of each other, both would be much wider.
    curve = lens.curve
    slope = np.gradient(np.log(curve.mtf50_image_cyc_per_mm), np.log(curve.f_number))
    ring = slope * curve.f_number_std / curve.f_number
    apart = np.hypot(np.sqrt(np.diag(curve.covariance)), ring)
    assert (expected[1][1:] < 0.7 * np.interp(log_n, np.log(curve.f_number), apart)[1:]).all()
