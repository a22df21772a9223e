"""Widths from drawn flight dates: the closed form of a balanced mean, and likelihoods by multivariate normal densities."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import chi2, multivariate_normal, norm
from scipy.stats import t as student_t

from phenofit.plan.date_profiles import DateErrors, median_widths, summarised
from phenofit.plan.weather_seasons import plan_weather
from tests.plan.test_plan import SEASON, truth, weather


def test_with_the_base_known_a_requirement_is_a_mean_of_years() -> None:
    values = truth(10.0, shift_sd_year=60.0, shift_sd=20.0)
    sites, years, error = 6, 5, 15.0
    past = plan_weather(weather(), SEASON)
    base, found = median_widths(
        values,
        past,
        sites=sites,
        years=years,
        errors=DateErrors(np.array([error]), np.array([0.2])),
        degrees=years - 1.0,
    )
    assert base == 0.0
    # Student's t with the variance of the years' means fitted, whose median is that of chi-squared. Textbook.
    sd = math.sqrt((60.0**2 + (20.0**2 + error**2) / sites) / years)
    fitted = math.sqrt(chi2.median(years - 1) / (years - 1))
    # The median of 600 widths is known to about 2 %.
    assert found[0] == pytest.approx(2.0 * student_t.ppf(0.975, years - 1) * sd * fitted, rel=0.06)


def test_without_shifts_the_error_of_a_date_is_that_of_its_moths() -> None:
    past = plan_weather(weather(), SEASON)
    _, found = median_widths(
        truth(10.0),
        past,
        sites=4,
        years=2,
        errors=DateErrors(np.array([12.0]), np.array([0.2])),
        degrees=math.inf,
    )
    assert found[0] == pytest.approx(2.0 * norm.ppf(0.975) * 12.0 / math.sqrt(8), rel=1e-3)


@pytest.mark.parametrize("flights", [1, 2])
@pytest.mark.parametrize("year_sd", [0.0, 30.0])
def test_the_likelihood_is_that_of_normal_dates(flights: int, year_sd: float) -> None:
    rng = np.random.default_rng(flights)
    years, sites, bases = 4, 3, 2
    errors = DateErrors(np.array([30.0, 50.0])[:flights], np.array([0.2, 0.3])[:flights])
    log_spread = rng.uniform(3.0, 4.5, (1, years, sites, bases, flights))
    # A base stretches the heat of the days in which the moths of a trap-year fly.
    stretch = np.exp((log_spread - log_spread[:, :, :, :1]).mean(axis=(0, 1, 2)))
    shift = year_sd * rng.standard_normal((years, 1)) + 20.0 * rng.standard_normal((years, sites))
    flown = 300.0 * np.arange(1.0, flights + 1.0) + shift[None, :, :, None, None]
    flown = flown + errors.date * stretch * rng.standard_normal((1, years, sites, bases, flights))
    found = summarised(flown, log_spread, errors, 0, shared=True, own=True)
    same_year, same_trap = (
        np.kron(np.eye(n), np.ones((m, m))) for n, m in ((years, sites * flights), (years * sites, flights))
    )

    def least(base: int, requirement: float | None) -> float:
        """Return twice the least negative log density of the dates, with the requirement of flight 1 held if given."""
        value = flown[0, :, :, base].ravel()
        noise = np.diag(np.tile((errors.date * stretch[base]) ** 2, years * sites))
        table = log_spread[0, :, :, base].reshape(-1, flights)

        def density(theta: np.ndarray) -> float:
            mean = np.array([theta[2] if requirement is None else requirement, *theta[3 : 2 + flights]])
            covariance = theta[0] ** 2 * same_year + theta[1] ** 2 * same_trap + noise
            return -2.0 * float(multivariate_normal.logpdf(value, np.tile(mean, years * sites), covariance))

        begin = [25.0, 20.0, *flown[0, :, :, base].mean(axis=(0, 1))]
        result = minimize(
            density, begin, method="Nelder-Mead", options={"maxiter": 8000, "xatol": 1e-5, "fatol": 1e-9}
        )
        # Dates are observed, not heat: the heat per day turns one density into the other.
        of_dates = float(result.fun) - 2.0 * years * sites * float(np.log(stretch[base]).sum())
        return of_dates - 2.0 * float(np.sum(norm.logpdf(table, table.mean(axis=0), errors.spread)))

    by_base = found.deviance()[0]
    assert by_base[1] - by_base[0] == pytest.approx(least(1, None) - least(0, None), abs=1e-4)
    away, further = 25.0, found.errors[:, :, 0] - found.error
    moved = found.deviance(np.full((1, bases), away), further)[0, 0] - by_base[0]
    wanted = least(0, float(found.mean[0, 0, 0]) + away) - least(0, None)
    # Where flights differ, the variance of the shifts is fitted as if the requirement had their error only.
    assert moved == pytest.approx(wanted, abs=1e-4 if flights == 1 else 0.02 * wanted)
