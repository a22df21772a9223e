"""Records from tables, files and studies: the same checks, the same numbers, and nothing left out in silence."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import phenofit
from phenofit.errors import DataError, ModelError, UnitError
from phenofit.flight import FlightModel
from phenofit.flight.likelihood.flight_data import assemble
from phenofit.records import Records
from phenofit.seasons import Season
from tests.validate.study_files import write_study

DAYS = pd.date_range("2024-01-01", "2024-12-31")


def tables() -> dict[str, Any]:
    """Two sites with three checks each; every figure is made up."""
    traps = pd.DataFrame(
        {
            "trap": ["A", "B"],
            "latitude": [44.0, 44.1],
            "longitude": -98.0,
            "elevation_m": 400.0,
            "site": ["north", "south"],
        }
    )
    dates = pd.to_datetime(["2024-06-08", "2024-06-15", "2024-06-22"])
    catches = pd.DataFrame(
        {
            "trap": ["A"] * 3 + ["B"] * 3,
            "date": [*dates, *dates],
            "count": [0, 5, 2, 1, np.nan, 7],
            "set": ["2024-06-01", "", ""] * 2,
        }
    )
    high = 15.0 + 12.0 * np.sin(2 * np.pi * (np.arange(len(DAYS)) - 110) / 366)
    weather = pd.DataFrame({"station": "S", "date": DAYS, "tmin": high - 10, "tmax": high})
    stations = pd.DataFrame(
        {"station": ["S"], "latitude": [44.05], "longitude": [-98.0], "elevation_m": [410.0]}
    )
    return {"traps": traps, "catches": catches, "weather": weather, "stations": stations}


def on_disk(folder: Path, given: dict[str, Any]) -> dict[str, Any]:
    for name, table in given.items():
        table.to_csv(folder / f"{name}.csv", index=False)
    return {name: folder / f"{name}.csv" for name in given}


def test_files_and_dataframes_give_the_same_records(tmp_path: Path) -> None:
    given = tables()
    from_frames = Records.from_tables(**given, units="degC")
    from_files = Records.from_tables(**on_disk(tmp_path, given), units="degC")
    pd.testing.assert_frame_equal(from_frames.trap_years.intervals, from_files.trap_years.intervals)
    pd.testing.assert_frame_equal(from_frames.trap_years.years, from_files.trap_years.years)
    pd.testing.assert_frame_equal(from_frames.left_out, from_files.left_out)
    pd.testing.assert_frame_equal(from_frames.links, from_files.links)
    for name in ("tmin", "tmax", "source", "flag"):
        xr.testing.assert_equal(from_frames.weather[name], from_files.weather[name])
    # Counted by hand: the blank check of B joins the next interval.
    assert from_frames.trap_years.intervals["count"].tolist() == [0, 5, 2, 1, 7]
    assert from_frames.moths == 15
    assert len(from_frames) == 2


def test_a_weather_dataset_is_taken_as_it_is() -> None:
    given = tables()
    first = Records.from_tables(**given, units="degC")
    again = Records.from_tables(traps=given["traps"], catches=given["catches"], weather=first.weather)
    assert again.weather is first.weather
    assert again.moths == first.moths


@pytest.mark.parametrize(
    ("table", "column", "value", "words"),
    [
        ("catches", "count", "1,000", "catches, row 3, column 'count'"),
        ("catches", "trap", "Z", "trap 'Z' is not in the trap table"),
        ("traps", "latitude", 444.0, "traps, row 3, column 'latitude'"),
        ("stations", "latitude", "north", "stations, row 2, column 'latitude'"),
        ("weather", "tmax", "warm", "weather, row 3, column 'tmax'"),
    ],
)
def test_a_dataframe_is_checked_like_a_file(
    tmp_path: Path, table: str, column: str, value: object, words: str
) -> None:
    given = tables()
    wrong = given[table].astype({column: object})
    wrong.loc[min(1, len(wrong) - 1), column] = value
    given[table] = wrong
    with pytest.raises(DataError) as frames:
        Records.from_tables(**given, units="degC")
    assert words in str(frames.value)
    with pytest.raises(DataError) as files:
        Records.from_tables(**on_disk(tmp_path, given), units="degC")
    said = [
        str(fault).replace(f"{tmp_path}{os.sep}", "").replace(".csv", "") for fault in files.value.problems
    ]
    assert said == [str(fault) for fault in frames.value.problems]


def test_temperatures_without_a_unit_are_refused() -> None:
    with pytest.raises(UnitError, match="weather: no temperature unit"):
        Records.from_tables(**tables())


def test_the_biofix_stays_with_the_records() -> None:
    given = tables()
    biofix = pd.DataFrame({"site": ["north", "south"], "date": ["2024-06-08", "2024-06-01"]})
    records = Records.from_tables(**given, units="degC", biofix=biofix)
    assert records.starts is not None
    assert records.starts["north", 2024] == np.datetime64("2024-06-08")
    assert records.only([True, False]).starts == records.starts
    assert records.select(sites=["south"]).starts == records.starts
    # An interval before the biofix is part of no observed date.
    data = assemble(records)
    assert data.table["total"].tolist() == [7, 8]
    assert data.left_out[["trap", "reason", "rows"]].to_numpy().tolist() == [
        ["A", "the interval begins before the biofix", 1]
    ]


def test_a_selection_lists_what_it_leaves_out() -> None:
    records = Records.from_tables(**tables(), units="degC")
    south = records.select(sites=["south"], years=[2024])
    assert south.sites == ("south",)
    assert len(south) == 1
    row = south.left_out.iloc[-1]
    assert row[["trap", "season", "reason", "rows", "moths"]].tolist() == [
        "A", "2024", "left out by the selection", 3, 7,
    ]  # fmt: skip
    assert "3 checks with 7 moths: left out by the selection" in south.summary()
    everything = records.select()
    pd.testing.assert_frame_equal(everything.left_out, records.left_out)
    with pytest.raises(ModelError, match="there is no year 2023 in the records; there are 2024"):
        records.select(years=[2023])
    with pytest.raises(ModelError, match="leaves no trap-year"):
        records.select(sites=["south"], traps=["A"])


def test_places_of_a_forecast() -> None:
    records = Records.from_tables(**tables(), units="degC")
    assert records.places() == [("north", "S"), ("south", "S")]
    # Without a trap-year a site is forecast for only if it is named.
    assert records.only([False, True]).places() == [("south", "S")]
    assert records.only([False, True]).places(["north"]) == [("north", "S")]
    links = pd.DataFrame({"trap": ["this place"], "station": ["S"]})
    none = Records.without_catches(records.weather, links, Season.parse("01-01", "12-31"))
    assert none.places() == [("this place", "S")]
    assert len(none) == 0


def test_a_study_gives_its_records_by_species(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    (species, records) = next(iter(phenofit.read_records(path).items()))
    assert (species, records.species) == ("invented borer", "invented borer")
    study = phenofit.load_study(path)
    assert phenofit.read_records(study)[species].moths == records.moths
    fit = phenofit.fit_flights(records, FlightModel(base=10.0), profiles=False)
    assert fit.settings.species == species
    assert fit.settings.season == records.season
