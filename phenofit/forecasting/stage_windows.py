"""After the flight: windows of eggs and larvae, and how much of egg laying a schedule of treatments would cover.

The lags are the user's, each with its spread and its source. Nothing here recommends a treatment or a product; the
cautions of :mod:`phenofit.forecasting.cautions` go into every table that is made from it.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem, UnitError
from phenofit.files.cells import parse_numbers
from phenofit.files.tables import nearest, read_table
from phenofit.flight.fit_at_place import fit_at_site
from phenofit.forecasting.cautions import CAUTIONS
from phenofit.forecasting.distribution import DateDistribution, to_unit
from phenofit.forecasting.event_heat import HeatDraws, draw_heat, draw_shares, place_shift
from phenofit.forecasting.events import EVENTS, event_share, event_words
from phenofit.forecasting.forecast_places import Place
from phenofit.heat.compiled.crossing import crossing_after
from phenofit.heat.settings import HeatSettings
from phenofit.units import convert_degree_days, degree_day_unit, parse_temperature

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

_SHARES = (np.arange(41) + 0.5) / 41
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class StageLag:
    """How long after a flight event a stage comes."""

    stage: str  # Name, such as "egg hatch begins".
    after: str  # Flight event that it follows.
    lag: float  # Mean and SD of the lag between seasons and places, in days or °C-days.
    spread: float
    unit: str  # ``"d"`` or ``"degC d"``.
    base: float | None  # Base of a lag in degree-days [degC]; ``None``: that of the flight.
    source: str  # Where the lag is from.

    @property
    def words(self) -> str:
        """The lag with its unit and source."""
        unit = "days" if self.unit == "d" else "°C-days"
        base = "" if self.base is None else f" above {self.base:.1f} °C"
        source = self.source or "no source given"
        return f"{self.lag:.3g} ± {self.spread:.3g} {unit}{base} after {event_words(self.after)} ({source})"


@dataclass(frozen=True)
class StageWindow:
    """When a stage comes at one place."""

    site: str  # Place.
    flight: int  # Flight.
    lag: StageLag  # The stage.
    dates: DateDistribution  # When it comes.


def read_stage_lags(path: str | os.PathLike[str]) -> tuple[StageLag, ...]:
    """Read a table of stage lags."""
    table = read_table(
        path, required=["stage", "after", "lag", "spread", "unit"], optional=["base", "source"]
    )
    lag, problems = parse_numbers(table, "lag", required=True, low=0.0, high=1e4, what="a number from 0 up")
    spread, more = parse_numbers(table, "spread", required=True, low=0.0, high=1e4, what="a number from 0 up")
    problems = [*problems, *more]
    found = []
    for i, row in enumerate(table.frame.to_dict("records")):
        if not row["stage"]:
            problems.append(table.problem(i, "stage", "the stage has no name.", "Name it."))
        if row["after"] not in EVENTS:
            hint = f"Accepted are {', '.join(EVENTS)}.{nearest(row['after'], EVENTS)}"
            problems.append(table.problem(i, "after", f"'{row['after']}' is no flight event.", hint))
        scale, base = 1.0, None
        try:
            unit = row["unit"] if row["unit"] == "d" else degree_day_unit(row["unit"])
            scale = 1.0 if unit == "d" else convert_degree_days(1.0, unit, "degC d")
        except UnitError:
            problems.append(
                table.problem(i, "unit", f"'{row['unit']}' is not accepted.", "Write d, degC d or degF d.")
            )
            continue
        try:
            base = parse_temperature(row["base"]) if row.get("base") else None
        except UnitError as error:
            problems.append(table.problem(i, "base", str(error), ""))
        plain = "d" if unit == "d" else "degC d"
        size, sd, source = lag[i] * scale, spread[i] * scale, row.get("source", "")
        found.append(StageLag(row["stage"], row["after"], size, sd, plain, base, source))
    if problems:
        raise DataError(problems)
    return tuple(found)


def stage_windows(
    fit: FlightFit,
    place: Place,
    lags: Sequence[StageLag],
    *,
    flight: int = 1,
    draws: int = 1000,
    seed: int = 1,
    moths: float = 100.0,
    traps: pd.DataFrame | None = None,
) -> tuple[StageWindow, ...]:
    """Return when each stage comes at a place."""
    generator = np.random.default_rng([seed, flight, 41])
    members = np.arange(draws, dtype=np.int64) % place.ensemble.tmin.shape[0]
    found = []
    here = fit_at_site(fit, place.site, traps)
    for lag in lags:
        heat = draw_heat(
            here,
            (lag.after,),
            flight=flight,
            draws=draws,
            seed=seed,
            moths=None if event_share(lag.after) is not None or lag.after == "peak" else moths,
            shift=place_shift(fit, place.site),
        )
        days = _cross(place, heat, fit.settings.heat)[:, 0]
        length = np.maximum(lag.lag + lag.spread * generator.standard_normal(draws), 0.0)
        days = _after(place, members, days, length, lag, heat.base, fit.settings.heat)
        found.append(StageWindow(place.site, flight, lag, DateDistribution(place.start, days)))
    return tuple(found)


def schedule_cover(
    fit: FlightFit,
    place: Place,
    lag: StageLag,
    treated: Sequence[tuple[np.datetime64, np.datetime64]],
    *,
    flight: int = 1,
    draws: int = 400,
    seed: int = 1,
    traps: pd.DataFrame | None = None,
) -> tuple[float, float, float]:
    """Return the share of a stage that falls into given treatment intervals."""
    for first, last in treated:
        if last < first:
            raise ModelError(f"a treatment interval ends ({last}) before it begins ({first}).")
    members = np.arange(draws, dtype=np.int64) % place.ensemble.tmin.shape[0]
    heat = draw_shares(
        fit_at_site(fit, place.site, traps),
        _SHARES,
        flight=flight,
        draws=draws,
        seed=seed,
        shift=place_shift(fit, place.site),
    )
    days = _cross(place, heat, fit.settings.heat)
    # The lag varies between seasons; within one season all eggs of a flight have the same.
    drawn = np.random.default_rng([seed, flight, 42]).standard_normal(draws)
    length = np.maximum(lag.lag + lag.spread * drawn, 0.0)
    late = np.column_stack(
        [_after(place, members, flown, length, lag, heat.base, fit.settings.heat) for flown in days.T]
    )
    covered = np.zeros(late.shape, dtype=bool)
    day = np.timedelta64(1, "D")
    for first, last in treated:
        low, high = ((to_unit(d) - place.start) / day for d in (first, last))
        covered |= (late >= low) & (late < high + 1.0)
    share = covered.mean(axis=1)
    low, high = np.quantile(share, [0.025, 0.975])
    return float(share.mean()), float(low), float(high)


def stage_table(windows: Sequence[StageWindow], *, species: str, terms: str) -> pd.DataFrame:
    """Return stage windows as a table that carries its cautions."""
    rows = []
    for one in windows:
        low50, high50 = one.dates.interval(0.5)
        low95, high95 = one.dates.interval(0.95)
        rows.append(
            {
                "species": species,
                "site": one.site,
                "flight": one.flight,
                "stage": one.lag.stage,
                "median": one.dates.quantile(0.5),
                "low50": low50,
                "high50": high50,
                "low95": low95,
                "high95": high95,
                "lag": one.lag.words,
                "heat_sums": terms,
                "caution": " ".join(CAUTIONS),
            }
        )
    table = pd.DataFrame(rows)
    return table.astype(dict.fromkeys(("median", "low50", "high50", "low95", "high95"), "datetime64[ns]"))


def _cross(place: Place, draws: HeatDraws, heat: HeatSettings) -> Array:
    days = draws.crossings(place.ensemble.tmin, place.ensemble.tmax, heat)
    if np.isnan(days).any():
        raise DataError(Problem(f"station {place.station} lacks temperatures.", "Fill the gap."))
    return days


def _after(
    place: Place,
    members: npt.NDArray[np.int64],
    days: Array,
    length: Array,
    lag: StageLag,
    base: Array,
    heat: HeatSettings,
) -> Array:
    """Return the days on which lags end that begin on `days`."""
    if lag.unit == "d":
        return days + length
    return crossing_after(
        place.ensemble.tmin,
        place.ensemble.tmax,
        members,
        base if lag.base is None else np.full(base.size, lag.base),
        days,
        length,
        heat.upper_or_inf,
        heat.method_code,
        heat.cutoff_code,
    )
