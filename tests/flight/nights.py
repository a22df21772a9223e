"""The chance of being caught night by night, written out day by day; shares no line with the package."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import statsmodels.api as sm  # type: ignore[import-untyped]
from scipy.special import gammaln
from scipy.stats import norm

from tests.flight.networks import SEASON, Network
from tests.flight.reference import sine_heat

Floats = npt.NDArray[np.float64]


def course(values: Floats, days: npt.NDArray[np.datetime64]) -> Floats:
    """Return two harmonics of a year of 365.2425 days, fitted by statsmodels to the days that have a value."""
    turn = 2 * np.pi * (days - np.datetime64("1970-01-01")).astype(float) / 365.2425
    waves = np.column_stack(
        [np.ones(len(turn)), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)]
    )
    known = ~np.isnan(values)
    return np.asarray(waves @ sm.OLS(values[known], waves[known]).fit().params)


@dataclass(frozen=True)
class NightRecord:
    """One trap-year: days of its season, and its checks in days since the season's start."""

    number: int
    tmin: Floats
    tmax: Floats
    anomaly: Floats
    left: Floats
    right: Floats
    count: Floats
    effort: Floats

    def chances(
        self, base: float, requirement: float, spread: float, effect: float, shifts: Floats, stray: float
    ) -> Floats:
        """Return the chance of each check at each shift, shape (shifts, checks)."""
        heat = np.concatenate([[0.0], np.cumsum(sine_heat(self.tmin, self.tmax, base))])

        def flown(time: float) -> Floats:
            return np.asarray(
                norm.cdf(np.interp(time, np.arange(len(heat)), heat), requirement + shifts, spread)
            )

        out = np.zeros((len(shifts), len(self.left)))
        for k, (left, right) in enumerate(zip(self.left, self.right, strict=True)):
            for day in range(int(np.floor(left)), int(np.ceil(right))):
                rise = flown(min(right, day + 1.0)) - flown(max(left, float(day)))
                out[:, k] += self.effort[k] * np.exp(effect * self.anomaly[day]) * rise
        out /= out.sum(axis=1, keepdims=True)
        time = (self.right - self.left) * self.effort
        return np.asarray((1.0 - stray) * out + stray * time / time.sum())

    def log_likelihood(
        self,
        base: float,
        requirement: float,
        spread: float,
        effect: float,
        *,
        concentration: float,
        shift_sd: float,
        stray: float,
    ) -> float:
        """Return the log chance of the counts given their total, the own shift summed over +-8 SDs."""
        z = np.linspace(-8.0, 8.0, 801)
        p = self.chances(base, requirement, spread, effect, shift_sd * z, stray)
        n, total = self.count, self.count.sum()
        a = concentration * p
        value = (gammaln(n + a) - gammaln(a)).sum(axis=1) + gammaln(concentration)
        value += gammaln(total + 1) - gammaln(n + 1).sum() - gammaln(concentration + total)
        return float(np.log(np.sum(np.exp(value) * norm.pdf(z)) * (z[1] - z[0])))


def night_records(net: Network, element: str) -> list[NightRecord]:
    """Return the trap-years of a network with the weather of their nights by ``tmin`` or ``tmax``."""
    days = net.weather["time"].to_numpy().astype("datetime64[D]")
    station = dict(zip(net.links["trap"], net.links["station"], strict=True))
    found = []
    for number, rows in net.trap_years.intervals.groupby("trap_year"):
        rows = rows.sort_values("end")
        year, there = int(rows["year"].iloc[0]), net.weather.sel(station=station[rows["trap"].iloc[0]])
        series = there[element].to_numpy()
        anomaly = series - course(series, days)
        first = SEASON.first_day(year)
        inside = (days >= first) & (days <= SEASON.last_day(year))
        left, right = (
            (rows[c].to_numpy() - first.astype("datetime64[ns]")) / np.timedelta64(1, "D")
            for c in ("start", "end")
        )
        tmin, tmax = (there[name].to_numpy()[inside] for name in ("tmin", "tmax"))
        count, effort = (rows[c].to_numpy(dtype=float) for c in ("count", "effort"))
        found.append(NightRecord(int(str(number)), tmin, tmax, anomaly[inside], left, right, count, effort))
    return found


def with_night_effect(
    net: Network,
    element: str,
    effect: float,
    *,
    requirement: float = 500.0,
    spread: float = 60.0,
    shift_sd: float = 20.0,
    shift_sd_year: float = 0.0,
    concentration: float = 10.0,
    stray: float = 0.0,
    seed: int = 0,
) -> Network:
    """Return a network of base 10 °C whose catches are drawn again, as many of each trap-year, by the weather of nights."""
    rng = np.random.default_rng(seed)
    table = net.trap_years.intervals.copy()
    years = table.groupby("trap_year")["year"].first()
    of_year = {year: rng.normal(0.0, shift_sd_year) for year in sorted(set(years))}
    for record in night_records(net, element):
        shift = np.array([of_year[years[record.number]] + rng.normal(0.0, shift_sd)])
        chance = record.chances(10.0, requirement, spread, effect, shift, stray)[0]
        weights = rng.gamma(np.maximum(concentration * chance, 1e-300))
        drawn = rng.multinomial(int(record.count.sum()), weights / weights.sum())
        rows = table[table["trap_year"] == record.number].sort_values("end").index
        table.loc[rows, "count"] = drawn.astype(float)
    return replace(net, trap_years=replace(net.trap_years, intervals=table))
