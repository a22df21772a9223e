"""A shift that is zero at the maximum may be needed away from it; the profile must find it there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from phenofit.flight import FlightFit
from tests.calls import fit_flights
from tests.flight.networks import SEASON, network


def test_a_shift_at_zero_rises_where_a_wrong_value_is_held() -> None:
    plain = network(sites=8, site_shifts=tuple((f"T{i}", 40.0) for i in (0, 2, 4, 6)), shift_sd=10.0)
    years = plain.trap_years.years
    late = years["trap"].isin(["T0", "T2", "T4", "T6"]).astype(float)
    net = replace(plain, trap_years=replace(plain.trap_years, years=years.assign(late=late)))

    def fit(**options: object) -> FlightFit:
        return fit_flights(
            net.trap_years,
            net.weather,
            net.links,
            season=SEASON,
            base=10.0,
            covariates=("late",),
            shifts=("site", "trap-year"),
            **options,
        )

    top = fit(level=0.999, profiles=("effect late",))
    assert top.parameters["shift_sd_site"] < 1.0
    profile = top.profile("effect late")
    for value, deviance in zip(profile.values[[0, -1]], profile.deviance[[0, -1]], strict=True):
        # The same by a search of its own, begun with a shift well above zero.
        held = fit(hold={"effect late": float(value)}, profiles=False)
        assert held.parameters["shift_sd_site"] > 5.0
        assert deviance == pytest.approx(2.0 * (top.log_likelihood - held.log_likelihood), abs=0.02)
    assert np.all(np.diff(profile.values) > 0)


def test_profiles_of_poor_data_are_those_of_searches_of_their_own() -> None:
    # 39 moths: the best fit has independent moths and no shift at all, far from it swarms and shifts are needed.
    net = network(sites=2, years=2, moths=15.0)
    top = fit_flights(net.trap_years, net.weather, net.links, season=SEASON, level=0.99, profiles=("base",))
    profile = top.profile("base")
    assert top.interval("base") == (None, None)
    for value, deviance in zip(profile.values, profile.deviance, strict=True):
        held = fit_flights(
            net.trap_years, net.weather, net.links, season=SEASON, base=float(value), profiles=False
        )
        assert deviance == pytest.approx(2.0 * (top.log_likelihood - held.log_likelihood), abs=0.1)
