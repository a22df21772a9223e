"""How much more one kind of trap catches: against statsmodels called directly, by simulation, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]
import statsmodels.formula.api as smf  # type: ignore[import-untyped]
from scipy.stats import binom
from scipy.stats import t as student

from phenofit.analysis.further_questions import further_questions
from phenofit.errors import ModelError
from phenofit.flight import FlightModel, contrast
from phenofit.flight.inference.catch_ratios import catch_ratios, season_totals
from phenofit.records import Records
from phenofit.traps import TrapYears
from tests.flight.networks import SEASON, network
from tests.flight.test_covariates import with_columns

ROWS = list[tuple[str, int, str, int, float, float]]  # site, year, lure, moths, effort, nights


def trap_years(rows: ROWS) -> TrapYears:
    """Return invented trap-years with one interval each."""
    table = pd.DataFrame(rows, columns=["site", "year", "lure", "count", "effort", "nights"])
    table = table.assign(
        trap=table["site"] + " " + table["lure"],
        trap_year=np.arange(len(table)),
        season=table["year"].astype(str),
        status="counted",
        start=pd.Timestamp("2020-05-01"),
        row=0,
    )
    table["end"] = table["start"] + pd.to_timedelta(table["nights"], unit="D")
    years = table[["trap_year", "trap", "site", "season", "year", "lure"]].assign(total=table["count"])
    left_out = pd.DataFrame(columns=["trap", "season", "reason", "rows", "lines", "moths"])
    return TrapYears(table.drop(columns=["lure", "nights"]), years, left_out)


def drawn(
    seed: int, *, sites: int, years: int = 4, ratio: float = 3.0, spots: float = 0.3, phi: float = 5.0
) -> ROWS:
    """Draw catches of a plain and a red lure; spots of a site differ in all years, catches are negative binomial."""
    rng = np.random.default_rng(seed)
    rows: ROWS = []
    for s in range(sites):
        spot = np.exp(spots * rng.standard_normal(2))
        for year in range(2016, 2016 + years):
            abundance = 20.0 * np.exp(0.8 * rng.standard_normal())
            for k, lure in enumerate(("plain", "red")):
                effort, nights = float(rng.integers(1, 3)), float(rng.integers(60, 120))
                mean = abundance * spot[k] * (ratio if k else 1.0) * effort * nights / 90.0
                count = int(rng.negative_binomial(phi, phi / (phi + mean)))
                rows.append((f"S{s}", year, lure, count, effort, nights))
    return rows


def frame(rows: ROWS) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["site", "year", "lure", "count", "effort", "nights"])
    return table.assign(own=table["site"] + table["year"].astype(str))


@pytest.mark.parametrize(("sites", "by", "words"), [(6, "site", "sites"), (2, "own", "site-years")])
def test_the_model_is_a_clustered_poisson_glm(sites: int, by: str, words: str) -> None:
    # Outside answer: the same model by statsmodels' formula interface; factor and quantile by hand.
    rows = drawn(1, sites=sites)
    table = frame(rows)
    groups = pd.factorize(table[by])[0]
    number = len(set(groups))
    direct = smf.glm(
        "count ~ C(lure) + C(own)",
        table,
        family=sm.families.Poisson(),
        offset=np.log(table["effort"] * table["nights"]),
    ).fit(cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False})
    error = direct.bse["C(lure)[T.red]"] * np.sqrt(number / (number - 1))
    half = student.ppf(0.975, number - 1) * error
    found = catch_ratios(trap_years(rows), "lure", ["plain", "red"])
    assert found is not None
    row = found.table.set_index("level").loc["red"]
    estimate = direct.params["C(lure)[T.red]"]
    assert row["ratio"] == pytest.approx(np.exp(estimate), rel=1e-6)
    assert row["low"] == pytest.approx(np.exp(estimate - half), rel=1e-6)
    assert row["high"] == pytest.approx(np.exp(estimate + half), rel=1e-6)
    assert found.sentence() == (
        f"Catch per trap-night against plain, at the same site in the same year: red {row['ratio']:.2g} times "
        f"({row['low']:.2g} to {row['high']:.2g}); 95 % interval from {words}, {4 * sites} site-years at {sites} sites."
    )
    assert bool(found.remarks) is (sites < 3)


def test_the_true_ratio_of_three_is_inside() -> None:
    found = catch_ratios(trap_years(drawn(1, sites=8)), "lure", ["plain", "red"])
    assert found is not None
    _, (low, high) = found.table[["low", "high"]].to_numpy()
    assert 1.0 < low < 3.0 < high


def test_one_year_of_two_traps_is_the_ratio_of_their_rates() -> None:
    # By hand: 30 moths in 2 traps of 100 nights against 40 in one trap of 80 nights: (40 / 80) / (30 / 200) = 10 / 3;
    # a second site-year with the same ratio.
    rows: ROWS = [("A", 2020, "plain", 30, 2.0, 100.0), ("A", 2020, "red", 40, 1.0, 80.0)]
    both = [*rows, ("A", 2021, "plain", 15, 2.0, 100.0), ("A", 2021, "red", 20, 1.0, 80.0)]
    found = catch_ratios(trap_years(both), "lure", ["plain", "red"])
    assert found is not None
    assert found.table["ratio"].tolist() == pytest.approx([1.0, 10.0 / 3.0])
    with pytest.raises(ModelError, match="a single year of a single site"):
        catch_ratios(trap_years(rows), "lure", ["plain", "red"])


def test_kinds_that_never_stood_side_by_side_have_no_ratio() -> None:
    apart: ROWS = [("A", 2020, "plain", 30, 1.0, 90.0), ("B", 2020, "red", 40, 1.0, 90.0)]
    assert catch_ratios(trap_years(apart), "lure", ["plain", "red"]) is None
    # Blue stands beside green only: no ratio to plain.
    rows = [*drawn(3, sites=3), ("X", 2020, "blue", 9, 1.0, 90.0), ("X", 2020, "green", 9, 1.0, 90.0)]
    found = catch_ratios(trap_years(rows), "lure", ["plain", "red", "blue", "green"])
    assert found is not None
    assert found.table["level"].tolist() == ["plain", "red"]
    assert (
        "lure 'blue' never stood beside plain, directly or through others: no catch ratio." in found.remarks
    )
    # Beside red, it is compared with plain through red.
    linked = catch_ratios(
        trap_years([*rows, ("S0", 2016, "blue", 5, 1.0, 90.0)]), "lure", ["plain", "red", "blue", "green"]
    )
    assert linked is not None
    assert linked.table["level"].tolist() == ["plain", "red", "blue", "green"]


def test_a_kind_without_a_moth_beside_others_is_refused() -> None:
    rows = [(s, y, lure, n if lure == "red" else 0, e, k) for s, y, lure, n, e, k in drawn(4, sites=3)]
    with pytest.raises(ModelError, match="'plain' caught no moth where it stood beside another kind"):
        catch_ratios(trap_years(rows), "lure", ["plain", "red"])


def test_catches_that_are_not_counted_are_left_out_and_said() -> None:
    whole = trap_years(drawn(5, sites=3))
    status = whole.intervals["status"].where(whole.intervals["trap_year"] != 3, "at least")
    part = replace(whole, intervals=whole.intervals.assign(status=status))
    assert len(season_totals(part, "lure")) == len(season_totals(whole, "lure")) - 1
    found = catch_ratios(part, "lure", ["plain", "red"])
    assert found is not None
    assert found.remarks[0].startswith("1 trap-years with catches that are not counted exactly")


@pytest.mark.slow
def test_intervals_hold_the_true_ratio_where_spots_differ() -> None:
    # Own simulation: ratio 3, four sites whose two spots differ by SD 0.3; the binomial bound of one in a thousand.
    held = 0
    for seed in range(300):
        found = catch_ratios(trap_years(drawn(seed, sites=4)), "lure", ["plain", "red"])
        assert found is not None
        low, high = found.table[["low", "high"]].to_numpy()[1]
        held += bool(low <= 3.0 <= high)
    assert held >= binom.ppf(0.001, 300, 0.95)


def test_the_contrast_has_both_answers() -> None:
    net = network(sites=6, years=4)
    lures = with_columns(net, {"lure": {f"T{i}": "red" if i % 2 else "plain" for i in range(6)}})
    # Two traps at each of three sites, with their own lure each.
    years = lures.trap_years.years
    site = years["trap"].map({f"T{i}": f"site {i // 2}" for i in range(6)})
    intervals = lures.trap_years.intervals
    pairs = replace(
        lures.trap_years,
        years=years.assign(site=site),
        intervals=intervals.assign(site=intervals["trap_year"].map(site)),
    )
    records = Records(pairs, net.weather, net.links, SEASON)
    found = contrast(records, FlightModel(base=10.0), "lure")
    assert found.catches is not None
    alone = catch_ratios(pairs, "lure", found.catches.table["level"].tolist())
    assert alone is not None
    row = found.table.set_index("level").loc["red"]
    assert row["catch_ratio"] == alone.table.set_index("level").loc["red", "ratio"]
    assert row["catch_low"] < row["catch_ratio"] < row["catch_high"]
    assert "the requirement depends on lure" in found.sentence()
    assert alone.sentence() in found.sentence()
    assert f"{row['catch_ratio']:8.2f}" in found.summary()
    said = further_questions(records, FlightModel(base=10.0), contrasts=["lure"], starts=[])
    assert alone.sentence() in said[0]
