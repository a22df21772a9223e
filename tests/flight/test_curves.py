"""Flight curves against scipy.stats, and their slopes against central differences."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from phenofit.errors import ModelError
from phenofit.flight import CURVE_CODES, heat_at_share, peak_heat, share_flown
from phenofit.flight.kernels.curves import curve_code, curve_point


def _frozen(curve: str, m: float, s: float) -> Any:
    """The same distribution as scipy.stats writes it."""
    c = s / m
    if curve == "normal":
        return stats.norm(m, s)
    if curve == "logistic":
        return stats.logistic(m, s * np.sqrt(3) / np.pi)
    if curve == "Gumbel":
        scale = s * np.sqrt(6) / np.pi
        return stats.gumbel_r(m + scale * np.log(np.log(2)), scale)
    if curve == "log-normal":
        return stats.lognorm(c, scale=m)
    if curve == "log-logistic":
        return stats.fisk(np.pi / (np.sqrt(3) * c), scale=m)
    if curve == "gamma":
        return stats.gamma(1 / c**2, scale=m / stats.gamma(1 / c**2).median())
    shape = np.pi / (np.sqrt(6) * c)
    return stats.weibull_min(shape, scale=m / np.log(2) ** (1 / shape))


@pytest.mark.parametrize("curve", CURVE_CODES)
def test_share_agrees_with_scipy(curve: str) -> None:
    for m, s in ((500.0, 60.0), (300.0, 90.0), (1000.0, 40.0)):
        law = _frozen(curve, m, s)
        for h in np.linspace(1.0, 2.0 * m, 41):
            assert share_flown(curve, h, m, s) == pytest.approx(
                law.cdf(h), abs=1e-13 if curve != "gamma" else 1e-11
            )


@pytest.mark.parametrize("curve", CURVE_CODES)
def test_spread_is_the_standard_deviation_it_says(curve: str) -> None:
    # Of heat for normal, logistic and Gumbel; over the mean for gamma; of log heat times the requirement for the others.
    m, s = 500.0, 60.0
    law = _frozen(curve, m, s)
    if curve in ("normal", "logistic", "Gumbel"):
        assert law.std() == pytest.approx(s, rel=1e-12)
    elif curve == "gamma":
        assert law.std() / law.mean() == pytest.approx(s / m, rel=1e-12)
    else:
        q = law.ppf((np.arange(200_000) + 0.5) / 200_000)
        assert np.log(q).std() == pytest.approx(s / m, rel=2e-3)
    assert law.median() == pytest.approx(m)


@pytest.mark.parametrize("curve", CURVE_CODES)
@pytest.mark.parametrize("share", [0.05, 0.25, 0.5, 0.75, 0.95])
def test_heat_at_share_inverts_scipy(curve: str, share: float) -> None:
    assert heat_at_share(curve, share, 500.0, 60.0) == pytest.approx(_frozen(curve, 500.0, 60.0).ppf(share))


@pytest.mark.parametrize("curve", CURVE_CODES)
def test_peak_is_where_the_density_is_highest(curve: str) -> None:
    heat = np.linspace(200.0, 900.0, 70_001)
    highest = heat[np.argmax(_frozen(curve, 500.0, 60.0).pdf(heat))]
    assert peak_heat(curve, 500.0, 60.0) == pytest.approx(highest, abs=0.02)


@given(
    curve=st.sampled_from(sorted(CURVE_CODES)),
    h=st.floats(50.0, 900.0),
    m=st.floats(200.0, 800.0),
    shift=st.floats(-80.0, 80.0),
    s=st.floats(30.0, 120.0),
)
def test_slopes_are_those_of_the_share(curve: str, h: float, m: float, shift: float, s: float) -> None:
    code, e = curve_code(curve), 1e-4
    _, d_heat, d_median, d_m, d_spread = curve_point(code, h, m + shift, m, s)

    def at(h: float = h, median: float = m + shift, m: float = m, s: float = s) -> float:
        return float(curve_point(code, h, median, m, s)[0])

    assert d_heat == pytest.approx((at(h=h + e) - at(h=h - e)) / (2 * e), abs=1e-7)
    assert d_median == pytest.approx(
        (at(median=m + shift + e) - at(median=m + shift - e)) / (2 * e), abs=1e-7
    )
    assert d_m == pytest.approx((at(m=m + e) - at(m=m - e)) / (2 * e), abs=1e-7)
    k = 1e-6
    assert d_spread == pytest.approx((at(s=s * np.exp(k)) - at(s=s * np.exp(-k))) / (2 * k), abs=1e-6)


def test_no_heat_means_none_flown() -> None:
    for curve in ("log-normal", "log-logistic", "Weibull"):
        assert share_flown(curve, 0.0, 500.0, 60.0) == 0.0


@pytest.mark.parametrize("curve", sorted(CURVE_CODES))
def test_corners_of_the_search_range_give_finite_shares_and_slopes(curve: str) -> None:
    # Warnings are errors, so that an overflow would be seen.
    found = {}
    for h, m, s in itertools.product(
        (0.0, 1e-300, 1.0, 2500.0, 1e5), (1.0, 500.0, 6000.0), (1.0, 60.0, 2000.0)
    ):
        point = np.array(curve_point(curve_code(curve), h, m, m, s))
        assert np.isfinite(point).all(), (h, m, s, point)
        found[h, m, s] = point[0]
    assert 0.0 <= min(found.values()) <= max(found.values()) <= 1.0
    for m, s in itertools.product((1.0, 500.0, 6000.0), (1.0, 60.0, 2000.0)):
        shares = [found[h, m, s] for h in (0.0, 1e-300, 1.0, 2500.0, 1e5)]
        assert shares == sorted(shares)


def test_unknown_names_and_values_are_refused() -> None:
    with pytest.raises(ModelError, match="normal, logistic"):
        share_flown("bell", 1.0, 500.0, 60.0)
    with pytest.raises(ModelError, match="positive"):
        share_flown("normal", 1.0, 500.0, 0.0)
    with pytest.raises(ModelError, match="between 0 and 1"):
        heat_at_share("normal", 1.0, 500.0, 60.0)
