"""The true values of a simulated network, and the draw of one trap-year's catches from them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from phenofit.errors import ModelError
from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate.schedule import Visit

__all__ = ["RunningHeat", "Truth", "checked_truth", "draw_counts", "rounded"]

_CURVES: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {"normal": ndtr, "logistic": expit}
_MIDDAY = 0.5


@dataclass(frozen=True)
class Truth:
    """The true values of one network."""

    base: float
    requirements: tuple[float, ...]
    spreads: tuple[float, ...]
    shares: tuple[float, ...]
    share_concentration: float
    concentration: float
    stray: float
    moths: float
    size: float
    curve: Callable[[NDArray[np.float64]], NDArray[np.float64]]


def checked_truth(
    base: float,
    requirements: Sequence[float],
    spreads: Sequence[float],
    shares: Sequence[float] | None,
    share_concentration: float,
    concentration: float,
    stray: float,
    moths: float,
    size: float,
    curve: str,
) -> Truth:
    """Return the true values, refusing those that describe no network (ModelError)."""
    flights = len(requirements)
    parts = tuple(shares) if shares is not None else (1 / max(flights, 1),) * flights
    if flights == 0 or len(spreads) != flights or len(parts) != flights:
        raise ModelError(
            f"{flights} requirements, {len(spreads)} spreads and {len(parts)} shares: one of each for every flight."
        )
    if min(spreads) <= 0 or min(parts) <= 0 or concentration <= 0 or size <= 0 or share_concentration <= 0:
        raise ModelError("spreads, shares, concentrations and the size of the catch must be above zero.")
    if not 0 <= stray < 1:
        raise ModelError(f"stray is {stray}; a share lies from 0 to below 1.")
    if curve not in _CURVES:
        raise ModelError(f"the simulator knows no curve '{curve}'; it knows {' and '.join(_CURVES)}.")
    total = sum(parts)
    return Truth(
        base=float(base),
        requirements=tuple(float(value) for value in requirements),
        spreads=tuple(float(value) for value in spreads),
        shares=tuple(value / total for value in parts),
        share_concentration=share_concentration,
        concentration=concentration,
        stray=stray,
        moths=moths,
        size=size,
        curve=_CURVES[curve],
    )


class RunningHeat:
    """Heat from the start of a season, a station and year at a time, computed once each."""

    def __init__(self, weather: xr.Dataset, season: Season, heat: HeatSettings, base: float) -> None:
        self._weather = weather
        self._season = season
        self._heat = heat
        self._base = float(base)
        self._known: dict[tuple[str, int], NDArray[np.float64]] = {}

    def of(self, station: str, year: int) -> NDArray[np.float64]:
        """Return the heat at the midnight that begins each day of the season, and at its end [degC d]."""
        if (station, year) not in self._known:
            days = self._season.days(year).astype("datetime64[ns]")
            series = self._weather.sel(station=station).reindex(time=days)
            low, high = (series[name].to_numpy().astype(float)[None, :] for name in ("tmin", "tmax"))
            setting = self._heat
            heat = running_heat(
                low, high, self._base, setting.upper_or_inf, setting.method_code, setting.cutoff_code
            )[0][0]
            if not np.isfinite(heat).all():
                raise ModelError(
                    f"station '{station}' has no weather for the whole season {self._season.label(year)}; "
                    "simulate on weather without gaps, and take days out afterwards."
                )
            self._known[station, year] = heat
        return self._known[station, year]


def draw_counts(
    visits: Sequence[Visit],
    accumulated: NDArray[np.float64],
    first_day: np.datetime64,
    shift: float,
    truth: Truth,
    rng: np.random.Generator,
) -> tuple[list[float], dict[str, Any]]:
    """Return a count per visit (NaN where none was made or the trap was lost) and the drawn facts."""
    ends = [visit for visit in visits if visit.state != "missed"]
    begin = _heat_at(np.array([visit.start for visit in ends]), accumulated, first_day)
    finish = _heat_at(np.array([visit.day for visit in ends]), accumulated, first_day)
    if np.isinf(truth.share_concentration) or len(truth.shares) == 1:
        shares = np.array(truth.shares)
    else:
        shares = rng.dirichlet(truth.share_concentration * np.array(truth.shares))
    flown = np.zeros(len(ends))
    for share, requirement, spread in zip(shares, truth.requirements, truth.spreads, strict=True):
        late, early = ((heat - requirement - shift) / spread for heat in (finish, begin))
        flown += share * (truth.curve(late) - truth.curve(early))
    caught_share = float(flown.sum())
    lengths = np.array([(visit.day - visit.start).astype(float) for visit in ends])
    chance = np.full(len(ends), 1 / len(ends)) if caught_share < 1e-12 else flown / caught_share
    chance = (1 - truth.stray) * chance + truth.stray * lengths / lengths.sum()
    # Rounding keeps the last bits of the platform's exponential out of the draw.
    chance = np.round(chance, 10)
    expected = truth.moths * max(caught_share, 1e-12)
    total = int(rng.negative_binomial(truth.size, truth.size / (truth.size + expected)))
    drawn = _dirichlet_multinomial(total, chance / chance.sum(), truth.concentration, rng)
    by_day = {
        visit.day: float(count) if visit.state == "counted" else np.nan
        for visit, count in zip(ends, drawn, strict=True)
    }
    facts = {"moths": total, "flight_shares": [rounded(share) for share in shares]}
    return [by_day.get(visit.day, np.nan) for visit in visits], facts


def _dirichlet_multinomial(
    total: int, chance: NDArray[np.float64], concentration: float, rng: np.random.Generator
) -> NDArray[np.int64]:
    if not np.isinf(concentration):
        weights = rng.gamma(np.maximum(concentration * chance, 1e-300))
        chance = weights / weights.sum() if weights.sum() > 0 else chance
    return np.asarray(rng.multinomial(total, chance), dtype=np.int64)


def _heat_at(
    days: NDArray[np.datetime64], accumulated: NDArray[np.float64], first_day: np.datetime64
) -> NDArray[np.float64]:
    # Checks stand at midday, and heat grows linearly within a day: halfway between two midnights.
    index = (days.astype("datetime64[D]") - first_day).astype(int)
    return np.asarray(accumulated[index] + _MIDDAY * (accumulated[index + 1] - accumulated[index]))


def rounded(value: float) -> float:
    """Return a value to four decimals, as the truth file shows it."""
    return round(float(value), 4)
