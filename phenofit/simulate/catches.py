"""The true values of a simulated network, and the draw of one trap-year's catches from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from phenofit.errors import ModelError
from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate.schedule import Visit

_CURVES: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {"normal": ndtr, "logistic": expit}
_MIDDAY = 0.5


@dataclass(frozen=True, kw_only=True)
class NetworkTruth:
    """The true values of a simulated network.

    Parameters
    ----------
    base : float
        Base temperature [degC].
    requirements, spreads : sequence of float
        Heat at half of each flight, and its spread, a flight each [degC d].
    shares : sequence of float, optional
        Mean share of each flight in the season's moths; equal by default.
    share_concentration : float
        How steady the shares are from trap-year to trap-year (Dirichlet); infinite: always the mean.
    shift_sd_year, shift_sd_site, shift_sd : float
        SD of the shift common to a year, to a site, and of a trap-year alone [degC d].
    site_shifts : mapping, optional
        Fixed shifts of named sites in addition to the drawn ones, such as a cold valley [degC d].
    concentration : float
        Dirichlet-multinomial concentration; small: clustered catches; infinite: independent moths.
    moths_per_trap_year, moths_size : float
        Mean and negative-binomial size of the moths a trap would catch in a whole flight season.
    stray : float
        Share of moths that come at any time with equal chance.
    curve : {"normal", "logistic"}
        Shape of a flight over heat.

    Raises
    ------
    ModelError
        If the values do not describe a network.
    """

    base: float
    requirements: Sequence[float]
    spreads: Sequence[float]
    shares: Sequence[float] | None = None
    share_concentration: float = 20.0
    shift_sd_year: float = 0.0
    shift_sd_site: float = 0.0
    shift_sd: float = 0.0
    site_shifts: Mapping[str, float] = field(default_factory=dict)
    concentration: float = np.inf
    moths_per_trap_year: float = 60.0
    moths_size: float = 2.0
    stray: float = 0.0
    curve: str = "normal"

    def __post_init__(self) -> None:
        flights, parts = len(self.requirements), self.mean_shares
        if flights == 0 or len(self.spreads) != flights or len(parts) != flights:
            raise ModelError(
                f"{flights} requirements, {len(self.spreads)} spreads and {len(parts)} shares: one of each for every "
                "flight."
            )
        sizes = (*self.spreads, *parts, self.concentration, self.moths_size, self.share_concentration)
        if min(sizes) <= 0:
            raise ModelError("spreads, shares, concentrations and the size of the catch must be above zero.")
        if not 0 <= self.stray < 1:
            raise ModelError(f"stray is {self.stray}; a share lies from 0 to below 1.")
        if self.curve not in _CURVES:
            raise ModelError(
                f"the simulator knows no curve '{self.curve}'; it knows {' and '.join(_CURVES)}."
            )

    @property
    def mean_shares(self) -> tuple[float, ...]:
        """Mean share of each flight; they add up to 1."""
        flights = len(self.requirements)
        parts = tuple(self.shares) if self.shares is not None else (1 / max(flights, 1),) * flights
        return tuple(value / sum(parts) for value in parts)

    def flown(self, deviate: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the share of a flight that has flown at a standardised heat."""
        return _CURVES[self.curve](deviate)


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
    truth: NetworkTruth,
    rng: np.random.Generator,
) -> tuple[list[float], dict[str, object]]:
    """Return a count per visit (NaN where none was made or the trap was lost) and the drawn facts."""
    ends = [visit for visit in visits if visit.state != "missed"]
    at_start = _heat_at(np.array([visit.start for visit in ends]), accumulated, first_day)
    at_end = _heat_at(np.array([visit.day for visit in ends]), accumulated, first_day)
    if np.isinf(truth.share_concentration) or len(truth.mean_shares) == 1:
        shares = np.array(truth.mean_shares)
    else:
        shares = rng.dirichlet(truth.share_concentration * np.array(truth.mean_shares))
    flown = np.zeros(len(ends))
    for share, requirement, spread in zip(shares, truth.requirements, truth.spreads, strict=True):
        late, early = ((heat - requirement - shift) / spread for heat in (at_end, at_start))
        flown += share * (truth.flown(late) - truth.flown(early))
    caught_share = float(flown.sum())
    lengths = np.array([(visit.day - visit.start).astype(float) for visit in ends])
    chance = np.full(len(ends), 1 / len(ends)) if caught_share < 1e-12 else flown / caught_share
    chance = (1 - truth.stray) * chance + truth.stray * lengths / lengths.sum()
    # Rounding keeps the last bits of the platform's exponential out of the draw.
    chance = np.round(chance, 10)
    expected = truth.moths_per_trap_year * max(caught_share, 1e-12)
    total = int(rng.negative_binomial(truth.moths_size, truth.moths_size / (truth.moths_size + expected)))
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
