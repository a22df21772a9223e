"""Dates of events from heat draws and the weather of one season."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from phenofit.forecasting.distribution import DateDistribution
from phenofit.forecasting.event_heat import HeatDraws
from phenofit.heat.settings import HeatSettings

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
    """Return when the heat of each draw is reached, by event; None where a missing day makes a sum unknown."""
    members = np.arange(draws.base.size, dtype=np.int64) % tmin.shape[0]
    days = draws.crossings(tmin, tmax, members, heat)
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
    """Return when one heat sum is reached, a draw for each season; None where a sum is unknown."""
    members = tmin.shape[0]
    draws = HeatDraws(np.full(members, base), np.full((members, 1), amount), ("amount",))
    found = event_dates(draws, tmin, tmax, start=start, heat=heat)
    return None if found is None else found["amount"]
