"""What must hold on any day, whatever the numbers (plain reasoning, no source needed)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phenofit.errors import DataError
from phenofit.heat import CUTOFFS, METHODS, accumulate, degree_days

SHAPES = ("single sine", "double sine", "single triangle", "double triangle")
ROUNDING = 1e-9

temperature = st.floats(-30.0, 45.0, allow_nan=False)
span = st.one_of(st.just(0.0), st.floats(0.0, 30.0))
base = st.floats(-5.0, 25.0)
width = st.floats(0.5, 25.0)
shape = st.sampled_from(SHAPES)
any_cutoff = st.sampled_from(CUTOFFS)


@given(temperature, span, temperature, base, width, shape, any_cutoff)
def test_never_negative(
    low: float, s: float, following: float, b: float, w: float, method: str, cutoff: str
) -> None:
    heat = degree_days(low, low + s, base=b, upper=b + w, method=method, cutoff=cutoff, tmin_next=following)
    assert heat >= 0.0


@given(temperature, span, temperature, base, st.floats(0.0, 5.0), st.sampled_from(METHODS[:-1]))
def test_never_rises_with_the_base(
    low: float, s: float, following: float, b: float, step: float, method: str
) -> None:
    lower, higher = (
        degree_days(low, low + s, base=c, method=method, tmin_next=following) for c in (b, b + step)
    )
    assert higher <= lower + ROUNDING


@given(temperature, span, temperature, base, st.floats(0.0, 5.0), width, shape, any_cutoff)
def test_never_rises_with_the_base_below_an_upper_threshold(
    low: float, s: float, following: float, b: float, step: float, w: float, method: str, cutoff: str
) -> None:
    upper = b + step + w
    lower, higher = (
        degree_days(low, low + s, base=c, upper=upper, method=method, cutoff=cutoff, tmin_next=following)
        for c in (b, b + step)
    )
    assert higher <= lower + ROUNDING


@given(temperature, span, temperature, base, width, shape)
def test_order_of_the_cutoffs(
    low: float, s: float, following: float, b: float, w: float, method: str
) -> None:
    heat = {
        cutoff: degree_days(
            low, low + s, base=b, upper=b + w, method=method, cutoff=cutoff, tmin_next=following
        )
        for cutoff in CUTOFFS
    }
    none = degree_days(low, low + s, base=b, method=method, tmin_next=following)
    assert none >= heat["horizontal"] - ROUNDING
    assert heat["horizontal"] >= heat["floored intermediate"] - ROUNDING
    assert heat["floored intermediate"] >= heat["intermediate"] - ROUNDING
    assert heat["floored intermediate"] >= heat["vertical"] - ROUNDING


@given(temperature, span, temperature, base, width, shape, any_cutoff)
def test_fahrenheit_and_celsius_agree(
    low: float, s: float, following: float, b: float, w: float, method: str, cutoff: str
) -> None:
    celsius = degree_days(
        low, low + s, base=b, upper=b + w, method=method, cutoff=cutoff, tmin_next=following
    )
    f_low, f_high, f_following, f_b, f_u = (1.8 * t + 32.0 for t in (low, low + s, following, b, b + w))
    fahrenheit = degree_days(
        f_low,
        f_high,
        base=f"{f_b!r} degF",
        upper=f"{f_u!r} degF",
        method=method,
        cutoff=cutoff,
        tmin_next=f_following,
        unit="degF",
        out_unit="degF d",
    )
    # The vertical cut-off has unbounded slope, and jumps on a day without range, so rounding may show there.
    if cutoff == "vertical" and min(abs(b + w - t) for t in (low, low + s, following)) < 1e-3:
        return
    assert fahrenheit == pytest.approx(1.8 * celsius, abs=1e-6)


@given(temperature, base, st.sampled_from(METHODS[:-1]))
def test_day_without_range_gives_its_excess(t: float, b: float, method: str) -> None:
    assert degree_days(t, t, base=b, method=method, tmin_next=t) == pytest.approx(
        max(t - b, 0.0), abs=ROUNDING
    )


@given(temperature, st.floats(1e-6, 30.0), base, st.sampled_from(METHODS[:-1]))
def test_minimum_above_maximum_is_refused(high: float, over: float, b: float, method: str) -> None:
    if not high + over > high:
        return
    with pytest.raises(DataError, match="minimum above the maximum"):
        degree_days(high + over, high, base=b, method=method, tmin_next=high)


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 30.0), min_size=2, max_size=60), st.data())
def test_sums_add_up_over_split_periods(days: list[float], data: st.DataObject) -> None:
    cut = data.draw(st.integers(1, len(days) - 1))
    whole = accumulate(np.array(days))[-1]
    first, second = accumulate(np.array(days[:cut]))[-1], accumulate(np.array(days[cut:]))[-1]
    assert first + second == pytest.approx(whole, abs=1e-9)
