"""A search that fails is said to have failed; it never passes its start for an estimate."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest

from phenofit.errors import FitError
from phenofit.flight.estimate import maximise
from phenofit.flight.likelihood.log_likelihood import Likelihood
from tests.calls import fit_flights
from tests.flight.networks import SEASON, network

Answer = tuple[float, np.ndarray]


def _spoil(monkeypatch: pytest.MonkeyPatch, value: float, slope: float) -> None:
    """Add a number to each log-likelihood and to each of its slopes."""
    sound = Likelihood.__call__

    def spoilt(self: Likelihood, *arguments: Any, **options: Any) -> Answer:
        found, slopes = sound(self, *arguments, **options)
        return found + value, slopes + slope

    monkeypatch.setattr(Likelihood, "__call__", spoilt)


def test_a_likelihood_that_is_finite_nowhere_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    net = network(sites=3, years=2)
    _spoil(monkeypatch, np.nan, 0.0)
    with pytest.raises(FitError, match="not finite at any start"):
        fit_flights(net.trap_years, net.weather, net.links, season=SEASON, base=10.0, profiles=())


@pytest.mark.parametrize("slope", [np.nan, 1e6])
def test_slopes_that_lead_nowhere_are_no_convergence(monkeypatch: pytest.MonkeyPatch, slope: float) -> None:
    net = network(sites=3, years=2)
    _spoil(monkeypatch, 0.0, slope)
    fit = fit_flights(net.trap_years, net.weather, net.links, season=SEASON, base=10.0, profiles=())
    assert not fit.converged
    assert "The search did not converge" in fit.problems[0]
    assert "the values below show where it stopped and are no estimates" in fit.summary()


def test_threads_that_search_together_leave_the_filters_of_warnings_as_they_were() -> None:
    said = "The line search algorithm did not converge"
    with warnings.catch_warnings(record=True) as raised:
        warnings.simplefilter("always")
        before = list(warnings.filters)
        ignored = maximise._line_search_warnings_ignored
        with ignored:
            # A second thread begins later and ends later than this one.
            ignored.__enter__()
        warnings.warn(said, RuntimeWarning, stacklevel=1)
        assert raised == []
        ignored.__exit__()
        assert list(warnings.filters) == before
        warnings.warn(said, RuntimeWarning, stacklevel=1)
        assert [str(one.message) for one in raised] == [said]
