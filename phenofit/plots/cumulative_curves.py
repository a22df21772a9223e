"""The numbers behind the figure of cumulative catches: trap-years, the fitted curve and its bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from phenofit.flight.fitted_likelihood import records_of_fit
from phenofit.flight.kernels.curves import curve_code, shares_flown
from phenofit.flight.likelihood.flight_data import assemble
from phenofit.flight.result import FlightFit
from phenofit.records import Records

_Array = NDArray[np.float64]
_DRAWS, _POINTS, _CATCHES = 500, 120, 16
_ENDS = (0.025, 0.975)


@dataclass(frozen=True)
class CumulativeCurve:
    """Cumulative share of a season's flight on the heat scale of the fitted base."""

    heat: _Array  # Shape (points,): Heat [degC d].
    typical: _Array  # Shape (points,): A trap-year without shift, flights of typical size [per cent].
    # Shape (points,): Middle 95 % of that curve over the error of the fit at the fitted base [per cent].
    low: _Array
    high: _Array
    # Shape (points,): Middle 95 % of the catches of trap-years, from shifts, sizes of flights, the chance of each moth to
    # be caught and the error of the fit [per cent].
    trap_low: _Array
    trap_high: _Array
    # Per trap-year, shape (corners, 2): heat [degC d] and cumulative share of the catch [per cent].
    observed: tuple[_Array, ...]


def cumulative_curve(fit: FlightFit, records: Records | None = None, *, seed: int = 1) -> CumulativeCurve:
    """Return the fitted cumulative curve with its bands, and that of each trap-year where records are given."""
    observed = () if records is None else _observed(fit, records)
    flights = range(1, fit.settings.flights + 1)
    drawn = fit.draws(_DRAWS, seed=seed)
    # A requirement belongs to its base. At the fitted base, only the part of its error that is independent of the
    # base remains.
    here = drawn.assign(
        **{
            f"{what}_{g}": _at_base(drawn, f"{what}_{g}", fit)
            for g in flights
            for what in ("requirement", "spread")
        }
    )
    generator = np.random.default_rng([seed, 1])
    variances = [here[name] ** 2 for name in ("shift_sd", "shift_sd_year", "shift_sd_site") if name in here]
    spread_of_shifts = np.sqrt(np.sum(variances, axis=0)) if variances else np.zeros(_DRAWS)
    # Evenly spread deviates in random order: the ends of the band are smoother than with random ones.
    shift = spread_of_shifts * generator.permutation(ndtri((np.arange(_DRAWS) + 0.5) / _DRAWS))
    middle, width = 1.0 * fit.shift_sd, [fit.spread(g) for g in flights]
    low = min(fit.requirement(g) - 3.5 * w for g, w in zip(flights, width, strict=True)) - 2.5 * middle
    high = max(fit.requirement(g) + 3.5 * w for g, w in zip(flights, width, strict=True)) + 2.5 * middle
    heat = np.linspace(max(low, 0.0), high, _POINTS)
    fitted = pd.DataFrame([fit.parameters])
    curves = _curves(fit, here, heat, np.zeros(_DRAWS), None)
    trap_years = _caught(fit, here, _curves(fit, here, heat, shift, generator), generator)
    low_ends, high_ends = np.quantile(curves, _ENDS, axis=0)
    trap_low, trap_high = np.quantile(trap_years, _ENDS, axis=0)
    typical = _curves(fit, fitted, heat, np.zeros(1), None)[0]
    return CumulativeCurve(heat, typical, low_ends, high_ends, trap_low, trap_high, observed)


def _at_base(drawn: pd.DataFrame, name: str, fit: FlightFit) -> _Array:
    values, base = (drawn[n].to_numpy(dtype=np.float64) for n in (name, "base"))
    if np.ptp(base) == 0.0:
        return values
    slope = float(np.cov(values, base)[0, 1] / np.var(base, ddof=1))
    moved = values - slope * (base - base.mean())
    # Around the estimate: the mean of the draws carries the bend of the ridge.
    return np.asarray(np.maximum(moved - moved.mean() + fit.parameters[name], 1.0))


def _curves(
    fit: FlightFit, rows: pd.DataFrame, heat: _Array, shift: _Array, generator: np.random.Generator | None
) -> _Array:
    """Return the cumulative share of each row of parameters, shape (rows, points); a generator draws sizes of flights."""
    count, flights = len(rows), range(1, fit.settings.flights + 1)
    logs = np.zeros((count, len(flights)))
    for g in flights[1:]:
        logs[:, g - 1] = rows[f"size_{g}"]
        if generator is not None:
            logs[:, g - 1] += rows[f"size_sd_{g}"].to_numpy() * generator.standard_normal(count)
    share = np.exp(logs - logs.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    code = curve_code(fit.settings.curve)
    total = np.zeros((count, heat.size))
    for g in flights:
        middle, spread = (
            rows[f"{name}_{g}"].to_numpy(dtype=np.float64) for name in ("requirement", "spread")
        )
        for k in range(count):
            total[k] += (
                share[k, g - 1]
                * shares_flown(code, heat - shift[k], middle[k : k + 1], middle[k], spread[k])[0]
            )
    return 100.0 * total


def _caught(fit: FlightFit, rows: pd.DataFrame, flown: _Array, generator: np.random.Generator) -> _Array:
    """Draw the cumulative share of the catch where a share has flown [per cent]; totals are those of the fit."""
    # The counts of a Dirichlet-multinomial on either side of a moment are beta-binomial.
    flown = np.repeat(flown, _CATCHES, axis=0)
    totals = generator.choice(fit.data["total"].to_numpy(dtype=np.int64), size=(len(flown), 1))
    chance = np.clip(flown / 100.0, 1e-9, 1.0 - 1e-9)
    if "concentration" in rows and np.isfinite(rows["concentration"]).all():
        weight = np.repeat(rows["concentration"].to_numpy(dtype=np.float64), _CATCHES)[:, None]
        chance = generator.beta(np.maximum(weight * chance, 1e-9), np.maximum(weight * (1.0 - chance), 1e-9))
    return np.asarray(100.0 * generator.binomial(totals, chance) / totals)


def _observed(fit: FlightFit, records: Records) -> tuple[_Array, ...]:
    """Return the cumulative catch of each trap-year; a catch is spread evenly over the heat of its check interval."""
    data = assemble(records_of_fit(fit, records))
    heat, _, _ = data.heat_at_edges(fit.base, fit.settings.heat)
    found = []
    for first, last in zip(data.catch_of[:-1], data.catch_of[1:], strict=True):
        after = np.cumsum(data.catch_count[first:last], dtype=np.float64)
        before = np.concatenate([[0.0], after[:-1]])
        at = np.column_stack([heat[data.catch_left[first:last]], heat[data.catch_right[first:last]]])
        share = 100.0 * np.column_stack([before, after]) / after[-1]
        found.append(np.column_stack([at.ravel(), share.ravel()]))
    return tuple(found)
