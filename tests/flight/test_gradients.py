"""Slopes of the engine against central differences of its values: every curve, one to three flights, all parameters.

The slopes are those of the integral, means over the nodes of the quadrature; the differences are those of the sum the
nodes give. The two meet where there are nodes enough, so there are many here, and little data.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from functools import cache

import numpy as np
import numpy.typing as npt
import pytest

from phenofit.flight import CURVE_CODES
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from tests.flight.networks import HEAT, network

Floats = npt.NDArray[np.float64]

VALUES = {
    "base": 10.45,  # half way between temperatures, which come in tenths: at one of them the slope has a kink
    "requirement_1": 470.0,
    "requirement_2": 890.0,
    "requirement_3": 1290.0,
    "log spread_1": math.log(63.0),
    "log spread_2": math.log(75.0),
    "log spread_3": math.log(85.0),
    "log concentration": math.log(9.0),
    "log group_sd": math.log(11.0),
    "log shift_sd": math.log(14.0),
    "size_2": 0.3,
    "size_3": -0.2,
    "log size_sd_2": math.log(0.35),
    "log size_sd_3": math.log(0.3),
    "logit stray": -5.0,
    "effect elevation": 0.02,
    "effect latitude": -0.015,
}


@cache
def records(sites: int, years: int, concentration: float = 10.0) -> FlightData:
    """Three flights, so that every slope has a size."""
    return network(
        seed=4,
        sites=sites,
        years=years,
        requirements=(450.0, 900.0, 1300.0),
        spreads=(60.0, 80.0, 90.0),
        concentration=concentration,
    ).data()


def likelihood_of(
    data: FlightData, curve: str, flights: int, nodes: tuple[int, int, int], **options: object
) -> Likelihood:
    options = {"groups": data.table["year"].to_numpy(), **options}
    return Likelihood(data, HEAT, curve, flights, nodes=nodes, **options)  # type: ignore[arg-type]


def compare(
    likelihood: Likelihood,
    values: dict[str, float] | None = None,
    *,
    left: tuple[str, ...] = (),
    within: float = 1e-6,
) -> None:
    """Each slope against Richardson's extrapolation of two central differences, to a millionth."""
    names = likelihood.layout.names
    given = VALUES | (values or {})
    theta = np.array([given.get(name, 0.0) for name in names])
    value, slope = likelihood(theta)
    assert math.isfinite(value)
    for k, name in enumerate(names):
        if name not in given or name in left:
            continue
        # About a degree-day, or a hundredth of a standard error.
        step = {"requirement": 1.0, "effect": 0.001}.get(re.split("[ _]", name)[0], 0.005)

        def central(h: float, k: int = k) -> float:
            up, down = theta.copy(), theta.copy()
            up[k] += h
            down[k] -= h
            return (likelihood(up, False)[0] - likelihood(down, False)[0]) / (2 * h)

        expected = (4.0 * central(step / 2) - central(step)) / 3.0
        # Slopes run from a hundredth to tens; below one it is the part of a unit that counts.
        assert slope[k] == pytest.approx(expected, rel=within, abs=within), name


@pytest.mark.parametrize(
    ("curve", "group"),
    [
        *((curve, "year") for curve in CURVE_CODES),
        *(
            pytest.param(curve, group, marks=pytest.mark.slow if curve != "normal" else ())
            for curve in CURVE_CODES
            for group in ("site", "none")
        ),
    ],
)
def test_one_flight_of_every_curve(curve: str, group: str) -> None:
    data = records(3, 2)
    groups = {
        "year": data.table["year"].to_numpy(),
        "site": np.unique(data.table["site"], return_inverse=True)[1],
        "none": np.full(data.trap_years, -1),
    }[group]
    # The right end of a Weibull flight is so steep that at a spread of an eighth of the requirement hundreds of nodes
    # are not enough for a millionth; at a quarter these are.
    spread = {"log spread_1": math.log(110.0)} if curve == "Weibull" else {}
    compare(likelihood_of(data, curve, 1, (25, 9, 25), groups=groups), spread)


def mostly_slow(curves: Iterable[str]) -> list[object]:
    """The normal curve in every run, the others in the slow one."""
    return [c if c == "normal" else pytest.param(c, marks=pytest.mark.slow) for c in curves]


@pytest.mark.parametrize("curve", mostly_slow(CURVE_CODES))
def test_two_flights_of_every_curve(curve: str) -> None:
    wide = {"log spread_1": math.log(110.0), "log spread_2": math.log(190.0)} if curve == "Weibull" else {}
    compare(likelihood_of(records(2, 2), curve, 2, (21, 13, 15)), wide)


@pytest.mark.slow
@pytest.mark.parametrize("curve", ["normal", "log-normal"])
def test_three_flights(curve: str) -> None:
    compare(likelihood_of(records(1, 2), curve, 3, (15, 9, 9)))


@pytest.mark.parametrize("flights", [1, pytest.param(2, marks=pytest.mark.slow)])
@pytest.mark.parametrize("curve", ["logistic", "log-logistic"])
def test_covariates_of_the_requirement(curve: str, flights: int) -> None:
    data = records(2, 2)
    design = np.random.default_rng(3).normal(size=(data.trap_years, 2))
    compare(
        likelihood_of(
            data, curve, flights, (21, 13, 15), covariates=design, covariate_names=("elevation", "latitude")
        )
    )


@pytest.mark.parametrize("curve", ["log-normal", "gamma", "normal"])
def test_covariates_of_the_whole_heat_scale(curve: str) -> None:
    data = records(2, 2)
    design = np.random.default_rng(3).normal(size=(data.trap_years, 1))
    likelihood = likelihood_of(
        data, curve, 1, (25, 9, 25), covariates=design, covariate_names=("elevation",), spread_follows=True
    )
    compare(likelihood, {"effect elevation": 0.1})


@pytest.mark.parametrize("stray", [-2.0, -6.9, -10.0])
def test_share_of_strays_from_many_to_hardly_any(stray: float) -> None:
    compare(likelihood_of(records(2, 2), "normal", 1, (41, 9, 41)), {"logit stray": stray})


@pytest.mark.parametrize("concentration", [0.3, 2.0, 60.0, 5000.0])
def test_concentrations_from_swarms_to_independent_moths(concentration: float) -> None:
    compare(
        likelihood_of(records(2, 2), "normal", 1, (41, 9, 41)), {"log concentration": math.log(concentration)}
    )


def test_multinomial_counts() -> None:
    # Without swarms in the model a check far from the curve weighs hundreds; there are none in these records. The huge
    # concentration that stands for the multinomial costs the values, not the slopes, some digits.
    data = records(2, 2, concentration=1e5)
    likelihood = likelihood_of(data, "normal", 1, (3, 3, 41), counts="multinomial", own_shift=False)
    compare(likelihood, left=("log concentration", "log shift_sd"), within=1e-6)


def test_no_shift_at_all() -> None:
    data = records(2, 2)
    likelihood = likelihood_of(
        data, "normal", 1, (3, 3, 3), groups=np.full(data.trap_years, -1), own_shift=False
    )
    compare(likelihood, left=("log group_sd", "log shift_sd"))
    slope = dict(zip(likelihood.layout.names, likelihood(_theta(likelihood))[1], strict=True))
    assert slope["log group_sd"] == 0.0
    assert slope["log shift_sd"] == 0.0


def _theta(likelihood: Likelihood) -> Floats:
    return np.array([VALUES.get(name, 0.0) for name in likelihood.layout.names])
