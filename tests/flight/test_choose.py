"""The choice of the flight curve, on data whose shape is known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from phenofit.errors import ModelError
from phenofit.flight import CURVE_CODES, FlightFit, fitting, share_flown
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.model import FitSettings, curve_candidates
from phenofit.heat import degree_days
from phenofit.traps import TrapYears
from tests.calls import choose_curve, fit_flights
from tests.flight.networks import SEASON, Network, network


def with_curve(n: Network, curve: str, *, m: float = 500.0, s: float = 220.0) -> TrapYears:
    """Draw all catches anew from a curve given here, 400 moths a trap-year, no shifts."""
    rng = np.random.default_rng(5)
    intervals = n.trap_years.intervals.copy()
    station = dict(zip(n.links["trap"], n.links["station"], strict=True))
    for _, own in intervals.groupby("trap_year"):
        first = SEASON.first_day(int(own["year"].iloc[0]))
        at = n.weather.sel(station=station[own["trap"].iloc[0]], time=slice(first, None))
        heat = np.append(0.0, np.cumsum(degree_days(at["tmin"].to_numpy(), at["tmax"].to_numpy(), base=10.0)))
        days = np.arange(len(heat), dtype=float)
        sums = [
            np.interp((own[c].to_numpy() - np.datetime64(first)) / np.timedelta64(1, "D"), days, heat)
            for c in ("start", "end")
        ]
        flown = [
            np.array([share_flown(curve, float(h), m, s) if h > 0 else 0.0 for h in part]) for part in sums
        ]
        chance = np.clip(flown[1] - flown[0], 0.0, None)
        intervals.loc[own.index, "count"] = rng.multinomial(400, chance / chance.sum())
    totals = intervals.groupby("trap_year")["count"].sum().to_numpy()
    return replace(n.trap_years, intervals=intervals, years=n.trap_years.years.assign(total=totals))


def choose(n: Network, records: TrapYears, **options: object) -> FlightFit:
    return choose_curve(
        records, n.weather, n.links, season=SEASON, base=10.0, profiles=False, **options
    )  # fmt: skip


def test_log_normal_catches_choose_a_skewed_curve_and_normal_ones_do_not() -> None:
    n = network(sites=3, years=4)
    skewed = choose(n, with_curve(n, "log-normal"), curve="choose")
    assert skewed.settings.curve == "log-normal"
    told = str(skewed.provenance["curve choice"])
    assert all(name in told for name in CURVE_CODES)
    even = choose(n, with_curve(n, "normal", s=70.0), curve=("log-normal", "normal", "Weibull"))
    assert even.settings.curve == "normal"


def test_the_choice_is_the_fit_of_least_aic() -> None:
    n = network(sites=3, years=4)
    names = ("normal", "logistic")
    alone = {
        name: fit_flights(
            n.trap_years, n.weather, n.links, season=SEASON, base=10.0, curve=name, profiles=False
        )
        for name in names
    }
    best = min(names, key=lambda name: alone[name].aic)
    chosen = choose(n, n.trap_years, curve=names)
    assert chosen.settings.curve == best
    assert chosen.parameters == pytest.approx(alone[best].parameters, rel=2e-3)
    assert chosen.log_likelihood == pytest.approx(alone[best].log_likelihood, abs=1e-3)
    single = choose(n, n.trap_years, curve="logistic")
    assert "curve choice" not in single.provenance
    assert single.parameters == alone["logistic"].parameters


def test_a_search_that_has_not_arrived_still_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its likelihood is understated, so that the least AIC is the best all the same."""
    searched = fitting.search_data

    def stopped(data: FlightData, settings: FitSettings, *more: Any) -> fitting.Found:
        found = searched(data, settings, *more)
        return replace(found, maximum=replace(found.maximum, success=settings.curve != "normal"))

    n = network(sites=3, years=4)
    monkeypatch.setattr("phenofit.flight.selection.curve_choice.search_data", stopped)
    fit = choose(n, with_curve(n, "normal", s=70.0), curve=("log-normal", "normal"))
    assert fit.settings.curve == "normal"
    assert fit.converged


def test_candidates() -> None:
    assert curve_candidates("choose") == tuple(CURVE_CODES)
    with pytest.raises(ModelError, match="no flight curve 'cauchy'"):
        curve_candidates(("normal", "cauchy"))
    with pytest.raises(ModelError, match="no flight curve is given"):
        curve_candidates(())
