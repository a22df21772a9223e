"""The most that any test of a wrong model can reach: the power of the likelihood ratio against the model that is true.

A test that knows the truth is the most powerful one (Neyman and Pearson 1933, Phil. Trans. R. Soc. A 231:289-337, from
memory). Both models are fitted with the curve that is true, so that only what is wrong differs. The ratio warns where it
is above the 95th percentile of networks in which the wrong model is right.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import xarray as xr

import phenofit
from phenofit import FlightModel, PhenofitError, Records
from phenofit.heat.settings import HeatSettings
from tests.benchmarks.coverage_study.scenarios import SCENARIOS
from tests.recovery.other_truths import SEASON, DrawnNetwork, Rate, draw_network, heat_course, logistic

LEVEL = 0.05
"""The false alarms of the ratio, those that the whole verdict may have."""
_WRONG = FlightModel(curve="normal")


@dataclass(frozen=True)
class Alternative:
    """What is true of a case, as a model."""

    scenario: str
    model: FlightModel
    season: tuple[str, str] = SEASON
    rate: Rate | None = None  # Development rate of the day, in place of its temperature; the base is then 0.

    def records(self, network: DrawnNetwork) -> Records:
        """Return the records as one who knows the truth makes them."""
        weather = network.weather if self.rate is None else _developed(network.weather, self.rate)
        return Records.from_tables(
            traps=network.traps, catches=network.catches, weather=weather, season=self.season
        )


ALTERNATIVES = {
    "from-1-april": Alternative("from-1-april", _WRONG, season=("04-01", SEASON[1])),
    "upper-30": Alternative("upper-30", FlightModel(curve="normal", heat=HeatSettings(upper=30.0))),
    "night-0.15": Alternative("night-0.15", FlightModel(curve="normal", night_weather="tmin")),
    "non-linear-rate": Alternative("non-linear-rate", FlightModel(curve="normal", base=0.0), rate=logistic),
    # The drawn gamma flight has a skewness of 1.1 and begins at no zero of heat: Gumbel's is nearest.
    "gamma, normal curve held": Alternative("gamma", FlightModel(curve="Gumbel")),
}
"""The true model of a case with a wrong one."""


@dataclass(frozen=True)
class RatioTask:
    """A network of a case, or one in which the wrong model of that case is right."""

    case: str
    number: int
    right: bool


@dataclass(frozen=True)
class Ratio:
    """Twice the log-likelihood of the true model less that of the wrong one."""

    case: str
    number: int
    right: bool
    ratio: float | None  # None where a fit failed.


def ratio_of(task: RatioTask) -> Ratio:
    """Draw a network and fit both models."""
    other = ALTERNATIVES[task.case]
    places = SCENARIOS[other.scenario].places
    place = places[task.number % len(places)]
    try:
        network, wrong = _network("default" if task.right else other.scenario, place, task.number)
        true = phenofit.fit_flights(other.records(network), other.model, profiles=False).log_likelihood
    except PhenofitError:
        return Ratio(task.case, task.number, task.right, None)
    return Ratio(task.case, task.number, task.right, 2.0 * (true - wrong))


@lru_cache(maxsize=8)  # Several cases have the same networks in which their wrong model is right.
def _network(scenario: str, place: str, number: int) -> tuple[DrawnNetwork, float]:
    """Return a drawn network, and the log-likelihood of the wrong model."""
    network = draw_network(SCENARIOS[scenario].truth, place, seed=(1591, number))
    return network, phenofit.fit_flights(network.records(), _WRONG, profiles=False).log_likelihood


def best_power(ratios: list[Ratio], case: str) -> list[bool]:
    """Return in which networks of a case the ratio warns; empty where either kind of network is missing."""
    right, wrong = (
        [one.ratio for one in ratios if one.case == case and one.right is kind and one.ratio is not None]
        for kind in (True, False)
    )
    if not right or not wrong:
        return []
    limit = float(np.quantile(right, 1.0 - LEVEL))
    return [ratio > limit for ratio in wrong]


def _developed(weather: xr.Dataset, rate: Rate) -> xr.Dataset:
    """Return weather whose every temperature of a day is the development of that day."""
    out = weather.transpose("station", "time").copy(deep=True)
    for station in range(out.sizes["station"]):
        low, high = (
            weather[name].isel(station=station).to_numpy().astype(float) for name in ("tmin", "tmax")
        )
        daily = 2.0 * np.diff(heat_course(low, high, rate))[::2]
        for name in ("tmin", "tmax"):
            out[name].to_numpy()[station] = daily
    return out
