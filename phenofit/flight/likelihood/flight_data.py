"""From trap-years and weather to the flat arrays that the compiled likelihood reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import gammaln

from phenofit.errors import DataError, Problem
from phenofit.flight.likelihood.heat_at_times import SeasonTemperatures
from phenofit.flight.likelihood.record_forms import Checks, Kept, by_trap_year, keep_records
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
    builder = _Builder(records, kind, night)
    builder.left += [{str(k): v for k, v in row.items()} for row in early.to_dict("records")]
    by_year = by_trap_year(trap_years.intervals)
    for row in trap_years.years.sort_values("trap_year").to_dict("records"):
        checks = by_year.get(int(str(row["trap_year"])))
        if checks is not None:
            builder.add(row, checks)
    return builder.data()


class _Builder:
    """Collects trap-years one by one."""

    def __init__(self, records: Records, kind: str, night: str | None) -> None:
        self.kind, self.by_night = kind, night is not None
        self.seasons = SeasonTemperatures(records, night)
        self.rows: list[dict[str, object]] = []
        self.left: list[dict[str, object]] = []
        self.edges: list[tuple[np.ndarray, ...]] = []
        self.catches: list[tuple[np.ndarray, ...]] = []
        self.whole: list[float] = []
        self.constant = 0.0

    def leave_out(self, row: Mapping[object, object], reason: str, checks: Checks) -> None:
        what = {"trap": row["trap"], "season": row["season"], "reason": reason}
        self.left.append({**what, "rows": len(checks), "moths": int(np.nansum(checks.count))})

    def add(self, row: Mapping[object, object], checks: Checks) -> None:
        year = int(str(row["year"]))
        station, start, reason = self.seasons.start(str(row["trap"]), str(row["site"]), year)
        if reason:
            self.leave_out(row, reason, checks)
            return
        series = self.seasons.row(station, start, year)
        first_missing = self.seasons.first_missing[series]
        covered = self._since(checks.end, start) // _DAY_NS < first_missing
        if not covered.all():
            self.leave_out(
                row,
                f"no heat sum: station {station} has no temperature on "
                f"{start + np.timedelta64(first_missing, 'D')}",
                checks.only(~covered),
            )
        if not covered.any():
            return
        kept = keep_records(checks.only(covered), self.kind)
        if kept.reason:
            self.leave_out(row, kept.reason, checks.only(covered))
            return
        self._store(series, start, kept)
        self.rows.append({**{str(k): v for k, v in row.items()}, "station": station, "total": kept.total})
        counts = kept.count[kept.is_open == 0]
        self.constant += float(gammaln(counts.sum() + 1) - gammaln(counts + 1.0).sum())

    @staticmethod
    def _since(when: np.ndarray, start: np.datetime64) -> np.ndarray:
        # Nanoseconds since the start; before the start, and where no time is given, no heat is summed.
        passed = when.astype("datetime64[ns]") - start.astype("datetime64[ns]")
        return np.where(np.isnat(passed), 0, np.maximum(passed.astype(np.int64), 0))

    def _store(self, series: int, start: np.datetime64, kept: Kept) -> None:
        left, right = self._since(kept.start, start), self._since(kept.end, start)
        effort, number = kept.effort, len(kept.end)
        midnights = np.arange(0)
        if self.by_night:
            midnights = np.arange(left.min() // _DAY_NS + 1, right.max() // _DAY_NS + 1) * _DAY_NS
        places, at = np.unique(np.concatenate([left, right, midnights]), return_inverse=True)
        at_left, at_right = at[:number], at[number : 2 * number]
        weight = np.zeros(len(places))
        if kept.whole == 0.0:
            np.add.at(weight, at_right, effort)
            np.add.at(weight, at_left, -effort)
        caught = kept.count > 0
        needed = weight != 0.0
        needed[at_left[caught]] = True
        needed[at_right[caught]] = True
        needed |= self.by_night
        renumber = np.cumsum(needed) - 1
        duration = (right - left) / _DAY_NS * effort
        # Strays come evenly over the time watched; to an event watched for all along, over the season.
        share = duration / (duration.sum() if kept.whole == 0.0 else self.seasons.length(series))
        self.edges.append(
            (
                np.full(int(needed.sum()), series),
                places[needed] // _DAY_NS,
                (places[needed] % _DAY_NS) / _DAY_NS,
                weight[needed],
                self.seasons.anomaly(series, places[needed] // _DAY_NS),
            )
        )
        self.catches.append(
            (
                renumber[at_left[caught]],
                renumber[at_right[caught]],
                kept.count[caught],
                effort[caught],
                share[caught],
                kept.is_open[caught],
            )
        )
        self.whole.append(kept.whole)

    def data(self) -> FlightData:
        left_out = pd.DataFrame(self.left, columns=["trap", "season", "reason", "rows", "moths"])
        if not self.rows:
            reasons = "; ".join(sorted({str(r) for r in left_out["reason"]})) or "there are no records"
            raise DataError(
                Problem(
                    f"no trap-year is left to fit ({reasons}).",
                    "Check the species name, the season, the stations and the years of the weather.",
                )
            )
        tmin, tmax = self.seasons.padded()
        edge_of = np.concatenate([[0], np.cumsum([len(e[0]) for e in self.edges])]).astype(np.int64)
        catch_of = np.concatenate([[0], np.cumsum([len(c[0]) for c in self.catches])]).astype(np.int64)
        shifted = [(c[0] + edge_of[k], c[1] + edge_of[k], *c[2:]) for k, c in enumerate(self.catches)]
        edges = [np.concatenate(column) for column in zip(*self.edges, strict=True)]
        catches = [np.concatenate(column) for column in zip(*shifted, strict=True)]
        return FlightData(
            table=pd.DataFrame(self.rows).reset_index(drop=True),
            tmin=tmin,
            tmax=tmax,
            edge_of=edge_of,
            edge_series=edges[0].astype(np.int64),
            edge_day=edges[1],
            edge_part=edges[2],
            edge_weight=edges[3],
            edge_anomaly=edges[4] if self.by_night else np.zeros(0),
            catch_of=catch_of,
            catch_left=catches[0].astype(np.int64),
            catch_right=catches[1].astype(np.int64),
            catch_count=catches[2].astype(np.int64),
            catch_effort=catches[3],
            catch_share=catches[4],
            catch_open=catches[5].astype(np.int64),
            whole=np.array(self.whole, dtype=np.float64),
            left_out=left_out,
            constant=self.constant,
        )
