"""One flight with a year and a trap-year shift in a few lines of NumPy; shares no line with the package.

The shifts are integrated on one fixed, dense, even grid in degree-days: the chance of a trap-year's counts is
computed once at every shift of the grid, the own shift is a matrix product with a normal density, and the year's
shift a weighted sum. On smooth integrands that die out inside the grid an even sum is exact to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, ndtr

from phenofit.seasons import Season
from tests.flight.networks import Network

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class _TrapYear:
    tmin: Floats
    tmax: Floats
    left: Floats
    right: Floats
    count: Floats
    year: int


class PlainLikelihood:
    """Log-likelihood of the records of a network at (base, requirement and the logs of the four others)."""

    def __init__(self, net: Network, season: Season, *, stray: float = 0.001, points: int = 321) -> None:
        self.stray, self.points = stray, points
        time = net.weather["time"].to_numpy().astype("datetime64[D]")
        station = dict(zip(net.links["trap"], net.links["station"], strict=True))
        self.records = []
        for _, rows in net.trap_years.intervals.groupby("trap_year"):
            assert set(rows["status"]) == {"counted"}
            assert set(rows["effort"]) == {1.0}
            year = int(rows["year"].iloc[0])
            inside = (time >= season.first_day(year)) & (time <= season.last_day(year))
            there = net.weather.sel(station=station[rows["trap"].iloc[0]])
            first = season.first_day(year).astype("datetime64[ns]")
            left, right = ((rows[c].to_numpy() - first) / np.timedelta64(1, "D") for c in ("start", "end"))
            count = rows["count"].to_numpy(dtype=float)
            tmin, tmax = (there[v].to_numpy()[inside] for v in ("tmin", "tmax"))
            self.records.append(_TrapYear(tmin, tmax, left, right, count, year))

    def __call__(self, theta: npt.ArrayLike) -> float:
        """Return the log-likelihood, multinomial coefficients included."""
        base, requirement, *logs = np.asarray(theta, dtype=float)
        spread, concentration, sd_year, sd = np.exp(logs)
        u = np.linspace(-8.0, 8.0, self.points) * (sd_year + sd)
        step = u[1] - u[0]
        own = np.exp(-0.5 * ((u[:, None] - u[None, :]) / sd) ** 2) * step / (sd * np.sqrt(2 * np.pi))
        shared = np.exp(-0.5 * (u / sd_year) ** 2) * step / (sd_year * np.sqrt(2 * np.pi))
        by_year: dict[int, Floats] = {}
        lift = 0.0
        for r in self.records:
            value = self._log_chance(r, base, requirement + u, spread, concentration)
            top = value.max()
            lift += top
            by_year[r.year] = by_year.get(r.year, 1.0) * (own @ np.exp(value - top))
        return float(lift + sum(np.log(shared @ product) for product in by_year.values()))

    def _log_chance(self, r: _TrapYear, base: float, median: Floats, spread: float, phi: float) -> Floats:
        mean, half = 0.5 * (r.tmax + r.tmin), 0.5 * (r.tmax - r.tmin)
        # Mean over a day of what a sine wave passes the base by.
        angle = np.arccos(np.clip((base - mean) / half, -1.0, 1.0))
        heat = np.append(0.0, np.cumsum(((mean - base) * angle + half * np.sin(angle)) / np.pi))
        day = np.arange(len(heat))
        z = [(np.interp(e, day, heat)[None, :] - median[:, None]) / spread for e in (r.left, r.right)]
        flown = ndtr(z[1]) - ndtr(z[0])
        length = r.right - r.left
        p = flown / np.maximum(flown.sum(axis=1, keepdims=True), 1e-12)
        caught = r.count > 0  # an empty interval adds the logarithm of one
        n, total = r.count[caught], r.count.sum()
        a = phi * ((1 - self.stray) * p[:, caught] + self.stray * length[caught] / length.sum())
        terms = gammaln(n + a) - gammaln(a) - gammaln(n + 1)
        return np.asarray(terms.sum(axis=1) + gammaln(total + 1) + gammaln(phi) - gammaln(phi + total))
