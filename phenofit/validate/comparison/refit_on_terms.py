"""The catches refitted on the terms of a published threshold: its base, method and start."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import minimize_scalar

from phenofit.errors import ModelError
from phenofit.flight import fit_flights
from phenofit.flight.intervals.profile import Profile, level_of_root
from phenofit.flight.kernels.arguments import places_of
from phenofit.flight.kernels.curves import LOG_HEAT_CURVES, curve_code, curve_quantile, share_flown
from phenofit.flight.share_heat import share_intervals
from phenofit.forecasting.event_heat import event_shares, flight_shares
from phenofit.forecasting.events import event_share
from phenofit.validate.forecasters import on_terms, season_from
from phenofit.validate.thresholds.threshold import PublishedThreshold

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.flight.model import FlightModel
    from phenofit.records import Records


_SHARE_DRAWS = 4001


class PublishedTerms:
    """Fits on published terms: with the base fitted, and with the base held at the published one."""

    def __init__(self, records: Records, threshold: PublishedThreshold, model: FlightModel) -> None:
        if threshold.base is None:
            raise ModelError("a threshold without a base has no terms to fit on.")
        self.threshold = threshold
        season = season_from(threshold.start, records.season, biofix=records.starts is not None)
        self._records = replace(records, season=season)
        self._model = on_terms(threshold, model, base_held=False)
        self.free = fit_flights(self._records, self._model, profiles=False)
        # Likelihoods are compared below: all fits on these terms share the curve that was chosen on them.
        self._model = replace(self._model, curve=self.free.settings.curve)
        self.held = self._fit(profiles=(f"requirement_{threshold.flight}", f"spread_{threshold.flight}"))
        self.share = self._event_share()

    def _fit(
        self, hold: Mapping[str, float] | None = None, *, profiles: bool | tuple[str, ...] = False
    ) -> FlightFit:
        """Fit with the base held at the published one."""
        assert self.threshold.base is not None
        model = replace(self._model, base=self.threshold.base, hold={**self._model.hold, **(hold or {})})
        return fit_flights(self._records, model, profiles=profiles)

    def base_profile(self, root: float, degrees: float) -> Profile:
        """Return the profile of the base, up to a root of the deviance."""
        model = replace(self._model, level=level_of_root(root * 1.01, degrees))
        return fit_flights(self._records, model, profiles=("base",)).profiles["base"]

    def amounts_along(self, profile: Profile) -> list[float]:
        """Return the heat of the event at each point of a profile, by its requirement and spread there."""
        places = places_of(self.free.settings.flights, 0)
        flight = self.threshold.flight - 1
        return [
            self.amount_at(float(at[places.requirement + flight]), math.exp(at[places.spread + flight]))
            for at in profile.path
        ]

    @property
    def moths(self) -> float:
        """Moths of the flight that a trap typically catches in a season."""
        share = float(flight_shares(self.held)[self.threshold.flight - 1])
        return float(np.median(self.held.data["total"].to_numpy(dtype=np.float64))) * share

    def _event_share(self) -> float:
        event, flight = self.threshold.event, self.threshold.flight
        share = event_share(event)
        if share is not None:
            return share
        if event == "peak":
            m, s = self.held.requirement(flight), self.held.spread(flight)
            return share_flown(self.held.settings.curve, self.held.event_amount("peak", flight), m, s)
        drawn = event_shares(
            [event],
            _SHARE_DRAWS,
            np.random.default_rng(1),
            moths=self.moths,
            concentration=self.held.parameters.get("concentration", math.inf),
        )
        return float(np.median(drawn))

    def amount_at(self, requirement: float, spread: float) -> float:
        """Return the heat of the event for a requirement and a spread [degC d]."""
        return float(curve_quantile(self.held.settings.curve, self.share, requirement, requirement, spread))

    def amount_interval(self, level: float) -> tuple[float, float | None, float | None]:
        """Return the refitted heat of the event and its interval, the published base held [degC d]."""
        return share_intervals(self.held, (self.share,), self.threshold.flight, level=level)[0]

    def log_likelihood_at(self, amount: float) -> float:
        """Return the log-likelihood with base and event heat held at published values, all else refitted."""
        flight = self.threshold.flight
        if self.share == 0.5:
            return self._fit({f"requirement_{flight}": amount}).log_likelihood

        def loss(log_spread: float) -> float:
            spread = math.exp(log_spread)
            # The requirement that puts the event at the published amount, for this spread.
            hold = {
                f"requirement_{flight}": self._requirement_for(amount, spread),
                f"spread_{flight}": spread,
            }
            if hold[f"requirement_{flight}"] <= 0:
                return 1e9
            return -self._fit(hold).log_likelihood

        centre = math.log(self.held.spread(flight))
        found = minimize_scalar(
            loss,
            bounds=(centre - 1.2, centre + 1.2),
            method="bounded",
            options={"xatol": 0.01, "maxiter": 25},
        )
        return -float(found.fun)

    def _requirement_for(self, amount: float, spread: float) -> float:
        if curve_code(self.held.settings.curve) not in LOG_HEAT_CURVES:
            return amount - (self.amount_at(0.0, spread))
        low, high = 1e-3, 20.0 * max(amount, 1.0)
        for _ in range(80):
            middle = 0.5 * (low + high)
            if self.amount_at(middle, spread) < amount:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)
