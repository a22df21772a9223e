"""The heat summed until given times of trap-years, at any base: for events, and for every check interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.flight.likelihood.night_weather import night_anomalies
from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.heat.settings import HeatSettings

if TYPE_CHECKING:
    from phenofit.records import Records

_DAY = np.timedelta64(1, "D").astype("timedelta64[ns]")


class SeasonTemperatures:
    """Daily extremes from the start of the sums to the season's end, a row for each station and start."""

    def __init__(self, records: Records, night: str | None = None) -> None:
        weather, links = records.weather, records.links
        self._season, self._starts = records.season, records.starts
        self._link = {
            str(t): str(s) for t, s in zip(links["trap"], links["station"], strict=True) if not pd.isna(s)
        }
        self._stations = {str(s): k for k, s in enumerate(weather["station"].to_numpy())}
        self._first_day = weather["time"].to_numpy()[0].astype("datetime64[D]")
        self._extremes = [weather[n].transpose("station", "time").to_numpy() for n in ("tmin", "tmax")]
        days = weather["time"].to_numpy()
        element = None if night is None else weather[night].transpose("station", "time").to_numpy()
        self._night = None if element is None else night_anomalies(element, days)
        self._anomalies: list[npt.NDArray[np.float64]] = []
        self._known: dict[tuple[str, np.datetime64], int] = {}
        self._rows: list[npt.NDArray[np.float64]] = []
        self.first_missing: list[int] = []  # First day without temperatures of each row.

    def start(self, trap: str, site: str, year: int) -> tuple[str, np.datetime64, str]:
        """Return the station of a trap-year and the day on which its sums begin, or the reason why there is none."""
        station, start = self._link.get(trap, ""), self._season.first_day(year)
        if station not in self._stations:
            return station, start, "no weather station within reach"
        if self._starts is not None:
            start = self._starts.get((site, year), np.datetime64("NaT")).astype("datetime64[D]")
        return station, start, "no biofix date for this site and season" if np.isnat(start) else ""

    def row(self, station: str, start: np.datetime64, year: int) -> int:
        """Return the row of a station and start."""
        key = (station, start)
        if key not in self._known:
            days = np.arange(start, self._season.last_day(year) + np.timedelta64(1, "D"))
            offset = (days - self._first_day).astype(np.int64)
            pair = np.full((2, len(days)), np.nan)
            inside = (offset >= 0) & (offset < self._extremes[0].shape[1])
            for row, values in zip(pair, self._extremes, strict=True):
                row[inside] = values[self._stations[station], offset[inside]]
            missing = np.flatnonzero(~np.isfinite(pair).all(axis=0))
            self.first_missing.append(int(missing[0]) if missing.size else len(days))
            self._known[key] = len(self._rows)
            self._rows.append(pair)
            anomaly = np.zeros(len(days) + 1)  # a time at the end of the last day begins no night
            if self._night is not None:
                anomaly[:-1][inside] = self._night[self._stations[station], offset[inside]]
            self._anomalies.append(anomaly)
        return self._known[key]

    def padded(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Return the minima and the maxima of all rows, filled up with missing days."""
        width = max((row.shape[1] for row in self._rows), default=1)
        out = np.full((2, max(len(self._rows), 1), width), np.nan)
        for k, pair in enumerate(self._rows):
            out[:, k, : pair.shape[1]] = pair
        return out[0], out[1]

    def anomaly(self, rows: npt.NDArray[np.int64], days: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Return how much warmer than usual days of rows are [degC]; 0 without an element of the night's weather."""
        begins = np.cumsum([0, *(len(row) for row in self._anomalies)])
        every = np.concatenate([np.zeros(0), *self._anomalies])
        return every[begins[rows] + days] if len(rows) else np.zeros(0)

    def length(self, row: int) -> int:
        """Return the number of days of a row."""
        return int(self._rows[row].shape[1])


@dataclass(frozen=True)
class HeatAtTimes:
    """Temperatures from the start of the sums on, and the times at which the sum is computed."""

    tmin: npt.NDArray[np.float64]  # Shape (series, days): Daily extremes [degC].
    tmax: npt.NDArray[np.float64]
    series: npt.NDArray[np.int64]  # Shape (times,): Temperature row of each time.
    # Shape (times,): Time passed since the start of the sum, never below zero [d].
    days: npt.NDArray[np.float64]
    # Shape (times,): Why a time has no heat sum; ``""`` where it has one.
    reason: npt.NDArray[np.object_]
    # Shape (times,): How much warmer than usual the day of each time is [degC]; 0 where that was not asked for.
    anomaly: npt.NDArray[np.float64]

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """Which times have a heat sum."""
        return np.asarray(self.reason == "", dtype=bool)

    def select(self, keep: npt.NDArray[np.bool_]) -> HeatAtTimes:
        """Return some of the times."""
        parts = (self.series[keep], self.days[keep], self.reason[keep], self.anomaly[keep])
        return HeatAtTimes(self.tmin, self.tmax, *parts)

    def heat(self, base: float, heat: HeatSettings, *, earlier: float = 0.0) -> npt.NDArray[np.float64]:
        """Return the heat at the times."""
        total = running_heat(
            self.tmin, self.tmax, float(base), heat.upper_or_inf, heat.method_code, heat.cutoff_code
        )[0]
        return self._sums(total, np.maximum(self.days - earlier, 0.0), self.known)

    def mean_temperature(self) -> npt.NDArray[np.float64]:
        """Return the mean of (minimum + maximum) / 2 from the start to each time [degC]."""
        middle = 0.5 * (self.tmin + self.tmax)
        total = np.concatenate([np.zeros((len(middle), 1)), np.cumsum(middle, axis=1)], axis=1)
        at = self.known & (self.days > 0)
        return self._sums(total, self.days, at) / np.where(at, self.days, 1.0)

    def _sums(
        self, total: npt.NDArray[np.float64], days: npt.NDArray[np.float64], at: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.float64]:
        """Return the running totals at `days` after the start, linear within a day; NaN outside of `at`."""
        day = np.minimum(np.floor(days[at]).astype(np.int64), total.shape[1] - 2)
        before, after = total[self.series[at], day], total[self.series[at], day + 1]
        out = np.full(len(days), np.nan)
        out[at] = before + (days[at] - day) * (after - before)
        return out


def heat_at_times(
    records: Records,
    traps: Sequence[str],
    sites: Sequence[str],
    years: Sequence[int],
    times: npt.NDArray[np.datetime64],
    *,
    night: str | None = None,
) -> HeatAtTimes:
    """Find the temperatures behind times of trap-years."""
    seasons = SeasonTemperatures(records, night)
    number, days, reason = [], [], []
    for trap, site, year, time in zip(traps, sites, years, times, strict=True):
        station, start, why = seasons.start(str(trap), str(site), int(year))
        if not why and np.isnat(time):
            why = "no date"
        row, passed = 0, 0.0
        if not why:
            row = seasons.row(station, start, int(year))
            passed = max(float((time.astype("datetime64[ns]") - start.astype("datetime64[ns]")) / _DAY), 0.0)
            if passed // 1.0 >= seasons.first_missing[row]:
                why = "no heat sum: temperatures are missing"
        number.append(row)
        days.append(passed)
        reason.append(why)
    series, passed_days = np.array(number, dtype=np.int64), np.array(days, dtype=np.float64)
    known = np.array(reason, dtype=object) == ""
    anomaly = np.zeros(len(series))
    anomaly[known] = seasons.anomaly(series[known], passed_days[known].astype(np.int64))
    return HeatAtTimes(*seasons.padded(), series, passed_days, np.array(reason, dtype=object), anomaly)
