"""When an event was seen: the check interval that holds it, for every trap-year and flight.

Catches do not date an event, they bracket it. A trap-year whose bracket could be moved by a gap, by a trap set too
late or removed too early, or that has few moths, is left out and counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.forecasting.date_draws import fixed_date
from phenofit.forecasting.events import event_share
from phenofit.forecasting.weather_years import StationSeries, station_series
from phenofit.traps.biofix import since_biofix

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.records import Records

_DAY = np.timedelta64(1, "D").astype("timedelta64[ns]")
_SLACK = np.timedelta64(1, "h").astype("timedelta64[ns]")
_CUT_RATE = 0.25  # a trap that starts or ends at more than this share of its best rate has missed a part
_COLUMNS = ("trap_year", "flight", "event", "observed_from", "observed_to", "observed", "moths")


@dataclass(frozen=True)
class Observed:
    """Observed events.

    Parameters
    ----------
    table : pandas.DataFrame
        ``trap_year, flight, event, observed_from, observed_to`` (the check interval), ``observed``
        (interpolated inside it), ``moths`` (of that flight in that trap-year).
    left_out : pandas.DataFrame
        ``trap, season, flight, event, reason``: what has no observed event, and why.
    """

    table: pd.DataFrame
    left_out: pd.DataFrame


def split_heat(fit: FlightFit) -> tuple[float, ...]:
    """Return the heat sums that separate the flights of a season.

    Parameters
    ----------
    fit : FlightFit
        A fit to all data, which is used here for nothing else.

    Returns
    -------
    tuple of float
        One less than there are flights [degC d].

    Notes
    -----
    Between two flights the boundary lies as many spreads above the requirement of the first as below that of the second.
    All forecasters are scored on the same boundary.
    """
    flights = fit.settings.flights
    found = []
    for g in range(1, flights):
        low, high = fit.requirement(g), fit.requirement(g + 1)
        share = fit.spread(g) / (fit.spread(g) + fit.spread(g + 1))
        found.append(low + share * (high - low))
    return tuple(found)


def observed_events(
    records: Records,
    *,
    events: Sequence[str],
    min_moths: int = 5,
    fit: FlightFit | None = None,
    sustained: int = 2,
) -> Observed:
    """Find the check interval that holds each event.

    Parameters
    ----------
    records : Records
        Catches by check interval. Intervals that begin before a biofix are left out, as those before a season are.
    events : sequence of str
        Events to find.
    min_moths : int
        Fewest moths of a flight in a trap-year; below it the event is left out.
    fit : FlightFit, optional
        A fit to all data; needed where a season has several flights: it gives the dates on which one flight ends and
        the next begins.
    sustained : int
        Successive checks with a catch that make it a sustained one.

    Returns
    -------
    Observed

    Raises
    ------
    ModelError
        If an event is not known, or the fit counts from a biofix and the records do not, or the other way round.

    Notes
    -----
    Counts are divided by effort. The catch of an interval is spread evenly over it; a share is crossed where the
    cumulative catch reaches it. With gaps between intervals the same is done once more with each gap filled at
    the mean of the rates beside it; if that moves the crossing out of its interval, the event is left out.
    """
    for event in events:
        event_share(event)
    flights = _Boundaries(fit, records)
    rows: list[tuple[object, ...]] = []
    left: list[tuple[object, ...]] = []
    watched, _ = since_biofix(records.trap_years, records.starts)
    by_year = dict(list(watched.intervals.groupby("trap_year", sort=True)))
    for year in records.trap_years.years.to_dict("records"):
        number = int(year["trap_year"])
        frame = by_year.get(number)
        bounds = flights.bounds(str(year["trap"]), str(year["site"]), int(year["year"]))
        for flight in range(1, flights.flights + 1):
            if frame is None or bounds is None:
                reason = (
                    "no check since the biofix" if frame is None else "no heat sum to separate the flights"
                )
                left += [(year["trap"], year["season"], flight, event, reason) for event in events]
                continue
            record = _Record.of(frame, bounds[flight - 1])
            unfit = record.unfit(min_moths)
            for event in events:
                found, why = (None, unfit) if unfit else record.find(event, sustained)
                if found is None:
                    left.append((year["trap"], year["season"], flight, event, why))
                else:
                    rows.append((number, flight, event, *found, record.moths))
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    for name in ("observed_from", "observed_to", "observed"):
        table[name] = table[name].astype("datetime64[ns]")
    left_out = pd.DataFrame(left, columns=["trap", "season", "flight", "event", "reason"])
    return Observed(table, left_out)


class _Boundaries:
    """Dates between which each flight of a trap-year is counted."""

    def __init__(self, fit: FlightFit | None, records: Records) -> None:
        self.flights = 1 if fit is None else fit.settings.flights
        if self.flights == 1 or fit is None:
            return
        if fit.settings.biofix != (records.starts is not None):
            words = "a biofix, the records have none"
            if not fit.settings.biofix:
                words = "a date, the records from a biofix"
            raise ModelError(f"the fit counts heat from {words}.")
        self.fit, self.season, self.starts = fit, records.season, records.starts
        links = records.links
        self.heat = split_heat(fit)
        self.series: Mapping[str, StationSeries] = station_series(records.weather)
        self.station = dict(zip(links["trap"].astype(str), links["station"], strict=True))
        self.known: dict[tuple[str, np.datetime64], list[tuple[np.datetime64, np.datetime64]] | None] = {}

    def bounds(self, trap: str, site: str, year: int) -> list[tuple[np.datetime64, np.datetime64]] | None:
        """Return from when to when each flight counts, or None where the heat sum is unknown."""
        if self.flights == 1:
            return [(np.datetime64("1678-01-01", "ns"), np.datetime64("2262-01-01", "ns"))]
        station = self.station.get(trap)
        start = self.season.first_day(year)
        if self.starts is not None:
            start = self.starts.get((site, year), np.datetime64("NaT")).astype("datetime64[D]")
        if station not in self.series or np.isnat(start):
            return None
        key = (str(station), start)
        if key not in self.known:
            self.known[key] = self._dates(str(station), year, start)
        return self.known[key]

    def _dates(
        self, station: str, year: int, start: np.datetime64
    ) -> list[tuple[np.datetime64, np.datetime64]] | None:
        tmin, tmax = self.series[station].season_rows(self.season, year, start=start)
        after = self.season.last_day(year).astype("datetime64[ns]") + _DAY
        cuts = [self.season.first_day(year).astype("datetime64[ns]")]
        for amount in self.heat:
            found = fixed_date(self.fit.base, amount, tmin, tmax, start=start, heat=self.fit.settings.heat)
            if found is None:
                return None
            cut = found.quantile(0.5)
            # A boundary that the season does not reach lies after its end: the later flights have no catch.
            cuts.append(cut if not np.isnat(cut) else after)
        return list(pairwise([*cuts, after + _DAY]))


@dataclass(frozen=True)
class _Record:
    """The intervals of one flight in one trap-year."""

    start: npt.NDArray[np.datetime64]
    end: npt.NDArray[np.datetime64]
    catch: npt.NDArray[np.float64]  # moths per unit of effort, the interval's part inside the flight only
    days: npt.NDArray[np.float64]
    counted: bool
    raw: npt.NDArray[np.float64]
    whole: tuple[bool, bool]  # whether it begins and ends with the trap-year, not with another flight

    @classmethod
    def of(cls, frame: pd.DataFrame, bounds: tuple[np.datetime64, np.datetime64]) -> _Record:
        start = frame["start"].to_numpy().astype("datetime64[ns]")
        end = frame["end"].to_numpy().astype("datetime64[ns]")
        count = frame["count"].to_numpy(dtype=np.float64)
        effort = frame["effort"].to_numpy(dtype=np.float64)
        order = np.argsort(start, kind="stable")
        start, end, count, effort = start[order], end[order], count[order], effort[order]
        counted = bool((frame["status"] == "counted").all())
        low, high = np.maximum(start, bounds[0]), np.minimum(end, bounds[1])
        inside = low < high
        whole = (bool(inside[0] and low[0] == start[0]), bool(inside[-1] and high[-1] == end[-1]))
        share = np.where(inside, (high - low) / (end - start), 0.0)[inside]
        start, end = low[inside], high[inside]
        count, effort = count[inside] * share, effort[inside]
        return cls(start, end, count / effort, (end - start) / _DAY, counted, count, whole)

    @property
    def moths(self) -> float:
        return float(self.raw.sum())

    def unfit(self, min_moths: int) -> str | None:
        """Return why no event can be read from this record, or None."""
        if not self.counted:
            return "some catches are not counted"
        if self.moths < min_moths:
            return f"fewer than {min_moths} moths"
        return None

    def find(
        self, event: str, sustained: int
    ) -> tuple[tuple[np.datetime64, np.datetime64, np.datetime64] | None, str | None]:
        """Return (from, to, interpolated) of an event, or the reason why there is none."""
        share = event_share(event)
        if share is not None:
            return self._crossing(share)
        caught = np.flatnonzero(self.catch > 0)
        if event == "peak":
            rate = self.catch / self.days
            best = np.flatnonzero(rate >= rate.max() * (1 - 1e-9))
            if best.size > 1:
                return None, "several checks share the highest rate"
            at = int(best[0])
            if at in (0, len(rate) - 1):
                return None, "the highest rate is at the first or last check"
            return self._middle(at), None
        if event == "end":
            at = int(caught[-1])
            if at == len(self.catch) - 1 or self._gap_after()[at]:
                return None, "the trap was taken in, or a gap begins, before the last moth"
            return self._middle(at), None
        wanted = 1 if event == "first_catch" else sustained
        runs = [
            int(i) for i in caught if (self.catch[i : i + wanted] > 0).all() and i + wanted <= len(self.catch)
        ]
        if not runs:
            return None, f"no {sustained} successive checks with a catch"
        at = runs[0]
        if at == 0 or self._gap_after()[at - 1]:
            return None, "the trap was set, or a gap ends, after the first moth"
        return self._middle(at), None

    def _middle(self, at: int) -> tuple[np.datetime64, np.datetime64, np.datetime64]:
        return self.start[at], self.end[at], self.start[at] + (self.end[at] - self.start[at]) // 2

    def _gap_after(self) -> npt.NDArray[np.bool_]:
        gap = self.start[1:] - self.end[:-1] > _SLACK
        return np.append(gap, False)

    def _crossing(
        self, share: float
    ) -> tuple[tuple[np.datetime64, np.datetime64, np.datetime64] | None, str | None]:
        rate = self.catch / self.days
        if self.whole[0] and rate[0] > _CUT_RATE * rate.max():
            return None, "the trap was set after the flight had begun"
        if self.whole[1] and rate[-1] > _CUT_RATE * rate.max():
            return None, "the trap was taken in before the flight had ended"
        at, part = _cross(self.catch, share)
        gap = np.flatnonzero(self._gap_after())
        if gap.size:
            length = (self.start[gap + 1] - self.end[gap]) / _DAY
            missed = 0.5 * (rate[gap] + rate[gap + 1]) * length
            filled = np.insert(self.catch, gap + 1, missed)
            place = np.insert(np.arange(len(self.catch)), gap + 1, -1)
            if place[_cross(filled, share)[0]] != at:
                return None, "a gap in the checks could hold the event"
        span = (self.end[at] - self.start[at]).astype(np.int64)
        when = self.start[at] + np.timedelta64(round(part * int(span)), "ns")
        return (self.start[at], self.end[at], when), None


def _cross(catch: npt.NDArray[np.float64], share: float) -> tuple[int, float]:
    """Return the interval in which the cumulative catch reaches a share, and the part of it that takes."""
    running = np.cumsum(catch)
    wanted = share * running[-1]
    at = int(np.searchsorted(running, wanted, side="left"))
    before = running[at] - catch[at]
    return at, float((wanted - before) / catch[at])
