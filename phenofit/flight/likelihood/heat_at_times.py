"""The heat summed until given times of trap-years, at any base: for events, and for every check interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.heat.settings import HeatSettings

if TYPE_CHECKING:
    from phenofit.records import Records

_DAY = np.timedelta64(1, "D").astype("timedelta64[ns]")


@dataclass(frozen=True)
class HeatAtTimes:
    """Temperatures from the start of the sums on, and the times at which the sum is wanted."""

    tmin: npt.NDArray[np.float64]  # Shape (series, days): Daily extremes [degC].
    tmax: npt.NDArray[np.float64]
    series: npt.NDArray[np.int64]  # Shape (times,): Temperature row of each time.
    # Shape (times,): Time passed since the start of the sum, never below zero [d].
    days: npt.NDArray[np.float64]
    # Shape (times,): Why a time has no heat sum; ``""`` where it has one.
    reason: npt.NDArray[np.object_]

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """Which times have a heat sum."""
        return np.asarray(self.reason == "", dtype=bool)

    def select(self, keep: npt.NDArray[np.bool_]) -> HeatAtTimes:
        """Return some of the times."""
        return HeatAtTimes(self.tmin, self.tmax, self.series[keep], self.days[keep], self.reason[keep])

    def heat(self, base: float, heat: HeatSettings, *, earlier: float = 0.0) -> npt.NDArray[np.float64]:
        """Return the heat at the times."""
        total = running_heat(
            self.tmin, self.tmax, float(base), heat.upper_or_inf, heat.method_code, heat.cutoff_code
        )[0]
        out = np.full(len(self.days), np.nan)
        at = self.known
        when = np.maximum(self.days[at] - earlier, 0.0)
        day = np.minimum(np.floor(when).astype(np.int64), total.shape[1] - 2)
        row = self.series[at]
        before, after = total[row, day], total[row, day + 1]
        out[at] = before + (when - day) * (after - before)
        return out

    def mean_temperature(self) -> npt.NDArray[np.float64]:
        """Return the mean of (minimum + maximum) / 2 from the start to each time [degC]."""
        middle = 0.5 * (self.tmin + self.tmax)
        total = np.concatenate([np.zeros((len(middle), 1)), np.cumsum(middle, axis=1)], axis=1)
        out = np.full(len(self.days), np.nan)
        at = self.known & (self.days > 0)
        day = np.minimum(np.floor(self.days[at]).astype(np.int64), total.shape[1] - 2)
        row = self.series[at]
        sums = total[row, day] + (self.days[at] - day) * (total[row, day + 1] - total[row, day])
        out[at] = sums / self.days[at]
        return out


def heat_at_times(
    records: Records,
    traps: Sequence[str],
    sites: Sequence[str],
    years: Sequence[int],
    times: npt.NDArray[np.datetime64],
) -> HeatAtTimes:
    """Find the temperatures behind times of trap-years."""
    weather, links, season, starts = records.weather, records.links, records.season, records.starts
    station_of = {
        str(t): str(s) for t, s in zip(links["trap"], links["station"], strict=True) if not pd.isna(s)
    }
    place = {str(s): k for k, s in enumerate(weather["station"].to_numpy())}
    first_day = weather["time"].to_numpy()[0].astype("datetime64[D]")
    low = weather["tmin"].transpose("station", "time").to_numpy()
    high = weather["tmax"].transpose("station", "time").to_numpy()
    rows: dict[tuple[str, np.datetime64], int] = {}
    series_low: list[npt.NDArray[np.float64]] = []
    series_high: list[npt.NDArray[np.float64]] = []
    complete: list[int] = []
    number, days, reason = [], [], []
    for trap, site, year, time in zip(traps, sites, years, times, strict=True):
        station = station_of.get(str(trap))
        start: np.datetime64 | None = season.first_day(int(year))
        if starts is not None:
            start = starts.get((str(site), int(year)))
        why = ""
        if station is None or station not in place:
            why = "no weather station within reach"
        elif start is None or np.isnat(start):
            why = "no biofix date for this site and season"
        elif np.isnat(time):
            why = "no date"
        if why or station is None or start is None:
            number.append(0)
            days.append(0.0)
            reason.append(why)
            continue
        start = start.astype("datetime64[D]")
        key = (station, start)
        if key not in rows:
            rows[key] = len(series_low)
            span = np.arange(start, season.last_day(int(year)) + np.timedelta64(1, "D"))
            offset = (span - first_day).astype(np.int64)
            inside = (offset >= 0) & (offset < low.shape[1])
            pair = np.full((2, len(span)), np.nan)
            pair[0, inside] = low[place[station], offset[inside]]
            pair[1, inside] = high[place[station], offset[inside]]
            series_low.append(pair[0])
            series_high.append(pair[1])
            missing = np.flatnonzero(~np.isfinite(pair).all(axis=0))
            complete.append(int(missing[0]) if missing.size else len(span))
        row = rows[key]
        passed = max(float((time.astype("datetime64[ns]") - start.astype("datetime64[ns]")) / _DAY), 0.0)
        number.append(row)
        days.append(passed)
        reason.append("" if passed // 1.0 < complete[row] else "no heat sum: temperatures are missing")
    width = max((len(r) for r in series_low), default=1)
    padded = [
        np.vstack([np.pad(r, (0, width - len(r)), constant_values=np.nan) for r in rows_])
        if rows_
        else np.full((1, width), np.nan)
        for rows_ in (series_low, series_high)
    ]
    return HeatAtTimes(
        padded[0],
        padded[1],
        np.array(number, dtype=np.int64),
        np.array(days, dtype=np.float64),
        np.array(reason, dtype=object),
    )
