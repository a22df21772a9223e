"""Weather at the traps: the linked station, or several stations with the change of temperature with height."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem
from phenofit.weather.links import link_stations, trap_distances_km
from phenofit.weather.schema import (
    FLAGS,
    SOURCES,
    Provenance,
    add_notes,
    input_files,
    new_dataset,
    notes,
    station_table,
)

HOW = ("nearest", "interpolated")
STANDARD_LAPSE = -6.5
"""Change of temperature with height in the standard atmosphere [degC/km] (common practice)."""
MIN_STATIONS, MIN_HEIGHT_RANGE = 5, 200.0  # below these a change with height is not fitted
_ELEMENTS = ("tmin", "tmax")


def lapse_rates(weather: xr.Dataset) -> pd.DataFrame:
    """Fit the change of temperature with height for each calendar month.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).

    Returns
    -------
    pandas.DataFrame
        Index 1 to 12; columns ``tmin, tmax`` [degC/km]. NaN where fewer than 5 stations or less than 200 m of
        height range do not allow a fit.

    Notes
    -----
    Least squares of the daily deviations from the mean of the stations present on the deviations of their
    heights, over all days of the month, so that stations with other days do not change the slope.
    """
    height = weather["elevation"].values / 1000.0
    known = ~np.isnan(height)
    month = weather["time"].values.astype("datetime64[M]").astype(np.int64) % 12
    result = pd.DataFrame(np.nan, index=pd.RangeIndex(1, 13, name="month"), columns=list(_ELEMENTS))
    if known.sum() < MIN_STATIONS or np.ptp(weather["elevation"].values[known]) < MIN_HEIGHT_RANGE:
        return result
    for element in _ELEMENTS:
        values = weather[element].values[known]
        have = ~np.isnan(values)
        z = np.where(have, height[known][:, None], np.nan)
        enough = have.sum(axis=0) >= 3
        for m in range(12):
            use = enough & (month == m)
            if not use.any():
                continue
            dz = z[:, use] - np.nanmean(z[:, use], axis=0)
            dt = values[:, use] - np.nanmean(values[:, use], axis=0)
            result.loc[m + 1, element] = np.nansum(dz * dt) / np.nansum(dz * dz)
    return result


def at_traps(
    traps: pd.DataFrame,
    weather: xr.Dataset,
    *,
    how: str = "nearest",
    max_distance_km: float = 40.0,
    stations: int = 4,
    power: float = 2.0,
    lapse: str | float | None = "fit",
) -> xr.Dataset:
    """Return daily temperatures for each trap.

    Parameters
    ----------
    traps : pandas.DataFrame
        ``trap, latitude, longitude`` [degrees], and optionally ``elevation_m`` [m] and ``station``.
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    how : {"nearest", "interpolated"}
        The linked station unchanged, or the mean of several stations weighted by distance.
    max_distance_km : float
        Reach [km].
    stations : int
        Largest number of stations in reach that are used, nearest first.
    power : float
        Exponent of the weights: distance to the power of minus this number.
    lapse : {"fit"}, float or None
        Change of temperature with height [degC/km]: fitted by month, given, or none. Where a fit is not possible,
        -6.5 of the standard atmosphere is used. Where a height is unknown, nothing is corrected. The notes say
        both.

    Returns
    -------
    xarray.Dataset
        In the form of :mod:`phenofit.weather.schema`, traps in the place of stations. ``source`` is the largest
        code of the stations used.

    Raises
    ------
    DataError
        If a trap has no station in reach.
    ModelError
        If a setting is not acceptable.
    """
    if how not in HOW or stations < 1 or not power >= 0:
        raise ModelError(f"how must be one of {', '.join(HOW)}, stations 1 or more, power 0 or more.")
    if how == "nearest":
        links = link_stations(traps, weather, max_distance_km=max_distance_km)
        picked = weather.sel(station=links["station"].to_numpy())
        values = {e: picked[e].values for e in _ELEMENTS}
        return _dataset(traps, weather, values, picked["source"].values, picked["flag"].values, [])
    apart = trap_distances_km(traps, weather)
    problems = [
        Problem(
            f"trap {traps['trap'].iloc[i]}: no station within {max_distance_km:g} km.",
            "Set max_distance_km or leave the trap out.",
        )
        for i in np.flatnonzero(~(apart <= max_distance_km).any(axis=1))
    ]
    if problems:
        raise DataError(problems)
    rates, lines = _rates(weather, lapse)
    return _interpolate(traps, weather, apart, rates, lines, max_distance_km, stations, power)


def _rates(weather: xr.Dataset, lapse: str | float | None) -> tuple[dict[str, np.ndarray], list[str]]:
    """Return the change with height of each day [degC/m] and remarks."""
    month = weather["time"].values.astype("datetime64[M]").astype(np.int64) % 12
    if lapse is None:
        return {e: np.zeros(len(month)) for e in _ELEMENTS}, []
    if lapse == "fit":
        table = lapse_rates(weather)
        if table.isna().to_numpy().any():
            lines = [
                f"Change of temperature with height: not fitted for want of stations; {STANDARD_LAPSE} °C/km."
            ]
            table = table.fillna(STANDARD_LAPSE)
        else:
            means = ", ".join(f"{e} {table[e].mean():.1f}" for e in _ELEMENTS)
            lines = [f"Change of temperature with height fitted by month; mean [°C/km]: {means}."]
        return {e: table[e].to_numpy()[month] / 1000.0 for e in _ELEMENTS}, lines
    try:
        rate = float(lapse)
    except ValueError:
        raise ModelError(f"lapse = '{lapse}' must be \"fit\", a number [degC/km] or none.") from None
    return {e: np.full(len(month), rate / 1000.0) for e in _ELEMENTS}, [
        f"Change with height given: {rate:g} °C/km."
    ]


def _interpolate(
    traps: pd.DataFrame,
    weather: xr.Dataset,
    apart: np.ndarray,
    rates: dict[str, np.ndarray],
    lines: list[str],
    reach: float,
    count: int,
    power: float,
) -> xr.Dataset:
    heights = _heights(traps)
    size = (len(traps), weather.sizes["time"])
    values = {e: np.full(size, np.nan) for e in _ELEMENTS}
    source, flag = np.zeros(size, dtype=np.int8), np.zeros(size, dtype=np.int16)
    given = weather["source"].values
    unknown: list[str] = []
    for i, name in enumerate(traps["trap"].astype(str)):
        near = np.argsort(apart[i], kind="stable")
        near = near[apart[i][near] <= reach]
        weight = 1.0 / np.maximum(apart[i][near], 0.1) ** power
        rise = heights[i] - weather["elevation"].values[near]
        if np.isnan(rise).any():
            unknown.append(name)
            # Mixing corrected and uncorrected stations would be worse than neither.
            rise = np.zeros(len(near))
        usable = given[near] != SOURCES["missing"]
        rank = np.cumsum(usable, axis=0)
        use = usable & (rank <= count)  # on each day the nearest stations that have it
        w = np.where(use, weight[:, None], 0.0)
        total = w.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            for element in _ELEMENTS:
                moved = weather[element].values[near] + rise[:, None] * rates[element][None]
                values[element][i] = np.where(
                    total > 0, np.nansum(w * np.nan_to_num(moved), axis=0) / total, np.nan
                )
        source[i] = np.where(use, given[near], 0).max(axis=0)
        flag[i] = np.bitwise_or.reduce(np.where(use, weather["flag"].values[near], 0), axis=0)
        if (rise != 0).any() and any(rates[e].any() for e in _ELEMENTS):
            flag[i][total > 0] |= FLAGS["height_corrected"]
    if unknown:
        lines = [*lines, f"No height correction, since a height is unknown, for: {', '.join(unknown)}."]
    return _dataset(traps, weather, values, source, flag, lines)


def _heights(traps: pd.DataFrame) -> np.ndarray:
    return (
        traps["elevation_m"].to_numpy(dtype=float) if "elevation_m" in traps else np.full(len(traps), np.nan)
    )


def _dataset(
    traps: pd.DataFrame,
    weather: xr.Dataset,
    values: dict[str, np.ndarray],
    source: np.ndarray,
    flag: np.ndarray,
    lines: list[str],
) -> xr.Dataset:
    places = pd.DataFrame(
        {
            "station": traps["trap"].astype(str).to_numpy(),
            "latitude": traps["latitude"].to_numpy(dtype=float),
            "longitude": traps["longitude"].to_numpy(dtype=float),
            "elevation_m": _heights(traps),
        }
    )
    result = new_dataset(
        places,
        weather["time"].values,
        values["tmin"],
        values["tmax"],
        source=source,
        flag=flag,
        provenance=Provenance(
            title="Daily minimum and maximum air temperature at the traps",
            origin=str(weather.attrs.get("source", "")),
            license_text=str(weather.attrs.get("license", "")),
            attribution=str(weather.attrs.get("attribution", "")),
            files=input_files(weather),
            remarks=notes(weather),
        ),
    )
    return add_notes(result, lines)


def leave_one_station_out(
    weather: xr.Dataset,
    *,
    max_distance_km: float = 40.0,
    stations: int = 4,
    power: float = 2.0,
    lapse: str | float | None = "fit",
) -> pd.DataFrame:
    """Estimate the error of interpolation: predict each station from the others.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    max_distance_km, stations, power, lapse
        As in :func:`at_traps`.

    Returns
    -------
    pandas.DataFrame
        ``station, days``, and ``bias, rmse`` of tmin and tmax [degC], predicted minus observed; a station without
        another in reach is left out.

    Raises
    ------
    ModelError
        If a setting is not acceptable.
    """
    rows = []
    for i, station in enumerate(weather["station"].values.astype(str)):
        place = station_table(weather.isel(station=[i])).rename(columns={"station": "trap"})
        others = weather.isel(station=[j for j in range(weather.sizes["station"]) if j != i])
        try:
            predicted = at_traps(
                place, others, how="interpolated", max_distance_km=max_distance_km, stations=stations, power=power,
                lapse=lapse,
            )  # fmt: skip
        except DataError:  # no other station in reach
            continue
        row: dict[str, object] = {"station": station}
        for element in _ELEMENTS:
            error = predicted[element].values[0] - weather[element].values[i]
            error = error[~np.isnan(error)]
            row["days"] = len(error)
            row[f"bias_{element}"] = float(error.mean()) if len(error) else np.nan
            row[f"rmse_{element}"] = float(np.sqrt((error**2).mean())) if len(error) else np.nan
        rows.append(row)
    return pd.DataFrame(rows, columns=["station", "days", "bias_tmin", "rmse_tmin", "bias_tmax", "rmse_tmax"])


def site_offset(logger: xr.Dataset, weather: xr.Dataset, station: str) -> pd.DataFrame:
    """Estimate the steady difference of a local logger from a station on their common days.

    Parameters
    ----------
    logger : xarray.Dataset
        Weather of one place, in the form of :mod:`phenofit.weather.schema`.
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    station : str
        The station to compare with.

    Returns
    -------
    pandas.DataFrame
        ``element, offset, standard_error`` [degC], ``days``; the offset is logger minus station. The standard
        error allows for the correlation between successive days.

    Raises
    ------
    ModelError
        If the station is absent, the logger is more than one place, or there are fewer than 30 common days.
    """
    if station not in weather["station"].values or logger.sizes["station"] != 1:
        raise ModelError(f"needed are one logger and the station '{station}' in the weather.")
    both = xr.align(logger.isel(station=0), weather.sel(station=station), join="inner")
    rows = []
    for element in _ELEMENTS:
        difference = both[0][element].values - both[1][element].values
        difference = difference[~np.isnan(difference)]
        if len(difference) < 30:
            raise ModelError(f"only {len(difference)} common days of {element}; 30 or more are needed.")
        around = difference - difference.mean()
        correlation = float(
            np.clip((around[1:] * around[:-1]).sum() / max((around**2).sum(), 1e-12), 0.0, 0.95)
        )
        effective = len(difference) * (1 - correlation) / (1 + correlation)
        error = float(difference.std(ddof=1) / np.sqrt(max(effective, 1.0)))
        rows.append((element, float(difference.mean()), error, len(difference)))
    return pd.DataFrame(rows, columns=["element", "offset", "standard_error", "days"])
