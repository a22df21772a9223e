"""Invented validation tables with a known error field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.spatial.distance import cdist

EARTH_KM_PER_DEGREE = 111.195


@dataclass(frozen=True)
class Truth:
    """A table and the error of each site behind it."""

    table: pd.DataFrame
    smooth: np.ndarray
    site_error: np.ndarray
    season: np.ndarray


def invented_validation(
    *,
    sites: int = 40,
    years: int = 6,
    seed: int = 1,
    level: float = 1.0,
    smooth_sd: float = 3.0,
    length_km: float = 40.0,
    local_sd: float = 0.7,
    season_sd: float = 1.5,
    rest_sd: float = 2.0,
    extent_km: float = 150.0,
    latitude: float = 41.0,
    longitude: float = -99.0,
    missing: float = 0.15,
    forecasters: tuple[str, ...] = ("fitted", "calendar mean"),
) -> Truth:
    """Make a validation table whose mean errors follow an exponential covariance in space."""
    rng = np.random.default_rng(seed)
    km = rng.uniform(-extent_km / 2, extent_km / 2, (sites, 2))
    covariance = smooth_sd**2 * np.exp(-cdist(km, km) / length_km) + 1e-9 * np.eye(sites)
    smooth = np.linalg.cholesky(covariance) @ rng.normal(size=sites)
    site_error = level + smooth + local_sd * rng.normal(size=sites)
    season = season_sd * rng.normal(size=years)
    lat = latitude + km[:, 1] / EARTH_KM_PER_DEGREE
    lon = longitude + km[:, 0] / (EARTH_KM_PER_DEGREE * np.cos(np.radians(latitude)))
    lon = (lon + 180.0) % 360.0 - 180.0
    height = 400 + 120 * rng.random(sites)
    rows = []
    for i in range(sites):
        kept = rng.random(years) >= missing
        kept[rng.integers(years)] = True
        for t in np.flatnonzero(kept):
            for forecaster in forecasters:
                noise = rest_sd * (1.0 if forecaster == "fitted" else 2.0)
                error = site_error[i] + season[t] + noise * rng.normal()
                year = 2015 + int(t)
                observed = np.datetime64(f"{year}-06-15") + int(rng.integers(-8, 8))
                predicted = observed + round(error)
                sd = np.hypot(rest_sd, 3.0)
                row = {
                    "scheme": "year",
                    "fold": str(year),
                    "forecaster": forecaster,
                    "species": "example leaf feeder",
                    "flight": 1,
                    "event": "flight_50",
                    "trap": f"T{i:03d}",
                    "site": f"Site {i:03d}",
                    "season": str(year),
                    "year": year,
                    "latitude": lat[i],
                    "longitude": lon[i],
                    "elevation_m": height[i],
                    "lead_days": np.nan,
                    "predicted": predicted,
                    "observed_from": observed - 3,
                    "observed_to": observed + 4,
                    "observed": observed,
                    "error_days": error,
                    "inside_interval": bool(abs(error) < 3.5),
                }
                for level_percent, z in ((50, 0.674), (80, 1.282), (95, 1.96)):
                    row[f"low{level_percent}"] = predicted - int(z * sd)
                    row[f"high{level_percent}"] = predicted + int(z * sd)
                    row[f"covered{level_percent}"] = bool(abs(error) <= z * sd + 3.5)
                rows.append(row)
    return Truth(pd.DataFrame(rows), smooth, site_error, season)
