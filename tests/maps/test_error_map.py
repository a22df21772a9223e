"""The error map as a whole: what it holds, when it draws no surface, and where other programs place it."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rasterio  # type: ignore[import-untyped]
import xarray as xr
from pyproj import Geod

from phenofit.errors import DataError, MissingExtraError, ModelError
from phenofit.maps.export import plane_of, write_error_map, write_geotiff, write_sites_geojson
from phenofit.maps.map_files import read_elevation
from tests.calls import error_map, site_errors

from .tables import Truth, invented_validation


@pytest.fixture(scope="module")
def truth() -> Truth:
    return invented_validation(sites=60, years=7, seed=4)


@pytest.fixture(scope="module")
def dataset(truth: Truth) -> xr.Dataset:
    return error_map(truth.table, cell_km=4, invented=True)


def test_surface_follows_the_truth_at_the_sites(truth: Truth, dataset: xr.Dataset) -> None:
    at_sites = dataset["mean_error"].sel(x=dataset["site_x"], y=dataset["site_y"], method="nearest")
    assert np.corrcoef(at_sites, truth.smooth)[0, 1] > 0.75
    assert dataset.attrs["surface"] == "kriged"
    assert dataset.attrs["left_out_skill"] > 0.05


def test_expected_rmse_is_made_of_its_parts(dataset: xr.Dataset) -> None:
    a = dataset.attrs
    parts = a["nugget_days2"] + a["season_sd_days"] ** 2 + a["rest_sd_days"] ** 2
    expected = np.sqrt(dataset["mean_error"] ** 2 + dataset["mean_error_se"] ** 2 + parts)
    np.testing.assert_allclose(dataset["expected_rmse"], expected, rtol=1e-5)


def test_support_falls_with_distance(dataset: xr.Dataset) -> None:
    xx, yy = np.meshgrid(dataset["x"], dataset["y"])
    gap = np.min(
        np.hypot(xx[..., None] - dataset["site_x"].to_numpy(), yy[..., None] - dataset["site_y"].to_numpy()),
        axis=-1,
    )
    known = np.isfinite(dataset["information"].to_numpy())
    near, far = known & (gap < 5_000), known & (gap > 15_000)
    assert (
        dataset["information"].to_numpy()[near].mean() > dataset["information"].to_numpy()[far].mean() + 0.1
    )
    assert dataset["supported"].to_numpy()[near].mean() > dataset["supported"].to_numpy()[far].mean()


def test_same_table_same_map(truth: Truth, dataset: xr.Dataset) -> None:
    again = error_map(truth.table.sample(frac=1.0, random_state=3), cell_km=4, invented=True)
    xr.testing.assert_allclose(again, dataset, rtol=1e-4)
    first = error_map(truth.table, cell_km=4, invented=True)
    xr.testing.assert_identical(first, dataset)


def test_no_pattern_gives_points_and_a_sentence() -> None:
    table = invented_validation(sites=40, years=6, seed=1, smooth_sd=0.0, local_sd=2.0).table
    result = error_map(table, cell_km=10)
    assert result.attrs["surface"] == "none"
    assert "No surface is drawn: left out one by one, 40 sites" in result.attrs["surface_note"]
    assert not np.isfinite(result["mean_error"]).any()
    assert np.isfinite(result["site_shrunk_error"]).all()


def _moved(table: pd.DataFrame, places: dict[str, tuple[float, float]]) -> pd.DataFrame:
    table = table.copy()
    for site, (latitude, longitude) in places.items():
        table.loc[table["site"] == site, ["latitude", "longitude"]] = latitude, longitude
    return table


@pytest.mark.parametrize(
    ("places", "message"),
    [
        ([(41.0, -99.0)], "the sites are at 1 place; it takes at least 6"),
        ([(41.0, -99.0)] * 12, "the sites are at 1 place; it takes at least 6"),
        ([(41.0 + k / 10, -99.0) for k in range(12)], "the sites are on one line"),
        ([(41.0, -99.0), (41.2, -99.3), (41.4, -99.0)], "the sites are at 3 different places"),
    ],
    ids=["one site", "all in one place", "on a line", "three sites"],
)
def test_hard_networks_give_points_never_a_crash(places: list[tuple[float, float]], message: str) -> None:
    table = invented_validation(sites=len(places), years=4, seed=5).table
    moved = _moved(table, {f"Site {k:03d}": p for k, p in enumerate(places)})
    result = error_map(moved)
    assert message in result.attrs["surface_note"]
    assert result.sizes["site"] == len(places)


def test_sites_in_one_place_are_merged_and_named() -> None:
    # Two rows of sites with equal coordinates make a singular system in plain kriging.
    table = invented_validation(sites=40, years=6, seed=4).table
    place = tuple(table.loc[table["site"] == "Site 003", ["latitude", "longitude"]].iloc[0])
    result = error_map(_moved(table, {"Site 007": place}), cell_km=10)
    assert "merged for the surface: Site 003, Site 007" in result.attrs["notes"]
    assert result.sizes["site"] == 40


@pytest.mark.parametrize(("latitude", "longitude"), [(-35.0, 146.0), (-17.5, 179.9), (66.0, -179.95)])
def test_any_part_of_the_world(latitude: float, longitude: float) -> None:
    here = invented_validation(sites=30, years=6, seed=4, latitude=latitude, longitude=longitude)
    result = error_map(here.table, cell_km=10)
    # Distances on the plane against geodesic ones on the ellipsoid (pyproj.Geod).
    geod = Geod(ellps="WGS84")
    lon, lat = result["site_longitude"].to_numpy(), result["site_latitude"].to_numpy()
    _, _, geodesic = geod.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    plane = np.hypot(np.diff(result["site_x"]), np.diff(result["site_y"]))
    np.testing.assert_allclose(plane, geodesic, rtol=2e-4)
    assert result.sizes["x"] < 40, "a network across 180 degrees must not span the earth"


def test_drift_on_elevation_needs_heights_and_uses_them(truth: Truth, tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="give an elevation grid"):
        error_map(truth.table, drift=["elevation"], cell_km=8)
    lat, lon = np.linspace(39.5, 42.5, 31), np.linspace(-101.5, -96.5, 51)
    heights = xr.DataArray(
        400 + 40 * (lat[:, None] - 39.5) + 0 * lon, coords={"lat": lat, "lon": lon}, dims=("lat", "lon"),
        name="height", attrs={"units": "m"},
    )  # fmt: skip
    heights.to_netcdf(tmp_path / "heights.nc")
    table = truth.table.copy()
    table["elevation_m"] = 400 + 40 * (table["latitude"] - 39.5)
    table["error_days"] += 0.2 * (table["elevation_m"] - 450)
    elevation = read_elevation(tmp_path / "heights.nc")
    result = error_map(table, drift=["elevation"], elevation=elevation, cell_km=8)
    assert result.attrs["drift"] == "elevation"
    north, south = (
        result["mean_error"].isel(y=slice(0, 8)).mean(),
        result["mean_error"].isel(y=slice(-8, None)).mean(),
    )
    assert float(north) - float(south) > 2.0


def test_unknown_drift_and_bad_settings_are_refused(truth: Truth) -> None:
    with pytest.raises(ModelError, match="'soil' is no drift; accepted are latitude, elevation"):
        error_map(truth.table, drift=["soil"])
    with pytest.raises(ModelError, match="above zero"):
        error_map(truth.table, cell_km=-1)
    with pytest.raises(ModelError, match="choose larger cells"):
        error_map(truth.table, cell_km=0.001)
    with pytest.raises(ModelError, match="not a projected coordinate system in metres"):
        error_map(truth.table, crs="EPSG:4326")


def test_region_bounds_the_map(truth: Truth) -> None:
    ring = [[-99.5, 40.8], [-98.5, 40.8], [-98.5, 41.3], [-99.5, 41.3], [-99.5, 40.8]]
    hole = [[-99.1, 41.0], [-98.9, 41.0], [-98.9, 41.1], [-99.1, 41.1], [-99.1, 41.0]]
    result = error_map(truth.table, cell_km=2, region={"type": "Polygon", "coordinates": [ring, hole]})
    there = np.isfinite(result["mean_error"].to_numpy())
    lon, lat = result["longitude"].to_numpy(), result["latitude"].to_numpy()
    assert lat[there].min() > 40.79
    assert lat[there].max() < 41.31
    assert not there[(abs(lon + 99.0) < 0.08) & (abs(lat - 41.05) < 0.04)].any()
    with pytest.raises(DataError, match="there is no area in it"):
        error_map(truth.table, region={"type": "Point", "coordinates": [0, 0]})


def test_next_trap_gain_is_what_a_new_site_brings(truth: Truth) -> None:
    # Add the site to the equations and see the mean variance fall: the formula must say the same (computed).
    from phenofit.maps.kriging.next_trap import next_trap_gain
    from phenofit.maps.kriging.ordinary import Kriging, SiteData

    rng = np.random.default_rng(0)
    data = SiteData(rng.uniform(0, 1e5, (20, 2)), rng.normal(size=20), np.full(20, 0.5), np.ones((20, 1)))
    model = Kriging(data, "exponential", 3e4, 4.0, 0.3)
    xx, yy = np.meshgrid(np.linspace(0, 1e5, 15), np.linspace(0, 1e5, 15))
    cells, ones = np.column_stack([xx.ravel(), yy.ravel()]), np.ones((225, 1))
    gain, before = next_trap_gain(model, cells, ones, variance=0.8)
    assert before == pytest.approx(model.predict(cells, ones)[1].mean())
    for k in (0, 57, 224):
        more = SiteData(
            np.vstack([data.points, cells[k]]),
            np.append(data.values, 0.0),
            np.append(data.variances, 0.8),
            np.ones((21, 1)),
        )
        after = Kriging(more, "exponential", 3e4, 4.0, 0.3).predict(cells, ones)[1].mean()
        assert gain[k] == pytest.approx(before - after, abs=1e-9)


def test_netcdf_follows_cf_and_opens_in_gdal_at_the_right_place(dataset: xr.Dataset, tmp_path: Path) -> None:
    path = tmp_path / "error_map.nc"
    write_error_map(dataset, path)
    again = xr.load_dataset(path, engine="netcdf4", decode_timedelta=False)
    xr.testing.assert_equal(again["mean_error"], dataset["mean_error"])
    assert list(again["site"].to_numpy()) == list(dataset["site"].to_numpy())
    assert again.attrs["Conventions"] == "CF-1.11"
    assert again["mean_error"].attrs["units"] == "day"
    assert "latitude" in again["mean_error"].coords
    import cf_xarray  # noqa: F401

    assert again.cf["projection_x_coordinate"].name == "x"
    assert (
        "crs" in again["mean_error"].attrs["grid_mapping"] or "grid_mapping" in again["mean_error"].encoding
    )
    # The NetCDF driver of GDAL itself, where this build of rasterio has it, must find the same corner.
    with rasterio.Env() as environment:
        if "netCDF" not in environment.drivers():
            pytest.skip("this build of GDAL has no NetCDF driver; the GeoTIFF is checked instead")
    with rasterio.open(f"netcdf:{path}:mean_error") as file:
        _check_place(file, dataset)


def test_geotiff_lies_where_the_map_lies(dataset: xr.Dataset, tmp_path: Path) -> None:
    write_geotiff(dataset, tmp_path / "m.tif")
    with rasterio.open(tmp_path / "m.tif") as file:
        _check_place(file, dataset)
        band = file.descriptions.index("mean_error") + 1
        np.testing.assert_array_equal(file.read(band), dataset["mean_error"].to_numpy())
        assert file.units[band - 1] == "day"
        assert file.tags()["invented_data"] == "yes"


def _check_place(file: Any, dataset: xr.Dataset) -> None:
    from rasterio.warp import transform  # type: ignore[import-untyped]

    row, column = 5, 7
    x, y = file.xy(row, column)
    longitude, latitude = transform(file.crs, "EPSG:4326", [x], [y])
    assert longitude[0] == pytest.approx(float(dataset["longitude"][row, column]), abs=1e-6)
    assert latitude[0] == pytest.approx(float(dataset["latitude"][row, column]), abs=1e-6)


def test_files_are_the_same_bytes_twice(dataset: xr.Dataset, tmp_path: Path) -> None:
    for name, write in (
        ("m.nc", write_error_map),
        ("m.tif", write_geotiff),
        ("s.geojson", write_sites_geojson),
    ):
        write(dataset, tmp_path / f"a-{name}")
        write(dataset, tmp_path / f"b-{name}")
        assert (tmp_path / f"a-{name}").read_bytes() == (tmp_path / f"b-{name}").read_bytes(), name


def test_geojson_of_sites(dataset: xr.Dataset, truth: Truth, tmp_path: Path) -> None:
    write_sites_geojson(dataset, tmp_path / "sites.geojson")
    content = json.loads((tmp_path / "sites.geojson").read_text("utf-8"))
    table = site_errors(truth.table).set_index("site")
    assert len(content["features"]) == 60
    for feature in content["features"][:5]:
        row = table.loc[feature["properties"]["site"]]
        assert feature["geometry"]["coordinates"] == pytest.approx(
            [row["longitude"], row["latitude"]], abs=1e-5
        )
        assert feature["properties"]["rmse"] == pytest.approx(row["rmse"], abs=1e-4)


def test_projection_comes_back_from_the_file(dataset: xr.Dataset) -> None:
    x, y = plane_of(dataset).to_plane(
        dataset["site_longitude"].to_numpy(), dataset["site_latitude"].to_numpy()
    )
    np.testing.assert_allclose(x, dataset["site_x"], atol=1e-6)
    np.testing.assert_allclose(y, dataset["site_y"], atol=1e-6)
    with pytest.raises(ModelError, match="is not a map"):
        plane_of(xr.Dataset())


def test_without_the_extra_sites_still_work(truth: Truth, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyproj", None)
    with pytest.raises(MissingExtraError, match=r'pip install "phenofit-toolkit\[maps\]"'):
        error_map(truth.table)
    assert len(site_errors(truth.table)) == 60
