"""Data of other fields put on the heat axis, so that the flight engine fits them: heat is time.

Every day is at 11 °C and the base is held at 10 °C, so that a day brings one degree-day and a moment on the time
axis is a heat sum. A thing observed (a part, a person, a litter) is a trap-year; its counts stand between moments.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import gammaln

from phenofit.flight.estimate.maximise import Box, curvature, maximise
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.heat.settings import HeatSettings

Floats = npt.NDArray[np.float64]

BASE = 10.0
# The last day is as hot as it takes for nothing of any flight curve to be left after it.
_FAR_DAY = 5_000
_NEVER = 1e12


@dataclass(frozen=True)
class Thing:
    """Counts of one thing observed: moments (rising, the last may be infinite) and counts between them."""

    moments: tuple[float, ...]
    counts: tuple[int, ...]
    site: str = "all"
    year: int = 2000


@cache
def _days(end: float) -> Floats:
    temperature = np.full((1, _FAR_DAY), BASE + 1.0)
    temperature[0, -1] = BASE + end - (_FAR_DAY - 1)
    return temperature


def flight_data(things: list[Thing], *, end: float = _NEVER, **columns: object) -> FlightData:
    """Return the data with one trap-year for each thing; further columns of the table by name.

    The constant is that of the multinomial coefficients, as for catches; `end` is the heat that stands for
    infinity.
    """
    day, part, weight, edge_of = [], [], [], [0]
    catch: dict[str, list[float]] = {"left": [], "right": [], "count": [], "share": []}
    catch_of, constant = [0], 0.0
    for thing in things:
        moments = np.minimum(np.asarray(thing.moments, dtype=float), float(_FAR_DAY))
        whole = np.minimum(np.floor(moments), _FAR_DAY - 1)
        day.extend(whole.astype(int))
        part.extend(moments - whole)
        weight.extend([-1.0, *[0.0] * (len(moments) - 2), 1.0])
        counts = np.asarray(thing.counts)
        assert len(counts) == len(moments) - 1
        for k in np.flatnonzero(counts).tolist():
            catch["left"].append(edge_of[-1] + k)
            catch["right"].append(edge_of[-1] + k + 1)
            catch["count"].append(thing.counts[k])
            catch["share"].append(1.0 / len(counts))
        catch_of.append(len(catch["count"]))
        edge_of.append(edge_of[-1] + len(moments))
        constant += float(gammaln(counts.sum() + 1) - gammaln(counts + 1.0).sum())
    table = pd.DataFrame(
        {
            "trap": [f"thing {k}" for k in range(len(things))],
            "site": [t.site for t in things],
            "season": [str(t.year) for t in things],
            "year": [t.year for t in things],
            "total": [sum(t.counts) for t in things],
            **columns,
        }
    )
    return FlightData(
        table=table,
        tmin=_days(end),
        tmax=_days(end),
        edge_of=np.array(edge_of, dtype=np.int64),
        edge_series=np.zeros(len(day), dtype=np.int64),
        edge_day=np.array(day, dtype=np.int64),
        edge_part=np.array(part),
        edge_weight=np.array(weight),
        catch_of=np.array(catch_of, dtype=np.int64),
        catch_left=np.array(catch["left"], dtype=np.int64),
        catch_right=np.array(catch["right"], dtype=np.int64),
        catch_count=np.array(catch["count"], dtype=np.int64),
        catch_effort=np.ones(len(catch["count"])),
        catch_share=np.array(catch["share"]),
        left_out=pd.DataFrame(columns=["trap", "season", "reason", "rows"]),
        constant=constant,
    )


@dataclass(frozen=True)
class Found:
    """Where the engine's search ended: values by the names of the vector, covariance of the free entries."""

    value: float
    at: dict[str, float]
    covariance: pd.DataFrame
    slope: Floats

    def error(self, name: str) -> float:
        """Return the standard error of an entry."""
        at = list(self.covariance.columns).index(name)
        return float(np.sqrt(self.covariance.to_numpy()[at, at]))


def engine(data: FlightData, curve: str, **options: object) -> Likelihood:
    """Return the engine's likelihood with no shift unless `options` ask for one."""
    options = {"groups": np.full(data.trap_years, -1), "own_shift": False, "flights": 1, **options}
    return Likelihood(data, HeatSettings(), curve, **options)  # type: ignore[arg-type]


def search(likelihood: Likelihood, start: dict[str, float], held: dict[str, float]) -> Found:
    """Search the maximum from a start; entries in `held` stay, and so do the base and a stray share of 1e-9.

    An open last interval has no middle from which a fit could guess its start, so the start is given here.
    """
    layout = likelihood.layout
    given = {"base": BASE, "logit stray": -20.7, "log group_sd": 0.0, "log shift_sd": 0.0, **held}
    given.setdefault("log concentration", 0.0)
    given = {k: v for k, v in given.items() if k not in start}
    theta = np.array([{**given, **start}.get(name, 0.0) for name in layout.names])
    box = Box(
        np.where([n.startswith("requirement") for n in layout.names], 1e-3, -60.0),
        np.where([n.startswith("requirement") for n in layout.names], 1e9, 60.0),
        np.array([name in start for name in layout.names]),
    )
    free = [name for name in layout.names if name in start]
    factor = np.diag([0.1 * abs(start[n]) if n.startswith("requirement") else 0.2 for n in free])
    for _ in range(5):
        top = maximise(likelihood, theta, box, factor, tolerance=1e-7)
        theta = top.theta
        scale = np.array(
            [1e-4 * abs(v) if n.startswith("req") else 1e-4 for n, v in zip(layout.names, theta, strict=True)]
        )
        covariance = np.linalg.inv(curvature(likelihood, theta, box, scale))
        factor = np.linalg.cholesky(covariance)
        slope = factor.T @ top.gradient[box.free]
        if np.abs(slope).max() < 1e-5:  # in standard errors
            break
    assert np.abs(slope).max() < 1e-3
    return Found(
        value=top.value,
        at=dict(zip(layout.names, theta.tolist(), strict=True)),
        covariance=pd.DataFrame(covariance, index=free, columns=free),
        slope=slope,
    )
