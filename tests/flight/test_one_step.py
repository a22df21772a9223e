"""Influence without a refit, compared with the refits themselves."""

from __future__ import annotations

import numpy as np
import pytest

from phenofit.errors import DataError, ModelError
from tests.calls import contributions, fit_flights, influence, quick_influence
from tests.flight.networks import SEASON, network


@pytest.mark.parametrize(
    ("shifts", "base"),
    [pytest.param(("trap-year",), "fit", marks=pytest.mark.slow), (("year", "trap-year"), 10.0)],
)
def test_first_order_moves_are_near_those_of_refits(shifts: tuple[str, ...], base: str | float) -> None:
    net = network(sites=6, years=5)
    records = (net.trap_years, net.weather, net.links)
    fit = fit_flights(*records, season=SEASON, shifts=shifts, base=base, profiles=False)
    assert (
        "log shift_sd" in fit.covariance.columns
    )  # no standard deviation at zero, where refits leave the edge
    quick = quick_influence(fit, *records)
    assert quick["largest"].is_monotonic_decreasing
    refits = influence(fit, *records).assign(
        trap=lambda t: t["left_out"].str.split(", ").str[0],
        season=lambda t: t["left_out"].str.split(", ").str[1],
    )
    both = quick.merge(refits, on=["trap", "season"], suffixes=("", "_refit"))
    assert len(both) == len(fit.data)
    for name in ("base", "requirement_1") if base == "fit" else ("requirement_1",):
        error = np.sqrt(fit.covariance[[name]].loc[name].to_numpy()[0])
        apart = (both[f"{name}_change"] - both[f"{name}_change_refit"]).abs() / error
        # A trap-year of thirty carries a thirtieth of the curvature, seldom four times that: the second order is small.
        assert apart.max() < 0.1
        assert both[f"{name}_change"].corr(both[f"{name}_change_refit"]) > 0.99
    assert quick.attrs["units"] == {"base_change": "degC", "requirement_1_change": "degC d"}


def test_what_a_trap_year_adds_is_its_contribution() -> None:
    net = network(sites=4, years=4)
    records = (net.trap_years, net.weather, net.links)
    fit = fit_flights(*records, season=SEASON, base=10.0, profiles=False)
    quick = quick_influence(fit, *records).set_index(["trap", "season"])["log_likelihood"]
    exact = contributions(fit, *records).set_index(["trap", "season"])["log_likelihood"]
    assert quick.to_numpy() == pytest.approx(exact.loc[quick.index].to_numpy(), abs=1e-3)
    held = quick_influence(fit, *records)
    assert (held["base_change"] == 0.0).all()
    assert (held["requirement_1_change"] != 0.0).all()


def test_nothing_moves_where_all_was_held_and_other_records_are_refused() -> None:
    net, other = network(sites=4, years=4), network(seed=2, sites=4, years=4)
    records = (net.trap_years, net.weather, net.links)
    fit = fit_flights(*records, season=SEASON, base=10.0, hold={"requirement_1": 500.0}, profiles=False)
    with pytest.raises(ModelError, match="nothing can move"):
        quick_influence(fit, *records)
    with pytest.raises(DataError, match="the records give"):
        quick_influence(fit, other.trap_years, other.weather, other.links)
