"""Closed forms against quadrature, slopes against central differences, running sums against plain addition."""

from __future__ import annotations

import math

import numpy as np
import pytest

from phenofit.heat.compiled.daily_kernels import CUTOFF_CODES, METHOD_CODES, day_heat, running_heat
from tests.heat.quadrature import quadrature_day

SHAPES = ("single sine", "double sine", "single triangle", "double triangle")
AVERAGES = (
    ("simple average", "none"),
    ("clipped average", "none"),
    ("clipped average", "horizontal"),
    ("capped average", "none"),
    ("capped average", "horizontal"),
)


def random_days(count: int, seed: int = 20240501) -> np.ndarray:
    """Columns tmin, tmax, tmin_next, base, upper [degC]; thresholds lie below, in and above the day."""
    rng = np.random.default_rng(seed)
    low = rng.uniform(-10.0, 35.0, count)
    high = low + rng.uniform(0.0, 25.0, count)
    following = low + rng.normal(0.0, 5.0, count)
    base = rng.uniform(-5.0, 20.0, count)
    return np.column_stack([low, high, following, base, base + rng.uniform(1.0, 25.0, count)])


def worst_difference(method: str, cutoff: str, count: int) -> float:
    codes = METHOD_CODES[method], CUTOFF_CODES[cutoff]
    return max(
        abs(day_heat(*codes, *day)[0] - quadrature_day(method, cutoff, *day))
        for day in random_days(count).tolist()
    )


@pytest.mark.parametrize("cutoff", CUTOFF_CODES)
@pytest.mark.parametrize("method", SHAPES)
def test_closed_form_equals_quadrature(method: str, cutoff: str) -> None:
    assert worst_difference(method, cutoff, 1_000) <= 1e-9


@pytest.mark.slow
@pytest.mark.parametrize("cutoff", CUTOFF_CODES)
@pytest.mark.parametrize("method", SHAPES)
def test_closed_form_equals_quadrature_on_ten_thousand_days(method: str, cutoff: str) -> None:
    assert worst_difference(method, cutoff, 10_000) <= 1e-9


@pytest.mark.parametrize(("method", "cutoff"), [*((m, c) for m in SHAPES for c in CUTOFF_CODES), *AVERAGES])
def test_slopes_equal_central_differences(method: str, cutoff: str) -> None:
    codes = METHOD_CODES[method], CUTOFF_CODES[cutoff]
    step = 1e-5
    looked_at = 0
    for low, high, following, base, upper in random_days(10_000).tolist():
        # Central differences fail where the second slope is unbounded or the first jumps, so thresholds within
        # 0.05 degC of a minimum or maximum (or the mean, for averages) are passed over, and so is a day whose
        # intermediate total is about to be floored.
        edges = (low, high, following, 0.5 * (low + high))
        if min(abs(c - e) for c in (base, upper, 2.0 * upper - base) for e in edges) < 0.05:
            continue
        heat, d_base, d_upper = day_heat(*codes, low, high, following, base, upper)
        if cutoff == "intermediate" and heat < 1e-4:
            continue
        near = [
            day_heat(*codes, low, high, following, base + db, upper + du)[0]
            for db, du in ((step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step))
        ]
        assert d_base == pytest.approx((near[0] - near[1]) / (2.0 * step), abs=1e-6)
        assert d_upper == pytest.approx((near[2] - near[3]) / (2.0 * step), abs=1e-6)
        looked_at += 1
    assert looked_at > 5_000


def test_intermediate_total_is_floored_with_its_slopes() -> None:
    # 30 degC day without range, base 10, upper 18: 20 - 2 * 12 = -4 (plain arithmetic).
    assert day_heat(METHOD_CODES["single sine"], 2, 30.0, 30.0, 30.0, 10.0, 18.0) == (0.0, 0.0, 0.0)
    # The whole day is floored, not each half: (20 - 4) / 2 with a second half day at 20 degC: 10 - 2 * 2 = 6.
    assert day_heat(METHOD_CODES["double triangle"], 2, 30.0, 30.0, 30.0, 10.0, 18.0)[0] == 0.0


def test_rough_edges_of_a_day() -> None:
    sine = METHOD_CODES["single sine"]
    assert day_heat(sine, 0, 15.0, 15.0, 0.0, 10.0, math.inf) == (5.0, -1.0, 0.0)  # no range
    assert day_heat(sine, 0, 10.0, 10.0, 0.0, 10.0, math.inf)[0] == 0.0  # no range, at the base
    assert day_heat(sine, 0, 10.0, 20.0, 0.0, 10.0, math.inf)[:2] == (5.0, -1.0)  # base at the minimum
    assert day_heat(sine, 0, 2.0, 10.0, 0.0, 10.0, math.inf) == (0.0, 0.0, 0.0)  # base at the maximum
    assert all(math.isnan(v) for v in day_heat(sine, 0, math.nan, 20.0, 0.0, 10.0, math.inf))
    assert all(math.isnan(v) for v in day_heat(sine, 0, 10.0, math.nan, 0.0, 10.0, math.inf))
    double = METHOD_CODES["double sine"]
    assert all(math.isnan(v) for v in day_heat(double, 0, 10.0, 20.0, math.nan, 10.0, math.inf))


def test_warm_front_second_half_day_rises() -> None:
    # Next minimum 22 above this maximum 20, base 0: halves 15 and 21, all above the base (plain arithmetic).
    assert day_heat(METHOD_CODES["double triangle"], 0, 10.0, 20.0, 22.0, 0.0, math.inf)[0] == pytest.approx(
        18.0
    )


@pytest.mark.parametrize("method", ["single sine", "double triangle", "clipped average"])
def test_running_sums_are_plain_sums_and_unknown_after_a_gap(method: str) -> None:
    rng = np.random.default_rng(7)
    low = rng.normal(8.0, 6.0, (3, 41))
    high = low[:, :40] + rng.uniform(0.0, 15.0, (3, 40))
    high[1, 12] = np.nan
    codes = METHOD_CODES[method], CUTOFF_CODES["horizontal"]
    heat, d_base, d_upper = running_heat(low, high, 10.0, 25.0, *codes)
    assert heat.shape == d_base.shape == d_upper.shape == (3, 41)
    assert np.all(heat[:, 0] == 0.0)
    for i in range(3):
        days = [day_heat(*codes, low[i, d], high[i, d], low[i, d + 1], 10.0, 25.0) for d in range(40)]
        expected = np.cumsum(np.array(days), axis=0)
        np.testing.assert_allclose(
            np.column_stack([heat[i], d_base[i], d_upper[i]])[1:], expected, rtol=1e-12
        )
    assert np.isfinite(heat[1, :13]).all()
    assert np.isnan(heat[1, 13:]).all()


def test_last_day_of_a_double_method_needs_the_minimum_after_it() -> None:
    low, high = np.full((1, 3), 5.0), np.full((1, 3), 20.0)
    heat, _, _ = running_heat(low, high, 10.0, np.inf, METHOD_CODES["double sine"], 0)
    assert np.isfinite(heat[0, :3]).all()
    assert np.isnan(heat[0, 3])
    longer, _, _ = running_heat(np.full((1, 4), 5.0), high, 10.0, np.inf, METHOD_CODES["double sine"], 0)
    assert np.isfinite(longer).all()
