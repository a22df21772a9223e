"""The trap table: positions that can be right, names that are unique, covariates kept."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from phenofit.errors import DataError, PhenofitWarning
from tests.traps.sheets import traps


def test_columns_are_mapped_and_covariates_kept(tmp_path: Path) -> None:
    found = traps(
        tmp_path,
        "PlotID;Lat;Lon;Height;aspect;lure\nA1;44,1;-98,2;;180;red\nB2;44,2;-98,1;412;;\n",
        columns={"trap": "PlotID", "latitude": "Lat", "longitude": "Lon", "elevation_m": "Height"},
    )
    assert found["trap"].tolist() == ["A1", "B2"]
    assert found["site"].tolist() == ["A1", "B2"]
    assert found["latitude"].tolist() == [44.1, 44.2]
    assert np.isnan(found["elevation_m"][0])
    assert found["elevation_m"][1] == 412.0
    assert found["station"].isna().all()
    assert found["aspect"].tolist()[0] == 180.0
    assert np.isnan(found["aspect"][1])
    assert found["lure"].tolist() == ["red", ""]
    assert found["row"].tolist() == [2, 3]


def test_covariates_with_a_decimal_comma_are_numbers(tmp_path: Path) -> None:
    text = (
        "trap;latitude;longitude;slope;aspect;lure;blank\nA;44,1;-98,2;3,5;1.5;red;\nB;44,2;-98,1;;2;7;NA\n"
    )
    found = traps(tmp_path, text)
    assert found["slope"].tolist()[0] == 3.5
    assert np.isnan(found["slope"][1])
    assert found["aspect"].tolist() == [1.5, 2.0]
    assert found["lure"].tolist() == ["red", "7"]
    assert found["blank"].tolist() == ["", "NA"]
    # Beside 850 a "1,200" may be thousands; beside 850,5 it is not.
    with pytest.raises(DataError, match=r"'1,200' may be 1200 or 1\.2") as caught:
        traps(tmp_path, "trap;latitude;longitude;area\nA;44,1;-98,2;1,200\nB;44,2;-98,1;850\n")
    assert [(p.row, p.column) for p in caught.value.problems] == [(2, "area")]
    found = traps(tmp_path, "trap;latitude;longitude;area\nA;44,1;-98,2;1,200\nB;44,2;-98,1;850,5\n")
    assert found["area"].tolist() == [1.2, 850.5]
    # Between commas a point is a decimal sign.
    found = traps(tmp_path, "trap,latitude,longitude,area\nA,44.1,-98.2,1.200\nB,44.2,-98.1,850\n")
    assert found["area"].tolist() == [1.2, 850.0]


@pytest.mark.parametrize("cell", ["1e999", "-1e999"])
def test_a_number_beyond_all_bounds_is_refused(tmp_path: Path, cell: str) -> None:
    with pytest.raises(DataError, match="out of range"):
        traps(tmp_path, f"trap,latitude,longitude\nA,{cell},-98\n")


def test_a_site_and_a_station_are_taken_where_given(tmp_path: Path) -> None:
    found = traps(tmp_path, "trap,site,latitude,longitude,station\nA,North,44,-98,S1\nB,,44.01,-98,\n")
    assert found["site"].tolist() == ["North", "B"]
    assert found["station"][0] == "S1"
    assert found["station"].isna()[1]


def test_a_lost_sign_is_named_with_a_proposal(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        traps(tmp_path, "trap,latitude,longitude\nA,36.1,-119.6\nB,36.1,-119.7\nC,36.2,119.65\n")
    (problem,) = caught.value.problems
    assert problem.row == 4
    assert problem.column == "longitude"
    assert "did you mean -119.65?" in problem.finding


@pytest.mark.parametrize(
    ("lat", "lon", "says"),
    [
        ("36.2", "240.35", "did you mean -119.65"),
        ("-36.2", "-119.65", "did you mean 36.2"),
        ("-119.65", "36.2", "swapped"),
        ("0", "0", "0, 0"),
        ("95", "-119", "out of range"),
        ("36.2", "-200", "out of range"),
        ("36°12'N", "-119.65", "not a number"),
        ("", "-119.65", "no value"),
    ],
)
def test_other_impossible_positions(tmp_path: Path, lat: str, lon: str, says: str) -> None:
    table = f"trap,latitude,longitude\nA,36.1,-119.6\nB,36.1,-119.7\nC,36.15,-119.5\nD,{lat},{lon}\n"
    with pytest.raises(DataError, match=f"(?i){says}") as caught:
        traps(tmp_path, table)
    assert {p.row for p in caught.value.problems} == {5}


def test_a_network_across_a_continent_is_no_fault(tmp_path: Path) -> None:
    found = traps(tmp_path, "trap,latitude,longitude\nA,31.0,-119.6\nB,44.0,-75.2\nC,47.5,-98\n")
    assert len(found) == 3


def test_every_problem_is_told_not_only_the_first(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        traps(
            tmp_path,
            "trap,latitude,longitude,elevation_m\nA,x,-98,1\n,44,-98,1\nB,44,-98,high\nB,44,-98,1\nC,44,-98,9999\n",
        )
    assert [(p.row, p.column) for p in caught.value.problems] == [
        (2, "latitude"),
        (3, "trap"),
        (4, "elevation_m"),
        (5, "trap"),
        (6, "elevation_m"),
    ]


def test_one_name_at_two_places_is_refused(tmp_path: Path) -> None:
    # 183.5 km: between the two places, by the sphere of the mean Earth radius (computed).
    with pytest.raises(DataError, match=r"'T7' stands in rows 2-3, 183\.5 km apart") as caught:
        traps(tmp_path, "trap,latitude,longitude\nT7,44.10,-62.10\nT7,45.75,-62.16\n")
    assert "valid_from" in str(caught.value)


def test_a_dated_move_starts_a_new_series_and_warns(tmp_path: Path) -> None:
    with pytest.warns(PhenofitWarning, match="T7@2024-06-20"):
        found = traps(
            tmp_path, "trap,latitude,longitude,valid_from\nT7,44.10,-62.10,\nT7,45.75,-62.16,2024-06-20\n"
        )
    assert found["trap"].tolist() == ["T7", "T7@2024-06-20"]
    assert found["site"].nunique() == 2
    assert any("T7@2024-06-20" in note for note in found.attrs["notes"])


def test_two_places_without_dates_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="without a date that separates them"):
        traps(tmp_path, "trap,latitude,longitude,valid_from\nT7,44.1,-62.1,\nT7,45.7,-62.1,\n")


def test_merged_site_cells_are_filled_only_on_request(tmp_path: Path) -> None:
    text = "trap,site,latitude,longitude\nA,North,44,-98\nB,,44.01,-98\nC,,44.02,-98\n"
    assert traps(tmp_path, text)["site"].tolist() == ["North", "B", "C"]
    found = traps(tmp_path, text, fill=["site"])
    assert found["site"].tolist() == ["North", "North", "North"]
    assert any("2 blank 'site' cells filled" in note and "3-4" in note for note in found.attrs["notes"])


def test_an_empty_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="no row"):
        traps(tmp_path, "trap,latitude,longitude\n")
