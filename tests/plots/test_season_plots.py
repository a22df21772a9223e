"""The figure of a season forecast: its marks are the quantiles of the forecast, its curve the heat of the place."""

from __future__ import annotations

import numpy as np
import pytest

import phenofit
from phenofit.forecasting.forecast_places import place_heat
from tests.forecast.fits import small_fit
from tests.validate.networks import SEASON, network


@pytest.fixture(scope="module")
def season() -> phenofit.forecasting.SeasonForecast:
    n = network(sites=6, years=5)
    records = phenofit.Records(n.trap_years(), n.weather, n.links, SEASON)
    return phenofit.forecast(small_fit(), records, today="2018-06-05", sites=["T00", "T01"], draws=100)


def test_marks_are_the_medians_of_the_forecast(season: phenofit.forecasting.SeasonForecast) -> None:
    axes = phenofit.plot_season(season, place="T01")
    first = SEASON.first_day(2018)
    medians = sorted(
        float((one.dates.quantile(0.5) - first) / np.timedelta64(1, "D"))
        for one in season.events
        if one.site == "T01"
    )
    marks = sorted(float(line.get_xdata()[0]) for line in axes.lines if line.get_marker() == "o")  # type: ignore[index, arg-type]
    assert marks == pytest.approx(medians, abs=0.51)  # dates are whole days
    place = next(one for one in season.places if one.site == "T01")
    red = next(line for line in axes.lines if line.get_linewidth() == 2.2)
    heat = place_heat(season.fit, place)[0]
    assert np.asarray(red.get_ydata()) == pytest.approx(heat[: len(np.asarray(red.get_ydata()))])
    assert np.asarray(red.get_xdata())[-1] == float((season.issued - first) / np.timedelta64(1, "D"))


def test_a_place_must_be_named_where_there_are_several(season: phenofit.forecasting.SeasonForecast) -> None:
    with pytest.raises(phenofit.ModelError, match="2 places; name one of them: T00, T01"):
        phenofit.plot_season(season)
    with pytest.raises(phenofit.ModelError, match="no place 'T09'; it has T00, T01"):
        phenofit.plot_season(season, place="T09")
    assert phenofit.plot_season(season, place=season.places[0]).get_xlabel().startswith("date, T00")


def test_heat_is_drawn_of_a_station_that_there_is(season: phenofit.forecasting.SeasonForecast) -> None:
    n = network(sites=6, years=5)
    station = str(n.weather["station"].values[0])
    axes = phenofit.plot_heat(small_fit(), n.weather, station)
    assert f"station {station}" in axes.get_xlabel()
    assert "°C-days" in axes.get_ylabel()
    with pytest.raises(phenofit.ModelError, match="no station 'nowhere'"):
        phenofit.plot_heat(small_fit(), n.weather, "nowhere")
