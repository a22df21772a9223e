r"""Do the counts agree with the fitted model? Randomised quantile residuals of every check of a trap-year.

Notes
-----
The counts of a trap-year are taken in the order of time. Given its total and the counts so far, the next one is
beta-binomial under the model (binomial where moths come independently), mixed over the shift and the flight sizes
of the trap-year, weighted by the earlier counts. The residual is the normal quantile of a number
drawn evenly between the chance of a smaller count and that of one no larger. Under the true model the residuals
of a trap-year are independent standard normal (Rosenblatt 1952; Dunn & Smyth 1996, J. Comput. Graph. Stat. 5,
236-244). Trap-years of one year share a shift, so their residuals are not independent of each
other. The last check of a trap-year is fixed by the total and has none; nor has a check after the last moth.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import gammaln, ndtri

from phenofit.errors import DataError, ModelError, Problem
from phenofit.flight.fitted_likelihood import records_of_fit
from phenofit.flight.kernels.curves import curve_code, shares_flown
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.heat_at_times import heat_at_times
from phenofit.flight.result import FlightFit
from phenofit.traps.biofix import since_biofix

if TYPE_CHECKING:
    from phenofit.records import Records

RESIDUAL_COLUMNS = (
    "trap_year", "trap", "site", "season", "year", "start", "end", "count", "expected", "heat", "residual",
)  # fmt: skip
_NODES = {1: (201,), 2: (101, 13), 3: (61, 9, 9), 4: (41, 7, 7, 7), 5: (31, 5, 5, 5, 5)}
_REACH = {1: 6.0, 2: 5.0, 3: 4.5, 4: 4.0, 5: 3.5}  # by number of flights: largest node [SD]
_FLOOR = 1e-12

Floats = npt.NDArray[np.float64]


def check_residuals(fit: FlightFit, records: Records, *, seed: int = 0) -> pd.DataFrame:
    """Return the randomised quantile residual of each check.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    records : Records
        What it was fitted to.
    seed : int
        Seed of the random draw within the step of each discrete distribution; same seed, same residuals.

    Returns
    -------
    DataFrame
        Columns ``RESIDUAL_COLUMNS``, a row for each counted check of a trap-year of the fit: ``expected`` is the
        mean of the count given the total, before any count is seen; ``heat`` the heat at the middle of the
        interval [degC d]; ``residual`` about standard normal, missing where the total fixes the count.

    Raises
    ------
    ModelError
        If the fit counts from a biofix and the records have none, or is not of counts.
    DataError
        If the trap-years are not those of the fit.
    """
    rng, concentration = np.random.default_rng(seed), fit.parameters.get("concentration", np.inf)
    parts = []
    for found in chances_of_checks(fit, records):
        part, weight = found.checks, found.weight
        count = part["count"].to_numpy(dtype=np.int64)
        residual = residuals_of_counts(count, found.chance, weight, concentration, rng)
        parts.append(
            part[["trap_year", "trap", "site", "season", "year", "start", "end", "count"]].assign(
                expected=int(count.sum()) * (weight @ found.chance), heat=found.heat, residual=residual
            )
        )
    return pd.concat(parts, ignore_index=True)[list(RESIDUAL_COLUMNS)]


@dataclass(frozen=True)
class CheckChances:
    """The checks of a trap-year under the model of a fit."""

    checks: pd.DataFrame  # Its counted checks with a heat sum, in the order of time.
    heat: Floats  # Shape (checks,): Heat at the middle of each [degC d].
    # Shape (nodes, checks): Chance of each check at each node of what is not known of the trap-year, strays
    # included; and the part of it that belongs to strays.
    chance: Floats
    stray: Floats
    weight: Floats  # Shape (nodes,): Chance of each node before any count is seen.
    shift: Floats  # Shape (nodes,): Shift of the trap-year at each node [degC d], and the same in SDs.
    deviate: Floats

    def log_likelihood(self, concentration: float) -> Floats:
        """Return the log-likelihood of the counts at each node, up to a constant."""
        count = self.checks["count"].to_numpy(dtype=np.float64)
        chance = np.maximum(self.chance, _FLOOR)
        if np.isinf(concentration):
            return np.asarray((count * np.log(chance)).sum(axis=1))
        alpha = concentration * chance
        return np.asarray((gammaln(alpha + count) - gammaln(alpha)).sum(axis=1))


def chances_of_checks(fit: FlightFit, records: Records) -> Iterator[CheckChances]:
    """Go through the trap-years of a fit with the chance of each of their checks."""
    records = records_of_fit(fit, records)
    if fit.settings.records != "counts":
        raise ModelError(
            f"chances of checks are those of counts, and this fit is of '{fit.settings.records}'."
        )
    trap_years, _ = since_biofix(records.trap_years, records.starts)
    used = fit.data.reset_index(drop=True)
    design = covariate_design(fit.data, fit.settings.covariates, fitted=fit.parameters)
    factors = design.factors(fit.parameters)
    table = trap_years.intervals[trap_years.intervals["status"] == "counted"]
    groups = {
        (str(trap), str(season)): part.sort_values("start", kind="stable")
        for (trap, season), part in table.groupby(["trap", "season"], sort=False)
    }
    # With a catch known only from below, the counts of a trap-year have no such order of chances.
    part_of = trap_years.intervals[trap_years.intervals["status"] != "counted"]
    uncounted = set(zip(part_of["trap"].astype(str), part_of["season"].astype(str), strict=True))
    if uncounted.issuperset(zip(used["trap"].astype(str), used["season"].astype(str), strict=True)):
        raise ModelError("every trap-year holds catches that are not counted; chances are those of counts.")
    latent = _latent(fit)
    for k, row in enumerate(used.to_dict("records")):
        key = (str(row["trap"]), str(row["season"]))
        if key in uncounted:
            continue
        frame = groups.get(key)
        heat = None if frame is None else _interval_heat(fit, row, frame, records)
        total = 0 if frame is None or heat is None else int(frame["count"].to_numpy()[heat.known].sum())
        if frame is None or heat is None or total != int(row["total"]):
            raise DataError(
                Problem(
                    f"trap {key[0]}, season {key[1]}: the fit had {row['total']} moths, the records have {total}.",
                    "Give the records that the fit was made from.",
                )
            )
        part = frame[heat.known]
        chance, stray = _chances(fit, latent, float(factors[k]), part, heat)
        yield CheckChances(part, heat.middle, chance, stray, latent.weight, latent.shift, latent.deviate)


def residuals_of_counts(
    count: npt.NDArray[np.int64],
    chance: Floats,
    weight: Floats,
    concentration: float,
    rng: np.random.Generator,
) -> Floats:
    """Return the residuals of one trap-year's counts."""
    out = np.full(len(count), np.nan)
    rest = int(count.sum())
    later = 1.0 - np.cumsum(chance, axis=1) + chance  # chance of this check or a later one
    log_weight = np.log(weight)
    for j in range(len(count) - 1):
        if rest == 0:
            break
        n = int(count[j])
        share = np.clip(chance[:, j] / np.maximum(later[:, j], _FLOOR), _FLOOR, 1.0 - _FLOOR)
        mass = _next_count(np.arange(n + 1), rest, share, concentration * np.maximum(later[:, j], _FLOOR))
        now = np.exp(log_weight - log_weight.max())
        now /= now.sum()
        steps = now @ mass
        below = float(steps[:-1].sum())
        level = below + rng.random() * float(steps[-1])
        out[j] = ndtri(min(max(level, 1e-15), 1.0 - 1e-15))
        log_weight = log_weight + np.log(np.maximum(mass[:, n], 1e-300))
        rest -= n
    return out


def _next_count(n: npt.NDArray[np.int64], rest: int, share: Floats, scale: Floats) -> Floats:
    """Return the chances of 0 .. n of the `rest` moths, beta-binomial, shape (nodes, counts)."""
    choose = gammaln(rest + 1.0) - gammaln(n + 1.0) - gammaln(rest - n + 1.0)
    p = share[:, None]
    if not np.isfinite(scale).all():
        return np.asarray(np.exp(choose + n * np.log(p) + (rest - n) * np.log1p(-p)))
    a, b = scale[:, None] * p, scale[:, None] * (1.0 - p)
    log_chance = gammaln(n + a) - gammaln(a) + gammaln(rest - n + b) - gammaln(b)
    return np.asarray(np.exp(choose + log_chance - gammaln(rest + a + b) + gammaln(a + b)))


@dataclass(frozen=True)
class _Latent:
    """Nodes of what is not known of a trap-year: its shift [degC d], the shares of its flights, their chance."""

    shift: Floats
    deviate: Floats  # The shift in SDs.
    share: Floats
    weight: Floats


def _latent(fit: FlightFit) -> _Latent:
    flights, values = fit.settings.flights, fit.parameters
    counts, reach = _NODES[flights], _REACH[flights]
    lines = [np.linspace(-reach, reach, n) for n in counts]
    grid = np.array(list(product(*lines)))
    weight = np.exp(-0.5 * (grid**2).sum(axis=1))
    size = np.zeros((len(grid), flights))
    for g in range(1, flights):
        size[:, g] = values[f"size_{g + 1}"] + values[f"size_sd_{g + 1}"] * grid[:, g]
    share = np.exp(size - size.max(axis=1, keepdims=True))
    return _Latent(
        fit.shift_sd * grid[:, 0], grid[:, 0], share / share.sum(axis=1, keepdims=True), weight / weight.sum()
    )


@dataclass(frozen=True)
class _Pieces:
    """The check intervals of a trap-year, cut at midnights where the weather of nights plays a part."""

    known: npt.NDArray[np.bool_]  # Shape (intervals,): Whether the heat at both ends is known.
    left: Floats  # Shape (pieces,): Heat at the ends of the pieces of the intervals that are known [degC d].
    right: Floats
    first: npt.NDArray[np.int64]  # Shape (known intervals,): First piece of each.
    weight: Floats  # Shape (pieces,): Chance of being caught against a night of usual weather.

    @property
    def middle(self) -> Floats:
        """Heat at the middle of each known interval [degC d]."""
        last = np.append(self.first[1:], len(self.left)) - 1
        return np.asarray(0.5 * (self.left[self.first] + self.right[last]))


def _interval_heat(
    fit: FlightFit, row: Mapping[object, object], frame: pd.DataFrame, records: Records
) -> _Pieces:
    starts, ends, owner = [], [], []
    night = fit.settings.night_weather
    for k, (start, end) in enumerate(zip(frame["start"].to_numpy(), frame["end"].to_numpy(), strict=True)):
        cuts = np.array([start, end]).astype("datetime64[ns]")
        if night is not None:
            days = cuts.astype("datetime64[D]")
            cuts = np.unique(np.concatenate([cuts, np.arange(days[0] + 1, days[1] + 1).astype(cuts.dtype)]))
        starts.append(cuts[:-1])
        ends.append(cuts[1:])
        owner += [k] * (len(cuts) - 1)
    times, number = np.concatenate([*starts, *ends]), len(owner)
    found = heat_at_times(
        records,
        [str(row["trap"])] * (2 * number),
        [str(row["site"])] * (2 * number),
        [int(str(row["year"]))] * (2 * number),
        times,
        night=night,
    )
    heat = found.heat(fit.base, fit.settings.heat)
    left, right, piece_of = heat[:number], heat[number:], np.array(owner, dtype=np.int64)
    gone = np.bincount(piece_of, ~(np.isfinite(left) & np.isfinite(right)), minlength=len(frame)) > 0
    kept = ~gone[piece_of]
    _, first = np.unique(piece_of[kept], return_index=True)
    weight = np.exp(fit.parameters.get("night_effect", 0.0) * found.anomaly[:number])
    return _Pieces(~gone, left[kept], right[kept], first, weight[kept])


def _chances(
    fit: FlightFit, latent: _Latent, factor: float, part: pd.DataFrame, pieces: _Pieces
) -> tuple[Floats, Floats]:
    """Return the chance of each check at each node, strays included, and the part of it that strays have."""
    code = curve_code(fit.settings.curve)
    effort = part["effort"].to_numpy(dtype=np.float64)
    flown = np.zeros((len(latent.shift), len(part)))
    stretch = factor if fit.settings.spread_follows else 1.0
    # Many nodes differ in the flight sizes only: the curves are computed once for each shift.
    shifts, node_of = np.unique(latent.shift, return_inverse=True)
    for g in range(1, fit.settings.flights + 1):
        m, s = fit.requirement(g) * factor, fit.spread(g) * stretch
        caught = shares_flown(code, pieces.right, m + shifts, m, s)
        caught -= shares_flown(code, pieces.left, m + shifts, m, s)
        caught = np.add.reduceat(pieces.weight * caught, pieces.first, axis=1)
        flown += latent.share[:, g - 1, None] * caught[node_of]
    flown *= effort
    flown /= np.maximum(flown.sum(axis=1, keepdims=True), _FLOOR)
    length = (part["end"] - part["start"]).to_numpy().astype(np.float64) * effort
    stray = np.broadcast_to(fit.parameters["stray_share"] * length / length.sum(), flown.shape)
    chance = (1.0 - fit.parameters["stray_share"]) * flown + stray
    total = chance.sum(axis=1, keepdims=True)
    return np.asarray(chance / total), np.asarray(stray / total)
