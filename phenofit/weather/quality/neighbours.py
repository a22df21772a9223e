"""Predict a day from the other stations: regressions between the anomalies of neighbours.

Each station's yearly course is subtracted first. A difference in height or exposure is then in the course, and
the regressions use only the weather of the day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from phenofit.globe import distance_km

DAYS_PER_YEAR = 365.2425
MIN_OVERLAP = 60  # common days below which a regression is not trusted
MIN_CORRELATION = 0.6
MAX_NEIGHBOURS = 5


def course(values: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Fit each station's yearly course."""
    phase = 2 * np.pi * (days.astype("datetime64[D]").astype(np.int64) % DAYS_PER_YEAR) / DAYS_PER_YEAR
    waves = [np.ones_like(phase)]
    for k in (1, 2, 3):
        waves += [np.cos(k * phase), np.sin(k * phase)]
    basis = np.stack(waves, axis=1)
    good = ~np.isnan(values)
    count = good.sum(axis=1)
    result = np.full(values.shape, np.nan)
    for i in np.flatnonzero(count < DAYS_PER_YEAR - 1):
        result[i] = _running_median(values[i])
    for chosen, columns in (
        (count >= 2 * DAYS_PER_YEAR - 1, 7),
        ((count >= DAYS_PER_YEAR - 1) & (count < 2 * DAYS_PER_YEAR - 1), 5),
    ):
        if chosen.any():
            result[chosen] = _waves(values[chosen], good[chosen], basis[:, :columns])
    return result


def _waves(values: np.ndarray, good: np.ndarray, basis: np.ndarray) -> np.ndarray:
    """Least squares of all stations at once by their normal equations, in two passes."""
    size = basis.shape[1]
    products = (basis[:, :, None] * basis[:, None, :]).reshape(len(basis), size * size)
    filled = np.where(good, values, 0.0)
    use = good
    for _ in range(2):
        left = (use.astype(float) @ products).reshape(-1, size, size)
        right = np.where(use, filled, 0.0) @ basis
        fitted = np.linalg.solve(left, right[..., None])[..., 0] @ basis.T
        off = np.where(good, np.abs(filled - fitted), np.nan)
        limit = np.array([4 * 1.4826 * np.median(o[g]) + 1e-9 for o, g in zip(off, good, strict=True)])
        use = good & (np.nan_to_num(off, nan=np.inf) <= limit[:, None])
    return np.asarray(fitted)


def _running_median(series: np.ndarray, half: int = 15) -> np.ndarray:
    if np.isnan(series).all():
        return np.full(series.shape, np.nan)
    padded = np.pad(series, half, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    empty = np.isnan(windows).all(axis=1)
    medians = np.full(series.shape, np.nan)
    medians[~empty] = np.nanmedian(windows[~empty], axis=1)
    return medians


@dataclass(frozen=True)
class Neighbourhood:
    """For one element: anomalies and the regressions between stations."""

    course: np.ndarray  # Shape (stations, days): Yearly course and what remains [degC].
    anomaly: np.ndarray
    # Shape (stations, k): Neighbours of each station, best first; -1 where there are fewer.
    order: np.ndarray
    # Shape (stations, stations): Slope of the anomaly of a station (row) on that of a neighbour (column).
    slope: np.ndarray
    error: np.ndarray  # Shape (stations, stations): Standard error of that prediction [degC].


def distances_km(weather: xr.Dataset) -> np.ndarray:
    """Return the distances between all stations [km]."""
    latitude, longitude = weather["latitude"].values, weather["longitude"].values
    return distance_km(latitude[:, None], longitude[:, None], latitude, longitude)


def neighbourhood(
    values: np.ndarray,
    weather: xr.Dataset,
    *,
    max_distance_km: float = 150.0,
    yearly: np.ndarray | None = None,
) -> Neighbourhood:
    """Regress the stations on each other."""
    days = weather["time"].values.astype("datetime64[D]")
    yearly = course(values, days) if yearly is None else yearly
    anomaly = values - yearly
    slope, correlation, count = _regressions(anomaly)
    usable = (count >= MIN_OVERLAP) & (correlation >= MIN_CORRELATION)
    np.fill_diagonal(usable, False)
    usable &= ~(
        distances_km(weather) > max_distance_km
    )  # an unknown distance is decided by the correlation alone
    with np.errstate(invalid="ignore"):
        spread = np.nanvar(np.where(np.isnan(anomaly).all(axis=1, keepdims=True), 0.0, anomaly), axis=1)
        error = np.sqrt(np.maximum(spread[:, None] * (1 - correlation**2), 1e-4))
    ranked = np.argsort(np.where(usable, error, np.inf), axis=1, kind="stable")[:, :MAX_NEIGHBOURS]
    order = np.where(np.take_along_axis(usable, ranked, axis=1), ranked, -1)
    return Neighbourhood(yearly, anomaly, order, slope, error)


def _regressions(anomaly: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return slope, correlation and number of common days for every pair, by masked sums."""
    have = (~np.isnan(anomaly)).astype(float)
    x = np.nan_to_num(anomaly)
    n = have @ have.T
    with np.errstate(invalid="ignore", divide="ignore"):
        # Row: the station predicted; column: the neighbour.
        sum_row = x @ have.T
        squares_row = (x * x) @ have.T
        cov = x @ x.T - sum_row * sum_row.T / n
        var_row = squares_row - sum_row**2 / n
        slope = cov / var_row.T
        correlation = cov / np.sqrt(var_row * var_row.T)
    return np.nan_to_num(slope), np.nan_to_num(correlation), n


def estimates(near: Neighbourhood) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Predict each station's days from its neighbours."""
    size, depth = near.anomaly.shape, near.order.shape[1]
    single = np.full((depth, *size), np.nan)
    total, weight = np.zeros(size), np.zeros(size)
    donor = np.full(size, -1, dtype=np.int64)
    for k in range(depth):
        at = near.order[:, k]
        rows = np.flatnonzero(at >= 0)
        j = at[rows]
        predicted = near.slope[rows, j][:, None] * near.anomaly[j]
        single[k, rows] = near.course[rows] + predicted
        there = ~np.isnan(predicted)
        w = np.where(there, 1.0 / near.error[rows, j][:, None] ** 2, 0.0)
        total[rows] += w * np.nan_to_num(predicted)
        weight[rows] += w
        donor[rows] = np.where((donor[rows] < 0) & there, j[:, None], donor[rows])
    with np.errstate(invalid="ignore", divide="ignore"):
        estimate = near.course + np.where(weight > 0, total / weight, np.nan)
    return estimate, single, donor
