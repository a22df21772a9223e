"""Counts drawn again from a fitted model, at the very checks and with the very totals of its records."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import gammaln

from phenofit.errors import ModelError
from phenofit.flight.kernels.curves import curve_code, shares_flown
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.flight_data import FlightData, assemble
from phenofit.flight.result import FlightFit

if TYPE_CHECKING:
    from phenofit.records import Records

__all__ = ["Redraw", "every_interval", "redraw", "with_counts"]

Floats = npt.NDArray[np.float64]
_KEYS = ["trap", "season"]


@dataclass(frozen=True)
class Redraw:
    """A fitted model at the checks of its records."""

    fit: FlightFit  # The model.
    data: FlightData  # Its trap-years with every interval, those without a moth as well.
    heat: Floats  # Shape (edges,): Heat at the check times at the fitted base [degC d].
    factors: Floats  # Shape (trap-years,): By which the covariates multiply the requirements.
    totals: npt.NDArray[np.int64]  # Shape (trap-years,): Moths of each trap-year in the records.

    def draw(self, seed: tuple[int, ...]) -> FlightData:
        """Draw the counts of every trap-year; the same seed gives the same counts."""
        rng = np.random.default_rng(list(seed))
        shift = self._shifts(rng)
        concentration = self.fit.parameters.get("concentration", math.inf)
        counts = np.empty(len(self.data.catch_count), dtype=np.int64)
        for i, total in enumerate(self.totals):
            own = slice(int(self.data.catch_of[i]), int(self.data.catch_of[i + 1]))
            chance = self._chances(i, float(shift[i]), self._shares(rng))
            if math.isfinite(concentration):
                weight = rng.gamma(np.maximum(concentration * chance, 1e-300))
                chance = weight / weight.sum() if weight.sum() > 0.0 else chance
            counts[own] = rng.multinomial(int(total), chance)
        return with_counts(self.data, counts)

    def _shifts(self, rng: np.random.Generator) -> Floats:
        table, values = self.data.table, self.fit.parameters
        shift = values.get("shift_sd", 0.0) * rng.standard_normal(len(table))
        for part in ("year", "site"):
            if f"shift_sd_{part}" in values:
                group, labels = pd.factorize(table[part])
                shift += values[f"shift_sd_{part}"] * rng.standard_normal(len(labels))[group]
        return np.asarray(shift)

    def _shares(self, rng: np.random.Generator) -> Floats:
        """Return the share of each flight in one trap-year."""
        values, flights = self.fit.parameters, self.fit.settings.flights
        size = np.zeros(flights)
        for g in range(2, flights + 1):
            size[g - 1] = values[f"size_{g}"] + values[f"size_sd_{g}"] * rng.standard_normal()
        size = np.exp(size - size.max())
        return np.asarray(size / size.sum())

    def _chances(self, i: int, shift: float, shares: Floats) -> Floats:
        """Return the chance that a moth of trap-year `i` is caught in each of its intervals."""
        d, fit = self.data, self.fit
        edges = slice(int(d.edge_of[i]), int(d.edge_of[i + 1]))
        own = slice(int(d.catch_of[i]), int(d.catch_of[i + 1]))
        code = curve_code(fit.settings.curve)
        flown = np.zeros(edges.stop - edges.start)
        for g, share in enumerate(shares):
            m = fit.requirement(g + 1) * float(self.factors[i])
            flown += (
                share * shares_flown(code, self.heat[edges], np.array([m + shift]), m, fit.spread(g + 1))[0]
            )
        part = flown[d.catch_right[own] - edges.start] - flown[d.catch_left[own] - edges.start]
        part = np.maximum(part, 0.0) * d.catch_effort[own]
        stray = fit.parameters.get("stray_share", 0.0)
        # A shift that takes the whole flight out of the observed time leaves strays alone.
        seen = part / part.sum() if part.sum() > 1e-12 else d.catch_share[own]
        chance = (1.0 - stray) * seen + stray * d.catch_share[own]
        return np.asarray(chance / chance.sum())


def redraw(
    fit: FlightFit,
    records: Records,
) -> Redraw:
    """Set up a fitted model for drawing counts."""
    if fit.settings.records != "counts":
        raise ModelError(
            f"the fit took {fit.settings.records} from the records; counts are drawn again from fits to counts only."
        )
    if fit.settings.rearing is not None:
        raise ModelError(
            "rearing data take part in the fit, and are not drawn again; leave them out of the fit first."
        )
    data = every_interval(fit, records)
    design = covariate_design(fit.data, fit.settings.covariates, fitted=fit.parameters)
    heat = data.heat_at_edges(fit.base, fit.settings.heat, fit.parameters.get("upper"))[0]
    totals = fit.data["total"].to_numpy(dtype=np.int64)
    return Redraw(fit, data, heat, design.factors(fit.parameters), totals)


def every_interval(
    fit: FlightFit,
    records: Records,
) -> FlightData:
    """Assemble the trap-years of a fit with every interval kept, as though each had caught one moth."""
    used = fit.data[_KEYS].astype(str)
    trap_years = records.trap_years
    years = trap_years.years.merge(used, on=_KEYS)
    part = trap_years.intervals[trap_years.intervals["trap_year"].isin(years["trap_year"])]
    odd = sorted(set(part["status"].astype(str)) - {"counted"})
    if odd:
        raise ModelError(
            f"some records of the fit are not counts but '{', '.join(odd)}'; counts are drawn again for counted "
            "records only. Leave those records out of the fit first."
        )
    ones = replace(trap_years, intervals=part.assign(count=1), years=years)
    data = assemble(replace(records, trap_years=ones, season=fit.settings.season))
    if data.table[_KEYS].astype(str).to_numpy().tolist() != used.to_numpy().tolist():
        raise ModelError(
            "the records give other trap-years than the fit has; give those that it was made from."
        )
    return data


def with_counts(data: FlightData, counts: npt.NDArray[np.int64]) -> FlightData:
    """Return data with other counts, kept as the likelihood wants them: intervals with a moth, and needed edges."""
    caught = counts > 0
    owner = np.repeat(np.arange(data.trap_years), np.diff(data.catch_of))
    needed = data.edge_weight != 0.0
    needed[data.catch_left[caught]] = True
    needed[data.catch_right[caught]] = True
    renumber = np.cumsum(needed) - 1
    before = np.concatenate([[0], np.cumsum(needed)])
    totals = np.bincount(owner, weights=counts, minlength=data.trap_years)
    kept = counts[caught]
    return replace(
        data,
        table=data.table.assign(total=totals.astype(np.int64)),
        edge_of=before[data.edge_of].astype(np.int64),
        edge_series=data.edge_series[needed],
        edge_day=data.edge_day[needed],
        edge_part=data.edge_part[needed],
        edge_weight=data.edge_weight[needed],
        catch_of=np.concatenate(
            [[0], np.cumsum(np.bincount(owner[caught], minlength=data.trap_years))]
        ).astype(np.int64),
        catch_left=renumber[data.catch_left[caught]].astype(np.int64),
        catch_right=renumber[data.catch_right[caught]].astype(np.int64),
        catch_count=kept,
        catch_effort=data.catch_effort[caught],
        catch_share=data.catch_share[caught],
        catch_open=data.catch_open[caught],
        constant=float(gammaln(totals + 1.0).sum() - gammaln(kept + 1.0).sum()),
    )
