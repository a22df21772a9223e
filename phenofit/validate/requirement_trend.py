"""Does the requirement change? Held-out errors against the year, and the coverage of the intervals."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

_LEAST_YEARS = 4
DRIFT_COLUMNS = (
    "species", "flight", "event", "years", "slope_days_per_decade", "slope_low", "slope_high", "p_value",
    "sentence",
)  # fmt: skip


def trend_test(validation: pd.DataFrame, *, forecaster: str = "fitted", level: float = 0.95) -> pd.DataFrame:
    """Test whether the held-out error moves with the years.

    Parameters
    ----------
    validation : pandas.DataFrame
        The table of :func:`phenofit.validate.cross_validate`.
    forecaster : str
        Whose errors.
    level : float
        Level of the interval and the test.

    Returns
    -------
    pandas.DataFrame
        A row for each species, flight and event: slope of the yearly mean error [d per decade], its interval, p value
        and a sentence. Fewer than four years have no row.

    Notes
    -----
    Least squares on one mean error a year, since the traps of a year share its weather and its shift; t on two less
    than the number of years. A falling error (forecasts ever earlier against what is seen) means that more heat is
    needed than before.
    """
    rows: list[tuple[Any, ...]] = []
    own = validation[(validation["forecaster"] == forecaster) & validation["lead_days"].isna()]
    for (species, flight, event), group in own.groupby(["species", "flight", "event"], sort=True):
        yearly = group.groupby("year")["error_days"].mean().dropna()
        if len(yearly) < _LEAST_YEARS:
            continue
        line = _line(yearly.index, yearly, level)
        rows.append((species, flight, event, len(yearly), *line, _words(*line, level)))
    return pd.DataFrame(rows, columns=list(DRIFT_COLUMNS))


def _line(years: pd.Index, errors: pd.Series, level: float) -> tuple[float, float, float, float]:
    """Return slope per decade, its interval and p value by least squares."""
    from statsmodels.regression.linear_model import OLS  # type: ignore[import-untyped]

    decades = years.to_numpy(dtype=np.float64) / 10.0
    fit = OLS(
        errors.to_numpy(dtype=np.float64), np.column_stack([np.ones(len(years)), decades - decades.mean()])
    ).fit()
    slope = float(fit.params[1])
    # On a line without scatter the ratio of slope and standard error is rounding noise.
    if np.sqrt(fit.ssr) <= 1e-12 * np.linalg.norm(errors):
        moves = abs(slope) * np.ptp(decades) > 1e-9 * errors.abs().max()
        return slope, slope, slope, 0.0 if moves else 1.0
    low, high = fit.conf_int(1.0 - level)[1]
    return slope, float(low), float(high), float(fit.pvalues[1])


def _words(slope: float, low: float, high: float, p_value: float, level: float) -> str:
    chance = "p < 0.01" if p_value < 0.01 else f"p = {p_value:.2f}"
    span = f"{slope:+.1f} days a decade ({100 * level:g} % interval {low:+.1f} to {high:+.1f}, {chance})"
    if p_value >= 1.0 - level:
        return f"no drift of the error over the years is shown: {span}."
    way = "later" if slope > 0 else "earlier"
    return f"forecasts have become {way} relative to the observed dates: {span}; the requirement may be changing."


def pit_histogram(validation: pd.DataFrame, *, forecaster: str = "fitted", bins: int = 10) -> pd.DataFrame:
    """Return how the observed check intervals fall into the forecast distributions.

    Parameters
    ----------
    validation : pandas.DataFrame
        The validation table.
    forecaster : str
        Whose forecasts.
    bins : int
        Number of equal bins between 0 and 1.

    Returns
    -------
    pandas.DataFrame
        ``species, flight, event, low, high, share``: flat for a calibrated forecaster.

    Notes
    -----
    An event is only known to lie in an interval, so its place in the forecast distribution is an interval too and
    is spread evenly over it (the non-randomised histogram for grouped outcomes, Czado et al. 2009, Biometrics
    65:1254-1261).
    """
    edges = np.linspace(0.0, 1.0, bins + 1)
    own = validation[(validation["forecaster"] == forecaster) & validation["lead_days"].isna()]
    own = own.dropna(subset=["pit_from", "pit_to"])
    rows: list[tuple[Any, ...]] = []
    for (species, flight, event), group in own.groupby(["species", "flight", "event"], sort=True):
        low = group["pit_from"].to_numpy(dtype=np.float64)[:, np.newaxis]
        high = group["pit_to"].to_numpy(dtype=np.float64)[:, np.newaxis]
        with np.errstate(divide="ignore", invalid="ignore"):
            passed = np.clip((edges - low) / (high - low), 0.0, 1.0)
        # No draw inside the check interval: the whole weight lies at one point, in the bin that ends there or after.
        passed = np.where(high > low, passed, (edges > low) | (edges == 1.0))
        share = np.diff(passed.mean(axis=0))
        rows += [(species, flight, event, edges[i], edges[i + 1], share[i]) for i in range(bins)]
    return pd.DataFrame(rows, columns=["species", "flight", "event", "low", "high", "share"])


def reliability(validation: pd.DataFrame) -> pd.DataFrame:
    """Return nominal against actual coverage of the intervals.

    Parameters
    ----------
    validation : pandas.DataFrame
        The validation table.

    Returns
    -------
    pandas.DataFrame
        ``forecaster, flight, event, lead_days, level, coverage, low, high, forecasts``; low and high bound the 95 %
        interval of the share.

    Notes
    -----
    Wilson's interval of a share of independent forecasts, their number divided by the design effect (Kish 1965, *Survey
    Sampling*, from memory): the variance of the share with years as clusters over that of independent forecasts, and 1 at
    least. Where all or none are covered a year counts as one forecast.
    """
    rows: list[tuple[Any, ...]] = []
    keys = ["forecaster", "flight", "event", "lead_days"]
    for names, group in validation.groupby(keys, sort=True, dropna=False):
        for level in (50, 80, 95):
            known = group[f"covered{level}"].notna()
            hits = group.loc[known, f"covered{level}"].to_numpy(dtype=np.float64)
            if hits.size:
                ends = _share_interval(hits, group.loc[known, "year"].to_numpy())
                rows.append((*names, level / 100.0, float(hits.mean()), *ends, hits.size))
    return pd.DataFrame(rows, columns=[*keys, "level", "coverage", "low", "high", "forecasts"])


def _share_interval(hits: npt.NDArray[np.float64], years: npt.NDArray[np.int64]) -> tuple[float, float]:
    """Return the 95 % interval of a share whose hits come in years."""
    from statsmodels.regression.linear_model import OLS
    from statsmodels.stats.proportion import proportion_confint  # type: ignore[import-untyped]

    share, count = float(hits.mean()), len(np.unique(years))
    independent = share * (1.0 - share) / hits.size
    effect = hits.size / count
    if independent > 0.0 and count > 1:
        fit = OLS(hits, np.ones(hits.size)).fit(cov_type="cluster", cov_kwds={"groups": years})
        effect = max(float(fit.bse[0]) ** 2 / independent, 1.0)
    low, high = proportion_confint(hits.sum() / effect, hits.size / effect, method="wilson")
    return float(low), float(high)
