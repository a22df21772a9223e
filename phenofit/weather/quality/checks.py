"""Quality checks of daily temperatures: each finding has a name, a count and its rows, no change goes unreported."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import ModelError
from phenofit.files.cells import some
from phenofit.weather.quality.late_maximum import lag_notes
from phenofit.weather.quality.neighbours import course, estimates, neighbourhood
from phenofit.weather.quality.station_checks import months_in_other_unit, repeated, scale_changes, spikes
from phenofit.weather.schema import (
    FLAGS,
    SOURCES,
    add_findings,
    add_notes,
    findings,
    has_flag,
    with_temperatures,
)

CHECKS = ("scale_change", "unit_suspect", "spike", "repeated_value", "unlike_neighbours")
"""Checks in the order in which they run; a day set aside by one is not seen by the next."""
MIN_RESIDUAL = 6.0  # a day is unlike its neighbours only if it is off by more than this [degC]
RESIDUAL_SDS = 6.0  # and by more than this many robust standard deviations


def check_weather(
    weather: xr.Dataset,
    *,
    keep: Collection[str] = (),
    checks: Collection[str] = CHECKS,
    max_distance_km: float = 150.0,
) -> xr.Dataset:
    """Find doubtful days and set their temperatures to missing.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    keep : collection of str
        Checks whose days keep their temperatures; they are still flagged and counted.
    checks : collection of str
        Checks to run, of :data:`CHECKS`.
    max_distance_km : float
        Farthest neighbour that is compared with [km].

    Returns
    -------
    xarray.Dataset
        The days found carry their flag; values set aside are in
        :func:`phenofit.weather.findings`, counts in the notes.

    Raises
    ------
    ModelError
        If a name is not one of the checks.

    Notes
    -----
    ``scale_change``: three days or more that are near the station's yearly course only when divided by ten.
    ``unit_suspect``: a calendar month that fits its course only when read in the other unit. ``spike``: off both
    neighbouring days in the same direction by more than 5.5 robust standard deviations of day-to-day changes and
    8 °C, the other element not following. ``repeated_value``: a run of equal values so long that fewer than one
    such run in a hundred records is expected. ``unlike_neighbours``: the median residual from the regressions on
    at least two neighbours is above 6 °C and 6 robust standard deviations. Maxima that look a day late are named in
    the notes (:func:`phenofit.weather.observation_lags`) and left as they are.

    Examples
    --------
    >>> from phenofit.weather.schema import new_dataset
    >>> days = np.arange("2023-11-01", "2023-11-16", dtype="datetime64[D]")
    >>> high = 15 + np.sin(np.arange(15.0))
    >>> high[7] = 53.0
    >>> weather = new_dataset(pd.DataFrame({"station": ["A"]}), days, high[None] - 9, high[None])
    >>> checked = check_weather(weather.assign(tmin=weather["tmin"].where(weather["tmax"] < 50, 6.0)))
    >>> findings(checked)[["flag", "tmax"]].values.tolist()
    [['spike', 53.0]]
    """
    unknown = sorted({*keep, *checks} - set(CHECKS))
    if unknown:
        raise ModelError(f"'{unknown[0]}' is not a check; accepted are {', '.join(CHECKS)}.")
    days = weather["time"].values.astype("datetime64[D]")
    values = {e: weather[e].values.copy() for e in ("tmin", "tmax")}
    past = weather["source"].values != SOURCES["forecast"]
    flag = weather["flag"].values.copy()
    found: list[pd.DataFrame] = []
    lines: list[str] = []
    raw = _with_set_aside(weather, values)
    yearly = {e: course(v, days) for e, v in values.items()}
    for name in (c for c in CHECKS if c in checks):
        bad = _run(name, values, raw, yearly, days, weather, max_distance_km)
        hit = (bad["tmin"] | bad["tmax"]) & past
        if not hit.any():
            continue
        flag[hit] |= FLAGS[name]
        found.append(_rows(weather, days, raw, bad, hit, name))
        lines.append(_sentence(weather, days, hit, name, name in keep))
        if name not in keep:
            for element, where in bad.items():
                values[element][where & past] = np.nan
    checked = with_temperatures(weather, values["tmin"], values["tmax"], flag=flag)
    for frame in found:
        checked = add_findings(checked, frame)
    return add_notes(checked, [*lines, *lag_notes(checked, max_distance_km=max_distance_km)])


def _run(
    name: str,
    values: dict[str, np.ndarray],
    raw: dict[str, np.ndarray],
    yearly: dict[str, np.ndarray],
    days: np.ndarray,
    weather: xr.Dataset,
    reach: float,
) -> dict[str, np.ndarray]:
    """Return, for both elements, the days that one check finds."""
    if name == "spike":
        return spikes(values["tmin"], values["tmax"], days)
    result = {}
    for element, series in values.items():
        if name == "scale_change":
            result[element] = scale_changes(raw[element], yearly[element])
        elif name == "unit_suspect":
            result[element] = months_in_other_unit(raw[element], yearly[element], days)
        elif name == "repeated_value":
            result[element] = repeated(series, days)
        else:
            result[element] = _unlike(series, yearly[element], weather, reach)
    return result


def _with_set_aside(weather: xr.Dataset, values: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Return the values with those that the reader set aside as out of range, which a change of scale explains."""
    raw = {e: v.copy() for e, v in values.items()}
    aside = findings(weather)
    aside = aside[aside["flag"] == "out_of_range"]
    if len(aside):
        at = pd.Index(weather["station"].values.astype(str)).get_indexer(pd.Index(aside["station"]))
        day = pd.DatetimeIndex(weather["time"].values).get_indexer(pd.DatetimeIndex(aside["date"]))
        good = (at >= 0) & (day >= 0)
        for element, series in raw.items():
            series[at[good], day[good]] = aside[element].to_numpy()[good]
    return raw


def _unlike(series: np.ndarray, yearly: np.ndarray, weather: xr.Dataset, reach: float) -> np.ndarray:
    near = neighbourhood(series, weather, max_distance_km=reach, yearly=yearly)
    _, single, _ = estimates(near)
    residual = np.sort(series[None] - single, axis=0)  # NaN last
    count = (~np.isnan(residual)).sum(axis=0)
    enough = count >= 2
    low = np.take_along_axis(residual, np.maximum((count - 1) // 2, 0)[None], axis=0)[0]
    high = np.take_along_axis(residual, np.minimum(count // 2, len(residual) - 1)[None], axis=0)[0]
    middle = np.where(enough, (low + high) / 2, 0.0)
    # With two neighbours the median is their mean: both must then disagree on their own.
    two = np.where(np.sign(low) == np.sign(high), np.minimum(np.abs(low), np.abs(high)), 0.0)
    off = np.where(count == 2, two, np.abs(middle))
    bad = np.zeros(series.shape, dtype=bool)
    for i in range(len(series)):
        if enough[i].sum() >= 30:
            sd = 1.4826 * np.median(np.abs(middle[i][enough[i]]))
            bad[i] = enough[i] & (off[i] > max(MIN_RESIDUAL, RESIDUAL_SDS * sd))
    return bad


def _rows(
    weather: xr.Dataset,
    days: np.ndarray,
    raw: dict[str, np.ndarray],
    bad: dict[str, np.ndarray],
    hit: np.ndarray,
    name: str,
) -> pd.DataFrame:
    at, day = np.nonzero(hit)
    return pd.DataFrame(
        {
            "station": weather["station"].values.astype(str)[at],
            "date": days[day],
            "flag": name,
            # only the element in question: the other one stays in the series
            "tmin": np.where(bad["tmin"], raw["tmin"], np.nan)[hit],
            "tmax": np.where(bad["tmax"], raw["tmax"], np.nan)[hit],
            "where": "check of the series",
        }
    )


def _sentence(weather: xr.Dataset, days: np.ndarray, hit: np.ndarray, name: str, kept: bool) -> str:
    ids = weather["station"].values.astype(str)
    per = [
        f"{ids[i]}: {int(n)} (first {days[np.argmax(hit[i])]})" for i, n in enumerate(hit.sum(axis=1)) if n
    ]
    action = "kept, as asked" if kept else "set to missing"
    return f"Check {name.replace('_', ' ')}: days {int(hit.sum())}, {action}: {some(per, 10, '; ')}."


def flag_counts(weather: xr.Dataset) -> pd.DataFrame:
    """Return how many days of each station carry each flag.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).

    Returns
    -------
    pandas.DataFrame
        Index of stations, a column for each flag that occurs.
    """
    counts = {name: has_flag(weather, name).sum("time").values for name in FLAGS}
    frame = pd.DataFrame(counts, index=pd.Index(weather["station"].values.astype(str), name="station"))
    occurring: pd.DataFrame = frame.loc[:, frame.sum() > 0]
    return occurring
