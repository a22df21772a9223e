"""Fill gaps from neighbours, or short ones along a line; every filled day records the method and the station."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import ModelError
from phenofit.seasons import Season
from phenofit.weather.quality.neighbours import estimates, neighbourhood
from phenofit.weather.quality.station_checks import runs
from phenofit.weather.schema import FLAGS, SOURCES, add_notes, with_temperatures

METHODS = ("neighbours", "interpolation")
"""Ways to fill a day, in the order in which they are tried."""


@dataclass
class _Filled:
    """One element after filling."""

    values: np.ndarray
    by_neighbours: np.ndarray
    by_line: np.ndarray
    donor: np.ndarray


def fill_weather(
    weather: xr.Dataset,
    *,
    methods: tuple[str, ...] = METHODS,
    max_gap_days: int = 3,
    max_distance_km: float = 150.0,
    season: Season | None = None,
    max_share: float = 0.2,
) -> xr.Dataset:
    """Fill missing temperatures.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather, best after :func:`phenofit.weather.check_weather`.
    methods : tuple of str
        Which of :data:`METHODS` to use, in this order.
    max_gap_days : int
        Longest gap that is filled along a line [d]; a longer one is not begun.
    max_distance_km : float
        Farthest neighbour [km].
    season : Season, optional
        Part of the year in which the share of filled days is counted; by default the calendar year.
    max_share : float
        Largest share of filled days in a season; where it is more, the filled days of that station and season
        become missing again, which the notes say by name.

    Returns
    -------
    xarray.Dataset
        Filled days have ``source`` 3 and a flag of the method, and ``donor`` names the station they come from.

    Raises
    ------
    ModelError
        If a setting is not acceptable.

    Notes
    -----
    From neighbours: the station's own yearly course plus the weighted mean of the regressions of its anomaly on
    those of up to five neighbours with 60 common days or more; the difference in height is in the course.
    Nothing is filled before a station's first or after its last observed day, and no forecast day.

    Examples
    --------
    >>> from phenofit.weather.schema import new_dataset
    >>> days = np.arange("2024-05-01", "2024-05-07", dtype="datetime64[D]")
    >>> high = np.array([[20.0, 22.0, np.nan, 26.0, np.nan, np.nan]])
    >>> weather = new_dataset(pd.DataFrame({"station": ["A"]}), days, high - 10, high)
    >>> fill_weather(weather, max_share=0.5)["tmax"].values.tolist()
    [[20.0, 22.0, 24.0, 26.0, nan, nan]]
    """
    unknown = [m for m in methods if m not in METHODS]
    if unknown:
        raise ModelError(f"'{unknown[0]}' is not a way to fill; accepted are {', '.join(METHODS)}.")
    if max_gap_days < 1 or not 0 <= max_share <= 1:
        raise ModelError("max_gap_days must be 1 or more, and max_share from 0 to 1.")
    may = _between_observations(weather)
    done = {
        e: _fill_element(weather[e].values, weather, may, methods, max_gap_days, max_distance_km)
        for e in ("tmin", "tmax")
    }
    with np.errstate(invalid="ignore"):
        crossed = done["tmin"].values > done["tmax"].values  # impossible: then neither is used
    for element, part in done.items():
        undo = crossed & (part.by_neighbours | part.by_line)
        _undo(part, undo, weather[element].values)
    filled = {e: p.by_neighbours | p.by_line for e, p in done.items()}
    lines = _too_much(weather, done, filled, season, max_share)
    return _result(weather, done, lines)


def _between_observations(weather: xr.Dataset) -> np.ndarray:
    """Return the days from each station's first to its last complete observed day."""
    good = (weather["source"].values != SOURCES["missing"]) & (
        weather["source"].values != SOURCES["forecast"]
    )
    after_first = np.maximum.accumulate(good, axis=1)
    before_last = np.maximum.accumulate(good[:, ::-1], axis=1)[:, ::-1]
    return after_first & before_last


def _fill_element(
    values: np.ndarray,
    weather: xr.Dataset,
    may: np.ndarray,
    methods: tuple[str, ...],
    max_gap: int,
    reach: float,
) -> _Filled:
    none = np.zeros(values.shape, dtype=bool)
    part = _Filled(values.copy(), none.copy(), none.copy(), np.full(values.shape, -1, dtype=np.int64))
    for method in methods:
        gap = np.isnan(part.values) & may
        if not gap.any():
            break
        if method == "neighbours":
            estimate, _, donor = estimates(neighbourhood(values, weather, max_distance_km=reach))
            part.by_neighbours = gap & ~np.isnan(estimate)
            part.values[part.by_neighbours] = estimate[part.by_neighbours]
            part.donor[part.by_neighbours] = donor[part.by_neighbours]
        else:
            # A day that may be filled lies between observed days, so that its gap has a value on both sides.
            part.by_line = gap & _short_gaps(np.isnan(part.values), max_gap)
            for i in np.flatnonzero(part.by_line.any(axis=1)):
                known = np.flatnonzero(~np.isnan(part.values[i]))
                at = np.flatnonzero(part.by_line[i])
                part.values[i, at] = np.interp(at, known, part.values[i, known])
    return part


def _short_gaps(absent: np.ndarray, longest: int) -> np.ndarray:
    """Return the days of gaps that are whole within the limit."""
    short = np.zeros(absent.shape, dtype=bool)
    for i, row in enumerate(absent):
        for start, end in runs(row):
            if end - start <= longest:
                short[i, start:end] = True
    return short


def _undo(part: _Filled, where: np.ndarray, original: np.ndarray) -> None:
    part.values[where] = original[where]
    part.by_neighbours &= ~where
    part.by_line &= ~where
    part.donor[where] = -1


def _blocks(days: np.ndarray, season: Season | None) -> tuple[np.ndarray, dict[int, str]]:
    """Return the season year of each day, -1 for none, and the season labels."""
    if season is None:
        year = days.astype("datetime64[Y]").astype(np.int64) + 1970
        return year, {int(y): str(y) for y in np.unique(year)}
    year = season.year_of(days)
    return year, {int(y): season.label(int(y)) for y in np.unique(year[year >= 0])}


def _too_much(
    weather: xr.Dataset,
    done: dict[str, _Filled],
    filled: dict[str, np.ndarray],
    season: Season | None,
    max_share: float,
) -> list[str]:
    """Take back the filling of seasons with too much of it; return a sentence for each."""
    year, labels = _blocks(weather["time"].values.astype("datetime64[D]"), season)
    ids = weather["station"].values.astype(str)
    either = filled["tmin"] | filled["tmax"]
    lines = []
    for y, label in labels.items():
        inside = year == y
        share = either[:, inside].mean(axis=1)
        for i in np.flatnonzero(share > max_share):
            lines.append(
                f"Station '{ids[i]}', season {label}: {100 * share[i]:.0f} % of the days would be filled, more than "
                f"{100 * max_share:.0f} %; they stay missing, and the season is left out there."
            )
            for element, part in done.items():
                where = np.zeros(either.shape, dtype=bool)
                where[i] = inside & filled[element][i]
                _undo(part, where, weather[element].values)
    return lines


def _result(weather: xr.Dataset, done: dict[str, _Filled], lines: list[str]) -> xr.Dataset:
    ids = np.array([*weather["station"].values.astype(str), ""], dtype=object)
    low, high = done["tmin"], done["tmax"]
    by_neighbours = low.by_neighbours | high.by_neighbours
    by_line = low.by_line | high.by_line
    filled = by_neighbours | by_line
    flag = weather["flag"].values | np.where(by_neighbours, FLAGS["filled_from_neighbours"], 0)
    flag = flag | np.where(by_line, FLAGS["interpolated"], 0)
    source = np.where(filled, SOURCES["filled"], weather["source"].values)
    donor = np.where(high.donor >= 0, high.donor, low.donor)
    counts = {"neighbours": by_neighbours.sum(), "a line over short gaps": by_line.sum()}
    lines = [f"Days filled from {how}: {int(n)}." for how, n in counts.items() if n] + lines
    result = with_temperatures(weather, low.values, high.values, source=source, flag=flag)
    best = (("station", "time"), ids[donor], {"long_name": "best station that a filled day comes from"})
    return add_notes(result.assign(donor=best), lines)


def filled_share(weather: xr.Dataset, season: Season | None = None) -> pd.DataFrame:
    """Return the share of observed, modelled, filled and missing days of each station and season.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    season : Season, optional
        Part of the year that counts; by default the calendar year.

    Returns
    -------
    pandas.DataFrame
        ``station, season, days``, and the shares ``observed, modelled, filled, missing`` [1].
    """
    year, labels = _blocks(weather["time"].values.astype("datetime64[D]"), season)
    source = weather["source"].values
    rows = []
    for i, station in enumerate(weather["station"].values.astype(str)):
        for y, label in labels.items():
            part = source[i, year == y]
            shares = {
                k: float((part == SOURCES[k]).mean()) for k in ("observed", "modelled", "filled", "missing")
            }
            rows.append({"station": station, "season": label, "days": len(part), **shares})
    return pd.DataFrame(rows)
