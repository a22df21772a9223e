"""How wrong filled days are: hide known days, fill them, compare, in °C and in degree-days at a date."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import ModelError
from phenofit.seasons import MonthDay
from phenofit.weather.quality.fill import METHODS, fill_weather
from phenofit.weather.schema import FLAGS, with_temperatures

if TYPE_CHECKING:
    from phenofit.heat import HeatSettings


def hide_days(
    weather: xr.Dataset, *, share: float = 0.05, longest: int = 20, seed: int
) -> tuple[xr.Dataset, np.ndarray]:
    """Hide known days in runs of random length; the first and last day of a station never are."""
    if not 0 < share <= 0.5 or longest < 1:
        raise ModelError("share must be above 0 and at most 0.5, and longest 1 or more.")
    random = np.random.default_rng(seed)
    known = (~np.isnan(weather["tmin"].values)) & (~np.isnan(weather["tmax"].values))
    hidden = np.zeros(known.shape, dtype=bool)
    for i, row in enumerate(known):
        at = np.flatnonzero(row)
        if len(at) < 10:
            continue
        goal = share * len(at)
        while hidden[i].sum() < goal:
            start = int(random.integers(at[0] + 1, at[-1]))
            end = min(start + int(random.integers(1, longest + 1)), int(at[-1]))
            hidden[i, start:end] = True
        hidden[i] &= row
    low, high = (np.where(hidden, np.nan, weather[name].values) for name in ("tmin", "tmax"))
    return with_temperatures(weather, low, high), hidden


def filling_error(
    weather: xr.Dataset,
    *,
    seed: int,
    base: float,
    heat: HeatSettings | None = None,
    start: str = "01-01",
    at: str = "06-30",
    share: float = 0.05,
    longest: int = 20,
    methods: tuple[str, ...] = METHODS,
    max_gap_days: int = 3,
) -> pd.DataFrame:
    """Estimate the error of filling by hiding known days.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    seed : int
        Seed of the random choice of hidden days.
    base : float
        Base temperature of the heat sums [degC].
    heat : HeatSettings, optional
        Method and cut-offs; single sine without an upper threshold by default.
    start, at : str
        Month-day on which heat sums begin, and on which they are compared, such as the middle of the flight.
    share : float
        Share of the known days to hide [1].
    longest : int
        Longest run of hidden days [d]; each length up to it is equally likely.
    methods, max_gap_days
        As in :func:`phenofit.weather.fill_weather`.

    Returns
    -------
    pandas.DataFrame
        A row per way of filling ("neighbours", "interpolation", "all"): ``hidden, filled`` [days],
        ``bias_tmin, mae_tmin, rmse_tmin`` and the same for tmax [degC], and, in the row "all",
        ``heat_bias, heat_rmse`` [degC d] of the sum at the date with ``seasons`` compared. Errors are filled
        minus known.

    Raises
    ------
    ModelError
        If a setting is not acceptable.
    """
    from phenofit.heat import HeatSettings  # brings the compiled kernels, which reading weather does not need

    settings = heat or HeatSettings()
    begin, end = MonthDay.parse(start), MonthDay.parse(at)
    cut, hidden = hide_days(weather, share=share, longest=longest, seed=seed)
    filled = fill_weather(cut, methods=methods, max_gap_days=max_gap_days, max_share=1.0)
    flag = filled["flag"].values
    ways = {
        "neighbours": (flag & FLAGS["filled_from_neighbours"]) != 0,
        "interpolation": (flag & FLAGS["interpolated"]) != 0,
    }
    ways["all"] = ways["neighbours"] | ways["interpolation"]
    rows: list[dict[str, Any]] = []
    for name, way in ways.items():
        row: dict[str, Any] = {"way": name, "hidden": int(hidden.sum()), "filled": int((way & hidden).sum())}
        for element in ("tmin", "tmax"):
            error = (filled[element].values - weather[element].values)[way & hidden]
            error = error[~np.isnan(error)]
            some = len(error) > 0
            row[f"bias_{element}"] = float(error.mean()) if some else np.nan
            row[f"mae_{element}"] = float(np.abs(error).mean()) if some else np.nan
            row[f"rmse_{element}"] = float(np.sqrt((error**2).mean())) if some else np.nan
        rows.append(row)
    difference = _heat_difference(weather, filled, ways["all"] & hidden, base, settings, begin, end)
    rows[-1].update(
        seasons=len(difference),
        heat_bias=float(difference.mean()) if len(difference) else np.nan,
        heat_rmse=float(np.sqrt((difference**2).mean())) if len(difference) else np.nan,
    )
    return pd.DataFrame(rows)


def _heat_difference(
    known: xr.Dataset,
    filled: xr.Dataset,
    where: np.ndarray,
    base: float,
    heat: HeatSettings,
    begin: MonthDay,
    end: MonthDay,
) -> np.ndarray:
    """Return filled minus known heat sum at a date, for seasons with filled days that are whole in both."""
    from phenofit.heat import degree_days

    days = known["time"].values.astype("datetime64[D]")
    before, after = (
        degree_days(
            w["tmin"].values,
            w["tmax"].values,
            base=base,
            method=heat.method,
            cutoff=heat.cutoff,
            upper=heat.upper,
        )
        for w in (known, filled)
    )
    differences = []
    for year in np.unique(days.astype("datetime64[Y]").astype(np.int64) + 1970):
        first, last = begin.in_year(int(year)), end.in_year(int(year))
        if last < first:
            last = end.in_year(int(year) + 1)
        inside = (days >= first) & (days <= last)
        if inside.sum() < (last - first).astype(int) + 1:
            continue
        part = (after - before)[:, inside]
        use = where[:, inside].any(axis=1) & ~np.isnan(part).any(axis=1)
        differences.append(part[use].sum(axis=1))
    return np.concatenate(differences) if differences else np.zeros(0)
