"""Trap-years that start late or stop early: shares of a flight by hand, on weather of ten degree-days a day."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from phenofit.errors import ModelError
from phenofit.flight import FlightFit, FlightModel, Unwatched, fit_flights, unwatched_shares
from phenofit.records import Records
from phenofit.seasons import Season
from phenofit.traps import build_trap_years
from phenofit.weather.schema import new_dataset

SEASON = Season.parse("01-01", "10-31")
# First and last day of the season on which each trap is watched; half of the flight is near day 50.
WATCHED = {"A": (14, 98), "B": (14, 98), "C": (14, 56), "D": (49, 98)}


@pytest.fixture(scope="module")
def records() -> Records:
    """Four invented traps over two seasons; every day has 20 degC, 10 above the base."""
    days = np.arange("2020-01-01", "2022-01-01", dtype="datetime64[D]")
    place = pd.DataFrame({"station": ["S"], "latitude": [41.0], "longitude": [-97.0], "elevation_m": [400.0]})
    flat = np.full((1, len(days)), 20.0)
    rows = []
    for trap, (first, last) in WATCHED.items():
        for year in ("2020", "2021"):
            # A season of 60 moths about day 50 (SD 7), at midnight checks every week; one day later in 2021.
            at = np.arange(first, last + 1, 7)
            share = norm.cdf(at, 50.0 + (year == "2021"), 7.0)
            counts = np.round(60.0 * np.diff(share))
            for k, day in enumerate(at):
                when = np.datetime64(f"{year}-01-01") + np.timedelta64(int(day), "D")
                rows.append((trap, when, np.nan if k == 0 else counts[k - 1]))
    catches = pd.DataFrame(rows, columns=["trap", "check", "count"])
    catches = catches.assign(
        set=catches["check"].where(catches["count"].isna()).shift(),
        status=np.where(catches["count"].isna(), "missing", "counted"),
        effort=1.0,
        row=np.arange(len(catches)) + 2,
    )
    traps = pd.DataFrame(
        {"trap": [*WATCHED], "site": [*WATCHED], "latitude": 41.0, "longitude": -97.0, "elevation_m": 400.0}
    )
    links = traps[["trap"]].assign(station="S", distance_km=0.0, height_difference_m=0.0, how="given")
    return Records(
        build_trap_years(traps, catches, SEASON), new_dataset(place, days, flat, flat), links, SEASON
    )


@pytest.fixture(scope="module")
def fit(records: Records) -> FlightFit:
    return fit_flights(
        records, FlightModel(base=10.0, curve="normal", shifts=("year", "trap-year")), profiles=False
    )


def test_shares_are_those_of_the_normal_curve_at_ten_degree_days_a_day(
    fit: FlightFit, records: Records
) -> None:
    table = unwatched_shares(fit, records).table
    shift = dict(zip(fit.shifts["group"].astype(str), fit.shifts["mean"], strict=True))
    assert len(table) == 8
    for row in table.to_dict("records"):
        first, last = (10.0 * day for day in WATCHED[row["trap"]])
        flown = norm(fit.requirement() + shift[row["season"]], fit.spread())
        assert row["before"] == pytest.approx(flown.cdf(first), abs=1e-9)
        assert row["after"] == pytest.approx(flown.sf(last), abs=1e-9)
    late = table[table["trap"] == "D"]["before"]
    early = table[table["trap"] == "C"]["after"]
    assert 0.3 < late.min() < late.max() < 0.6  # day 49 of flights about days 50 and 51
    assert 0.05 < early.min() < early.max() < 0.4


def test_sentences_name_both_ends_and_the_worst(fit: FlightFit, records: Records) -> None:
    found = unwatched_shares(fit, records)
    before, after = found.sentences()
    late = found.table[found.table["trap"] == "D"].set_index("season")["before"]
    assert before == (
        f"2 of 8 trap-years start after flight 1 begins: the model puts {100 * late.median():.0f} % of that flight "
        f"before their first check (median), up to {100 * late['2020']:.0f} % (trap D, 2020)."
    )
    early = found.table[found.table["trap"] == "C"].set_index("season")["after"]
    assert after == (
        f"2 of 8 trap-years stop before flight 1 ends: the model puts {100 * early.median():.0f} % of that flight "
        f"after their last check (median), up to {100 * early['2021']:.0f} % (trap C, 2021)."
    )


@pytest.mark.parametrize(
    ("after", "said"),
    [
        ([0.06, 0.0, 0.0, 0.0], True),
        ([0.06, 0.0, 0.0, 0.0, 0.0], False),
        ([0.05, 0.0], False),
        ([0.051, 0.0], True),
    ],
)
def test_the_rule_is_five_per_cent_of_a_flight_in_a_quarter_of_trap_years(
    after: list[float], said: bool
) -> None:
    table = pd.DataFrame({"trap": "T", "season": "2020", "flight": 2, "before": 0.0, "after": after})
    assert bool(Unwatched(table).sentences()) is said


def test_first_catches_have_no_flight_curve(records: Records) -> None:
    first = fit_flights(records, FlightModel(base=10.0, records="first catch"), profiles=False)
    with pytest.raises(ModelError, match="first catches has no flight curve"):
        unwatched_shares(first, records)
