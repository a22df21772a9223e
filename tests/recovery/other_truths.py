"""Catches on real weather from models that the fit does not assume; written without the code of the fit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from phenofit.heat import degree_days
from phenofit.traps import build_trap_years
from tests.recovery.real_networks import BASE, CHECKS, SEASON, SHIFT_SD, Network, block, traps_of

Share = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Flight:
    """The true share flown by heat, with its median and spread."""

    share: Share
    median: float
    mean: float
    events: dict[str, float]


def skewed(curve: str, *, sd: float = 60.0, median: float = 500.0) -> Flight:
    """Return a flight with a long tail to the right, of given median and SD [degC d]."""
    shape = {"gamma": stats.gamma(3.0), "Weibull": stats.weibull_min(1.5)}[curve]
    scale = sd / shape.std()
    begin = median - scale * shape.median()

    def share(heat: np.ndarray) -> np.ndarray:
        return np.asarray(shape.cdf((heat - begin) / scale))

    events = {f"flight_{q}": begin + scale * float(shape.ppf(q / 100)) for q in (5, 50, 95)}
    return Flight(share, median, begin + scale * float(shape.mean()), events)


def normal(median: float = 500.0, sd: float = 60.0) -> Flight:
    events = {f"flight_{q}": float(stats.norm(median, sd).ppf(q / 100)) for q in (5, 50, 95)}
    return Flight(lambda heat: np.asarray(stats.norm.cdf(heat, median, sd)), median, median, events)


def other_network(
    place: str,
    flights: tuple[Flight, ...],
    *,
    seed: tuple[int, ...],
    counts: str,
    weights: tuple[float, ...] = (1.0,),
    years: int = 5,
    sites: int = 8,
    shift_sd_year: float = 20.0,
    moths: float = 60.0,
    size: float = 1.5,
) -> Network:
    """Draw a network of 8 sites and weekly checks.

    `counts` is ``"negative binomial"`` (each interval on its own with the same size: not Dirichlet-multinomial given
    the total, whose size would grow with the expected catch) or ``"swarms"`` (Dirichlet-multinomial, concentration 10).
    """
    rng = np.random.default_rng(list(seed))
    weather, chosen = block(place, years, rng)
    traps, links = traps_of(place, sites)
    plan = CHECKS[place]
    rows = []
    for year in chosen:
        year_shift = shift_sd_year * rng.standard_normal()
        days = np.arange(np.datetime64(f"{year}-01-01"), np.datetime64(f"{year}-11-01"))
        checks = np.arange(np.datetime64(f"{year}-{plan.first}"), np.datetime64(f"{year}-{plan.last}"), 7)
        at = (checks - days[0]).astype(int)
        for trap in traps.to_dict("records"):
            part = weather.sel(station=trap["station"]).reindex(time=days.astype("datetime64[ns]"))
            daily = np.asarray(degree_days(part["tmin"].to_numpy(), part["tmax"].to_numpy(), base=BASE))
            whole = np.concatenate([[0.0], np.cumsum(daily)])
            heat = 0.5 * (whole[at] + whole[at + 1])  # checks at midday
            shift = year_shift + SHIFT_SD * rng.standard_normal()
            share = sum(w * np.diff(f.share(heat - shift)) for w, f in zip(weights, flights, strict=True))
            mean = moths * np.maximum(share, 0.0)
            if counts == "negative binomial":
                drawn = rng.negative_binomial(size, size / (size + np.maximum(mean, 1e-9)))
            else:
                total = rng.negative_binomial(2.0, 2.0 / (2.0 + mean.sum()))
                drawn = rng.multinomial(total, rng.dirichlet(np.maximum(10.0 * mean / mean.sum(), 1e-9)))
            rows += [
                (trap["trap"], a, b, float(n)) for a, b, n in zip(checks[:-1], checks[1:], drawn, strict=True)
            ]
    table = pd.DataFrame(rows, columns=["trap", "set", "check", "count"])
    noon = np.timedelta64(12, "h")
    catches = table.assign(
        set=table["set"].to_numpy().astype("datetime64[ns]") + noon,
        check=table["check"].to_numpy().astype("datetime64[ns]") + noon,
        status="counted",
        effort=1.0,
        row=np.arange(2, len(table) + 2),
    )
    return Network(build_trap_years(traps, catches, SEASON), weather, links)
