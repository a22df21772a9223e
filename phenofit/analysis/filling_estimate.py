"""How wrong filled days may be in a study's own weather: known days hidden and filled the same way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenofit.weather.schema import SOURCES

if TYPE_CHECKING:
    from phenofit.analysis.results import SpeciesResult
    from phenofit.study import Study, StudyInputs


def filling_sentence(study: Study, inputs: StudyInputs, species: Sequence[SpeciesResult]) -> str:
    """Return the error of the filling in °C, and in °C-days at the flight date, as a sentence."""
    from phenofit.weather import filling_error

    part, weather = study.weather, inputs.weather
    filled = weather["source"] == SOURCES["filled"]
    if not part.fill or part.at_traps != "nearest" or not species or not bool(filled.any()):
        return ""
    observed = weather.assign(
        {name: weather[name].where(~filled).assign_attrs(weather[name].attrs) for name in ("tmin", "tmax")}
    ).assign(
        source=weather["source"].where(~filled, SOURCES["missing"]).assign_attrs(weather["source"].attrs)
    )
    fit = species[0].fit
    at = _flight_day(species[0])
    table = filling_error(
        observed,
        seed=study.head.seed,
        base=fit.base,
        heat=inputs.heat,
        start=str(inputs.season.start),
        at=at,
        methods=part.fill,
        max_gap_days=part.max_gap_days,
    )
    everything = table[table["way"] == "all"].iloc[0].to_dict()
    found = {str(name): float(str(value)) for name, value in everything.items() if name != "way"}
    text = (
        f"Of {int(found['hidden'])} known days that were hidden in runs of 1 to 20 days, {int(found['filled'])} were "
        "filled by the same rules"
    )
    if not found["filled"]:
        return f"{text}; their error is not known."
    text += f"; root mean square error: minimum {found['rmse_tmin']:.1f}, maximum {found['rmse_tmax']:.1f} °C"
    if np.isfinite(found["heat_rmse"]):
        text += (
            f"; of the heat sum by {at} ({inputs.heat.describe(fit.base)}, from {inputs.season.start}) "
            f"{found['heat_rmse']:.1f} °C-days over {int(found['seasons'])} seasons with hidden days"
        )
    return f"{text}."


def _flight_day(species: SpeciesResult) -> str:
    """Return the median month-day on which half of the first flight was observed; 30 June where none was observed."""
    table = species.validation
    if table.empty:
        return "06-30"
    rows = table[(table["event"] == "flight_50") & (table["flight"] == 1)].drop_duplicates(["trap", "year"])
    when = pd.to_datetime(rows["observed"]).dropna()
    if when.empty:
        return "06-30"
    # Days from the first of January of the season's own year, so that years can be compared.
    days = (when - pd.to_datetime(rows.loc[when.index, "year"].astype(str) + "-01-01")).dt.days
    middle = pd.Timestamp("2023-01-01") + pd.Timedelta(days=int(days.median()))
    return f"{middle.month:02d}-{middle.day:02d}"
