"""How much a trap's temperature is expected to differ from its station's, by distance and height."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from phenofit.globe import distance_km
from phenofit.weather.trap_weather import STANDARD_LAPSE, lapse_rates

if TYPE_CHECKING:
    import xarray as xr

USUAL_SQUARE = 0.01
"""Mean square difference of season means for each km [degC2/km]: 0.3 degC at 10 km; common practice, no source."""

LEAST_STATIONS = 3
LEAST_DAYS = 60


@dataclass(frozen=True)
class TemperatureRule:
    """Expected difference of the season's mean temperature between two places."""

    square_per_km: float  # Mean square difference for each km, at one height [degC2/km].
    stations: int = 0  # Stations it was estimated from; 0 for the rule of practice.
    lapse: float = STANDARD_LAPSE  # Change with height [degC/km].
    lapse_fitted: bool = False

    def expected_sd(self, distance: float, height: float) -> float:
        """Return the expected size of the difference [degC] at a distance [km] and a difference of height [m]."""
        return float(np.sqrt(self.square_per_km * distance + (self.lapse * height / 1000.0) ** 2))

    @property
    def words(self) -> str:
        """Where the rule comes from."""
        at_ten = f"{np.sqrt(10.0 * self.square_per_km):.1f} °C at 10 km"
        practice = "common practice, no source"
        origin = f"from {self.stations} stations" if self.stations else practice
        height = "fitted to the stations" if self.lapse_fitted else practice
        return f"{at_ten} ({origin}) and {abs(self.lapse):.1f} °C per km of height ({height})"


def temperature_rule(weather: xr.Dataset, season_days: np.ndarray) -> TemperatureRule:
    """Estimate the rule from the stations of a study, over days of the season; else that of practice.

    Half the mean square is a semivariance, here linear in the distance with a nugget. The nugget is the difference
    between stations at any distance (their surroundings, instruments). Distance explains the rest, and only that is
    returned.
    """
    rates = lapse_rates(weather).to_numpy()
    fitted = bool(np.isfinite(rates).all())
    lapse = float(rates.mean()) if fitted else STANDARD_LAPSE
    apart, square = _pairs(weather, season_days, lapse)
    if not len(apart):
        return TemperatureRule(USUAL_SQUARE, 0, lapse, fitted)
    slope = nnls(np.column_stack([np.ones(len(apart)), apart]), square)[0][1]
    return TemperatureRule(float(slope), int(weather.sizes["station"]), lapse, fitted)


def _pairs(weather: xr.Dataset, season_days: np.ndarray, lapse: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the distances of all pairs of stations and the squares of their mean differences, corrected for height."""
    nothing = np.empty(0), np.empty(0)
    if weather.sizes["station"] < LEAST_STATIONS or "latitude" not in weather:
        return nothing
    within = np.isin(weather["time"].to_numpy().astype("datetime64[D]"), season_days)
    mean = 0.5 * (weather["tmin"] + weather["tmax"]).transpose("station", "time").to_numpy()[:, within]
    place = {
        name: weather[name].to_numpy().astype(np.float64) for name in ("latitude", "longitude", "elevation")
    }
    usable = np.all([np.isfinite(values) for values in place.values()], axis=0)
    first, second = np.triu_indices(len(mean), 1)
    keep = usable[first] & usable[second]
    first, second = first[keep], second[keep]
    difference = mean[first] - mean[second]
    enough = np.isfinite(difference).sum(axis=1) >= LEAST_DAYS
    if enough.sum() < LEAST_STATIONS:
        return nothing
    first, second, difference = first[enough], second[enough], difference[enough]
    height = place["elevation"][first] - place["elevation"][second]
    apart = distance_km(
        place["latitude"][first],
        place["longitude"][first],
        place["latitude"][second],
        place["longitude"][second],
    )
    return apart, (np.nanmean(difference, axis=1) - lapse * height / 1000.0) ** 2


def site_places(trap_years: pd.DataFrame, links: pd.DataFrame) -> pd.DataFrame:
    """Return ``station, distance_km, height_difference_m, how`` by site: the means over its traps."""
    site_of = trap_years[["trap", "site"]].astype(str).drop_duplicates()
    table = links.assign(trap=links["trap"].astype(str)).merge(site_of, on="trap")
    return table.groupby("site", sort=True).agg(
        station=("station", lambda names: ", ".join(sorted({str(name) for name in names}))),
        distance_km=("distance_km", "mean"),
        height_difference_m=("height_difference_m", "mean"),
        how=("how", "first"),
    )
