"""The float32 sine against the exact closed form in float64."""

from __future__ import annotations

import numpy as np
import pytest

from phenofit.heat import degree_days
from phenofit.heat.arrays import heat_of_days
from phenofit.heat.compiled.daily_kernels import METHOD_CODES
from phenofit.heat.compiled.threads import split_work


@pytest.mark.parametrize("cutoff", [0, 1, 2, 3, 4])
@pytest.mark.parametrize(("base", "upper"), [(10.0, 30.0), (-5.0, 12.0), (20.0, 21.0)])
def test_single_precision_days(cutoff: int, base: float, upper: float) -> None:
    rng = np.random.default_rng(3)
    low = rng.uniform(-60.0, 55.0, 300_000).astype(np.float32)
    span = rng.choice([0.0, 1e-6, 1e-3, 1.0, 10.0, 25.0], low.size) * rng.uniform(0.0, 1.0, low.size)
    high = np.maximum(low, (low + span).astype(np.float32))
    low[:5] = np.nan
    high[3:9] = np.nan
    codes = METHOD_CODES["single sine"], cutoff
    fast = heat_of_days(low, high, None, codes=codes, base=base, upper=upper)
    exact = heat_of_days(low.astype(float), high.astype(float), None, codes=codes, base=base, upper=upper)
    assert fast.dtype == np.float32
    assert np.array_equal(np.isnan(fast), np.isnan(exact))
    assert np.nanmax(np.abs(fast - exact)) < 1e-5
    assert np.nanmin(fast) >= 0.0


def test_shares_of_the_work_do_not_change_the_result() -> None:
    rng = np.random.default_rng(4)
    low = rng.normal(8.0, 8.0, 1_000_003).astype(np.float32)
    high = low + np.float32(9.5)
    codes = METHOD_CODES["single sine"], 1
    one, many = (
        heat_of_days(low, high, None, codes=codes, base=10.0, upper=25.0, threads=threads)
        for threads in (1, 7)
    )
    assert one.tobytes() == many.tobytes()


def test_work_is_split_without_gap_or_overlap() -> None:
    seen = np.zeros(500_000, dtype=int)

    def work(first: int, last: int) -> int:
        seen[first:last] += 1
        return last - first

    assert split_work(seen.size, work, threads=5) == seen.size
    assert np.all(seen == 1)


def test_single_precision_stays_single_only_where_both_are() -> None:
    low, high = np.array([5.0, 6.0], np.float32), np.array([20.0, 25.0], np.float32)
    assert degree_days(low, high, base=10.0).dtype == np.float32
    assert degree_days(low, high.astype(float), base=10.0).dtype == np.float64
