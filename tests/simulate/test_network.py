"""Simulated catches: the moments of the model they claim to come from, computed apart from the simulator."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy import stats

from phenofit.errors import ModelError
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate import CheckPlan
from tests.calls import simulate_network

SEASON = Season.parse("01-01", "10-31")
WEEKLY = CheckPlan(first="02-01", last="10-01")


def steady_weather(years: int = 1, *, tmin: float = 15.0, tmax: float = 25.0) -> xr.Dataset:
    """Every day alike and above the base: heat above 10 degC is exactly 10 degC d a day by any method."""
    time = pd.date_range("2001-01-01", f"{2000 + years}-12-31").to_numpy()
    shape = (1, len(time))
    return xr.Dataset(
        {
            "tmin": (("station", "time"), np.full(shape, tmin)),
            "tmax": (("station", "time"), np.full(shape, tmax)),
        },
        coords={
            "station": ["S"],
            "time": time,
            "latitude": ("station", [42.0]),
            "longitude": ("station", [-98.0]),
        },
    )


def traps(count: int, *, sites: int | None = None) -> pd.DataFrame:
    names = [f"T{i:04d}" for i in range(count)]
    return pd.DataFrame(
        {
            "trap": names,
            "site": [f"site {i % (sites or count)}" for i in range(count)],
            "latitude": 42.0,
            "longitude": -98.0,
        }
    )


def draw(table: pd.DataFrame, *, length: int = 1, **changes: Any) -> tuple[pd.DataFrame, dict[str, Any]]:
    settings: dict[str, Any] = {
        "weather": steady_weather(length),
        "traps": table,
        "season": SEASON,
        "heat": HeatSettings(),
        "base": 10.0,
        "requirements": [1200.0],
        "spreads": [150.0],
        "checks": WEEKLY,
        "seed": 4,
    }
    return simulate_network(**{**settings, **changes})


def counts_by_trap(catches: pd.DataFrame) -> np.ndarray:
    return catches.pivot_table(
        index=["trap", catches["check"].dt.year], columns="check", values="count"
    ).to_numpy()


def test_shares_of_the_checks_are_those_of_the_normal_curve_of_heat() -> None:
    catches, _ = draw(traps(400), moths_per_trap_year=500)
    found = counts_by_trap(catches).sum(axis=0)
    # 10 degC d a day from 1 January: at midday of day d (0 = 1 January) the heat is 10 (d + 1/2).
    days = np.arange(31, 31 + 7 * (len(found) + 1), 7)
    expected = np.diff(stats.norm.cdf(10 * (days + 0.5), 1200, 150))
    expected /= expected.sum()
    assert found.sum() > 150_000
    assert np.abs(found / found.sum() - expected).max() < 0.002


def test_logistic_curve_is_the_one_of_scipy() -> None:
    catches, _ = draw(traps(400), moths_per_trap_year=500, curve="logistic", spreads=[80.0])
    found = counts_by_trap(catches).sum(axis=0)
    days = np.arange(31, 31 + 7 * (len(found) + 1), 7)
    expected = np.diff(stats.logistic.cdf(10 * (days + 0.5), 1200, 80))
    assert np.abs(found / found.sum() - expected / expected.sum()).max() < 0.002


def test_swarming_widens_counts_as_the_dirichlet_multinomial_says() -> None:
    # Variance of a Dirichlet-multinomial count is n p (1-p) (n + phi) / (1 + phi) (Mosimann 1962; as
    # scipy.stats.dirichlet_multinomial.var).
    phi = 12.0
    catches, truth = draw(traps(4000), concentration=phi, moths_per_trap_year=80, moths_size=1e6)
    counts = counts_by_trap(catches)
    n = counts.sum(axis=1)
    p = counts.sum(axis=0) / counts.sum()
    peak = int(p.argmax())
    expected = float(np.mean(n * p[peak] * (1 - p[peak]) * (n + phi) / (1 + phi)))
    observed = float(np.mean((counts[:, peak] - n * p[peak]) ** 2))
    assert observed == pytest.approx(expected, rel=0.08)
    assert truth["parameters"][-1] == {
        "parameter": "concentration",
        "flight": None,
        "value": phi,
        "unit": "1",
    }


def test_totals_are_negative_binomial_with_the_asked_mean_and_size() -> None:
    catches, _ = draw(traps(4000), moths_per_trap_year=60, moths_size=2.0)
    total = counts_by_trap(catches).sum(axis=1)
    assert total.mean() == pytest.approx(60, rel=0.05)
    assert total.var() == pytest.approx(60 + 60**2 / 2.0, rel=0.12)  # mean + mean^2 / size (NB2)


def median_heat(catches: pd.DataFrame) -> pd.Series:
    """Heat at half of each trap-year's catch, by linear interpolation, at 10 degC d a day."""
    found = {}
    for (trap, year), rows in catches.groupby(["trap", catches["check"].dt.year]):
        day = (rows["check"] - pd.Timestamp(f"{year}-01-01")) / pd.Timedelta(days=1)
        share = rows["count"].cumsum() / rows["count"].sum()
        found[trap, year] = 10 * float(np.interp(0.5, share, day))
    return pd.Series(found)


@pytest.mark.slow
def test_shifts_of_year_site_and_trap_year_have_the_asked_variances() -> None:
    table = traps(60, sites=20)
    catches, _ = draw(
        table, length=30, shift_sd_year=40.0, shift_sd_site=25.0, shift_sd=15.0, moths_per_trap_year=3000,
        moths_size=50, spreads=[60.0], checks=CheckPlan(first="02-01", last="10-01", every=(1,)),
    )  # fmt: skip
    heat = median_heat(catches).unstack().to_numpy()
    site = np.array([int(name.split()[1]) for name in table["site"]])
    residual = heat - heat.mean(axis=0, keepdims=True) - heat.mean(axis=1, keepdims=True) + heat.mean()
    of_site = np.array([heat[site == s].mean() for s in range(20)])
    assert heat.mean(axis=0).std(ddof=1) == pytest.approx(40.0, rel=0.3)
    assert of_site.std(ddof=1) == pytest.approx(25.0, rel=0.35)
    assert residual.std() == pytest.approx(15.0, rel=0.12)


def test_truth_names_the_shifts_that_the_catches_show() -> None:
    catches, truth = draw(
        traps(40, sites=4), length=6, shift_sd_year=60.0, moths_per_trap_year=2000, spreads=[60.0],
        site_shifts={"site 3": 200.0}, checks=CheckPlan(first="02-01", last="10-01", every=(1,)),
    )  # fmt: skip
    heat = median_heat(catches).unstack()
    told = np.array(list(truth["year_shifts"].values()))
    assert heat.mean(axis=0).to_numpy() - heat.to_numpy().mean() == pytest.approx(told - told.mean(), abs=3)
    late = heat.index.isin([f"T{i:04d}" for i in range(3, 40, 4)])
    assert heat[late].to_numpy().mean() - heat[~late].to_numpy().mean() == pytest.approx(200, abs=3)
    assert truth["site_shifts"] == {"site 0": 0.0, "site 1": 0.0, "site 2": 0.0, "site 3": 200.0}


def test_a_base_above_the_weather_gives_its_heat_later() -> None:
    # Days of 15 to 25 degC give 5 degC d above 15 degC: 600 degC d take as long as 1200 above 10 degC.
    low, _ = draw(traps(50), moths_per_trap_year=1000)
    high, _ = draw(traps(50), moths_per_trap_year=1000, base=15.0, requirements=[600.0], spreads=[75.0])
    assert median_heat(low).mean() == pytest.approx(median_heat(high).mean(), abs=3)


def test_flight_shares_vary_and_their_mean_is_the_asked_one() -> None:
    catches, truth = draw(
        traps(600), requirements=[800.0, 2000.0], spreads=[60.0, 80.0], shares=[1.0, 3.0], share_concentration=10.0,
        moths_per_trap_year=800, moths_size=1e6,
    )  # fmt: skip
    early = catches[catches["check"] < "2001-05-20"].groupby("trap")["count"].sum()
    share = early / catches.groupby("trap")["count"].sum()
    assert share.mean() == pytest.approx(0.25, abs=0.015)
    # Variance of a Dirichlet share: a (A - a) / (A^2 (A + 1)), A = 10, a = 2.5.
    assert share.std() == pytest.approx(np.sqrt(2.5 * 7.5 / (100 * 11)), rel=0.12)
    assert truth["trap_years"][0]["flight_shares"][0] == pytest.approx(share.iloc[0], abs=0.05)


def test_missed_checks_keep_their_moths_and_lost_traps_do_not() -> None:
    plan = CheckPlan(first="02-01", last="10-01", missed=0.2, lost=0.1)
    catches, truth = draw(traps(500), checks=plan, moths_per_trap_year=300, moths_size=1e6)
    told = pd.DataFrame(truth["trap_years"])
    assert (catches["status"] == "missing").sum() == told["missed_checks"].sum() > 1000
    assert (catches["status"] == "lost").sum() == told["times_lost"].sum() > 500
    assert catches.loc[catches["status"] != "counted", "count"].isna().all()
    whole = told[told["times_lost"] == 0].set_index("trap")
    counted = catches.groupby("trap")["count"].sum()
    assert (counted[whole.index] == whole["moths"]).all(), (
        "without a loss every moth is counted at some check"
    )
    lost = told[told["times_lost"] > 0].set_index("trap")
    assert (counted[lost.index] < lost["moths"]).mean() > 0.3


def test_set_stands_where_a_trap_was_newly_set_and_only_there() -> None:
    catches, _ = draw(traps(80), checks=CheckPlan(first="02-01", last="10-01", missed=0.1, lost=0.1))
    for _, rows in catches.groupby("trap"):
        status, is_set = rows["status"].tolist(), rows["set"].notna().tolist()
        assert is_set[0]
        assert is_set[1:] == [state == "lost" for state in status[:-1]]
        for before, after in pairwise(rows.to_dict("records")):
            if not pd.isna(after["set"]):
                assert after["set"] == before["check"]


def test_every_check_is_a_midday_and_comes_in_its_turn() -> None:
    catches, _ = draw(traps(3), checks=CheckPlan(first="02-01", last="06-01", every=(3, 4)))
    assert (catches["check"].dt.hour == 12).all()
    steps = catches.groupby("trap")["check"].diff().dropna().dt.days
    assert set(steps) == {3, 4}


def test_late_starts_lose_the_moths_that_flew_before() -> None:
    plan = CheckPlan(first="03-25", last="10-01", late=0.5, late_days=(35, 35))
    catches, truth = draw(traps(2000), checks=plan, moths_per_trap_year=200, moths_size=1e6)
    told = pd.DataFrame(truth["trap_years"]).set_index("trap")
    assert told["late_start"].mean() == pytest.approx(0.5, abs=0.04)
    ratio = told.loc[told["late_start"], "moths"].mean() / told.loc[~told["late_start"], "moths"].mean()
    # Set on 29 April (day 118): 10 * 118.5 degC d have gone by; computed from the normal distribution.
    assert ratio == pytest.approx(stats.norm.sf(1185, 1200, 150) / stats.norm.sf(835, 1200, 150), abs=0.02)
    assert (
        catches.groupby("trap")["set"]
        .first()[told.index[told["late_start"]]]
        .dt.strftime("%m-%d")
        .eq("04-29")
        .all()
    )


def test_a_season_may_cross_new_year() -> None:
    season = Season.parse("07-01", "05-31")
    catches, truth = draw(
        traps(3),
        length=3,
        season=season,
        checks=CheckPlan(first="09-01", last="04-30"),
        moths_per_trap_year=100,
    )
    assert list(truth["year_shifts"]) == ["2001/02", "2002/03"]
    assert set(season.year_of(catches["check"].to_numpy())) == {2001, 2002}


def test_same_seed_same_table_other_seed_other_table() -> None:
    first, truth = draw(traps(5), shift_sd=20.0, concentration=10.0, seed=8)
    second, again = draw(traps(5), shift_sd=20.0, concentration=10.0, seed=8)
    other, _ = draw(traps(5), shift_sd=20.0, concentration=10.0, seed=9)
    pd.testing.assert_frame_equal(first, second)
    assert truth == again
    assert not first["count"].equals(other["count"])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"spreads": [1.0, 2.0]}, "1 requirements, 2 spreads"),
        ({"spreads": [0.0]}, "above zero"),
        ({"stray": 1.0}, "stray is 1"),
        ({"curve": "triangle"}, "knows no curve 'triangle'"),
        ({"checks": {"T0000": WEEKLY}}, "no plan of checks is given for trap 'T0001'"),
        ({"site_shifts": {"elsewhere": 5.0}}, "site 'elsewhere', which has no trap"),
        ({"years": [2007]}, "no weather for the whole season 2007"),
        ({"checks": CheckPlan(first="11-05")}, "outside the season"),
        ({"checks": CheckPlan(first="03-01", last="03-03")}, "leave none"),
    ],
)
def test_wrong_calls_are_refused_in_words(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ModelError, match=words):
        draw(traps(2), **changes)


def test_plans_that_cannot_be_are_refused() -> None:
    with pytest.raises(ModelError, match="whole days from 1"):
        CheckPlan(every=(0,))
    with pytest.raises(ModelError, match=r"missed is 1\.5"):
        CheckPlan(missed=1.5)
    with pytest.raises(ModelError, match="least and the largest"):
        CheckPlan(late_days=(9, 3))
