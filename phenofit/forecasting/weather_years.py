"""Seasons of one station as rows of daily temperature, and past seasons as continuations of the present one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem
from phenofit.forecasting.distribution import to_unit
from phenofit.forecasting.generated_seasons import generated_seasons
from phenofit.seasons import Season


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

    def open_season(
        self, season: Season, year: int, *, years: Iterable[int], start: np.datetime64 | None = None
    ) -> OpenSeason:
        """Return a season with the others that can continue it from any of its days on."""
        days = _days_and_one(season, year, start)
        others = [self.on(_same_days(days, other - year)) for other in years]
        shape = (len(others), days.size)
        return OpenSeason(
            self.station,
            season.label(year),
            year,
            days,
            *self.on(days),
            np.array([low for low, _ in others]).reshape(shape),
            np.array([high for _, high in others]).reshape(shape),
            tuple(int(other) for other in years),
        )

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
        return self.open_season(season, year, years=tuple(years), start=start).continued(before)


@dataclass(frozen=True)
class OpenSeason:
    """One season of a station, and the other seasons that continue it from the day up to which it is known."""

    station: str  # Its id.
    label: str  # Of the season.
    year: int  # In which it starts.
    days: npt.NDArray[np.datetime64]  # Its days and the one after.
    tmin: npt.NDArray[np.float64]  # Shape (days,): Daily minimum and maximum [degC], NaN where missing.
    tmax: npt.NDArray[np.float64]
    others_tmin: npt.NDArray[
        np.float64
    ]  # Shape (others, days): Minimum and maximum of the other seasons [degC].
    others_tmax: npt.NDArray[np.float64]
    years: tuple[int, ...]  # In which the others start.
    made: dict[tuple[int, ...], tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]] = field(
        default_factory=dict
    )  # Seasons generated, by the positions of the others that they were made from.

    def rest(self, before: np.datetime64, *, back: int = 0) -> tuple[int, SeasonEnsemble]:
        """Return the first day that is not known, and the days from `back` days before it on, in every continuation."""
        first = int(np.searchsorted(self.days, to_unit(before, "D")))
        gap = self.days[:first][~(np.isfinite(self.tmin[:first]) & np.isfinite(self.tmax[:first]))]
        if gap.size:
            raise DataError(
                Problem(
                    f"station {self.station} has no temperatures on {gap.size} days before "
                    f"{to_unit(before)}, the first is {gap[0]}.",
                    "A heat sum over a gap is unknown; fill the gap or use another station.",
                )
            )
        begins = max(first - back, 0)
        if first == self.days.size:
            return first, SeasonEnsemble(self.tmin[np.newaxis, begins:], self.tmax[np.newaxis, begins:], ())
        # The day after the season serves double methods only and may be missing.
        known = np.isfinite(self.others_tmin[:, first:-1]) & np.isfinite(self.others_tmax[:, first:-1])
        used = tuple(int(k) for k in np.flatnonzero(known.all(axis=1)))
        if not used:
            finding = (
                f"station {self.station} has no whole past season to continue {self.label} "
                f"from {to_unit(before)}."
            )
            raise DataError(Problem(finding, "Give weather of earlier years for this station."))
        if used not in self.made:
            self.made[used] = generated_seasons(
                self.others_tmin[list(used)], self.others_tmax[list(used)], seed=self.year
            )
        low, high = (rows[:, begins:].copy() for rows in self.made[used])
        low[:, : first - begins] = self.tmin[begins:first]
        high[:, : first - begins] = self.tmax[begins:first]
        return first, SeasonEnsemble(low, high, tuple(self.years[k] for k in used))

    def continued(self, before: np.datetime64) -> SeasonEnsemble:
        """Return the whole season in every continuation."""
        return self.rest(before, back=self.days.size)[1]


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
    months = days.astype("datetime64[M]")
    moved = (months + np.timedelta64(12 * years_later, "M")).astype("datetime64[D]")
    return np.asarray(moved + (days.astype("datetime64[D]") - months.astype("datetime64[D]")))
