"""From trap-years and weather to the flat arrays that the compiled likelihood reads."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import gammaln

from phenofit.errors import DataError, Problem
from phenofit.flight.likelihood.heat_at_times import SeasonTemperatures
from phenofit.flight.likelihood.record_forms import Checks, Kept, checks_of, keep_records
from phenofit.heat.compiled.daily_kernels import CUTOFF_CODES, METHOD_CODES, running_heat
from phenofit.heat.settings import HeatSettings
from phenofit.traps.biofix import since_biofix

if TYPE_CHECKING:
    from phenofit.records import Records

_DAY_NS = 86_400_000_000_000


@dataclass(frozen=True)
class FlightData:
    """Counts and the temperatures behind them, ready for the likelihood."""

    # One row per trap-year used: ``trap, site, season, year, station, total`` and the covariates.
    table: pd.DataFrame
    # Shape (series, days): Daily extremes [degC] from the season's start on, one row per station and start.
    tmin: np.ndarray
    tmax: np.ndarray
    # Check times at which the curve is needed: where each trap-year's begin, the temperature row, the day and
    # the part of the day passed, and the weight in the sum of all chances.
    edge_of: np.ndarray
    edge_series: np.ndarray
    edge_day: np.ndarray
    edge_part: np.ndarray
    edge_weight: np.ndarray
    # Intervals with at least one moth: edges, count, effort and share of the observed time.
    catch_of: np.ndarray
    catch_left: np.ndarray
    catch_right: np.ndarray
    catch_count: np.ndarray
    catch_effort: np.ndarray
    catch_share: np.ndarray
    left_out: pd.DataFrame  # ``trap, season, reason, rows``: what did not enter, and why.
    constant: float  # Sum of the logs of the multinomial coefficients; does not depend on any parameter.
    # 1 where the count is known only from below.
    catch_open: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    # Shape (trap-years,): What is added to the sum of all chances of a trap-year: 0 where the counts are
    # taken given their total, 1 where an event may also come after the last check.
    whole: np.ndarray = field(default_factory=lambda: np.zeros(0))
    # How much warmer than usual the day after each edge is [degC]; there then is an edge at every midnight of the time
    # watched. Empty where the weather of nights plays no part.
    edge_anomaly: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        """Fill in that all counts are exact, and taken given their total, where nothing else is said."""
        if len(self.catch_open) != len(self.catch_count):
            object.__setattr__(self, "catch_open", np.zeros(len(self.catch_count), dtype=np.int64))
        if len(self.whole) != len(self.table):
            object.__setattr__(self, "whole", np.zeros(len(self.table)))

    @property
    def trap_years(self) -> int:
        """Number of trap-years."""
        return len(self.table)

    @property
    def totals(self) -> np.ndarray:
        """Moths of each trap-year."""
        return self.table["total"].to_numpy(dtype=np.int64)

    @property
    def any_open(self) -> np.ndarray:
        """Number of counts of each trap-year that are known only from below."""
        running = np.concatenate([[0], np.cumsum(self.catch_open)])
        return np.asarray(running[self.catch_of[1:]] - running[self.catch_of[:-1]], dtype=np.int64)

    def edge_weights(self, night_effect: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the weight of each edge in the sum of all chances, and the rows of ``Edges.night``."""
        if not self.edge_anomaly.size:
            return self.edge_weight, np.zeros((3, 0))
        night = np.exp(night_effect * self.edge_anomaly)
        slope = self.edge_anomaly * night
        # The weight of an edge is the effort before it less the effort after it, which begins and ends at zero.
        after = -np.cumsum(self.edge_weight)
        weight, by_effect = (np.diff(-after * by, prepend=0.0) for by in (night, slope))
        return weight, np.stack([night, slope, by_effect])

    def heat_at_edges(
        self, base: float, heat: HeatSettings, upper: float | None = None
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return the heat at every edge and its slopes in the base and in the upper threshold."""
        if upper is None:
            upper = np.inf if heat.upper is None else float(heat.upper)
        total, slope, slope_upper = running_heat(
            self.tmin, self.tmax, float(base), upper, METHOD_CODES[heat.method], CUTOFF_CODES[heat.cutoff]
        )
        at, day, part = self.edge_series, self.edge_day, self.edge_part
        before, after = total[at, day], total[at, day + 1]
        by_base, by_upper = slope[at, day], slope_upper[at, day]
        return (
            before + part * (after - before),
            by_base + part * (slope[at, day + 1] - by_base),
            by_upper + part * (slope_upper[at, day + 1] - by_upper),
        )


def assemble(records: Records, *, kind: str = "counts", night: str | None = None) -> FlightData:
    """Bring trap-years and weather together, with the weather of nights by ``tmin`` or ``tmax`` where asked."""
    trap_years, early = since_biofix(records.trap_years, records.starts, first_catch=kind == "first catch")
    years = trap_years.years.sort_values("trap_year", ignore_index=True)
    checks = checks_of(trap_years.intervals, years["trap_year"].to_numpy(dtype=np.int64))
    seasons = SeasonTemperatures(records, night)
    sums = _sums(years, np.unique(checks.of), seasons)
    left = _LeftOut(years, early)
    left.add(checks, sums.reason)
    checks = checks.only((sums.reason == "")[checks.of])
    first_missing = np.array([*seasons.first_missing, 0], dtype=np.int64)[sums.series]
    covered = _since(checks.end, sums.start[checks.of]) // _DAY_NS < first_missing[checks.of]
    gap = (sums.start + first_missing.astype("timedelta64[D]")).astype("datetime64[D]").astype(str)
    why = [
        f"no heat sum: station {s} has no temperature on {day}"
        for s, day in zip(sums.station, gap, strict=True)
    ]
    left.add(checks.only(~covered), np.array(why, dtype=object))
    checks = checks.only(covered)
    kept = keep_records(checks, len(years), kind)
    left.add(checks, kept.reason)
    left_out = left.table()
    used = np.unique(kept.of)
    if not used.size:
        reasons = "; ".join(sorted({str(r) for r in left_out["reason"]})) or "there are no records"
        raise DataError(
            Problem(
                f"no trap-year is left to fit ({reasons}).",
                "Check the species name, the season, the stations and the years of the weather.",
            )
        )
    closed = kept.count[kept.is_open == 0]
    tmin, tmax = seasons.padded()
    return FlightData(
        table=years.iloc[used]
        .infer_objects()
        .assign(station=sums.station[used], total=kept.total[used])
        .reset_index(drop=True),
        tmin=tmin,
        tmax=tmax,
        **_edges_and_catches(kept, used, sums, seasons, by_night=night is not None),
        whole=np.full(len(used), kept.whole),
        left_out=left_out,
        constant=float(gammaln(kept.total[used] + 1.0).sum() - gammaln(closed + 1.0).sum()),
    )


@dataclass(frozen=True)
class _Sums:
    """Where the heat sums of each trap-year come from."""

    station: npt.NDArray[np.object_]
    start: npt.NDArray[np.datetime64]
    series: npt.NDArray[np.int64]  # Temperature row; -1 where there is none.
    reason: npt.NDArray[np.object_]  # Why there is none; empty where there is one.


def _sums(years: pd.DataFrame, wanted: npt.NDArray[np.int64], seasons: SeasonTemperatures) -> _Sums:
    """Find the temperatures of the requested trap-years."""
    size = len(years)
    found = _Sums(
        np.full(size, "", dtype=object),
        np.full(size, np.datetime64("NaT", "ns")),
        np.full(size, -1, dtype=np.int64),
        np.full(size, "", dtype=object),
    )
    traps, sites, labels = (years[name].tolist() for name in ("trap", "site", "year"))
    for k in wanted.tolist():
        station, start, reason = seasons.start(str(traps[k]), str(sites[k]), int(labels[k]))
        found.station[k], found.start[k], found.reason[k] = station, start, reason
        if not reason:
            found.series[k] = seasons.row(station, start, int(labels[k]))
    return found


class _LeftOut:
    """What does not enter, and why, in the order of the trap-years."""

    def __init__(self, years: pd.DataFrame, early: pd.DataFrame) -> None:
        self.years, self.parts = years, [early.assign(at=-1)]

    def add(self, checks: Checks, reason: npt.NDArray[np.object_]) -> None:
        """Add the checks of the trap-years that have a reason."""
        moths = np.where(np.isfinite(checks.count), checks.count, 0.0)
        rows = np.bincount(checks.of, minlength=len(reason))
        at = np.flatnonzero((rows > 0) & (reason != ""))
        caught = np.bincount(checks.of, weights=moths, minlength=len(reason))
        found = self.years.iloc[at][["trap", "season"]].assign(
            reason=reason[at], rows=rows[at], moths=caught[at].astype(np.int64), at=at
        )
        self.parts.append(found)

    def table(self) -> pd.DataFrame:
        """Return ``trap, season, reason, rows, moths``."""
        filled = [part for part in self.parts if len(part)]
        columns = ["trap", "season", "reason", "rows", "moths"]
        if not filled:
            return pd.DataFrame(columns=columns)
        return pd.concat(filled).sort_values("at", kind="stable", ignore_index=True)[columns]


def _since(when: npt.NDArray[np.datetime64], start: npt.NDArray[np.datetime64]) -> npt.NDArray[np.int64]:
    # Nanoseconds since the start; before the start, and where no time is given, no heat is summed.
    passed = when.astype("datetime64[ns]") - start.astype("datetime64[ns]")
    return np.where(np.isnat(passed), 0, np.maximum(passed.astype(np.int64), 0))


def _edges_and_catches(
    kept: Kept, used: npt.NDArray[np.int64], sums: _Sums, seasons: SeasonTemperatures, *, by_night: bool
) -> dict[str, npt.NDArray[np.generic]]:
    """Return the arrays of :class:`FlightData` that describe edges and catches."""
    of = np.searchsorted(used, kept.of)
    series = sums.series[used]
    start = sums.start[kept.of]
    left, right = _since(kept.start, start), _since(kept.end, start)
    times, owners = [left, right], [of, of]
    if by_night:
        midnights, whose = _midnights(left, right, of)
        times, owners = [*times, midnights], [*owners, whose]
    owner, place, at = _distinct(np.concatenate(owners), np.concatenate(times))
    at_left, at_right = at[: len(of)], at[len(of) : 2 * len(of)]
    weight = np.zeros(len(place))
    if kept.whole == 0.0:
        np.add.at(weight, at_right, kept.effort)
        np.add.at(weight, at_left, -kept.effort)
    caught = kept.count > 0
    needed = (weight != 0.0) | by_night
    needed[at_left[caught]] = True
    needed[at_right[caught]] = True
    renumber = np.cumsum(needed) - 1
    # Strays come evenly over the time watched; for a first catch, over the whole season.
    duration = (right - left) / _DAY_NS * kept.effort
    watched = np.bincount(of, weights=duration)
    if kept.whole != 0.0:
        watched = np.array([seasons.length(row) for row in series.tolist()], dtype=np.float64)
    edge_series, edge_day = series[owner[needed]], place[needed] // _DAY_NS
    return {
        "edge_of": _begins(owner[needed], len(used)),
        "edge_series": edge_series,
        "edge_day": edge_day,
        "edge_part": (place[needed] % _DAY_NS) / _DAY_NS,
        "edge_weight": weight[needed],
        "edge_anomaly": seasons.anomaly(edge_series, edge_day) if by_night else np.zeros(0),
        "catch_of": _begins(of[caught], len(used)),
        "catch_left": renumber[at_left[caught]],
        "catch_right": renumber[at_right[caught]],
        "catch_count": kept.count[caught],
        "catch_effort": kept.effort[caught],
        "catch_share": (duration / watched[of])[caught],
        "catch_open": kept.is_open[caught],
    }


def _begins(of: npt.NDArray[np.int64], size: int) -> npt.NDArray[np.int64]:
    """Return where each owner's part of an ordered array begins, and where the last ends."""
    return np.searchsorted(of, np.arange(size + 1)).astype(np.int64)


def _distinct(
    owner: npt.NDArray[np.int64], time: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the distinct pairs in order, and the place of each given pair among them."""
    order = np.lexsort((time, owner))
    owner, time = owner[order], time[order]
    new = np.concatenate([[True], (owner[1:] != owner[:-1]) | (time[1:] != time[:-1])])
    at = np.empty(len(order), dtype=np.int64)
    at[order] = np.cumsum(new) - 1
    return owner[new], time[new], at


def _midnights(
    left: npt.NDArray[np.int64], right: npt.NDArray[np.int64], of: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the midnights within the time watched by each trap-year, and whose they are."""
    begins = np.flatnonzero(np.diff(of, prepend=-1))
    first = np.minimum.reduceat(left, begins) // _DAY_NS + 1
    number = np.maximum(np.maximum.reduceat(right, begins) // _DAY_NS + 1 - first, 0)
    whose = np.repeat(np.arange(len(begins)), number)
    within = np.arange(len(whose)) - np.repeat(np.cumsum(number) - number, number)
    return (first[whose] + within) * _DAY_NS, whose
