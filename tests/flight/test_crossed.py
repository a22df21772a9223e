"""Year and site shifts crossed: against brute force over all of them at once, and its own differences."""

from __future__ import annotations

import itertools
import math
from functools import cache

import numpy as np
import pytest
from scipy.stats import norm

from phenofit.flight.likelihood.log_likelihood import Likelihood
from tests.calls import fit_flights
from tests.flight import reference
from tests.flight.networks import HEAT, SEASON, Network, network
from tests.flight.test_likelihood import plain_records
from tests.flight.vectors import slopes_hold, vector


def _likelihood(net: Network, flights: int = 1, nodes: tuple[int, int, int] = (21, 9, 1)) -> Likelihood:
    data = net.data()
    site = np.unique(data.table["site"], return_inverse=True)[1]
    return Likelihood(
        data,
        HEAT,
        "normal",
        flights,
        data.table["year"].to_numpy(),
        crossed=site.astype(np.int64),
        nodes=nodes,
    )


@cache
def _brute_force(year_sd: float, site_sd: float) -> float:
    """Sum over a grid in every shift at once: two years, two sites, and the own shift of each trap-year.

    The own shifts are summed first, over a dense grid, for every value of year + site shift on the grid.
    """
    net = network(sites=2, years=2)
    points = np.linspace(-5.0, 5.0, 41)
    density = norm.pdf(points) * (points[1] - points[0])
    own = np.linspace(-8.0, 8.0, 161)
    own_density = norm.pdf(own) * (own[1] - own[0])
    records = plain_records(net, 10.3)
    table = net.data().table
    years, sites = sorted(table["year"].unique()), sorted(table["site"].unique())
    assert len(years) == len(sites) == 2
    shared = year_sd * points[:, None] + site_sd * points[None, :]
    logs = {}
    for record, row in zip(records, table.to_dict("records"), strict=True):
        value = reference.log_chance(
            record,
            shared[:, :, None] + 19.0 * own,
            np.zeros((41, 41, 161)),
            curve="normal",
            requirement=[508.0],
            spread=[63.0],
            concentration=9.0,
            stray=1 / (1 + math.exp(6.0)),
        )
        logs[row["year"], row["site"]] = np.log((np.exp(value) * own_density).sum(axis=-1))
    # Axes: first year, second year, first site, second site.
    total = np.zeros((41, 41, 41, 41))
    for (y, year), (s, site) in itertools.product(enumerate(years), enumerate(sites)):
        part = logs[year, site]
        shape = [1, 1, 1, 1]
        shape[y], shape[2 + s] = 41, 41
        total += part.reshape(shape)
    for axis in range(4):
        shape = [1, 1, 1, 1]
        shape[axis] = 41
        total += np.log(density).reshape(shape)
    top = total.max()
    return float(top + np.log(np.exp(total - top).sum()))


@pytest.mark.parametrize(
    ("year_sd", "site_sd"), [(17.0, 14.0), pytest.param(5.0, 30.0, marks=pytest.mark.slow)]
)
def test_crossed_shifts_equal_brute_force(year_sd: float, site_sd: float) -> None:
    """Laplace's rule over years and sites; its error for two of each is below a hundredth."""
    net = network(sites=2, years=2)
    likelihood = _likelihood(net)
    theta = vector(likelihood, **{"log group_sd": math.log(year_sd), "log cross_sd": math.log(site_sd)})
    assert likelihood(theta)[0] == pytest.approx(_brute_force(year_sd, site_sd), abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(("year_sd", "site_sd"), [(17.0, 14.0), (60.0, 60.0)])
def test_error_of_the_rule_is_what_brute_force_adds(year_sd: float, site_sd: float) -> None:
    net = network(sites=2, years=2)
    likelihood = _likelihood(net)
    theta = vector(likelihood, **{"log group_sd": math.log(year_sd), "log cross_sd": math.log(site_sd)})
    missing = _brute_force(year_sd, site_sd) - likelihood(theta)[0]
    assert missing > 1e-3
    assert likelihood.crossed_error(theta) == pytest.approx(missing, rel=0.05)


def test_trap_years_of_one_year_and_site_enter_the_error_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two traps a site, and a few rows of the sum at a time, against the plain sum over all pairs."""
    net = network(sites=4, years=3)
    likelihood = _likelihood(net)
    likelihood.crossed = np.array([0, 0, 0, 1, 1, 1, 0, 0, 0, 1, 1, 1])  # sites 1 and 3 are one, and 2 and 4
    likelihood.forget()
    theta = vector(likelihood, **{"log group_sd": math.log(30.0), "log cross_sd": math.log(20.0)})
    monkeypatch.setattr("phenofit.flight.kernels.crossed_error._ROWS", 4)
    found = likelihood.crossed_error(theta)
    shifts = likelihood._cross
    assert shifts is not None
    assert shifts.expansion is not None
    years, sites = shifts.years, shifts.sites
    design = np.zeros((len(shifts.year), years + sites))
    design[np.arange(len(design)), shifts.year] = 30.0
    design[np.arange(len(design)), years + shifts.site] = 20.0
    shared = np.array([design @ shifts.expansion.matrix.solve(row) for row in design])
    own, third = np.diag(shared), shifts.expansion.third
    pairs = np.outer(own * third, own * third) * shared / 8.0 + np.outer(third, third) * shared**3 / 12.0
    assert found == pytest.approx(float(shifts.expansion.fourth @ own**2) / 8.0 + pairs.sum(), rel=1e-8)


@pytest.mark.parametrize("flights", [1, 2])
def test_gradient_is_that_of_the_value(flights: int) -> None:
    net = (
        network(sites=4, years=3)
        if flights == 1
        else network(sites=3, years=3, requirements=(400.0, 900.0), spreads=(60.0, 70.0))
    )
    likelihood = _likelihood(net, flights)
    theta = vector(likelihood)
    if flights == 2:
        for name, value in (
            ("requirement_1", 410.0), ("requirement_2", 915.0), ("log spread_2", 4.3), ("size_2", 0.2),
            ("log size_sd_2", -0.7),
        ):  # fmt: skip
            theta[likelihood.layout.index(name)] = value
    slopes_hold(likelihood, theta, ("upper", "log abundance", "log abundance_sd"))


def test_without_site_shift_it_is_the_nested_quadrature() -> None:
    net = network(sites=5, years=3)
    data = net.data()
    nested = Likelihood(data, HEAT, "normal", 1, data.table["year"].to_numpy(), nodes=(21, 9, 15))
    crossed = _likelihood(net)
    theta = vector(crossed, **{"log cross_sd": math.log(1e-3)})
    assert crossed(theta)[0] == pytest.approx(nested(theta)[0], abs=0.02)


def test_fit_of_crossed_shifts_knows_the_sites() -> None:
    """Sites shifted by known amounts: a fit with a site part finds them, and one without takes them for chance."""
    net = network(sites=8, years=5, shift_sd_site=40.0, shift_sd=8.0, seed=4)
    fit = fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        shifts=("year", "site", "trap-year"),
        base=10.0,
        profiles=("requirement_1", "shift_sd_site"),
    )
    plain = fit_flights(net.trap_years, net.weather, net.links, season=SEASON, base=10.0, profiles=False)
    assert fit.aic < plain.aic - 10
    assert fit.converged
    low, high = fit.interval("shift_sd_site")
    assert low is not None
    assert high is not None
    assert low < 40.0 < high
    sites = fit.shifts[fit.shifts["part"] == "site"].set_index("group")
    truth = net.truth["site_shifts"]
    known = np.array([truth[s] for s in sites.index])
    off = sites["mean"].to_numpy(dtype=float) - known
    assert np.corrcoef(sites["mean"].to_numpy(dtype=float), known)[0, 1] > 0.95
    # Shifts are relative to the mean of those in the records, so a common part of the truth is not seen.
    assert np.std(off) < 12.0
    assert set(fit.shifts["part"]) == {"year", "site"}
