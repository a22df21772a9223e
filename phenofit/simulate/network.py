r"""Catches of an invented trap network, drawn from the model that the fit assumes.

Notes
-----
For a trap-year *i*, flight *g* and check interval *j* from *t* (j-1) to *t* (j), with heat ``H`` above the true base,

.. math:: p_{ij} \propto \sum_g w_{ig}\,[G((H(t_j) - m_g - u_i)/s_g) - G((H(t_{j-1}) - m_g - u_i)/s_g)]

where the shift ``u`` is the sum of a year, a site and a trap-year part, each normal, and the shares ``w`` of the
flights vary from trap-year to trap-year. Given their total, the counts are Dirichlet-multinomial with
concentration phi; the total is negative binomial. A small share of stray moths is spread evenly over time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import ModelError
from phenofit.globe import distance_km
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate.catches import NetworkTruth, RunningHeat, draw_counts, rounded
from phenofit.simulate.schedule import CheckPlan, Visit, draw_visits


@dataclass
class _Record:
    """Rows gathered while the trap-years are drawn."""

    rows: list[tuple[str, np.datetime64, np.datetime64, float, str]] = field(default_factory=list)
    trap_years: list[dict[str, object]] = field(default_factory=list)


def simulate_network(
    *,
    weather: xr.Dataset,
    traps: pd.DataFrame,
    season: Season,
    heat: HeatSettings,
    truth: NetworkTruth,
    checks: CheckPlan | Mapping[str, CheckPlan] | None = None,
    years: Sequence[int] | None = None,
    links: Mapping[str, str] | None = None,
    species: str = "invented species",
    seed: int = 0,
) -> tuple[pd.DataFrame, dict[str, object]]:
    """Draw the catches of a trap network with known true values.

    Parameters
    ----------
    weather : xarray.Dataset
        Station weather without gaps in the seasons used.
    traps : DataFrame
        Columns `trap`, `latitude`, `longitude`, and optionally `site` (default: the trap).
    season : Season
        Where heat sums begin and end.
    heat : HeatSettings
        Method, cut-off and upper threshold.
    truth : NetworkTruth
        The true values.
    checks : CheckPlan or mapping from trap to CheckPlan, optional
        When the traps are set and checked; weekly by default.
    years : sequence of int, optional
        Years in which seasons start; by default every season that the weather covers whole.
    links : mapping, optional
        Station of each trap; by default the nearest.
    species : str
        Name noted in the truth.
    seed : int
        Same seed, same catches.

    Returns
    -------
    catches : DataFrame
        Columns `trap`, `set`, `check` [datetime64, midday], `count`, `status`, `effort`, `row`, as
        :func:`phenofit.traps.read_catches` gives them. A check that was not made has status ``"missing"``, one
        that found no trap ``"lost"``. `set` is given only where a trap was newly set.
    truth : dict
        The true values, the drawn shifts, and what happened to each trap-year; ready for JSON.

    Raises
    ------
    ModelError
        If a site or a plan is not known, or the weather does not cover the network.

    Notes
    -----
    The true heat of a trap is that of its station: the model holds exactly, with no error of place other than the
    shifts.
    """
    rng = np.random.default_rng(seed)
    table = traps.reset_index(drop=True)
    sites = (table["site"] if "site" in table else table["trap"]).astype(str)
    chosen = list(years) if years is not None else _whole_seasons(weather, season)
    year_shift = {year: float(truth.shift_sd_year * rng.standard_normal()) for year in chosen}
    site_shift = {site: float(truth.shift_sd_site * rng.standard_normal()) for site in dict.fromkeys(sites)}
    for site, extra in truth.site_shifts.items():
        if site not in site_shift:
            raise ModelError(f"a shift is given for site '{site}', which has no trap.")
        site_shift[site] += extra
    stations = dict(links) if links is not None else _nearest_stations(table, weather)
    running = RunningHeat(weather, season, heat, truth.base)
    record = _Record()
    for trap, site in zip(table["trap"].astype(str), sites, strict=True):
        plan = checks.get(trap) if isinstance(checks, Mapping) else (checks or CheckPlan())
        if plan is None:
            raise ModelError(f"no plan of checks is given for trap '{trap}'.")
        for year in chosen:
            own = float(truth.shift_sd * rng.standard_normal())
            shift = year_shift[year] + site_shift[site] + own
            visits, late = draw_visits(plan, season, year, rng)
            accumulated = running.of(stations[trap], year)
            counts, facts = draw_counts(visits, accumulated, season.first_day(year), shift, truth, rng)
            _note(
                record, trap, season.label(year), visits, counts, {**facts, "shift": own, "late_start": late}
            )
    catches = pd.DataFrame(record.rows, columns=["trap", "set", "check", "count", "status"])
    for name in ("set", "check"):
        catches[name] = catches[name].to_numpy().astype("datetime64[ns]")
    catches["effort"], catches["row"] = 1.0, np.arange(2, len(catches) + 2)
    return catches, {
        "species": species,
        "seed": seed,
        "base_unit": "degC",
        "method": heat.method,
        "cutoff": heat.cutoff,
        "upper": heat.upper,
        "start": str(season.start),
        "curve": truth.curve,
        "stray": truth.stray,
        "parameters": _parameter_rows(truth),
        "year_shifts": {season.label(year): rounded(value) for year, value in year_shift.items()},
        "site_shifts": {site: rounded(value) for site, value in site_shift.items()},
        "trap_years": record.trap_years,
    }


def _note(
    record: _Record,
    trap: str,
    season: str,
    visits: Sequence[Visit],
    counts: Sequence[float],
    facts: Mapping[str, object],
) -> None:
    midday = np.timedelta64(12, "h")
    nothing = np.datetime64("NaT")
    newly = True
    for visit, count in zip(visits, counts, strict=True):
        begin = visit.start + midday if visit.is_set and newly else nothing
        newly = visit.state == "lost"
        status = "missing" if visit.state == "missed" else visit.state
        record.rows.append((trap, begin, visit.day + midday, count, status))
    states = [visit.state for visit in visits]
    record.trap_years.append(
        {
            "trap": trap,
            "season": season,
            **{name: rounded(value) if isinstance(value, float) else value for name, value in facts.items()},
            "missed_checks": states.count("missed"),
            "times_lost": states.count("lost"),
        }
    )


def _parameter_rows(truth: NetworkTruth) -> list[dict[str, object]]:
    rows: list[tuple[str, int | None, float, str]] = [("base", None, truth.base, "degC")]
    for flight, (requirement, spread) in enumerate(
        zip(truth.requirements, truth.spreads, strict=True), start=1
    ):
        rows += [("requirement", flight, requirement, "degC d"), ("spread", flight, spread, "degC d")]
    for name in ("shift_sd_year", "shift_sd_site", "shift_sd"):
        rows.append((name, None, getattr(truth, name), "degC d"))
    if not np.isinf(truth.concentration):
        rows.append(("concentration", None, truth.concentration, "1"))
    return [{"parameter": p, "flight": g, "value": float(v), "unit": unit} for p, g, v, unit in rows]


def _whole_seasons(weather: xr.Dataset, season: Season) -> list[int]:
    first, last = (weather["time"].values[end].astype("datetime64[D]") for end in (0, -1))
    begin, end = (day.astype("datetime64[Y]").astype(int) + 1970 for day in (first, last))
    years = [
        y
        for y in range(int(begin), int(end) + 1)
        if season.first_day(y) >= first and season.last_day(y) <= last
    ]
    if not years:
        raise ModelError(
            f"the weather, {first} to {last}, covers no whole season {season.start} to {season.end}."
        )
    return years


def _nearest_stations(traps: pd.DataFrame, weather: xr.Dataset) -> dict[str, str]:
    names = weather["station"].values.astype(str)
    apart = distance_km(
        traps["latitude"].to_numpy(dtype=float)[:, None],
        traps["longitude"].to_numpy(dtype=float)[:, None],
        weather["latitude"].to_numpy(),
        weather["longitude"].to_numpy(),
    )
    return dict(zip(traps["trap"].astype(str), names[apart.argmin(axis=1)].tolist(), strict=True))
