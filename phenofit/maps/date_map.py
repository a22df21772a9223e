"""Map of the date of a flight event: this season beside the average season, with its interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from phenofit.errors import ModelError
from phenofit.files import phenofit_version
from phenofit.maps.cell_dates import CellDates
from phenofit.maps.dataset import grid_coordinates
from phenofit.maps.grid_weather import STANDARD_LAPSE, day_numbers, source_places, weather_on_cells
from phenofit.maps.kriging.trend import cell_heights
from phenofit.maps.projection import MapArea

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

_MOST_CELLS = 20_000


@dataclass(frozen=True)
class Relief:
    """Heights, and the fall of temperature with them.

    Parameters
    ----------
    elevation : DataArray
        Heights [m] on ``latitude`` and ``longitude``.
    lapse : float
        Fall of temperature with height [K/km].
    """

    elevation: xr.DataArray
    lapse: float = STANDARD_LAPSE


_WHOLE = MapArea()


def date_map(
    fit: FlightFit,
    weather: xr.Dataset,
    *,
    event: str = "flight_50",
    flight: int = 1,
    year: int | None = None,
    area: MapArea = _WHOLE,
    relief: Relief | None = None,
    level: float = 0.8,
    draws: int = 60,
    seed: int = 1,
) -> xr.Dataset:
    """Map when an event happens in a season, and how that compares with the average season.

    Parameters
    ----------
    fit : FlightFit
        Base, requirement and their uncertainty.
    weather : Dataset
        Daily ``tmin`` and ``tmax`` [degC] of stations ``(station, time)`` or of a grid
        ``(time, latitude, longitude)``, for this season and earlier ones. The attribute
        ``invented`` = 1 marks the map as made from invented data.
    event : str
        Such as ``"flight_50"``.
    flight : int
        Flight, counted from 1.
    year : int, optional
        Starting year of the season; by default the last one in the weather.
    area : MapArea
        The grid.
    relief : Relief, optional
        Heights; temperatures then follow the lapse rate.
    level : float
        Level of the interval.
    draws : int
        Number of draws of base, requirement and shift.
    seed : int
        Seed of the draws.

    Returns
    -------
    Dataset
        On ``(y, x)``: ``event_day`` (median), ``event_day_low``, ``event_day_high``, ``average_event_day`` [days
        after the start of the season], ``difference_days`` [day, positive = later than the average], ``reached``
        (share of draws in which the event is reached) [1].

    Raises
    ------
    ModelError
        If the season is not in the weather, no earlier season is, sums start at a biofix, or a setting makes
        no sense.
    MissingExtraError
        If the packages of the extra ``maps`` are not installed.

    Notes
    -----
    Days of the season that are still to come are taken from the earlier seasons in turn, one for each draw. The
    average is the mean over the earlier seasons of the date at the fitted base and requirement.
    """
    sources = source_places(weather)
    days = day_numbers(sources.time).to_numpy().astype("datetime64[D]")
    asked = CellDates.of(
        fit, days, event=event, flight=flight, year=year, level=level, draws=draws, seed=seed
    )
    plane, _, grid = area.grid(sources.longitude, sources.latitude, coarser=2.5)
    cells = grid.points()
    if len(cells) > _MOST_CELLS:
        raise ModelError(
            f"a date map of {len(cells)} cells is too large ({_MOST_CELLS} at most); choose larger cells."
        )
    heights = None if relief is None else cell_heights(relief.elevation, plane, cells)
    lapse = STANDARD_LAPSE if relief is None else relief.lapse
    tmin, tmax = weather_on_cells(sources, plane, cells, heights=heights, lapse=lapse)
    fields = asked.fields(tmin, tmax, days)
    dataset = grid_coordinates(plane, grid)
    for name, (text, unit) in asked.field_words().items():
        attributes = {"long_name": text, "units": unit, "grid_mapping": "crs"}
        dataset[name] = (("y", "x"), grid.full(fields[name]).astype(np.float32), attributes)
    last = days[np.isfinite(sources.tmax).any(axis=0)][-1]
    dataset.attrs = {
        "Conventions": "CF-1.11",
        "source": f"phenofit {phenofit_version()}",
        **asked.attributes(),
        "weather_until": str(min(last, asked.season.last_day(asked.year))),
        "cell_m": grid.cell,
        "interpolation": (
            "nearest cell of the weather grid"
            if sources.gridded
            else "six nearest stations, inverse square of distance"
        ),
        "lapse_K_per_km": lapse if heights is not None else 0.0,
        "seed": seed,
        "invented_data": "yes" if str(weather.attrs.get("invented", "")) == "1" else "no",
    }
    return dataset
