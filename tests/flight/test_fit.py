"""Fits of simulated networks: the truth found, coverage of intervals, boundary cases reported in sentences."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy.stats import t as student

from phenofit.errors import DataError, ModelError
from phenofit.flight import FlightFit
from phenofit.flight.estimate.setup import vector_of
from phenofit.flight.likelihood.log_likelihood import Layout
from phenofit.simulate import CheckPlan
from phenofit.traps import build_trap_years
from tests.calls import fit_flights, simulate_network
from tests.flight.networks import HEAT, SEASON, Network, network


def fit(net: Network, **options: object) -> FlightFit:
    return fit_flights(net.trap_years, net.weather, net.links, season=SEASON, **options)


@pytest.fixture(scope="module")
def one() -> FlightFit:
    return fit(network(sites=8), species="invented borer")


def test_the_truth_lies_inside_the_intervals(one: FlightFit) -> None:
    for name, truth in (("base", 10.0), ("requirement", 500.0), ("spread", 60.0), ("shift_sd", 20.0)):
        low, high = one.interval(name)
        assert low is not None
        assert high is not None
        assert low < truth < high
    assert one.converged


def test_interval_ends_are_where_the_refitted_likelihood_has_fallen_to_the_cut(one: FlightFit) -> None:
    # Five years: the fall for a normal mean whose variance is fitted (Mathematical Methods
    # for Physics and Engineering, section 31.7.5).
    cut = 5.0 * np.log1p(student.ppf(0.975, 4) ** 2 / 4.0)
    for name in ("base", "requirement_1"):
        for end in one.interval(name):
            assert end is not None
            options = {"base": end} if name == "base" else {"hold": {name: end}}
            held = fit(network(sites=8), profiles=False, **options)
            assert 2 * (one.log_likelihood - held.log_likelihood) == pytest.approx(cut, abs=0.1)


def test_a_held_base_leaves_a_narrower_requirement(one: FlightFit) -> None:
    held = fit(network(sites=8), base="50 degF")
    assert held.base == 10.0
    low, high = held.interval("requirement", flight=1)
    wide_low, wide_high = one.interval("requirement", flight=1)
    assert None not in (low, high, wide_low, wide_high)
    assert high - low < 0.5 * (wide_high - wide_low)  # type: ignore[operator]
    assert "base" not in held.profiles
    with pytest.raises(ModelError, match="no profile of 'base'"):
        held.interval("base")


def test_two_flights() -> None:
    net = network(sites=6, years=4, requirements=(400.0, 1000.0), spreads=(60.0, 85.0))
    both = fit(net, flights=2, base=10.0)
    for flight, truth in ((1, 400.0), (2, 1000.0)):
        low, high = both.interval("requirement", flight=flight)
        assert low is not None
        assert high is not None
        assert low < truth < high
    assert both.event_amount("flight_50", 2) == both.requirement(2)
    assert both.event_amount("flight_5", 1) < both.requirement(1) < both.event_amount("flight_95", 1)
    with pytest.raises(ModelError, match="2 flight"):
        both.requirement(3)


def test_real_weather_with_simulated_catches() -> None:
    # Daily extremes of Champion, Nebraska (file of the distribution aquacrop, Apache-2.0); the catches are invented.
    (found,) = [f for f in metadata.files("aquacrop") or [] if f.name == "champion_climate.txt"]
    table = pd.read_csv(Path(str(found.locate())), sep=r"\s+").query("Year >= 2009 and Year <= 2018")
    days = pd.to_datetime(table[["Year", "Month", "Day"]]).to_numpy()
    weather = xr.Dataset(
        {
            "tmin": (("station", "time"), table[["Tmin(C)"]].to_numpy(dtype=float).T),
            "tmax": (("station", "time"), table[["Tmax(C)"]].to_numpy(dtype=float).T),
        },
        coords={
            "station": ["champion"],
            "time": days.astype("datetime64[ns]"),
            "latitude": ("station", [40.4]),
            "longitude": ("station", [-101.7]),
            "elevation": ("station", [1029.0]),
        },
    )
    traps = pd.DataFrame(
        {
            "trap": list("ABCDEF"),
            "latitude": 40.4,
            "longitude": -101.7,
            "elevation_m": 1029.0,
            "station": "champion",
        }
    ).assign(site=lambda d: d["trap"])
    catches, _ = simulate_network(
        weather=weather,
        traps=traps,
        season=SEASON,
        heat=HEAT,
        base=10.0,
        requirements=(500.0,),
        spreads=(70.0,),
        shift_sd_year=15.0,
        shift_sd=20.0,
        concentration=10.0,
        checks=CheckPlan(),
        links=dict.fromkeys("ABCDEF", "champion"),
        seed=11,
    )
    net = Network(build_trap_years(traps, catches, SEASON), weather, traps[["trap", "station"]])
    result = fit(net)
    for name, truth in (("base", 10.0), ("requirement", 500.0), ("spread", 70.0)):
        low, high = result.interval(name)
        assert low is None or low < truth
        assert high is None or truth < high
    assert abs(result.base - 10.0) < 4.0


def test_json_goes_round_and_is_the_same_bytes(one: FlightFit, tmp_path: Path) -> None:
    path = tmp_path / "fit.json"
    text = one.to_json(path)
    back = FlightFit.from_json(path)
    assert back.to_json() == text
    assert back.interval("base") == one.interval("base")
    assert back.settings == one.settings
    assert fit(network(sites=8), species="invented borer").to_json() == text


def test_a_damaged_fit_file_is_told_by_its_key(one: FlightFit, tmp_path: Path) -> None:
    content = json.loads(one.to_json())
    content["parameters"]["base"] = "warm"
    content["colour"] = "blue"
    path = tmp_path / "bad.json"
    path.write_text(json.dumps(content))
    with pytest.raises(DataError) as caught:
        FlightFit.from_json(path)
    assert {p.column for p in caught.value.problems} == {"parameters.base", "colour"}
    path.write_text("{")
    with pytest.raises(DataError, match="is not JSON"):
        FlightFit.from_json(path)
    with pytest.raises(DataError, match="does not exist"):
        FlightFit.from_json(tmp_path / "absent.json")


def test_one_season_is_said_not_hidden() -> None:
    single = fit(network(years=1, sites=6))
    assert any("All records are from one year" in p for p in single.problems)
    assert "shift_sd_year" not in single.parameters
    assert all(math.isfinite(v) for v in single.parameters.values())


def test_one_trap_year_leaves_the_base_open() -> None:
    lone = fit(network(years=1, sites=1, moths=200.0))
    low, high = lone.interval("base")
    assert low is None or high is None
    assert any("do not fix the base" in p for p in lone.problems)
    assert any("one trap-year" in p for p in lone.problems)


def test_multinomial_pretends_to_know_more() -> None:
    # Without shift and swarming the interval is a fraction as wide: the reason for the fuller model.
    full = fit(network(sites=8), base=10.0)
    naive = fit(network(sites=8), base=10.0, shifts=(), counts="multinomial")
    width = [f.interval("requirement", flight=1) for f in (full, naive)]
    assert (width[1][1] - width[1][0]) < 0.4 * (width[0][1] - width[0][0])  # type: ignore[operator]


def test_a_stray_moth_in_october_does_not_move_the_base(one: FlightFit) -> None:
    net = network(sites=8)
    frame = net.trap_years.intervals.copy()
    last = frame.groupby("trap_year")["end"].idxmax().iloc[0]
    frame.loc[last, "count"] += 1
    moved = fit(Network(replace(net.trap_years, intervals=frame), net.weather, net.links), profiles=False)
    assert abs(moved.base - one.base) < 0.3


def test_missing_temperatures_leave_their_intervals_out_and_name_the_day() -> None:
    net = network(sites=4)
    weather = net.weather.copy(deep=True)
    weather["tmin"].loc[{"station": "S1", "time": "2012-06-01"}] = np.nan
    gap = fit(Network(net.trap_years, weather, net.links), profiles=False)
    told = gap.left_out[gap.left_out["reason"].str.contains("S1 has no temperature on 2012-06-01")]
    assert set(told["trap"]) == {"T0", "T2"}
    assert (told["season"] == "2012").all()
    assert gap.moths < fit(net, profiles=False).moths


def test_traps_without_a_station_or_a_moth_are_counted() -> None:
    net = network(sites=4)
    frame = net.trap_years.intervals.copy()
    frame.loc[frame["trap_year"] == 0, "count"] = 0
    links = net.links[net.links["trap"] != "T3"]
    some = fit(Network(replace(net.trap_years, intervals=frame), net.weather, links), profiles=False)
    reasons = some.left_out["reason"].value_counts()
    assert reasons["no moth caught: no timing in it"] == 1
    assert reasons["no weather station within reach"] == 5


def test_nothing_left_is_one_clear_message() -> None:
    net = network(sites=4)
    with pytest.raises(DataError, match=r"no trap-year is left to fit \(no weather station within reach"):
        fit(Network(net.trap_years, net.weather, net.links.iloc[:0]))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"curve": "bell"}, "no flight curve 'bell'"),
        ({"flights": 6}, "1 to 5 flights"),
        ({"shifts": ("month",)}, "not 'month'"),
        ({"counts": "poisson"}, "not 'poisson'"),
        ({"stray": 0.7}, "stray share"),
        ({"level": 0.2}, "confidence level"),
        ({"base_range": (9.0, 4.0)}, "from low to high"),
        ({"hold": {"requirment_1": 3.0}}, "no parameter 'requirment_1'"),
        ({"covariates": ("slope",)}, "no column 'slope'"),
    ],
)
def test_settings_outside_the_model_are_refused(options: dict[str, object], words: str) -> None:
    with pytest.raises(ModelError, match=words):
        fit(network(sites=4), **options)


def test_covariate_effect_is_found() -> None:
    net = network(sites=8, years=4, shift_sd=5.0)
    frame, years = net.trap_years.intervals, net.trap_years.years
    # Elevation has no part in the simulation: nothing to find. Then three traps are made a week late.
    flat = fit(net, base=10.0, covariates=("elevation_m",))
    low, high = flat.interval("effect elevation_m")
    assert low is not None
    assert high is not None
    assert low < 0.0 < high
    late = years.assign(cold=years["trap"].isin(["T1", "T4", "T6"]).astype(float))
    shift = frame["trap_year"].map(late.set_index("trap_year")["cold"]).to_numpy() * 7
    moved = frame.assign(
        start=frame["start"] + pd.to_timedelta(shift, unit="D"),
        end=frame["end"] + pd.to_timedelta(shift, unit="D"),
    )
    found = fit(
        Network(replace(net.trap_years, intervals=moved, years=late), net.weather, net.links),
        base=10.0,
        covariates=("cold",),
    )
    low, _ = found.interval("effect cold")
    assert low is not None
    assert low > 0.0


def test_summary_says_units_base_method_and_start(one: FlightFit) -> None:
    text = str(one)
    for words in ("single sine", "01-01", "degC d", "95 %", "trap-years", "invented borer"):
        assert words in text
    assert "<script>" not in replace(one, problems=("<script>",))._repr_html_()
    assert "&lt;script&gt;" in replace(one, problems=("<script>",))._repr_html_()


def test_draws_follow_the_ridge(one: FlightFit) -> None:
    drawn = one.draws(4000, seed=1)
    assert np.corrcoef(drawn["base"], drawn["requirement_1"])[0, 1] < -0.9
    pd.testing.assert_frame_equal(drawn, one.draws(4000, seed=1))
    assert drawn["requirement_1"].mean() == pytest.approx(one.requirement(), rel=0.05)


def test_a_loosely_known_requirement_keeps_its_error() -> None:
    # Few trap-years with a large shift know the requirement to some 50 °C-days only; its error must not vanish.
    loose = fit(network(sites=2, years=3, shift_sd=150.0, shift_sd_year=80.0), base=10.0, profiles=False)
    assert "requirement_1" in loose.covariance.columns
    assert loose.draws(500)["requirement_1"].std() > 15.0


def test_no_strays_at_all_is_allowed() -> None:
    none = fit(network(sites=4), stray=0.0, profiles=False)
    few = fit(network(sites=4), stray=1e-6, profiles=False)
    assert none.log_likelihood == pytest.approx(few.log_likelihood, abs=0.05)
    assert none.parameters["stray_share"] < 1e-8


def test_a_model_without_strays_can_be_opened_again() -> None:
    layout = Layout(1)
    values = {
        "base": 10.0,
        "requirement_1": 500.0,
        "spread_1": 60.0,
        "concentration": 9.0,
        "stray_share": 0.0,
    }
    assert np.isfinite(vector_of(values, layout, "year")).all()
