"""Trap-years whose traps were set late or removed early: the share of each flight outside the watched time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.fitted_likelihood import data_of_fit
from phenofit.flight.kernels.curves import curve_code, shares_flown
from phenofit.flight.likelihood.covariates import covariate_design

if TYPE_CHECKING:
    from phenofit.flight.likelihood.flight_data import FlightData
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records

UNWATCHED_COLUMNS = ("trap", "site", "season", "flight", "before", "after")
LEAST_SHARE = 0.05
"""Share of a flight outside the watched time from which a trap-year counts as missing that end of the flight."""
LEAST_PART = 0.25
"""Part of the trap-years missing an end of a flight from which a sentence says so."""


@dataclass(frozen=True)
class Unwatched:
    """Share of each flight outside the watched time of each trap-year.

    Attributes
    ----------
    table : DataFrame
        ``UNWATCHED_COLUMNS``, a row for each trap-year and flight: the share that flies before the first watched moment
        and after the last.
    """

    table: pd.DataFrame

    def sentences(self) -> tuple[str, ...]:
        """Return a sentence for each end of a flight that a quarter of the trap-years miss by more than 5 %."""
        said = []
        for flight, part in self.table.groupby("flight", sort=True):
            for side, what, which in (
                ("before", f"start after flight {flight} begins", "before their first"),
                ("after", f"stop before flight {flight} ends", "after their last"),
            ):
                missed = part[part[side] > LEAST_SHARE]
                if len(missed) < LEAST_PART * len(part):
                    continue
                most = missed.iloc[int(np.argmax(missed[side].to_numpy()))]
                said.append(
                    f"{len(missed)} of {len(part)} trap-years {what}: the model puts {100 * missed[side].median():.0f} % "
                    f"of that flight {which} check (median), up to {100 * most[side]:.0f} % (trap {most['trap']}, "
                    f"{most['season']})."
                )
        return tuple(said)


def unwatched_shares(fit: FlightFit, records: Records) -> Unwatched:
    """Return the share of each flight that a fit puts before the first watched moment of a trap-year, and after the last.

    Parameters
    ----------
    fit : FlightFit
        The fit, of counts or of presence.
    records : Records
        What it was fitted to.

    Returns
    -------
    Unwatched
        Its ``sentences`` say what a quarter of the trap-years miss by more than 5 % (a rule of this package).

    Raises
    ------
    ModelError
        If the fit is of first catches, or has a biofix and the records none, or the other way round.
    DataError
        If the records are not those of the fit.

    Notes
    -----
    The watched time begins with the first interval of the trap-year and ends with its last; gaps within do not count.
    Year and site shifts are at their posterior means, the trap-year's own shift is zero.
    """
    if fit.settings.records == "first catch":
        raise ModelError(
            "a fit of first catches has no flight curve; shares of a flight need counts or presence."
        )
    data = data_of_fit(fit, records)
    first, last = _watched_heat(data, fit)
    factors = covariate_design(fit.data, fit.settings.covariates, fitted=fit.parameters).factors(
        fit.parameters
    )
    shift = shared_shifts(fit)
    code = curve_code(fit.settings.curve)
    parts = []
    for flight in range(1, fit.settings.flights + 1):
        requirement = fit.requirement(flight) * factors
        flown = np.array(
            [
                shares_flown(code, np.array([a, b]), np.array([m + u]), m, fit.spread(flight))[0]
                for a, b, m, u in zip(first, last, requirement, shift, strict=True)
            ]
        )
        part = data.table[["trap", "site", "season"]].assign(flight=flight)
        parts.append(part.assign(before=flown[:, 0], after=1.0 - flown[:, 1]))
    return Unwatched(pd.concat(parts, ignore_index=True)[list(UNWATCHED_COLUMNS)])


def shared_shifts(fit: FlightFit) -> npt.NDArray[np.float64]:
    """Return the posterior mean of the year and site shifts of each trap-year of a fit [degC d]."""
    total = np.zeros(len(fit.data))
    for part, rows in fit.shifts.groupby("part", sort=False):
        known = dict(zip(rows["group"].astype(str), rows["mean"], strict=True))
        total += fit.data[str(part)].astype(str).map(known).to_numpy(dtype=np.float64)
    return total


def _watched_heat(
    data: FlightData, fit: FlightFit
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the heat at the first and at the last watched moment of each trap-year [degC d]."""
    heat = data.heat_at_edges(fit.base, fit.settings.heat)[0]
    return np.minimum.reduceat(heat, data.edge_of[:-1]), np.maximum.reduceat(heat, data.edge_of[:-1])
