"""Distances against an independent geodesic library on the same sphere, and against angles known by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from phenofit.globe import EARTH_RADIUS_KM, distance_km


def test_radius_is_the_mean_radius_of_the_ellipsoid() -> None:
    # WGS 84 (NIMA TR8350.2): a = 6378137 m, 1/f = 298.257223563 (EPSG ellipsoid 7030).
    a = 6378.137
    b = a * (1 - 1 / 298.257223563)
    assert pytest.approx((2 * a + b) / 3, abs=5e-5) == EARTH_RADIUS_KM


@pytest.mark.parametrize(
    ("here", "there", "degrees"),
    [
        ((10.0, 5.0), (11.0, 5.0), 1.0),  # along a meridian
        ((0.0, 179.5), (0.0, -179.5), 1.0),  # across the date line
        ((0.0, 359.0), (0.0, 1.0), 2.0),  # longitudes counted to 360
        ((90.0, 12.0), (90.0, -140.0), 0.0),  # one pole, whatever its longitude
        ((90.0, 0.0), (-90.0, 77.0), 180.0),  # pole to pole
        ((89.0, 0.0), (89.0, 180.0), 2.0),  # over the pole
        ((0.0, 0.0), (0.0, 180.0), 180.0),  # antipodes on the equator
        ((37.0, -120.0), (-37.0, 60.0), 180.0),  # antipodes elsewhere
        ((0.0, 0.0), (45.0, 90.0), 90.0),  # any place on the meridian 90 degrees away
    ],
)
def test_angles_known_by_hand(here: tuple[float, float], there: tuple[float, float], degrees: float) -> None:
    expected = math.radians(degrees) * EARTH_RADIUS_KM
    # At antipodes the haversine form keeps about half of the digits: a tenth of a metre here.
    assert float(distance_km(*here, *there)) == pytest.approx(expected, rel=1e-8, abs=1e-9)
    assert float(distance_km(*there, *here)) == pytest.approx(expected, rel=1e-8, abs=1e-9)


def test_a_thousand_pairs_agree_with_a_geodesic_library() -> None:
    # Reference: PROJ's geodesics (Karney 2013) on the sphere of the same radius.
    pyproj = pytest.importorskip("pyproj", reason="the extra 'maps' is not installed")
    sphere = pyproj.Geod(a=EARTH_RADIUS_KM * 1000.0, b=EARTH_RADIUS_KM * 1000.0)
    rng = np.random.default_rng(6)
    lat = np.degrees(np.arcsin(rng.uniform(-1, 1, (2, 1000))))
    lon = rng.uniform(-180, 180, (2, 1000))
    near = rng.uniform(-0.01, 0.01, (2, 500))  # within a kilometre or so, as between neighbouring traps
    lat[1, :500], lon[1, :500] = np.clip(lat[0, :500] + near[0], -90, 90), lon[0, :500] + near[1]
    _, _, metres = sphere.inv(lon[0], lat[0], lon[1], lat[1])
    np.testing.assert_allclose(distance_km(lat[0], lon[0], lat[1], lon[1]), metres / 1000.0, rtol=2e-9)


def test_within_six_in_a_thousand_of_the_ellipsoid() -> None:
    pyproj = pytest.importorskip("pyproj", reason="the extra 'maps' is not installed")
    rng = np.random.default_rng(7)
    lat = np.degrees(np.arcsin(rng.uniform(-1, 1, (2, 1000))))
    lon = rng.uniform(-180, 180, (2, 1000))
    _, _, metres = pyproj.Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
    np.testing.assert_allclose(distance_km(lat[0], lon[0], lat[1], lon[1]), metres / 1000.0, rtol=6e-3)


def test_shapes_broadcast_and_an_unknown_place_is_unknown() -> None:
    lat, lon = np.array([44.0, np.nan, -30.0]), np.array([-98.0, 10.0, 140.0])
    apart = distance_km(lat[:, None], lon[:, None], lat[None, :], lon[None, :])
    assert apart.shape == (3, 3)
    assert np.isnan(apart[1]).all()
    assert np.isnan(apart[:, 1]).all()
    assert apart[0, 0] == apart[2, 2] == 0.0
    assert apart[0, 2] == apart[2, 0] > 10_000
