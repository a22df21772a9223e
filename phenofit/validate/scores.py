"""Scores of forecasts of dates, in days, from the validation table and nothing else."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm
from scipy.stats import t as student_t

from phenofit.errors import ModelError
from phenofit.flight.diagnostics.jackknife import jackknife_errors

SCORE_COLUMNS = (
    "scheme", "forecaster", "species", "flight", "event", "lead_days", "forecasts", "failed", "years",
    "bias_days", "mae_days", "mae_low", "mae_high", "rmse_days", "inside_share", "coverage50", "coverage80",
    "coverage95", "crps_days", "log_score", "skill", "skill_low", "skill_high",
)  # fmt: skip
_GROUP = ["scheme", "species", "flight", "event", "lead_days"]
_FEW_YEARS = 10
_KEY = ["trap", "season"]


def first_scheme(table: pd.DataFrame, event: str) -> pd.DataFrame:
    """Return the rows of an event under the first scheme of a table of validation or scores."""
    if table.empty:
        return table
    rows: pd.DataFrame = table[(table["event"] == event) & (table["scheme"] == table["scheme"].iloc[0])]
    return rows


def crps_draws(draws: npt.ArrayLike, observed: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the continuous ranked probability score of equally likely draws.

    Parameters
    ----------
    draws : array_like, shape (..., n)
        Forecasts, finite [days].
    observed : array_like, shape (...)
        What happened [days].

    Returns
    -------
    array, shape (...)
        In days; for a single draw the absolute error.

    Notes
    -----
    ``mean |x - y| - mean |x - x'| / 2`` over all pairs, the energy form of Gneiting and Raftery (2007, J. Am.
    Stat. Assoc. 102:359-378), the second term from the sorted draws.

    Examples
    --------
    >>> float(crps_draws([1.0, 3.0], 2.0))
    0.5
    """
    x = np.sort(np.asarray(draws, dtype=np.float64), axis=-1)
    n = x.shape[-1]
    pairs = 2.0 * np.sum((2.0 * np.arange(1, n + 1) - n - 1.0) * x, axis=-1) / n**2
    apart = np.abs(x - np.asarray(observed, dtype=np.float64)[..., np.newaxis])
    return np.asarray(np.mean(apart, axis=-1) - 0.5 * pairs)


def crps_normal(mean: float, sd: float, observed: float) -> float:
    """Return the continuous ranked probability score of a normal forecast.

    Parameters
    ----------
    mean, sd : float
        Forecast [days].
    observed : float
        What happened [days].

    Returns
    -------
    float
        In days; for an `sd` of 0 the absolute error.

    Examples
    --------
    >>> round(crps_normal(0.0, 1.0, 0.0), 4)
    0.2337
    """
    if sd <= 0:
        return abs(observed - mean)
    z = (observed - mean) / sd
    return float(sd * (z * (2.0 * norm.cdf(z) - 1.0) + 2.0 * norm.pdf(z) - 1.0 / np.sqrt(np.pi)))


def interval_log_score(
    draws: npt.ArrayLike, low: npt.ArrayLike, high: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    """Return the log of the chance that the forecast gave to the check interval that held the event.

    Parameters
    ----------
    draws : array_like, shape (..., n)
        Equally likely values, infinite ones allowed [days].
    low, high : array_like, shape (...)
        The check interval [days].

    Returns
    -------
    array, shape (...)
        Never minus infinity: half a draw is added, because a finite number of draws cannot exclude an interval.
    """
    x = np.asarray(draws, dtype=np.float64)
    left, right = (np.asarray(end, dtype=np.float64)[..., np.newaxis] for end in (low, high))
    inside = np.count_nonzero((x > left) & (x <= right), axis=-1)
    return np.asarray(np.log((inside + 0.5) / (x.shape[-1] + 1.0)))


def score_forecasts(
    validation: pd.DataFrame,
    *,
    reference: str = "calendar mean",
    bootstrap: int = 2000,
    level: float = 0.95,
    seed: int = 1,
) -> pd.DataFrame:
    """Score every forecaster of a validation table.

    Parameters
    ----------
    validation : pandas.DataFrame
        The table of :func:`phenofit.validate.cross_validate`.
    reference : str
        Forecaster against which skill is measured, on the trap-years that both have forecast.
    bootstrap : int
        Resamples of whole years behind each interval.
    level : float
        Level of these intervals.
    seed : int
        Seed of the resampling.

    Returns
    -------
    pandas.DataFrame
        The columns of ``SCORE_COLUMNS``: errors in days (predicted minus observed: positive is late), the share of
        forecasts inside the check interval, the share of observed dates inside the 50, 80 and 95 % intervals.
        ``forecasts`` have an error in days; ``failed`` counts those without a date in the season or without a 95 %
        interval that could be wrong, which cover nothing. Skill is 1 minus the ratio of mean absolute errors;
        intervals take whole years as the independent units (resampled; with fewer than ten years, left out one at a
        time), and stay in their range: a mean absolute error is not negative, a skill is not above 1.

    Raises
    ------
    ModelError
        If the table lacks a column.
    """
    lacking = [c for c in (*_GROUP, *_KEY, "forecaster", "year", "error_days") if c not in validation.columns]
    if lacking:
        raise ModelError(f"the validation table has no column {', '.join(lacking)}.")
    # pandas copies the notes of a table, which are long lists, with every selection.
    validation = validation.copy(deep=False)
    validation.attrs = {}
    rows: list[dict[str, object]] = []
    for names, group in validation.groupby(_GROUP, sort=True, dropna=False):
        by_name = dict(list(group.groupby("forecaster", sort=True)))
        other = by_name.get(reference)
        for name, frame in by_name.items():
            row = dict(zip(_GROUP, names, strict=True)) | {"forecaster": name}
            row |= _scores(frame, bootstrap, level, seed)
            worth = None
            if other is not None and name != reference:
                worth = skill(frame, other, bootstrap=bootstrap, level=level, seed=seed)
            row |= dict(zip(("skill", "skill_low", "skill_high"), worth or (np.nan,) * 3, strict=True))
            rows.append(row)
    return pd.DataFrame(rows, columns=list(SCORE_COLUMNS))


def _scores(frame: pd.DataFrame, bootstrap: int, level: float, seed: int) -> dict[str, object]:
    error = frame["error_days"].to_numpy(dtype=np.float64)
    known = np.isfinite(error)
    size = np.abs(error[known])
    low, high = _by_years(
        {"size": size}, frame["year"].to_numpy()[known], lambda s: s["size"], bootstrap, level, seed
    )
    row: dict[str, object] = {
        "forecasts": int(known.sum()),
        "failed": int((frame["failure"] != "").sum()) if "failure" in frame else 0,
        "years": int(frame.loc[known, "year"].nunique()),
        "bias_days": _mean(error[known]),
        "mae_days": _mean(size),
        "mae_low": max(low, 0.0) if np.isfinite(low) else low,
        "mae_high": high,
        "rmse_days": float(np.sqrt(np.mean(size**2))) if size.size else np.nan,
        "inside_share": _mean(frame["inside_interval"]),
    }
    for name in ("50", "80", "95"):
        row[f"coverage{name}"] = _mean(frame[f"covered{name}"])
    row["crps_days"], row["log_score"] = _mean(frame["crps_days"]), _mean(frame["log_score"])
    return row


def skill(
    forecasts: pd.DataFrame,
    reference: pd.DataFrame,
    *,
    bootstrap: int = 2000,
    level: float = 0.95,
    seed: int = 1,
) -> tuple[float, float, float] | None:
    """Return the skill of one forecaster against another and its interval.

    Parameters
    ----------
    forecasts, reference : pandas.DataFrame
        Rows of the validation table of each, same event and lead; compared where both have a forecast.
    bootstrap, level, seed : int, float, int
        As for :func:`score_forecasts`.

    Returns
    -------
    tuple of three float or None
        1 minus the ratio of mean absolute errors, low, high; ``None`` where nothing is common.
    """
    pairs = paired_errors(forecasts, reference)
    if pairs.empty:
        return None
    mine, other = pairs["a"].to_numpy(), pairs["b"].to_numpy()
    if other.sum() == 0:
        return None
    low, high = _by_years(
        {"a": mine, "b": other},
        pairs["year"].to_numpy(),
        lambda s: 1.0 - s["a"] / np.where(s["b"] > 0, s["b"], np.nan),
        bootstrap,
        level,
        seed,
    )
    return float(1.0 - mine.sum() / other.sum()), low, min(high, 1.0) if np.isfinite(high) else high


def paired_errors(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    """Return absolute errors of two forecasters side by side: ``year, trap, season, a, b`` [days]."""
    columns = [*_KEY, "year", "error_days"]
    merged = first[columns].merge(second[[*_KEY, "error_days"]], on=_KEY, suffixes=("_a", "_b"))
    merged = merged.dropna(subset=["error_days_a", "error_days_b"]).reset_index(drop=True)
    sizes = {name: merged[f"error_days_{name}"].abs().astype(float) for name in ("a", "b")}
    return merged.assign(**sizes)[["year", "trap", "season", "a", "b"]]


def paired_difference(
    first: pd.DataFrame, second: pd.DataFrame, *, bootstrap: int = 2000, level: float = 0.95, seed: int = 1
) -> tuple[float, float, float, int]:
    """Return how much larger the mean absolute error of the first is, its interval, and the number of pairs.

    Parameters
    ----------
    first, second : pandas.DataFrame
        Rows of the validation table of two forecasters, same event and lead.
    bootstrap, level, seed : int, float, int
        As for :func:`score_forecasts`.

    Returns
    -------
    tuple
        Difference [days], low, high, pairs; NaN where nothing is common.
    """
    pairs = paired_errors(first, second)
    if pairs.empty:
        return np.nan, np.nan, np.nan, 0
    gap = (pairs["a"] - pairs["b"]).to_numpy()
    low, high = _by_years({"gap": gap}, pairs["year"].to_numpy(), lambda s: s["gap"], bootstrap, level, seed)
    return float(gap.mean()), low, high, len(gap)


def _by_years(
    values: dict[str, npt.NDArray[np.float64]],
    years: npt.NDArray[Any],
    statistic: Any,
    bootstrap: int,
    level: float,
    seed: int,
) -> tuple[float, float]:
    """Return an interval of a statistic of means, with whole years as the independent units."""
    # From ten years on whole years are resampled and the percentiles taken, the tail level that of t with Y - 1
    # degrees of freedom (the expanded percentile interval, Hesterberg 2015, Am. Stat. 69:371-386). With fewer there
    # are too few different resamples: the jackknife over years then gives the standard error, with the same t.
    labels, position = np.unique(years, return_inverse=True)
    if labels.size < 2:
        return np.nan, np.nan  # one year says nothing about another
    count = np.bincount(position, minlength=labels.size).astype(np.float64)
    sums = {
        name: np.bincount(position, weights=v, minlength=labels.size).astype(np.float64)
        for name, v in values.items()
    }
    if labels.size < _FEW_YEARS:
        return _jackknife(sums, count, statistic, level)
    picks = np.random.default_rng(seed).integers(0, labels.size, size=(bootstrap, labels.size))
    total = count[picks].sum(axis=1)
    found = statistic({name: s[picks].sum(axis=1) / total for name, s in sums.items()})
    found = found[np.isfinite(found)]
    if found.size == 0:
        return np.nan, np.nan
    reach = np.sqrt(labels.size / (labels.size - 1.0)) * student_t.ppf(0.5 * (1.0 + level), labels.size - 1)
    tail = float(norm.cdf(-reach))
    low, high = np.quantile(found, [tail, 1.0 - tail])
    return float(low), float(high)


def _jackknife(
    sums: dict[str, npt.NDArray[np.float64]], count: npt.NDArray[np.float64], statistic: Any, level: float
) -> tuple[float, float]:
    number = count.size
    whole = float(statistic({name: s.sum() / count.sum() for name, s in sums.items()}))
    without = statistic({name: (s.sum() - s) / (count.sum() - count) for name, s in sums.items()})
    if not np.isfinite(without).all() or not np.isfinite(whole):
        return np.nan, np.nan
    error = float(jackknife_errors(without))
    reach = float(student_t.ppf(0.5 * (1.0 + level), number - 1)) * error
    return whole - reach, whole + reach


def _mean(values: npt.ArrayLike | pd.Series) -> float:
    array = pd.array(np.asarray(values, dtype=object), dtype="Float64").to_numpy(dtype=float, na_value=np.nan)
    return float(np.nanmean(array)) if np.isfinite(array).any() else np.nan
