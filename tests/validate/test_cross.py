"""Validation on simulated networks with known truth: no leak, honest intervals, errors near the oracle's."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import linregress
from scipy.stats import t as student_t

from phenofit.errors import ModelError
from phenofit.flight import FlightModel
from phenofit.forecasting.weather_years import station_series
from phenofit.records import Records
from phenofit.traps import TrapYears
from phenofit.validate import (
    VALIDATION_COLUMNS,
    PublishedThreshold,
    pit_histogram,
    reliability,
    score_forecasts,
    trend_test,
)
from phenofit.validate.cross import cross_validate as validate_records
from phenofit.validate.forecasters import Calendar, Setting, Target
from phenofit.validate.schemes import SCHEMES, Scheme, make_folds
from tests.calls import compare_published, cross_validate
from tests.validate.networks import HEAT, SEASON, network

TRUE = PublishedThreshold(
    id="true", species="s", event="flight_50", flight=1, amount=450.0, unit="degC d", base=10.0,
    method="single sine", start="01-01",
)  # fmt: skip
OFF = replace(TRUE, id="off", amount=620.0, base=8.0, method="simple average", start="03-01")


def validate(
    records: TrapYears | None = None, *, sites: int = 6, years: int = 5, **options: object
) -> pd.DataFrame:
    n = network(sites=sites, years=years)
    return cross_validate(
        n.trap_years() if records is None else records, n.weather, n.links, season=SEASON, heat=HEAT, species="s",
        **{"draws": 200, "events": ("flight_5", "flight_50"), **options},  # type: ignore[arg-type]
    )  # fmt: skip


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return validate(thresholds=(TRUE, OFF))


def test_the_table_has_its_columns_and_every_forecaster(table: pd.DataFrame) -> None:
    assert tuple(table.columns) == VALIDATION_COLUMNS
    assert set(table["forecaster"]) == {
        "fitted",
        "calendar mean",
        "published:true",
        "published:off",
        "published base, refitted",
        "published base, refitted: off",
    }
    assert set(table["fold"]) == {"2014", "2015", "2016", "2017", "2018"}


def test_errors_and_flags_follow_from_the_dates(table: pd.DataFrame) -> None:
    error = (table["predicted"] - table["observed"]).dt.total_seconds() / 86400.0
    assert np.allclose(error, table["error_days"], atol=1e-3)
    inside = (table["predicted"] >= table["observed_from"]) & (table["predicted"] <= table["observed_to"])
    assert (inside == table["inside_interval"]).mean() > 0.995  # dates are to the minute
    assert (table["observed_from"] <= table["observed"]).all()
    assert (table["observed"] <= table["observed_to"]).all()
    ranged = table[table["low95"].notna()]
    assert (ranged["low95"] <= ranged["low80"]).all()
    assert (ranged["low80"] <= ranged["predicted"]).all()
    covered = (ranged["observed"] >= ranged["low95"]) & (ranged["observed"] <= ranged["high95"])
    assert (covered == ranged["covered95"].astype(bool)).mean() > 0.995
    assert table.loc[table["forecaster"] == "published:true", "covered95"].isna().all()


def test_held_out_catches_never_reach_their_own_forecast() -> None:
    # The catches of 2016 are replaced by others with the same checks; the forecasts of 2016 must stay byte for byte.
    n = network(sites=4, years=4)
    clean = n.trap_years()
    spoilt = clean.intervals.copy()
    held = (spoilt["year"] == 2016).to_numpy()
    for trap_year in spoilt.loc[held, "trap_year"].unique():
        own = (spoilt["trap_year"] == trap_year).to_numpy()
        middle = int(own.sum() // 2)
        counts = np.zeros(own.sum(), dtype=np.int64)
        counts[middle - 1 : middle + 2] = [4, 30, 5]
        spoilt.loc[own, "count"] = counts
    totals = spoilt.groupby("trap_year")["count"].sum().to_numpy()
    bad = replace(clean, intervals=spoilt, years=clean.years.assign(total=totals))
    forecast = ["predicted", "low50", "high50", "low80", "high80", "low95", "high95"]
    keys = ["forecaster", "flight", "event", "trap"]
    before, after = (
        validate(records, sites=4, years=4, thresholds=(OFF,), events=("flight_50",))
        for records in (clean, bad)
    )

    def of_2016(rows: pd.DataFrame) -> pd.DataFrame:
        return rows[rows["year"] == 2016].set_index(keys)[forecast].sort_index()

    both = of_2016(before).index.intersection(of_2016(after).index)
    assert len(both) >= 12
    assert of_2016(before).loc[both].to_csv() == of_2016(after).loc[both].to_csv()
    # ... while the other folds, which learn from 2016, do change.
    other = before[before["year"] == 2014][forecast].reset_index(drop=True)
    assert not other.equals(after[after["year"] == 2014][forecast].reset_index(drop=True))


@pytest.mark.parametrize("scheme", SCHEMES)
def test_no_scheme_lets_held_out_catches_into_their_forecast(
    scheme: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The catches of the last fold are replaced; its forecasts must stay byte for byte, by every forecaster.
    n = network(sites=6, years=5)
    clean = n.trap_years()
    fold = make_folds(clean, scheme, blocks=2, first_years=3)[-1]
    # The other folds are not looked at, so they are not computed.
    monkeypatch.setattr("phenofit.validate.cross.make_folds", lambda *_, **__: [fold])
    spoilt = clean.intervals.copy()
    held = fold.test[spoilt["trap_year"].to_numpy()]
    spoilt.loc[held, "count"] = spoilt.loc[held, "count"].to_numpy()[::-1] + 1
    totals = spoilt.groupby("trap_year")["count"].sum().to_numpy()
    bad = replace(clean, intervals=spoilt, years=clean.years.assign(total=totals))
    asked = Scheme(scheme, events=("flight_50",), blocks=2, first_years=3, draws=100)
    model = FlightModel(base=10.0, curve="normal")
    found = []
    for trap_years in (clean, bad):
        records = Records(trap_years, n.weather, n.links, SEASON)
        table = validate_records(records, model, asked, thresholds=(OFF,), older=("least SD in days",))
        own = table[table["fold"] == fold.name].set_index(["forecaster", "trap", "season"])
        found.append(own[["predicted", "low95", "high95"]].sort_index())
    both = found[0].index.intersection(found[1].index)
    assert {name for name, _, _ in both} >= {"fitted", "calendar mean", f"published:{OFF.id}"}
    assert found[0].loc[both].to_csv() == found[1].loc[both].to_csv()


def test_a_curve_chosen_in_each_fold_leaks_nothing() -> None:
    # As above, with the shape of the flight to be chosen as well: the held-out year has no part in it.
    n = network(sites=4, years=3)
    clean = n.trap_years()
    spoilt = clean.intervals.copy()
    held = (spoilt["year"] == 2015).to_numpy()
    spoilt.loc[held, "count"] = spoilt.loc[held, "count"].to_numpy()[::-1]
    rows = []
    for records in (clean, replace(clean, intervals=spoilt)):
        found = validate(
            records, sites=4, years=3, events=("flight_50",), curve=("normal", "log-normal", "Weibull")
        )
        own = found[(found["year"] == 2015) & (found["forecaster"] == "fitted")]
        rows.append(own.set_index(["forecaster", "trap"])[["predicted", "low95", "high95"]].sort_index())
    both = rows[0].index.intersection(rows[1].index)
    assert len(both) >= 3
    assert rows[0].loc[both].to_csv() == rows[1].loc[both].to_csv()


@pytest.mark.slow
def test_two_flights_leak_nothing_either() -> None:
    n = network(sites=4, years=3, requirements=(350.0, 950.0), spreads=(50.0, 80.0), moths=160.0, seed=8)
    clean = n.trap_years()
    spoilt = clean.intervals.copy()
    held = (spoilt["year"] == 2015).to_numpy()
    spoilt.loc[held, "count"] = spoilt.loc[held, "count"].to_numpy()[::-1]
    bad = replace(clean, intervals=spoilt)
    options = {"season": SEASON, "heat": HEAT, "flights": 2, "draws": 100, "events": ("flight_50",)}
    rows = []
    for records in (clean, bad):
        found = cross_validate(records, n.weather, n.links, **options)  # type: ignore[arg-type]
        own = found[found["year"] == 2015].set_index(["forecaster", "flight", "trap"]).sort_index()
        rows.append(own[["predicted", "low95", "high95"]])
    both = rows[0].index.intersection(rows[1].index)
    assert len(both) >= 6
    assert rows[0].loc[both].to_csv() == rows[1].loc[both].to_csv()
    assert set(rows[0].reset_index()["flight"]) == {1, 2}


def test_an_executor_changes_nothing(table: pd.DataFrame) -> None:
    with ThreadPoolExecutor(2) as executor:
        found = validate(executor=executor)
    alone = table[table["forecaster"].isin(["fitted", "calendar mean"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(found, alone)


def test_the_fit_comes_near_the_truth_and_the_far_threshold_does_not(table: pd.DataFrame) -> None:
    scores = score_forecasts(table[table["event"] == "flight_50"])
    rmse, mae, worth = (
        dict(zip(scores["forecaster"], scores[c], strict=True)) for c in ("rmse_days", "mae_days", "skill")
    )
    # `published:true` is the oracle: base and requirement at their true values, no year seen.
    assert rmse["fitted"] <= 1.25 * rmse["published:true"]
    assert mae["published:off"] > mae["fitted"] + 1.0
    assert worth["fitted"] > 0.3


def test_verdicts_on_a_true_and_a_far_threshold(table: pd.DataFrame) -> None:
    n = network(sites=6, years=5)
    found = [
        compare_published(n.trap_years(), n.weather, n.links, t, season=SEASON, heat=HEAT, validation=table)
        for t in (TRUE, OFF)
    ]
    true, off = found
    assert true.verdict in ("consistent", "cannot tell")
    assert true.p_value > 0.05
    assert true.amount_inside
    assert true.base_inside
    assert true.refit_low <= 450.0 <= true.refit_high
    assert off.verdict == "not consistent"
    assert not off.amount_inside
    assert off.held_out_difference_days > 1.0
    assert off.difference_low > 0
    # A second scheme in the table, with other errors, changes nothing: the first is the one spoken of.
    second = table.assign(scheme="site", error_days=3.0 * table["error_days"])
    again = compare_published(
        n.trap_years(),
        n.weather,
        n.links,
        OFF,
        season=SEASON,
        heat=HEAT,
        validation=pd.concat([table, second]),
    )
    assert again.held_out_difference_days == off.held_out_difference_days
    for word in (
        "620 °C-days above 8.0 °C (46.4 °F)",
        "simple average",
        "from 03-01",
        "days more than the refitted",
    ):
        assert word in off.sentence


def test_what_cannot_be_tested_says_why() -> None:
    n = network(sites=6, years=5)
    for threshold, reason in (
        (replace(TRUE, base=None), "the source gives no base"),
        (replace(TRUE, flight=2), "it is about flight 2, the season here has 1"),
        (replace(TRUE, start="biofix"), "counts from a biofix, the study from a date"),
        (replace(TRUE, event="egg_hatch"), "none that trap catches show"),
        (replace(TRUE, upper=30.0, method="simple average"), "not defined"),
    ):
        found = compare_published(n.trap_years(), n.weather, n.links, threshold, season=SEASON, heat=HEAT)
        assert (found.usable, found.verdict) == (False, "cannot be tested")
        assert reason in found.sentence


def test_an_event_away_from_the_middle_is_compared_at_its_own_heat() -> None:
    # For the normal curve 25 % of the flight comes 0.6745 spreads before its middle: 450 - 0.6745 * 60 = 409.5.
    n = network(sites=6, years=5)
    quarter = replace(TRUE, event="flight_25", amount=409.5)
    found = compare_published(n.trap_years(), n.weather, n.links, quarter, season=SEASON, heat=HEAT)
    assert found.amount_inside
    assert found.p_value > 0.05
    far = replace(quarter, amount=330.0)
    assert compare_published(n.trap_years(), n.weather, n.links, far, season=SEASON, heat=HEAT).p_value < 0.05


def test_a_range_is_tested_at_its_nearest_point() -> None:
    n = network(sites=6, years=5)
    wide = replace(TRUE, amount=300.0, amount_high=600.0)
    found = compare_published(n.trap_years(), n.weather, n.links, wide, season=SEASON, heat=HEAT)
    assert found.amount_inside
    assert found.lr_statistic < 3.0


def test_lead_times_widen_the_forecast() -> None:
    table = validate(lead_days=(28, 7), events=("flight_50",))
    fitted = table[table["forecaster"] == "fitted"]
    width = {
        lead: (rows["high95"] - rows["low95"]).dt.total_seconds().mean() / 86400.0
        for lead, rows in fitted.groupby(fitted["lead_days"].fillna(-1.0))
    }
    assert width[28.0] > width[7.0] >= width[-1.0] - 0.5
    assert width[28.0] > width[-1.0] + 1.0


def test_nothing_to_score_is_told() -> None:
    with pytest.raises(ModelError, match=r"no event can be scored .*fewer than 100000 moths"):
        validate(min_moths=100000)


def test_drift_is_found_where_there_is_one(table: pd.DataFrame) -> None:
    quiet = trend_test(table)
    assert len(quiet) == 2
    own = table.copy()
    own["error_days"] = own["error_days"] + 4.0 * (own["year"] - 2016)
    moving = trend_test(own)
    assert (moving["slope_days_per_decade"] - quiet["slope_days_per_decade"]).to_numpy() == pytest.approx(
        40.0
    )
    assert (moving["p_value"] < 0.05).all()
    assert "may be changing" in moving["sentence"].iloc[0]


def test_drift_and_its_interval_are_those_of_least_squares(table: pd.DataFrame) -> None:
    found = trend_test(table)
    for event, own in table[(table["forecaster"] == "fitted") & table["lead_days"].isna()].groupby("event"):
        yearly = own.groupby("year")["error_days"].mean()
        line = linregress(yearly.index.to_numpy(float) / 10.0, yearly.to_numpy(float))
        reach = student_t.ppf(0.975, len(yearly) - 2) * line.stderr
        row = found[found["event"] == event].iloc[0]
        assert row["slope_days_per_decade"] == pytest.approx(line.slope, abs=1e-8)
        assert row["slope_low"] == pytest.approx(line.slope - reach, abs=1e-8)
        assert row["slope_high"] == pytest.approx(line.slope + reach, abs=1e-8)
        assert row["p_value"] == pytest.approx(line.pvalue, abs=1e-8)


def test_drift_of_equal_errors_is_none(table: pd.DataFrame) -> None:
    found = trend_test(table.assign(error_days=1.5))
    assert found["slope_days_per_decade"].to_numpy() == pytest.approx(0.0, abs=1e-9)
    assert (found["p_value"] == 1.0).all()


def shares(hits: list[list[bool]]) -> pd.Series:
    """Return the reliability of forecasts with so many hits and misses in each year."""
    rows = [
        {
            "forecaster": "fitted",
            "flight": 1,
            "event": "flight_50",
            "lead_days": np.nan,
            "year": year,
            "covered95": hit,
        }
        for year, mine in enumerate(hits)
        for hit in mine
    ]
    table = pd.DataFrame(rows).astype({"covered95": "boolean"})
    return reliability(table.assign(covered50=table["covered95"], covered80=table["covered95"])).iloc[-1]


def test_coverage_has_the_score_interval_of_independent_forecasts() -> None:
    # A forecast a year. Wilson (1927): the shares p with (share - p)^2 = z^2 p (1 - p) / n.
    z, row = 1.959963984540054, shares([[True]] * 30 + [[False]] * 10)
    for p in (row["low"], row["high"]):
        assert (0.75 - p) ** 2 == pytest.approx(z**2 * p * (1.0 - p) / 40, abs=1e-3)


def test_coverage_counts_years_where_their_forecasts_hit_together() -> None:
    # Ten years of eight forecasts that all hit or all miss are ten forecasts (a little less with the small-sample
    # correction); all hit: a year is one forecast.
    z, row = 1.959963984540054, shares([[True] * 8] * 7 + [[False] * 8] * 3)
    apart = shares([[True]] * 7 + [[False]] * 3)
    assert row["coverage"] == apart["coverage"] == 0.7
    assert row["high"] - row["low"] == pytest.approx(apart["high"] - apart["low"], abs=0.03)
    all_hit = shares([[True] * 8] * 10)
    assert all_hit["low"] == pytest.approx(10 / (10 + z**2), abs=1e-9)


def test_histogram_and_reliability_add_up(table: pd.DataFrame) -> None:
    histogram = pit_histogram(table)
    assert histogram.groupby(["flight", "event"])["share"].sum().to_numpy() == pytest.approx(1.0)
    lines = reliability(table)
    wide = lines[(lines["forecaster"] == "fitted") & (lines["level"] == 0.95)]
    assert (wide["low"] <= wide["coverage"]).all()
    assert (wide["coverage"] <= wide["high"]).all()


def test_the_calendar_mean_is_one_of_dates_not_of_day_numbers() -> None:
    # 20 June in 2015 and 2017 and 20 June in the leap year 2016: their mean is 20 June in any year.
    records = network(sites=6, years=5).trap_years()
    own = records.years[(records.years["trap"] == "T00") & records.years["year"].isin([2015, 2016, 2017])]
    observed = pd.DataFrame(
        {
            "trap_year": own["trap_year"],
            "flight": 1,
            "event": "flight_50",
            "observed": pd.to_datetime([f"{year}-06-20T12:00" for year in own["year"]]),
        }
    )
    n = network(sites=6, years=5)
    calendar = Calendar(
        Records(records, n.weather, n.links, SEASON), observed, Setting(FlightModel(), SEASON)
    )
    for year in (2018, 2020):
        target = Target("T00", station_series(n.weather)["S0"], year)
        found = calendar.outlook(target, 1, ("flight_50",))
        assert str(found.date("flight_50").quantile(0.5))[:10] == f"{year}-06-20"


def test_older_rules_stand_beside_the_fit() -> None:
    table = validate(older=("least SD in days", "x-intercept"), events=("flight_50",))
    scores = score_forecasts(table)
    mae = dict(zip(scores["forecaster"], scores["mae_days"], strict=True))
    rule = mae["older rule: least SD in days"]
    # On a small clean network the old rule is no disaster, and no better than the likelihood by more than chance.
    assert mae["fitted"] - 0.3 < rule < mae["calendar mean"]
    own = table[table["forecaster"] == "older rule: least SD in days"]
    assert 0.8 <= own["covered95"].astype(float).mean() <= 1.0
    with pytest.raises(
        ModelError, match=r"no older rule 'least SD in weeks'.*Did you mean 'least SD in days'"
    ):
        validate(older=("least SD in weeks",))
