"""From stored station-years to the standard dataset: modelled days marked, days after the run date left out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.weather.reading.assemble import impossible
from phenofit.weather.schema import FLAGS, SOURCES, Provenance, new_dataset
from phenofit.weather.service.cache import StoredYear
from phenofit.weather.service.client import observed_sources

_SERVICE_LICENSE = "Meteostat series: Creative Commons Attribution 4.0 International"


def to_dataset(
    stations: pd.DataFrame,
    loaded: dict[str, dict[int, StoredYear]],
    years: tuple[int, int],
    today: np.datetime64,
    *,
    observations_only: bool,
    keep_forecast: bool,
) -> tuple[xr.Dataset | None, dict[str, dict[str, Any]]]:
    """Put stored years of stations onto one calendar."""
    first = np.datetime64(f"{years[0]:04d}-01-01", "D")
    end = np.datetime64(f"{years[1]:04d}-12-31", "D")
    days = np.arange(first, (end if keep_forecast else min(end, today)) + np.timedelta64(1, "D"))
    expected = int((days <= today).sum())
    shape = (len(stations), len(days))
    tmin, tmax = np.full(shape, np.nan), np.full(shape, np.nan)
    source, flag = np.zeros(shape, dtype=np.int8), np.zeros(shape, dtype=np.int16)
    provider = np.full(shape, "", dtype=object)
    counts: dict[str, dict[str, Any]] = {}
    credits: dict[str, None] = {}
    licenses: dict[str, None] = {_SERVICE_LICENSE: None}
    remarks: list[str] = []
    good = observed_sources()
    for i, station in enumerate(stations["station"].astype(str)):
        for stored in loaded.get(station, {}).values():
            _write_year(stored.frame, days, tmin[i], tmax[i], provider[i])
            credits.update(dict.fromkeys(c.strip() for c in stored.attribution.split(",") if c.strip()))
            licenses.update(dict.fromkeys(c.strip() for c in stored.license_text.split(";") if c.strip()))
        modelled = _modelled(provider[i], good)
        has_model = (modelled[0] & ~np.isnan(tmin[i])) | (modelled[1] & ~np.isnan(tmax[i]))
        has_model &= days <= today
        source[i] = np.where(has_model, SOURCES["modelled"], SOURCES["observed"])
        source[i][days > today] = SOURCES["forecast"]
        past = days <= today
        both = ~np.isnan(tmin[i]) & ~np.isnan(tmax[i])
        seen = both & ~has_model & past
        counts[station] = {"observed": seen, "modelled": has_model, "days": days, "expected": expected}
        remarks += _station_remarks(station, days, seen, has_model, observations_only)
        if observations_only:
            tmin[i][modelled[0] & past] = np.nan
            tmax[i][modelled[1] & past] = np.nan
    for name, bad in impossible(tmin, tmax).items():
        if bad.any():
            remarks.append(
                f"{int(bad.sum())} days of the service with {name.replace('_', ' ')} were set to missing."
            )
            flag[bad] |= FLAGS[name]
            tmin[bad], tmax[bad] = np.nan, np.nan
    keep = (~np.isnan(tmin) | ~np.isnan(tmax)).any(axis=1)
    if not keep.any():
        return None, counts
    provider = np.array(
        [[" ".join(dict.fromkeys(p.split("|"))).strip() for p in row] for row in provider], dtype=object
    )
    weather = new_dataset(
        stations[keep].reset_index(drop=True),
        days,
        tmin[keep],
        tmax[keep],
        source=source[keep],
        flag=flag[keep],
        provider=provider[keep],
        provenance=Provenance(
            origin=f"open station series{', observations only' if observations_only else ' with model values'}",
            license_text="; ".join(licenses),
            attribution=", ".join(credits),
            remarks=remarks,
        ),
    )
    return weather, counts


def _write_year(
    frame: pd.DataFrame, days: np.ndarray, tmin: np.ndarray, tmax: np.ndarray, provider: np.ndarray
) -> None:
    """Write one stored year into the rows of a station; rows may come in any order."""
    if frame.empty:
        return
    at = (pd.DatetimeIndex(frame.index).to_numpy().astype("datetime64[D]") - days[0]).astype(np.int64)
    inside = (at >= 0) & (at < len(days))
    at = at[inside]
    for name, target in (("tmin", tmin), ("tmax", tmax)):
        target[at] = pd.to_numeric(frame[name]).to_numpy(dtype=np.float64, na_value=np.nan)[inside]
    sources = [frame[f"{name}_source"].fillna("").astype(str).to_numpy()[inside] for name in ("tmin", "tmax")]
    provider[at] = [f"{low}|{high}" for low, high in zip(*sources, strict=True)]


def _modelled(provider: np.ndarray, good: frozenset[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return where the source of minimum and maximum is not an observation; an unknown source is not one."""
    texts, codes = np.unique(provider.astype(str), return_inverse=True)
    low, high = (
        np.array([not set(part.split()) <= good for part in parts])
        for parts in zip(*((t.split("|") if "|" in t else ["", ""]) for t in texts), strict=True)
    )
    return low[codes], high[codes]


def _station_remarks(
    station: str, days: np.ndarray, seen: np.ndarray, modelled: np.ndarray, dropped: bool
) -> list[str]:
    remarks = []
    count = int(modelled.sum())
    if count:
        action = "set to missing" if dropped else "kept and marked"
        given = count + int(seen.sum())
        remarks.append(
            f"Station {station}: {count} of {given} days ({100 * count / given:.0f} %) have a temperature from a "
            f"model; these temperatures were {action}."
        )
        last = days[seen][-1] if seen.any() else None
        later = modelled if last is None else modelled & (days > last)
        if later.any():
            since = "at all" if last is None else f"since {last}"
            remarks.append(
                f"Station {station}: no observation {since}, though the service gives {int(later.sum())} later days."
            )
    return remarks
