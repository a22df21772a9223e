"""The values that a plan takes to be true, by hand or from a fit to earlier records."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from phenofit.errors import ModelError
from phenofit.flight.model import FitSettings
from phenofit.flight.result import FlightFit

_DRAWN = ("normal", "logistic")


@dataclass(frozen=True)
class PlanTruth:
    """What a planned network is simulated from, and the model that would be fitted to it.

    Parameters
    ----------
    settings : FitSettings
        The model to fit; its season, heat, flights, shifts, counts and level hold for the plan.
    base : float
        Base temperature [degC].
    requirements, spreads : tuple of float
        Requirement and spread of each flight [degC d].
    shift_sd_year, shift_sd_site, shift_sd : float
        SD of the parts of the shift [degC d].
    concentration : float
        Concentration of the counts [1]; infinite for independent moths.
    sizes, size_sds : tuple of float
        Log size of flights 2, 3 … against flight 1: mean and SD over trap-years.
    notes : tuple of str
        Where the plan departs from the fit it comes from.

    Raises
    ------
    ModelError
        If the numbers of values do not fit the number of flights, the model counts from a biofix, was not fitted to
        counts, or crosses years and sites.
    """

    settings: FitSettings
    base: float
    requirements: tuple[float, ...]
    spreads: tuple[float, ...]
    shift_sd_year: float = 0.0
    shift_sd_site: float = 0.0
    shift_sd: float = 0.0
    concentration: float = math.inf
    sizes: tuple[float, ...] = ()
    size_sds: tuple[float, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        flights = self.settings.flights
        more = flights - 1
        if len(self.requirements) != flights or len(self.spreads) != flights:
            raise ModelError(f"give a requirement and a spread for each of the {flights} flight(s).")
        if len(self.sizes) != more or len(self.size_sds) != more:
            raise ModelError(f"give a log size and its SD for each of the {more} flight(s) after the first.")
        if self.settings.biofix:
            raise ModelError("a plan sums heat from a fixed date; fit with the season's start, not a biofix.")
        if self.settings.records != "counts":
            raise ModelError("a plan is for traps whose moths are counted; fit the counts first.")
        if self.settings.crossed:
            raise ModelError("a plan takes one shared part of the shift, the year's or the site's, not both.")
        if self.settings.curve not in _DRAWN:
            raise ModelError(f"a plan draws catches from the curves {' and '.join(_DRAWN)} only.")

    @property
    def shares(self) -> tuple[float, ...]:
        """Mean share of each flight in the season's moths."""
        size = np.exp(np.array([0.0, *self.sizes]))
        return tuple(float(s) for s in size / size.sum())

    @property
    def share_concentration(self) -> float:
        """Dirichlet concentration at which the log sizes vary as their SDs say, to first order."""
        if not self.sizes:
            return math.inf
        share = self.shares
        wanted = [
            (1.0 / share[0] + 1.0 / share[g + 1]) / sd**2 for g, sd in enumerate(self.size_sds) if sd > 0.0
        ]
        return float(np.mean(wanted)) if wanted else math.inf

    @property
    def shift_total(self) -> float:
        """SD of the whole shift of a trap-year never seen before [degC d]."""
        return math.sqrt(self.shift_sd_year**2 + self.shift_sd_site**2 + self.shift_sd**2)


def truth_of_fit(fit: FlightFit) -> PlanTruth:
    """Take the estimates of a fit to be true.

    Parameters
    ----------
    fit : FlightFit
        A fit to earlier records.

    Returns
    -------
    PlanTruth
        Covariate effects are left out, and a curve that is not simulated is replaced by the normal one; ``notes``
        say so.

    Raises
    ------
    ModelError
        If the fit counts from a biofix.
    """
    settings, values, notes = fit.settings, fit.parameters, []
    if settings.curve not in _DRAWN:
        notes.append(f"The plan takes a normal curve in place of the fitted {settings.curve} one.")
        settings = replace(settings, curve="normal")
    if settings.covariates:
        notes.append(f"The plan leaves out the effects of {', '.join(settings.covariates)}.")
        settings = replace(settings, covariates=())
    if settings.night_weather is not None:
        notes.append("The plan leaves out the effect of night weather.")
        kept = {name: value for name, value in settings.hold.items() if name != "night_effect"}
        settings = replace(settings, night_weather=None, hold=kept)
    if settings.rearing is not None:
        notes.append("The plan leaves out the rearing data that the fit used.")
        settings = replace(settings, rearing=None)
    site_sd, own_sd = values.get("shift_sd_site", 0.0), values.get("shift_sd", 0.0)
    if settings.crossed:
        notes.append(
            f"The plan counts the shift of sites (SD {site_sd:.0f} °C-days) with that of trap-years: with few sites the "
            "requirement is known less well than planned."
        )
        settings = replace(settings, shifts=("year", "trap-year"))
        site_sd, own_sd = 0.0, math.hypot(site_sd, own_sd)
    if settings.hold:
        notes.append(f"The plan fits {', '.join(settings.hold)}, which the fit held.")
        settings = replace(settings, hold={})
    if not fit.converged:
        notes.append("The fit behind the plan did not converge.")
    flights = range(1, settings.flights + 1)
    return PlanTruth(
        settings,
        fit.base,
        tuple(fit.requirement(g) for g in flights),
        tuple(fit.spread(g) for g in flights),
        values.get("shift_sd_year", 0.0),
        site_sd,
        own_sd,
        values.get("concentration", math.inf),
        tuple(values[f"size_{g}"] for g in flights if g > 1),
        tuple(values[f"size_sd_{g}"] for g in flights if g > 1),
        tuple(notes),
    )
