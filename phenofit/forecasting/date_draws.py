"""Dates of events from heat draws and the weather of one season."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from phenofit.forecasting.distribution import DateDistribution
from phenofit.forecasting.event_heat import HeatDraws
from phenofit.heat.compiled.crossing import crossing_days
from phenofit.heat.settings import HeatSettings

__all__ = ["LEVELS", "event_dates", "fixed_date"]

LEVELS = (0.50, 0.80, 0.95)
"""Levels of the date intervals that every table shows."""


def event_dates(
    draws: HeatDraws,
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    *,
    start: np.datetime64,
    heat: HeatSettings,
) -> dict[str, DateDistribution] | None:
    """Return when the heat of each draw is reached.

    Parameters
    ----------
    draws : HeatDraws
        Base and heat of the events.
    tmin, tmax : array, shape (members, days)
        Daily minima and maxima of equally likely seasons from `start` on [degC].
    start : numpy.datetime64
        Day on which the sums begin.
    heat : HeatSettings
        How a day's heat is computed.

    Returns
    -------
    dict or None
        Event to its dates; ``None`` where a missing day makes a sum unknown.
    """
    members = np.arange(draws.base.size, dtype=np.int64) % tmin.shape[0]
    days = crossing_days(
        np.ascontiguousarray(tmin),
        np.ascontiguousarray(tmax),
        members,
        draws.base,
        np.ascontiguousarray(draws.amount),
        draws.upper_of(heat),
        heat.method_code,
        heat.cutoff_code,
    )
    if np.isnan(days).any():
        return None
    return {event: DateDistribution(start, days[:, e]) for e, event in enumerate(draws.events)}


def fixed_date(
    base: float,
    amount: float,
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    *,
    start: np.datetime64,
    heat: HeatSettings,
) -> DateDistribution | None:
    """Return when a fixed heat sum is reached in each of several seasons.

    Parameters
    ----------
    base : float
        Base temperature [degC].
    amount : float
        Heat sum [degC d].
    tmin, tmax, start, heat
        As for :func:`event_dates`.

    Returns
    -------
    DateDistribution or None
        One draw a season; ``None`` where a missing day makes the sum unknown.

    Examples
    --------
    >>> days = np.full((1, 30), 20.0)
    >>> start = np.datetime64("2024-03-01")
    >>> found = fixed_date(10.0, 105.0, days, days, start=start, heat=HeatSettings())
    >>> str(found.quantile(0.5))[:16]
    '2024-03-11T12:00'
    """
    members = tmin.shape[0]
    draws = HeatDraws(np.full(members, base), np.full((members, 1), amount), ("amount",))
    found = event_dates(draws, tmin, tmax, start=start, heat=heat)
    return None if found is None else found["amount"]
