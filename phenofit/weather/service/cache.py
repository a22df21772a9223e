"""Our store of fetched series: one NetCDF file for each station and year, written whole or not at all.

A year that was closed when it was fetched is kept permanently if nearly all its days are there. An incomplete one
is requested again after a month, and the current year each day. Each file holds the date on which it was fetched.
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.files import writing
from phenofit.weather.service.client import SAFE_ID, YearReply

FORMAT = "phenofit station-year 1"
SETTLING_DAYS = 31
"""A year counts as closed after this time since its last day; archives still correct recent weeks [d]."""
SHORT_DAYS = 30
"""An incomplete closed year is requested again after this time [d]."""
WHOLE_SHARE = 0.9
"""Share of the days of a closed year that must be there for it to be kept permanently."""
_KEPT_STATES = ("data", "no file", "empty")


@dataclass(frozen=True)
class StoredYear:
    """One station-year from the store."""

    state: str  # As in :class:`phenofit.weather.service.client.YearReply`.
    frame: pd.DataFrame  # Index of days; ``tmin, tmax`` [degC], ``tmin_source, tmax_source``.
    fetched: np.datetime64  # Run date on which it was fetched.
    attribution: str  # What the service says of the data.
    license_text: str
    notes: tuple[str, ...] = ()  # What was set aside in the file, one sentence each.

    def days_short(self, year: int) -> int:
        """Return how many days of a closed year are missing if it is incomplete, else 0."""
        days = 366 if calendar.isleap(year) else 365
        return 0 if len(self.frame) >= WHOLE_SHARE * days else days - len(self.frame)


class StationCache:
    """The store in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.station_list = folder / "stations.db"

    def path(self, station: str, year: int) -> Path:
        """Return the file of a station-year."""
        if SAFE_ID.fullmatch(station) is None:
            raise ValueError(f"'{station}' cannot be a station id")
        return self.folder / "daily" / station / f"{year:04d}.nc"

    def read(self, station: str, year: int) -> StoredYear | None:
        """Return what is stored of a station-year; None if nothing, or if the file cannot be read."""
        path = self.path(station, year)
        if not path.exists():
            return None
        try:
            with xr.open_dataset(path, engine="netcdf4") as raw:
                if raw.attrs.get("format") != FORMAT:
                    return None
                frame = pd.DataFrame(
                    {
                        "tmin": raw["tmin"].values,
                        "tmin_source": raw["tmin_source"].values.astype(object),
                        "tmax": raw["tmax"].values,
                        "tmax_source": raw["tmax_source"].values.astype(object),
                    },
                    index=pd.DatetimeIndex(raw["time"].values, name="time"),
                )
                return StoredYear(
                    str(raw.attrs["state"]),
                    frame,
                    np.datetime64(raw.attrs["fetched"], "D"),
                    str(raw.attrs["attribution"]),
                    str(raw.attrs["license"]),
                    tuple(n for n in str(raw.attrs.get("notes", "")).split("\n") if n),
                )
        except (OSError, KeyError, ValueError):
            # A damaged file counts as none: the station-year is requested again and the file replaced.
            return None

    def write(self, station: str, year: int, reply: YearReply, today: np.datetime64) -> None:
        """Store a reply; faults of the network are not stored."""
        if reply.state not in _KEPT_STATES:
            return
        frame = reply.frame
        days = pd.DatetimeIndex(frame.index).to_numpy().astype("datetime64[ns]")
        variables = {
            name: (
                "time",
                pd.to_numeric(frame[name]).to_numpy(dtype=np.float64, na_value=np.nan),
                {"units": "degC", "standard_name": "air_temperature", "cell_methods": f"time: {method}"},
            )
            for name, method in (("tmin", "minimum"), ("tmax", "maximum"))
        }
        sources = {
            name: ("time", frame[name].fillna("").astype(str).to_numpy(dtype=object))
            for name in ("tmin_source", "tmax_source")
        }
        attrs = {
            "Conventions": "CF-1.11",
            "format": FORMAT,
            "station": station,
            "year": year,
            "state": reply.state,
            "fetched": str(today),
            "attribution": reply.attribution,
            "license": reply.license_text,
            "notes": "\n".join(reply.notes),
        }
        dataset = xr.Dataset({**variables, **sources}, coords={"time": ("time", days)}, attrs=attrs)
        with writing(self.path(station, year)) as temporary:
            dataset.to_netcdf(temporary, engine="netcdf4")

    @staticmethod
    def is_fresh(stored: StoredYear, year: int, today: np.datetime64) -> bool:
        """Whether a stored year need not be asked for again on the run date."""
        closed_on = np.datetime64(f"{year:04d}-12-31", "D") + np.timedelta64(SETTLING_DAYS, "D")
        if stored.fetched >= today:
            return True
        if stored.fetched <= closed_on:
            return False
        # An incomplete reply may be a fault of that day; a station without more days is asked once a month.
        return stored.days_short(year) == 0 or bool(today < stored.fetched + np.timedelta64(SHORT_DAYS, "D"))
