"""A fit with covariates at one place, and the forecasts and validations that must use it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.cli import main
from phenofit.errors import ModelError
from phenofit.flight import FlightFit, fit_at, fit_at_site
from phenofit.forecasting.local.local_check import local_check
from phenofit.forecasting.weather_years import station_series
from tests.calls import cross_validate, date_map, fit_flights, forecast_season
from tests.flight.networks import SEASON, Network, network

LATE = {"T0": 150.0, "T2": 150.0, "T4": 150.0}


@pytest.fixture(scope="module")
def net() -> Network:
    """Six traps, invented; half of them fly a third later. Two columns say so, each with another reference."""
    plain = network(site_shifts=tuple(LATE.items()), shift_sd=10.0)
    years = plain.trap_years.years
    late = years["trap"].isin(list(LATE))
    columns = years.assign(kind=np.where(late, "z late", "early"), turned=np.where(late, "late", "z early"))
    return replace(plain, trap_years=replace(plain.trap_years, years=columns))


def fit(net: Network, *covariates: str, curve: str = "normal") -> FlightFit:
    return fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        covariates=covariates,
        curve=curve,
        profiles=False,
    )


@pytest.fixture(scope="module")
def by_kind(net: Network) -> FlightFit:
    return fit(net, "kind")


@pytest.mark.parametrize("curve", ["normal", "log-normal"])
def test_the_place_of_another_reference_is_that_reference(net: Network, curve: str) -> None:
    first, turned = fit(net, "kind", curve=curve), fit(net, "turned", curve=curve)
    here = fit_at(first, {"kind": "z late"})
    assert here.requirement() == pytest.approx(turned.requirement(), rel=1e-3)
    assert here.spread() == pytest.approx(turned.spread(), rel=1e-3)
    # Only a curve of log heat takes its spread along.
    assert (here.spread() == first.spread()) == (curve == "normal")
    assert here.settings.covariates == ()
    names = ["base", "requirement_1", "log spread_1"]
    moved = here.covariance.loc[names, names].to_numpy()
    wanted = turned.covariance.loc[names, names].to_numpy()
    # Curvatures by differences of a quadrature: standard errors agree to a few per cent.
    np.testing.assert_allclose(np.sqrt(np.diag(moved)), np.sqrt(np.diag(wanted)), rtol=0.05)
    correlation = [m[0, 1:] / np.sqrt(m[0, 0] * np.diag(m)[1:]) for m in (moved, wanted)]
    np.testing.assert_allclose(correlation[0], correlation[1], atol=0.02)


def test_without_covariates_nothing_changes(net: Network) -> None:
    plain = fit(net)
    assert fit_at(plain, {}) is plain
    assert fit_at_site(plain, "anywhere") is plain


def test_an_effect_moves_a_held_requirement(net: Network) -> None:
    held = fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        covariates=("kind",),
        base=10.0,
        hold={"requirement_1": 500.0},
        profiles=False,
    )
    here = fit_at(held, {"kind": "z late"})
    ratio = np.exp(held.parameters["effect kind=z late"])
    assert here.requirement() == pytest.approx(500.0 * ratio)
    error = np.sqrt(float(held.covariance["effect kind=z late"].to_dict()["effect kind=z late"]))
    assert np.sqrt(float(here.covariance["requirement_1"].to_dict()["requirement_1"])) == pytest.approx(
        500.0 * ratio * error
    )
    assert "requirement_1" not in fit_at(held, {"kind": "early"}).covariance


def test_the_season_forecast_knows_its_sites(net: Network, by_kind: FlightFit) -> None:
    links = pd.DataFrame({"trap": ["T1", "T0", "new", "lost"], "station": "S1"})
    traps = pd.DataFrame({"trap": ["new"], "kind": ["z late"]})
    found = forecast_season(
        by_kind, net.weather, links, today="2014-05-01", traps=traps, events=("flight_50",)
    )
    medians = found.table().set_index("site")["median"]
    assert medians["T0"] > medians["T1"] + np.timedelta64(5, "D")
    assert medians["new"] == medians["T0"]
    assert [site for site, _ in found.failed] == ["lost"]
    assert "not known of 'lost'" in found.failed[0][1]


def test_validation_forecasts_each_site_with_its_own_columns(net: Network) -> None:
    found = {}
    for columns in ((), ("kind",)):
        table = cross_validate(
            net.trap_years,
            net.weather,
            net.links,
            season=SEASON,
            leave_out="site",
            events=("flight_50",),
            fit_options={"covariates": columns, "base": 10.0},
            draws=200,
        )
        fitted = table[table["forecaster"] == "fitted"]
        found[columns] = float(fitted["error_days"].abs().mean())
    # 150 degC d lie between the kinds, some twelve summer days; half of them are missed by the mean of all.
    assert found[()] > 4.0
    assert found[("kind",)] < 0.6 * found[()]


def test_a_level_only_the_held_out_site_has_is_told(net: Network) -> None:
    years = net.trap_years.years
    own = replace(net.trap_years, years=years.assign(own=years["trap"].replace({"T1": "T0", "T2": "T0"})))
    table = cross_validate(
        own,
        net.weather,
        net.links,
        season=SEASON,
        leave_out="site",
        events=("flight_50",),
        fit_options={"covariates": ("own",), "base": 10.0},
        draws=100,
    )
    lost = {fold for _, fold, reason in table.attrs["failed"] if "knows no level" in reason}
    assert len(lost) == 3  # T3, T4, T5; the level of T0 is shared by three sites


def test_local_checks_and_date_maps_want_one_place(net: Network, by_kind: FlightFit) -> None:
    series = station_series(net.weather)["S1"]
    with pytest.raises(ModelError, match="effects of kind"):
        local_check(by_kind, series, pd.DataFrame())
    with pytest.raises(ModelError, match="not known of every cell"):
        date_map(by_kind, net.weather, year=2014)


def test_the_local_command_takes_the_columns_of_the_place(
    net: Network, by_kind: FlightFit, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    by_kind.to_json(tmp_path / "fit.json")
    one = net.weather.sel(station=["S1"])[["tmin", "tmax"]].to_dataframe().reset_index()
    one.rename(columns={"time": "date"})[["station", "date", "tmin", "tmax"]].to_csv(
        tmp_path / "weather.csv", index=False
    )
    saw = ["--saw", "2013-06-01=0", "2013-06-08=4", "2013-06-15=9", "2013-06-22=1"]
    call = [
        "local",
        str(tmp_path / "fit.json"),
        "--weather",
        str(tmp_path / "weather.csv"),
        "--unit",
        "degC",
        *saw,
    ]
    assert main(call) == 2
    assert "needs the covariate 'kind'" in capsys.readouterr().err
    assert main([*call, "--covariates", "kind"]) == 2
    assert "--covariates takes COLUMN=VALUE, not 'kind'" in capsys.readouterr().err
    told = []
    for kind in ("early", "z late"):
        assert main([*call, "--covariates", f"kind={kind}"]) == 0
        told.append(capsys.readouterr().out.split("the forecast, ")[1][:6])
    assert told[0] != told[1]
