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
from phenofit.forecasting.event_heat import HeatDraws, draw_shares, kept_drawing, place_shift
from phenofit.forecasting.events import EVENT_FORMS, EVENTS, event_share, event_words, is_event, read_event
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
    after: str  # Flight event, or stage of an earlier row, that it follows.
    lag: float  # Mean and SD of the lag between seasons and places, in days or °C-days.
    spread: float
    unit: str  # ``"d"`` or ``"degC d"``.
    base: float | None  # Base of a lag in degree-days [degC]; ``None``: that of the flight.
    source: str  # Where the lag is from.
    species: str = ""  # Of which species; empty: of every one.

    @property
    def words(self) -> str:
        """The lag with its unit and source."""
        unit = "days" if self.unit == "d" else "°C-days"
        base = "" if self.base is None else f" above {self.base:.1f} °C"
        source = self.source or "no source given"
        after = event_words(self.after) if is_event(self.after) else self.after
        return f"{self.lag:.3g} ± {self.spread:.3g} {unit}{base} after {after} ({source})"


@dataclass(frozen=True)
class StageWindow:
    """When a stage comes at one place."""

    site: str  # Place.
    flight: int  # Flight.
    lag: StageLag  # The stage.
    dates: DateDistribution  # When it comes.


def read_stage_lags(path: str | os.PathLike[str]) -> tuple[StageLag, ...]:
    """Read a table of stage lags; a stage follows a flight event, or the stage of an earlier row.

    Parameters
    ----------
    path : path-like
        Table with the columns ``stage, after, lag, spread, unit`` and, where known, ``base, source, species``. ``lag``
        and ``spread`` (SD) are in the unit of their row: ``d``, ``degC d`` or ``degF d``. A row without a species
        holds for every one.

    Returns
    -------
    tuple of StageLag
        In the order of the rows; lags in days or °C-days.

    Raises
    ------
    DataError
        With a problem for each cell that cannot be read.
    """
    table = read_table(
        path, required=["stage", "after", "lag", "spread", "unit"], optional=["base", "source", "species"]
    )
    lag, problems = parse_numbers(table, "lag", required=True, low=0.0, high=1e4, what="a number from 0 up")
    spread, more = parse_numbers(table, "spread", required=True, low=0.0, high=1e4, what="a number from 0 up")
    problems = [*problems, *more]
    found = []
    before: list[tuple[str, str]] = []
    for i, row in enumerate(table.frame.to_dict("records")):
        if not row["stage"]:
            problems.append(table.problem(i, "stage", "the stage has no name.", "Name it."))
        species = row.get("species", "")
        earlier = [stage for stage, of in before if not (of and species) or of == species]
        if row["stage"] in earlier:
            twice = f"the stage '{row['stage']}' is in an earlier row too."
            problems.append(table.problem(i, "stage", twice, "Give each stage a name of its own."))
        after = row["after"]
        if after not in earlier:
            try:
                after = read_event(after)
            except ModelError:
                hint = f"Accepted are {EVENT_FORMS}, or the stage of an earlier row.{nearest(after, (*EVENTS, *earlier))}"
                finding = f"'{after}' is no flight event and no stage of an earlier row."
                problems.append(table.problem(i, "after", finding, hint))
        before.append((row["stage"], species))
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
        found.append(StageLag(row["stage"], after, size, sd, plain, base, source, species))
    if problems:
        raise DataError(problems)
    return tuple(found)


def lags_of(lags: Sequence[StageLag], species: str) -> tuple[StageLag, ...]:
    """Return the lags that hold for one species."""
    return tuple(lag for lag in lags if not lag.species or lag.species.casefold() == species.casefold())


def stage_windows(
    fit: FlightFit,
    place: Place,
    lags: Sequence[StageLag],
    *,
    flight: int = 1,
    draws: int = 1000,
    seed: int = 1,
    traps: pd.DataFrame | None = None,
) -> tuple[StageWindow, ...]:
    """Return when each stage comes at a place; a stage after a stage follows it draw by draw."""
    here = fit_at_site(fit, place.site, traps)
    shift = place_shift(fit, place.site)
    days = stage_days(here, place, lags, [shift], flight=flight, draws=draws, seed=seed)[:, 0]
    return tuple(
        StageWindow(place.site, flight, lag, DateDistribution(place.start, when))
        for lag, when in zip(lags, days, strict=True)
    )


def season_stages(
    fit: FlightFit,
    places: Sequence[Place],
    lags: Sequence[StageLag],
    *,
    seed: int = 1,
    traps: pd.DataFrame | None = None,
) -> tuple[StageWindow, ...]:
    """Return when each stage of each flight comes at every place."""
    return tuple(
        window
        for place in places
        for flight in range(1, fit.settings.flights + 1)
        for window in stage_windows(fit, place, lags, flight=flight, seed=seed, traps=traps)
    )


def stage_days(
    fit: FlightFit,
    place: Place,
    lags: Sequence[StageLag],
    shifts: Sequence[tuple[float, float] | None],
    *,
    flight: int,
    draws: int,
    seed: int,
) -> Array:
    """Draw the days of each stage by what is known of the shift of the place, shape (stages, shifts, draws)."""
    generator, heat = np.random.default_rng([seed, flight, 41]), fit.settings.heat
    known: dict[str, Array] = {}  # Shape (shifts, draws), by stage or event.
    base, found = np.empty(0), []
    for lag in lags:
        if lag.after not in known:
            counted = event_share(lag.after) is None and lag.after != "peak"
            drawing = kept_drawing(fit, (lag.after,), flight=flight, draws=draws, seed=seed, counted=counted)
            every = [drawing.at(shift) for shift in shifts]
            base, amounts = every[0].base, np.hstack([one.amount for one in every])
            names = tuple(f"{lag.after} {k}" for k in range(len(shifts)))
            known[lag.after] = _cross(place, HeatDraws(base, amounts, names, every[0].upper), heat).T
        length = _drawn(lag, draws, generator)
        found.append(np.array([_after(place, d, length, lag, base, heat) for d in known[lag.after]]))
        known[lag.stage] = found[-1]
    return np.array(found)


def _drawn(lag: StageLag, draws: int, generator: np.random.Generator) -> Array:
    return np.maximum(lag.lag + lag.spread * generator.standard_normal(draws), 0.0)


def stage_path(lags: Sequence[StageLag], stage: str) -> tuple[StageLag, ...]:
    """Return the lags from the flight to a stage, in order of time."""
    by_name = {lag.stage: lag for lag in lags}
    path = [by_name[stage]]
    while path[0].after in by_name:
        path.insert(0, by_name[path[0].after])
    return tuple(path)


def schedule_cover(
    fit: FlightFit,
    place: Place,
    path: Sequence[StageLag],
    treated: Sequence[tuple[np.datetime64, np.datetime64]],
    *,
    flight: int = 1,
    draws: int = 400,
    seed: int = 1,
    traps: pd.DataFrame | None = None,
) -> tuple[float, float, float]:
    """Return the share of a stage that falls into given treatment intervals: mean, and 95 % interval.

    `path` holds the lags from the flight to the stage, see :func:`stage_path`.
    """
    for first, last in treated:
        if last < first:
            raise ModelError(f"a treatment interval ends ({last}) before it begins ({first}).")
    heat = draw_shares(
        fit_at_site(fit, place.site, traps),
        _SHARES,
        flight=flight,
        draws=draws,
        seed=seed,
        shift=place_shift(fit, place.site),
    )
    days = _cross(place, heat, fit.settings.heat)
    # The lags vary between seasons; within one season all eggs of a flight have the same.
    generator = np.random.default_rng([seed, flight, 42])
    for lag in path:
        length = _drawn(lag, draws, generator)
        days = np.column_stack(
            [_after(place, flown, length, lag, heat.base, fit.settings.heat) for flown in days.T]
        )
    late = days
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


def _after(place: Place, days: Array, length: Array, lag: StageLag, base: Array, heat: HeatSettings) -> Array:
    """Return the days on which lags end that begin on `days`."""
    if lag.unit == "d":
        return days + length
    return crossing_after(
        place.ensemble.tmin,
        place.ensemble.tmax,
        np.arange(days.size, dtype=np.int64) % place.ensemble.tmin.shape[0],
        base if lag.base is None else np.full(base.size, lag.base),
        days,
        length,
        heat.upper_or_inf,
        heat.method_code,
        heat.cutoff_code,
    )
