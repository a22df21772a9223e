"""The heat at an event: curves inverted, and the sampling of moths against brute-force simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from phenofit.errors import ModelError
from phenofit.flight.kernels.curves import CURVE_CODES, curve_quantile, share_flown
from phenofit.forecasting.event_heat import draw_heat, event_shares, flight_shares
from phenofit.heat.settings import HeatSettings
from tests.calls import fit_flights
from tests.flight.networks import SEASON, network
from tests.forecast.fits import small_fit


@pytest.mark.parametrize("curve", CURVE_CODES)
@pytest.mark.parametrize("share", [0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.999])
def test_the_quantile_inverts_the_curve(curve: str, share: float) -> None:
    heat = float(curve_quantile(curve, share, 450.0, 450.0, 70.0))
    assert share_flown(curve, heat, 450.0, 70.0) == pytest.approx(share, abs=1e-9)


def test_the_quantile_of_the_normal_curve_is_that_of_scipy() -> None:
    shares = np.array([0.05, 0.3, 0.9])
    assert curve_quantile("normal", shares, 450.0, 450.0, 70.0) == pytest.approx(
        stats.norm(450, 70).ppf(shares)
    )


def brute_force(event: str, moths: int, concentration: float, runs: int = 4000) -> np.ndarray:
    """Simulate catches on a fine grid of expected shares and read the event off each."""
    rng = np.random.default_rng(9)
    cells = 400
    edges = np.linspace(0, 1, cells + 1)
    found = np.empty(runs)
    for k in range(runs):
        if np.isinf(concentration):
            weight = np.full(cells, 1.0 / cells)
        else:
            gamma = rng.gamma(concentration / cells, size=cells)
            weight = gamma / gamma.sum()
        counts = rng.multinomial(moths, weight)
        if event == "first_catch":
            found[k] = edges[np.argmax(counts > 0) + 1]
        elif event == "end":
            found[k] = edges[cells - np.argmax(counts[::-1] > 0)]
        else:
            running = np.concatenate([[0], np.cumsum(counts)])
            found[k] = np.interp(int(event[-2:]) / 100 * moths, running, edges)
    return found


@pytest.mark.parametrize("concentration", [np.inf, 25.0])
@pytest.mark.parametrize("event", ["flight_25", "flight_50", "first_catch", "end"])
def test_event_shares_are_those_of_simulated_catches(event: str, concentration: float) -> None:
    rng = np.random.default_rng(2)
    drawn = event_shares([event], 20000, rng, moths=60.0, concentration=concentration)[:, 0]
    expected = brute_force(event, 60, concentration)
    levels = [0.1, 0.5, 0.9]
    # The grid and interpolating between moths blur the simulated shares by about a cell and half a moth.
    assert np.quantile(drawn, levels) == pytest.approx(np.quantile(expected, levels), abs=0.022)


def test_more_moths_make_the_first_catch_earlier() -> None:
    few, many = (
        np.median(event_shares(["first_catch"], 4000, np.random.default_rng(1), moths=n))
        for n in (10.0, 200.0)
    )
    # Median of the least of n uniform values: 1 - 0.5 ** (1 / n).
    assert few == pytest.approx(1 - 0.5 ** (1 / 10), abs=0.006)
    assert many == pytest.approx(1 - 0.5 ** (1 / 200), abs=0.001)


def test_a_first_catch_without_a_number_of_moths_is_refused() -> None:
    with pytest.raises(ModelError, match="depends on how many moths"):
        event_shares(["first_catch"], 10, np.random.default_rng(1), moths=None)


def test_draws_centre_on_the_fit_and_spread_with_its_shifts() -> None:
    fit = small_fit()
    draws = draw_heat(fit, ("flight_50",), draws=4000, moths=None)
    assert np.median(draws.amount) == pytest.approx(fit.requirement(), rel=0.02)
    known = draw_heat(fit, ("flight_50",), draws=4000, moths=None, shift=(25.0, 0.0))
    assert np.median(known.amount) == pytest.approx(fit.requirement() + 25.0, rel=0.02)
    # The drawn base and requirement go together (a higher base needs less heat): remove that before comparing.
    slope = np.polyfit(draws.base, draws.amount[:, 0], 1)
    rest = draws.amount[:, 0] - np.polyval(slope, draws.base)
    assert slope[0] < 0
    assert rest.std() == pytest.approx(fit.shift_sd, rel=0.6)


def test_the_same_seed_gives_the_same_draws() -> None:
    fit = small_fit()
    first, second = (draw_heat(fit, ("flight_5", "end"), moths=30.0, seed=7) for _ in range(2))
    assert first.amount.tobytes() == second.amount.tobytes()


def test_a_flight_that_is_not_there_is_refused() -> None:
    with pytest.raises(ModelError, match="no flight 2, only 1"):
        draw_heat(small_fit(), ("flight_50",), flight=2)
    assert flight_shares(small_fit()).tolist() == [1.0]


def test_the_peak_of_few_moths_is_less_certain_than_that_of_many() -> None:
    fit = small_fit()
    spread = []
    for moths in (15.0, 3000.0):
        draws = draw_heat(fit, ("peak", "flight_50"), draws=4000, moths=moths, seed=3)
        offset = draws.amount[:, 0] - draw_heat(fit, ("peak",), draws=4000, moths=None, seed=3).amount[:, 0]
        assert abs(np.mean(offset)) < 0.05 * fit.spread()
        spread.append(np.std(offset) / fit.spread())
    assert spread[0] > spread[1]
    # Even the best of checks 0.7 spreads long hides the peak by the SD of a uniform of that width, 0.2 spreads.
    assert spread[1] >= 0.19


def test_a_fitted_upper_threshold_carries_its_error_into_the_dates() -> None:
    """The draws of a fit with a fitted upper threshold each sum heat under their own."""
    net = network(sites=6, years=4, heat=HeatSettings(upper=24.0), requirements=(700.0,))
    fit = fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        base=10.0,
        upper_range=(18.0, 30.0),
        profiles=False,
    )
    found = draw_heat(fit, ("flight_50",), draws=200, seed=3)
    assert found.upper is not None
    assert found.upper_of(fit.settings.heat) is found.upper
    assert np.std(found.upper) > 0.1
    assert ((found.upper >= 18.0) & (found.upper <= 30.0)).all()
    held = draw_heat(
        replace(
            fit,
            parameters={k: v for k, v in fit.parameters.items() if k != "upper"},
            covariance=fit.covariance.drop(index="upper", columns="upper"),
        ),
        ("flight_50",),
        draws=200,
        seed=3,
    )
    assert held.upper is None
    assert (held.upper_of(fit.settings.heat) == fit.settings.heat.upper).all()
