"""The tables of the field page as one JSON document: numbers packed as 16-bit integers."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.field.place_tables import EVENTS, QUANTILES, PlaceTable, SpeciesTables
from phenofit.forecasting.events import event_words

_DAY_UNIT = 50.0  # stored units per day; NaN and infinite dates have codes of their own
_HEAT_UNIT = 8.0  # stored units per degree-day
_NEVER, _BEFORE = 32767, -32768
_NONE = 65535
_LEAST_LEAD = 28.0


def species_document(tables: SpeciesTables, validation: pd.DataFrame) -> dict[str, Any]:
    """Return the document of one species: settings of the fit, the flight, and the places."""
    fit = tables.fit
    season = fit.settings.season
    flights = fit.settings.flights
    return {
        "species": fit.settings.species,
        "season": tables.season,
        "year": tables.year,
        "issued": str(tables.issued),
        "terms": f"{fit.settings.heat.describe(round(fit.base, 1))}, from {fit.settings.start_words}",
        "problems": list(fit.problems),
        "flights": flights,
        # Flight events first, then stages.
        "events": [
            [event_words(event, g, flights) for event in EVENTS]
            + [f"flight {g}: {lag.stage}" if flights > 1 else lag.stage for lag in tables.lags]
            for g in range(1, flights + 1)
        ],
        "flown": len(EVENTS),
        "stages": [f"{lag.stage}: {lag.words}" for lag in tables.lags],
        "quantiles": list(QUANTILES),
        "firsts": {
            str(y): str(season.first_day(y)) for y in sorted({y for p in tables.places for y in p.heat})
        },
        "labels": {str(y): season.label(y) for y in sorted({y for p in tables.places for y in p.heat})},
        "lasts": {
            str(y): str(season.last_day(y)) for y in sorted({y for p in tables.places for y in p.heat})
        },
        "stray": fit.parameters.get("stray_share", 0.0),
        "concentration": _finite(fit.parameters.get("concentration", math.inf)),
        "cases": [[case.weight, case.place_sd, case.season_sd] for case in tables.cases],
        "shifts": tables.shifts.round(3).tolist(),
        "tables": [
            {
                "requirements": list(table.requirements),
                "heat": [float(table.heat[0]), float(table.heat[-1]), len(table.heat)],
                "shift": [float(table.shift[0]), float(table.shift[-1]), len(table.shift)],
                "flown": _packed(np.round(table.flown * _NONE), "<u2"),
            }
            for table in tables.flights
        ],
        "places": [_place(place, _errors(validation, place.site)) for place in tables.places],
        "failed": [list(pair) for pair in tables.failed],
    }


def _place(place: PlaceTable, errors: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {
        "site": place.site,
        "station": place.station,
        "at": [_finite(place.latitude, 4), _finite(place.longitude, 4)],
        "distance": _finite(place.distance_km, 1),
        "known": str(place.known_until),
        "past": place.past_seasons,
        "table": place.table,
        "heat": {str(year): _packed(_heat_code(sums), "<u2") for year, sums in place.heat.items()},
        "seen": {str(year): dates.round(2).tolist() for year, dates in place.seen.items()},
        "ahead": _packed(_heat_code(place.ahead), "<u2"),
        "days": place.ahead.shape[1],
        "dates": _packed(_day_code(place.dates), "<i2"),
        "shifted": _packed(_day_code(place.shifted), "<i2"),
        "errors": list(errors),
    }


def _errors(validation: pd.DataFrame, site: str) -> list[dict[str, Any]]:
    """Return the held-out errors of half of each flight at a site: number, mean absolute error, that 28 days ahead."""
    if validation.empty:
        return []
    first = validation[validation["scheme"] == validation["scheme"].iloc[0]]
    mine = first[
        (first["forecaster"] == "fitted") & (first["event"] == "flight_50") & (first["site"] == site)
    ]
    found = []
    for flight, rows in mine.groupby("flight", sort=True):
        known = rows.loc[rows["lead_days"].isna(), "error_days"].dropna()
        ahead = rows.loc[rows["lead_days"] == _LEAST_LEAD, "error_days"].dropna()
        if len(known):
            found.append(
                {
                    "flight": int(str(flight)),
                    "seasons": len(known),
                    "mae": round(float(known.abs().mean()), 2),
                    "bias": round(float(known.mean()), 2),
                    "ahead": round(float(ahead.abs().mean()), 2) if len(ahead) else None,
                }
            )
    return found


def _finite(value: float, digits: int = 6) -> float | None:
    return round(value, digits) if math.isfinite(value) else None


def _day_code(days: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    code = np.clip(np.round(np.nan_to_num(days, posinf=0.0, neginf=0.0) * _DAY_UNIT), _BEFORE + 1, _NEVER - 1)
    return np.where(np.isposinf(days), _NEVER, np.where(np.isneginf(days), _BEFORE, code))


def _heat_code(heat: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    code = np.clip(np.round(np.nan_to_num(heat) * _HEAT_UNIT), 0, _NONE - 1)
    return np.where(np.isnan(heat), _NONE, code)


def _packed(values: npt.NDArray[np.float64], kind: str) -> str:
    return base64.b64encode(values.astype(kind).tobytes()).decode("ascii")
