"""Plans against closed forms, against simulation, and refusals in words."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import ModelError
from phenofit.flight import FitSettings
from phenofit.heat.settings import HeatSettings
from phenofit.plan import PLAN_COLUMNS, PlanTruth, truth_of_fit
from phenofit.plan.design import information
from phenofit.plan.plan_figure import draw_plan, write_plan_figure
from phenofit.plan.weather_seasons import check_plan, plan_weather
from phenofit.seasons import Season
from phenofit.simulate import simulate_weather, with_gaps
from tests.calls import fit_flights, plan_network
from tests.flight.networks import network
from tests.flight.reference import sine_heat

SEASON = Season.parse("01-01", "10-31")


@cache
def weather() -> xr.Dataset:
    stations = pd.DataFrame(
        {"station": ["A", "B"], "latitude": [42.0, 42.5], "longitude": -97.0, "elevation_m": 500.0}
    )
    return simulate_weather(stations, first="2010-01-01", last="2017-12-31", seed=1)


def truth(base: float | None = None, **values: float) -> PlanTruth:
    shifts = tuple(
        part for part, name in (("year", "shift_sd_year"), ("trap-year", "shift_sd")) if name in values
    )
    model = FitSettings(
        SEASON,
        heat=HeatSettings(),
        base="fit" if base is None else base,
        shifts=shifts,
        counts="dirichlet-multinomial" if "concentration" in values else "multinomial",
        stray=1e-6,
    )
    return PlanTruth(model, 10.0, (500.0,), (60.0,), **values)  # type: ignore[arg-type]


def test_independent_moths_fix_a_requirement_as_a_mean_is_fixed() -> None:
    # Daily checks, base known, no shift: the requirement is the mean of N normal moths, SE = s / sqrt(N). Textbook.
    table = plan_network(
        truth(10.0), weather(), sites=[4], years=[2], checks_per_week=[7], moths=[300], networks=10
    )
    assert list(table.columns) == list(PLAN_COLUMNS)
    expected = 2 * 1.959964 * 60.0 / math.sqrt(4 * 2 * 300)
    assert table["requirement_width_degC_d"].iloc[0] == pytest.approx(expected, rel=0.1)
    assert table["base_width_degC"].isna().all()


def test_shifts_limit_what_moths_can_tell() -> None:
    # Very many moths: each year is one number with variance year + trap-year / sites; t with years - 1 degrees.
    values = truth(10.0, shift_sd_year=20.0, shift_sd=20.0)
    table = plan_network(values, weather(), sites=[8], years=[6], moths=[2000], networks=30)
    expected = 2 * 2.570582 * math.sqrt((20.0**2 + 20.0**2 / 8) / 6)
    assert table["requirement_width_degC_d"].iloc[0] == pytest.approx(expected, rel=0.15)


def test_the_least_error_is_that_of_the_shifts() -> None:
    table = plan_network(truth(10.0, shift_sd=30.0), weather(), sites=[3], years=[2], networks=1)
    rates = []
    for station in ("A", "B"):
        for year in range(2010, 2018):
            part = weather().sel(station=station, time=slice(f"{year}-01-01", f"{year}-10-31"))
            heat = np.cumsum(sine_heat(part["tmin"].to_numpy(), part["tmax"].to_numpy(), 10.0))
            at = int(np.argmax(heat >= 500.0))
            rates.append((heat[at + 3] - heat[at - 4]) / 7.0)
    expected = math.sqrt(2 / math.pi) * 30.0 * np.mean(1.0 / np.array(rates))
    assert table["least_error_days"].iloc[0] == pytest.approx(expected, rel=0.03)
    assert table["held_out_error_days"].iloc[0] > table["least_error_days"].iloc[0]


@pytest.mark.slow
def test_a_plan_is_the_same_again_and_on_several_workers() -> None:
    values = truth(shift_sd_year=15.0, shift_sd=20.0, concentration=10.0)

    def planned(pool: ThreadPoolExecutor | None) -> pd.DataFrame:
        return plan_network(
            values, weather(), sites=[3, 6], years=[3, 6], networks=2, simulations=1, executor=pool
        )

    with ThreadPoolExecutor(2) as pool:
        table = planned(pool)
    pd.testing.assert_frame_equal(planned(None), table)
    assert len(table) == 4
    few = table[table["sites"] == 3].set_index("years")
    widths = few["requirement_width_degC_d"]
    assert widths.loc[3] > widths.loc[6]
    # Most networks of three sites and years leave the base open; so did 19 of 40 fitted ones of four sites.
    assert np.isnan(few["base_width_degC"].loc[3])
    assert any("open in half of such networks" in note for note in table.attrs["notes"])
    assert (table["simulated_networks"] == 1).all()
    assert table["simulated_error_days"].between(0.1, 15.0).all()
    assert any("fewer than four years" in note for note in table.attrs["notes"])
    assert "The weather is invented." in table.attrs["notes"]


@pytest.mark.slow
@pytest.mark.parametrize(("sites", "years"), [(4, 5), (8, 5), (8, 10)])
def test_expected_widths_are_confirmed_by_simulation(sites: int, years: int) -> None:
    values = truth(shift_sd_year=15.0, shift_sd=20.0, concentration=10.0)
    with ThreadPoolExecutor(2) as executor:
        table = plan_network(
            values, weather(), sites=[sites], years=[years], networks=40, simulations=60, executor=executor
        )
    row = table.iloc[0]
    assert row["simulated_failed"] == 0
    # Computed: the median of these 60 widths lies within 5 % of the expected one. Of 150 networks (60 of 8 sites and 10 years)
    # with 8 and with 25 seasons of weather, the expected widths of the base were 1 % less to 6 % more, those of the
    # requirement 2 % less to 9 % more.
    for name in ("base_width_degC", "requirement_width_degC_d"):
        assert row[f"simulated_{name}"] == pytest.approx(row[name], rel=0.1)
    assert row["simulated_error_days"] == pytest.approx(row["held_out_error_days"], rel=0.15)
    assert row["simulated_base_covered"] >= 0.86  # 95 % less three binomial standard errors


def test_a_plan_from_a_fit_of_two_flights() -> None:
    net = network(sites=3, years=3, requirements=(300.0, 800.0), spreads=(50.0, 60.0), seed=5)
    fit = fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        base=10.0,
        flights=2,
        curve="log-normal",
        profiles=False,
    )
    values = truth_of_fit(fit)
    assert values.settings.curve == "normal"
    assert "normal curve in place of the fitted log-normal" in values.notes[0]
    assert sum(values.shares) == pytest.approx(1.0)
    table = plan_network(fit, net.weather, sites=[4], years=[3], networks=2)
    assert table["flight"].tolist() == [1, 2]
    assert (table["requirement_width_degC_d"] > 0).all()


def test_traps_stand_while_moths_fly() -> None:
    past = plan_weather(weather(), SEASON)
    assert past.seasons == 8
    plan = check_plan(truth(10.0, shift_sd=20.0), past, 2.0)
    assert plan.every == (4, 3) or plan.every == (3, 4)
    for station in ("A", "B"):
        for year in range(2010, 2018):
            part = weather().sel(station=station, time=slice(f"{year}-01-01", f"{year}-10-31"))
            heat = np.cumsum(sine_heat(part["tmin"].to_numpy(), part["tmax"].to_numpy(), 10.0))
            day = part["time"].to_numpy()
            assert heat[np.searchsorted(day, np.datetime64(f"{year}-{plan.first}"))] < 320.0
            assert heat[np.searchsorted(day, np.datetime64(f"{year}-{plan.last}"))] > 680.0
    assert check_plan(truth(10.0), past, 0.5).every == (14,)
    # A season with a missing day is not drawn.
    assert plan_weather(with_gaps(weather(), [("A", "2012-05-01", "2012-05-01")]), SEASON).seasons == 7


def test_what_cannot_be_planned_is_refused() -> None:
    values = truth(10.0)
    for options, words in (
        ({"checks_per_week": [0.3]}, "0.3 checks a week cannot be planned"),
        ({"sites": [0]}, "sites must be numbers from 1 up"),
        ({"sites": [1], "years": [1]}, "fixes nothing"),
        ({"networks": 0}, "networks must be 1 or more"),
    ):
        with pytest.raises(ModelError, match=words):
            plan_network(values, weather(), **options)
    with pytest.raises(ModelError, match="no season is whole"):
        plan_weather(with_gaps(weather(), [("A", "2010-01-01", "2017-12-30")]), SEASON, ("A",))
    with pytest.raises(ModelError, match="a requirement and a spread for each"):
        PlanTruth(values.settings, 10.0, (500.0, 900.0), (60.0,))
    late = PlanTruth(values.settings, 10.0, (9000.0,), (60.0,))
    with pytest.raises(ModelError, match="would not come before"):
        plan_network(late, weather())


def test_the_figure_shows_every_network(tmp_path: Path) -> None:
    table = plan_network(
        truth(shift_sd_year=15.0, shift_sd=20.0, concentration=10.0),
        weather(),
        sites=[4, 8],
        years=[3, 5],
        networks=1,
    )
    figure = draw_plan(table)
    assert [axis.get_xlabel() for axis in figure.axes] == ["years"] * 3
    assert "invented data" in figure.get_suptitle()
    assert "[°C]" in figure.axes[0].get_ylabel()
    lines = figure.axes[0].get_lines()
    assert [line.get_label() for line in lines] == [
        "4 sites, 1 check a week, 60 moths",
        "8 sites, 1 check a week, 60 moths",
    ]
    assert np.asarray(lines[0].get_ydata()) == pytest.approx(
        table.loc[table["sites"] == 4, "base_width_degC"].to_numpy(), nan_ok=True
    )
    for name in ("a.png", "b.png"):
        write_plan_figure(table, tmp_path / name)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    with pytest.raises(ModelError, match="no flight 2"):
        draw_plan(table, flight=2)


def test_a_plan_from_years_crossed_with_sites_says_what_it_leaves_out() -> None:
    net = network(sites=4, years=4)
    call = (net.trap_years, net.weather, net.links)
    fit = fit_flights(*call, season=SEASON, base=10.0, shifts=("year", "site", "trap-year"), profiles=False)
    values = truth_of_fit(fit)
    assert values.settings.shifts == ("year", "trap-year")
    assert values.shift_total == pytest.approx(fit.shift_sd)
    assert any("counts the shift of sites" in note for note in values.notes)
    table = plan_network(values, net.weather, sites=[4, 16], years=[4], networks=4)
    widths = table["requirement_width_degC_d"].to_numpy()
    # Four years of SD 20 fix a mean to 2 t(3) 20 / sqrt(4) = 64 °C-days at best (computed).
    assert np.all((widths > 30.0) & (widths < 200.0))
    first = fit_flights(*call, season=SEASON, base=10.0, records="first catch", profiles=False)
    with pytest.raises(ModelError, match="whose moths are counted"):
        truth_of_fit(first)


def test_the_information_is_about_what_a_fit_fits() -> None:
    n = network(sites=4, years=3)
    fit = fit_flights(n.trap_years, n.weather, n.links, season=SEASON, profiles=False)
    assumed = PlanTruth(fit.settings, 10.0, (500.0,), (60.0,), 20.0, 0.0, 20.0, 10.0)
    found = information(assumed, n.data())
    # An entry without any information would be one that no fit has.
    assert (np.diag(found) > 0.0).all()
    assert len(found) == fit.fitted
