"""Seasons of one station as rows of daily temperature, and past seasons as continuations of the present one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem
from phenofit.forecasting.distribution import to_unit
from phenofit.forecasting.generated_seasons import generated_seasons
from phenofit.seasons import MonthDay, Season


@dataclass(frozen=True)
class StationSeries:
    """Daily temperatures of one station."""

    station: str  # Its id.
    first: np.datetime64  # First day (datetime64[D]).
    tmin: npt.NDArray[np.float64]  # Shape (days,): Daily minimum and maximum [degC], NaN where missing.
    tmax: npt.NDArray[np.float64]

    @property
    def last(self) -> np.datetime64:
        """Last day of the series (datetime64[D])."""
        return self.first + np.timedelta64(self.tmin.size - 1, "D")

    def on(self, days: npt.NDArray[np.datetime64]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Return minimum and maximum on the given days [degC]; NaN outside the series."""
        at = (days.astype("datetime64[D]") - self.first).astype(np.int64)
        inside = (at >= 0) & (at < self.tmin.size)
        safe = np.where(inside, at, 0)
        return np.where(inside, self.tmin[safe], np.nan), np.where(inside, self.tmax[safe], np.nan)

    def last_observed(self, season: Season, year: int) -> np.datetime64 | None:
        """Return the last day of a season on which both temperatures are known."""
        days = season.days(year)
        tmin, tmax = self.on(days)
        known = np.flatnonzero(np.isfinite(tmin) & np.isfinite(tmax))
        return days[known[-1]] if known.size else None

    def season_rows(
        self, season: Season, year: int, *, start: np.datetime64 | None = None
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Return one season as rows of shape (1, days), one day longer than the season (for double methods)."""
        tmin, tmax = self.on(_days_and_one(season, year, start))
        return tmin[np.newaxis, :], tmax[np.newaxis, :]

    def continued(
        self,
        season: Season,
        year: int,
        *,
        before: np.datetime64,
        years: Iterable[int],
        start: np.datetime64 | None = None,
    ) -> SeasonEnsemble:
        """Return a season known up to a day, and continued by seasons generated from other ones."""
        days = _days_and_one(season, year, start)
        tmin, tmax = self.on(days)
        ahead = days >= to_unit(before, "D")
        gap = days[~ahead & ~(np.isfinite(tmin) & np.isfinite(tmax))]
        if gap.size:
            raise DataError(
                Problem(
                    f"station {self.station} has no temperatures on {gap.size} days before "
                    f"{to_unit(before)}, the first is {gap[0]}.",
                    "A heat sum over a gap is unknown; fill the gap or use another station.",
                )
            )
        if not ahead.any():
            return SeasonEnsemble(tmin[np.newaxis, :], tmax[np.newaxis, :], ())
        lows, highs, used = [], [], []
        for other in years:
            low, high = self.on(_same_days(days[ahead], other - year))
            # The day after the season serves double methods only and may be missing.
            if np.isfinite(low[:-1]).all() and np.isfinite(high[:-1]).all():
                lows.append(low)
                highs.append(high)
                used.append(int(other))
        if not used:
            finding = (
                f"station {self.station} has no whole past season to continue {season.label(year)} "
                f"from {to_unit(before)}."
            )
            raise DataError(Problem(finding, "Give weather of earlier years for this station."))
        made = generated_seasons(np.array(lows), np.array(highs), seed=year)
        rows = [
            np.concatenate(
                [np.broadcast_to(before_now[~ahead], (len(later), int((~ahead).sum()))), later], axis=1
            )
            for before_now, later in zip((tmin, tmax), made, strict=True)
        ]
        return SeasonEnsemble(rows[0], rows[1], tuple(used))


@dataclass(frozen=True)
class SeasonEnsemble:
    """Equally likely seasons that share their observed part."""

    tmin: npt.NDArray[np.float64]  # Shape (members, days): Daily minimum and maximum [degC].
    tmax: npt.NDArray[np.float64]
    years: tuple[int, ...]  # The past seasons behind the members.


def station_series(weather: xr.Dataset) -> dict[str, StationSeries]:
    """Return the series of every station of a weather dataset."""
    days = weather["time"].to_numpy().astype("datetime64[D]")
    if days.size == 0 or (np.diff(days) != np.timedelta64(1, "D")).any():
        raise ModelError("the weather must be on a complete daily calendar, in order.")
    for name in ("tmin", "tmax"):
        if weather[name].attrs.get("units", "degC") != "degC":
            raise ModelError(f"'{name}' is in {weather[name].attrs['units']}, not in degC.")
    tmin = weather["tmin"].transpose("station", "time").to_numpy().astype(np.float64)
    tmax = weather["tmax"].transpose("station", "time").to_numpy().astype(np.float64)
    return {
        str(name): StationSeries(str(name), days[0], tmin[i], tmax[i])
        for i, name in enumerate(weather["station"].to_numpy())
    }


def _days_and_one(
    season: Season, year: int, start: np.datetime64 | None = None
) -> npt.NDArray[np.datetime64]:
    days = season.days(year)
    if start is not None:
        days = np.arange(to_unit(start, "D"), days[-1] + np.timedelta64(1, "D"))
    return np.append(days, days[-1] + np.timedelta64(1, "D"))


def _same_days(days: npt.NDArray[np.datetime64], years_later: int) -> npt.NDArray[np.datetime64]:
    """Return the same month-days some years later; 29 February becomes 1 March where there is none."""
    dates = days.astype("datetime64[D]").astype(object)
    moved = [MonthDay(date.month, date.day).in_year(date.year + years_later) for date in dates]
    return np.array(moved, dtype="datetime64[D]")
