"""A place outside of the network: its station, and what distance and height add to its intervals."""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
import pytest

from phenofit.cli.options import position
from phenofit.errors import DataError, ModelError
from phenofit.flight.diagnostics.station_differences import temperature_rule
from phenofit.forecasting import forecast
from phenofit.forecasting.other_place import other_place
from phenofit.heat import degree_days
from phenofit.records import Records
from phenofit.weather.links import link_stations
from tests.forecast.fits import small_fit
from tests.validate.networks import SEASON, network

N = network(sites=6, years=5)
RECORDS = Records(N.trap_years(), N.weather, link_stations(N.traps, N.weather), SEASON)
ELEVATION = float(N.weather["elevation"].sel(station="S0"))
AT = (float(N.weather["latitude"].sel(station="S0")), float(N.weather["longitude"].sel(station="S0")))


def width(records: Records, name: str, shift_sd: float) -> float:
    """Return the width of the 95 % interval of half of the flight at a place [d]."""
    found = forecast(small_fit(), records, today="2018-05-20", sites=[name], shifts={name: (0.0, shift_sd)})
    dates = next(one.dates for one in found.events if one.event == "flight_50")
    return dates.quantile_days(0.975) - dates.quantile_days(0.025)


def test_a_place_at_its_station_is_as_certain_as_a_site() -> None:
    place = other_place(small_fit(), RECORDS, AT, elevation_m=ELEVATION)
    assert place.shift_sd == pytest.approx(small_fit().parameters.get("shift_sd_site", 0.0))
    assert "weather of station S0, 0.0 km away, +0 m" in place.words


def test_height_widens_the_interval_by_its_lapse() -> None:
    fit = small_fit()
    place = other_place(fit, RECORDS, AT, elevation_m=ELEVATION + 400.0)
    # By hand: a degree is worth the days above the base up to half of the flight; 400 m are 2.6 degC.
    worth = []
    for year in range(2014, 2019):
        days = N.weather.sel(station="S0", time=slice(f"{year}-01-01", f"{year}-10-31"))
        sums = [
            np.cumsum(
                degree_days(days["tmin"].to_numpy() + warmer, days["tmax"].to_numpy() + warmer, base=fit.base)
            )
            for warmer in (0.0, 0.01)
        ]
        at = int(np.searchsorted(sums[0], fit.requirement())) - 1
        worth.append((sums[1][at] - sums[0][at]) / 0.01)
    rule = temperature_rule(N.weather, N.weather["time"].to_numpy().astype("datetime64[D]"))
    own = rule.expected_sd(0.02 * 111.2, 0.0)  # what the traps differ from their stations, about 2.8 km away
    assert place.shift_sd == pytest.approx(np.mean(worth) * math.sqrt(2.6**2 - own**2), rel=0.03)
    near = other_place(fit, RECORDS, AT, elevation_m=ELEVATION)
    assert width(place.records, place.name, place.shift_sd) > 1.5 * width(
        near.records, near.name, near.shift_sd
    )


def test_an_unknown_height_is_said_and_not_counted() -> None:
    place = other_place(small_fit(), RECORDS, AT)
    assert "height of the place not given" in place.words
    assert place.shift_sd == other_place(small_fit(), RECORDS, AT, elevation_m=ELEVATION).shift_sd


def test_no_station_in_reach_and_no_position_are_refused() -> None:
    with pytest.raises(DataError, match="the nearest station"):
        other_place(small_fit(), RECORDS, (0.0, 0.0))
    with pytest.raises(ModelError, match="no latitude"):
        other_place(small_fit(), RECORDS, (91.0, 0.0))
    with pytest.raises(ModelError, match="effects of crop; say what they are"):
        other_place(
            replace(small_fit(), settings=replace(small_fit().settings, covariates=("crop",))), RECORDS, AT
        )


@pytest.mark.parametrize(
    ("text", "found"),
    [("48.12,16.3", (48.12, 16.3)), ("33.1S, 151.2e", (-33.1, 151.2)), ("-33.1,-70", (-33.1, -70.0)), ("90N,180W", (90.0, -180.0))],
)  # fmt: skip
def test_positions_are_read(text: str, found: tuple[float, float]) -> None:
    assert position(text) == found


@pytest.mark.parametrize(
    "text", ["48.12", "48.12;16.3", "90.1,0", "0,180.5", "16E,48N", "-1S,2", "a,b", "nan,1", ""]
)
def test_what_is_no_position_is_refused(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="no latitude and longitude"):
        position(text)
