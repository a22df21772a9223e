"""A page for growers: the dates of this season, how far off they may be, and the cautions, in plain language."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from phenofit.analysis.results import SpeciesResult, StudyResult
from phenofit.errors import ModelError
from phenofit.files import write_text
from phenofit.files.templates import render_template
from phenofit.forecasting.cautions import CAUTIONS
from phenofit.forecasting.stage_windows import StageWindow
from phenofit.report.words import period
from phenofit.validate.forecasters import FITTED
from phenofit.validate.scores import first_scheme
from phenofit.wording import day

_EVENTS = {
    "flight_5": "first moths (5 %)",
    "flight_50": "half of the flight",
    "flight_95": "nearly over (95 %)",
}
_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class _Bar:
    """One place on the chart, in percent of its width."""

    site: str
    start: float
    width: float
    middle: float
    words: str


@dataclass(frozen=True)
class _Flight:
    """One flight of the season at every place."""

    name: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    bars: tuple[_Bar, ...]
    ticks: tuple[tuple[float, str], ...]
    error: str


@dataclass(frozen=True)
class _Part:
    """One species."""

    species: str
    season: str
    issued: str
    known: str
    doubts: tuple[str, ...]
    flights: tuple[_Flight, ...]
    lags: tuple[str, ...]
    terms: str


def write_summary(result: StudyResult, path: Path, *, run: str = "") -> Path:
    """Write the page for growers, one printed page for each species.

    Parameters
    ----------
    result : StudyResult
        What the study gave.
    path : Path
        The file.
    run : str
        Identifier of the run.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    ModelError
        If no species has a forecast of the season.
    OSError
        If the file cannot be written.
    """
    parts = [_part(one) for one in result.species if one.own_forecast is not None]
    if not parts:
        reasons = " ".join(
            note for one in result.species for note in one.notes if "forecast of the season" in note
        )
        raise ModelError(
            f"there is no forecast of this season, so there is no summary for growers. {reasons}".strip()
        )
    page = render_template(
        "phenofit.report",
        "summary.html",
        title=result.study.title,
        invented=result.study.invented,
        parts=parts,
        cautions=CAUTIONS,
        run=run,
    )
    write_text(path, page)
    return path


def _part(species: SpeciesResult) -> _Part:
    forecast = species.own_forecast
    assert forecast is not None
    flights = sorted(int(g) for g in forecast["flight"].unique())
    return _Part(
        species=species.species,
        season=str(forecast["season"].iloc[0]),
        issued=day(forecast["issued"].iloc[0], year=True),
        known=day(forecast["known_until"].max(), year=True),
        doubts=tuple(_doubts(species)),
        flights=tuple(_flight(species, forecast, g, len(flights) > 1) for g in flights),
        lags=tuple(dict.fromkeys(f"{one.lag.stage}: {one.lag.words}" for one in species.stages)),
        terms=species.fit.settings.heat.describe(round(species.fit.base, 1)),
    )


def _doubts(species: SpeciesResult) -> Iterator[str]:
    if not species.fit.converged:
        yield "The search for the model behind these dates did not converge; do not rely on them."
    if species.goodness.warns:
        yield species.goodness.failures()
    if species.fit.problems:
        yield "The report names the limits of the model behind these dates."


def _flight(species: SpeciesResult, forecast: pd.DataFrame, flight: int, several: bool) -> _Flight:
    mine = forecast[forecast["flight"] == flight]
    stages = [one for one in species.stages if one.flight == flight]
    names = list(dict.fromkeys(one.lag.stage for one in stages))
    events = [event for event in _EVENTS if (mine["event"] == event).any()]
    rows, bars = [], []
    ends = _range(mine)
    for site, group in mine.groupby("site", sort=True):
        of = {str(row["event"]): row for row in group.to_dict("records")}
        dates = [_dates(of[e]["median"], of[e]["low80"], of[e]["high80"]) if e in of else "" for e in events]
        dates += [_stage_dates(stages, str(site), name) for name in names]
        rows.append((str(site), *dates))
        bars.append(_bar(str(site), of, *ends) if ends else None)
    return _Flight(
        name=f"Flight {flight}" if several else "The flight",
        heads=(*(_EVENTS[event] for event in events), *names),
        rows=tuple(rows),
        bars=tuple(bar for bar in bars if bar is not None),
        ticks=_ticks(*ends) if ends else (),
        error=_error(species, flight),
    )


def _dates(median: object, low: object, high: object) -> str:
    middle = day(median)
    return f"{middle} ({period(low, high)})" if middle else "not this season"


def _stage_dates(stages: list[StageWindow], site: str, name: str) -> str:
    for one in stages:
        if one.site == site and one.lag.stage == name:
            return _dates(one.dates.quantile(0.5), *one.dates.interval(0.8))
    return ""


def _range(mine: pd.DataFrame) -> tuple[pd.Timestamp, pd.Timestamp] | None:
    """Return the first and last day of the chart; None where no flight comes this season."""
    ends = mine[mine["event"].isin(list(_EVENTS))]
    dates = pd.concat([ends["low80"], ends["high80"], ends["median"]]).dropna()
    if dates.empty:
        return None
    return dates.min() - 3 * _DAY, dates.max() + 3 * _DAY


def _bar(
    site: str, of: Mapping[str, Mapping[Any, Any]], low: pd.Timestamp, high: pd.Timestamp
) -> _Bar | None:
    """Return the flight of a place, from 5 to 95 % of it; None where it does not begin this season."""
    if not all(event in of for event in _EVENTS):
        return None
    begin, middle, end = (of[event]["median"] for event in _EVENTS)
    if pd.isna(begin) or pd.isna(middle):
        return None
    words = f"{site}: {day(begin)} to {day(end) or 'past the season'}, half by {day(middle)}"
    left, half, right = (_percent(when, low, high) for when in (begin, middle, high if pd.isna(end) else end))
    return _Bar(site, left, round(right - left, 2), half, words)


def _percent(when: pd.Timestamp, low: pd.Timestamp, high: pd.Timestamp) -> float:
    return round(100.0 * ((when - low) / (high - low)), 2)


def _ticks(low: pd.Timestamp, high: pd.Timestamp) -> tuple[tuple[float, str], ...]:
    days = max(int((high - low) / _DAY), 1)
    step = next((s for s in (7, 14, 28, 56) if days / s <= 7), 91)
    first = low.normalize()
    marks = [first + k * step * _DAY for k in range(1, days // step + 1)]
    return tuple((_percent(mark, low, high), day(mark)) for mark in marks)


def _error(species: SpeciesResult, flight: int) -> str:
    """Say how far off such forecasts were in seasons that the fit had not seen."""
    if species.scores.empty:
        return "These dates have not been tested on past seasons."
    rows = first_scheme(species.scores, "flight_50")
    rows = rows[(rows["flight"] == flight) & (rows["forecaster"] == FITTED) & (rows["forecasts"] > 0)]
    known = rows[rows["lead_days"].isna()]
    if known.empty:
        return "These dates have not been tested on past seasons."
    now, ahead = known.iloc[0], rows[rows["lead_days"] > 0].sort_values("lead_days")
    text = (
        f"In {now['years']} past seasons the date for half of the flight was off by {_days(now['mae_days'])} on average "
        "when the weather was known"
    )
    if len(ahead):
        far = ahead.iloc[-1]
        text += f", and by {_days(far['mae_days'])} when forecast {far['lead_days']:.0f} days ahead"
    covered = float(now["coverage95"])
    tail = (
        "" if math.isnan(covered) else f" It fell inside the 95 % range in {100 * covered:.0f} of 100 cases."
    )
    return f"{text}.{tail}"


def _days(value: float) -> str:
    count = round(float(value))
    return f"{count} day" if count == 1 else f"{count} days"
