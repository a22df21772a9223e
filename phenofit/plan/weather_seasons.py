"""The weather of a plan: whole past seasons drawn again, and when in them the flights come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenofit.errors import ModelError
from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.plan.assumed_truth import PlanTruth
from phenofit.simulate import CheckPlan

if TYPE_CHECKING:
    from phenofit.heat.settings import HeatSettings
    from phenofit.seasons import Season

_FIRST_YEAR = 2001  # first year of the calendar of drawn seasons; its years have no meaning
_SPREADS = 3.5
_WEEK = 7


@dataclass(frozen=True)
class PlanWeather:
    """Whole seasons of the stations used."""

    stations: tuple[str, ...]  # Stations.
    tmin: npt.NDArray[np.float64]  # Shape (seasons, stations, days): Daily extremes [degC].
    tmax: npt.NDArray[np.float64]

    @property
    def seasons(self) -> int:
        """Number of seasons."""
        return len(self.tmin)

    def heat(
        self, base: float, settings: HeatSettings
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Return the running heat and its slope in the base, with a row for each season and station."""
        codes = (settings.upper_or_inf, settings.method_code, settings.cutoff_code)
        days = self.tmin.shape[2]
        low, high = self.tmin.reshape(-1, days), self.tmax.reshape(-1, days)
        total, slope, _ = running_heat(low, high, base, *codes)
        return total, slope

    def drawn(self, years: int, season: Season, rng: np.random.Generator) -> xr.Dataset:
        """Return station weather of seasons drawn with equal chance, one after another."""
        chosen = rng.integers(0, self.seasons, years)
        first = np.datetime64(f"{_FIRST_YEAR}-01-01", "D")
        last = season.last_day(_FIRST_YEAR + years)
        time = np.arange(first, last + np.timedelta64(1, "D"))
        low = np.full((len(self.stations), len(time)), np.nan)
        high = np.full_like(low, np.nan)
        for k, source in enumerate(chosen):
            days = season.days(_FIRST_YEAR + k)
            at = (days - first).astype(np.int64)
            # A leap day that the drawn season lacks takes the temperatures of its last day.
            day = np.minimum(np.arange(len(days)), self.tmin.shape[2] - 1)
            low[:, at] = self.tmin[source][:, day]
            high[:, at] = self.tmax[source][:, day]
        return xr.Dataset(
            {"tmin": (("station", "time"), low), "tmax": (("station", "time"), high)},
            coords={"station": list(self.stations), "time": time.astype("datetime64[ns]")},
        )


def plan_weather(weather: xr.Dataset, season: Season, stations: tuple[str, ...] | None = None) -> PlanWeather:
    """Cut station weather into whole seasons."""
    names = tuple(str(s) for s in weather["station"].to_numpy()) if stations is None else stations
    first = int(pd.Timestamp(weather["time"].to_numpy()[0]).year) - 1
    last = int(pd.Timestamp(weather["time"].to_numpy()[-1]).year)
    part = weather[["tmin", "tmax"]].sel(station=list(names)).transpose("station", "time")
    length = min(len(season.days(year)) for year in range(first, last + 1))
    cut = []
    for year in range(first, last + 1):
        days = season.days(year)[:length].astype("datetime64[ns]")
        piece = part.reindex(time=days)
        cut.append(np.stack([piece["tmin"].to_numpy(), piece["tmax"].to_numpy()]).astype(np.float64))
    block = np.stack(cut)  # season, extreme, station, day
    whole = np.asarray(np.isfinite(block).all(axis=(1, 3)))
    keep = np.asarray(whole.any(axis=0))
    seasons = whole[:, keep].all(axis=1)
    if not keep.any() or not seasons.any():
        raise ModelError(
            "no season is whole at all stations; a plan needs one without a missing day at least. Fill the gaps, "
            "or name fewer stations."
        )
    kept = block[seasons][:, :, keep]
    return PlanWeather(
        tuple(n for k, n in enumerate(names) if keep[k]),
        np.ascontiguousarray(kept[:, 0]),
        np.ascontiguousarray(kept[:, 1]),
    )


def check_plan(truth: PlanTruth, weather: PlanWeather, checks_per_week: float) -> CheckPlan:
    """Return when traps stand and are checked: from before the first moths to after the last, in every season."""
    every = check_intervals(checks_per_week)
    settings = truth.settings
    total = weather.heat(truth.base, settings.heat)[0]
    wide = _SPREADS * np.hypot(np.array(truth.spreads), truth.shift_total)
    early = float((np.array(truth.requirements) - wide).min())
    late = float((np.array(truth.requirements) + wide).max())
    begins = int((total < early).sum(axis=1).min()) - max(every)
    ends = int((total < late).sum(axis=1).max()) + max(every)
    days = settings.season.days(_FIRST_YEAR)
    if (total[:, -1] < max(truth.requirements)).mean() > 0.5:
        raise ModelError(
            "in most seasons the flights would not come before the season's end; look at the values."
        )
    first, last = days[max(begins, 0)], days[min(ends, len(days) - 1)]
    return CheckPlan(first=str(first)[5:], last=str(last)[5:], every=every)


def check_intervals(checks_per_week: float) -> tuple[int, ...]:
    """Return the days between checks, in turn."""
    if checks_per_week >= 1.0 and float(checks_per_week).is_integer() and checks_per_week <= _WEEK:
        edges = np.round(np.linspace(0, _WEEK, int(checks_per_week) + 1)).astype(int)
        return tuple(int(d) for d in np.diff(edges))
    weeks = 1.0 / checks_per_week if checks_per_week > 0 else 0.0
    if weeks > 1.0 and abs(weeks - round(weeks)) < 1e-6:
        return (_WEEK * round(weeks),)
    raise ModelError(
        f"{checks_per_week:g} checks a week cannot be planned; give 1 to {_WEEK}, or 0.5 for one in two weeks."
    )
