"""How much more one kind of trap or lure catches than another: season totals at the same site in the same year."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from scipy.stats import t as t_distribution

from phenofit.errors import ModelError

if TYPE_CHECKING:
    from phenofit.traps import TrapYears

RATIO_COLUMNS = ("level", "trap_years", "moths", "ratio", "low", "high")
LEAST_SITES = 3
"""Fewest sites for which sites are the replicates; with fewer, site-years are."""
_TOTALS = ("column", "site_year", "site", "total", "trap_nights")


@dataclass(frozen=True)
class CatchRatios:
    """Ratios of the catch per trap-night between kinds.

    Attributes
    ----------
    table : DataFrame
        ``RATIO_COLUMNS``, a row for each level, the reference first: trap-years and moths at the sites and years
        where several kinds stood, and the ratio to the reference with its interval.
    level : float
        Confidence level.
    sites, site_years : int
        Where several kinds stood.
    clustered : bool
        Whether sites are the replicates.
    remarks : tuple of str
        What was left out.
    """

    table: pd.DataFrame
    level: float
    sites: int
    site_years: int
    clustered: bool
    remarks: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Return the ratios in words."""
        first, *others = self.table.to_dict("records")
        parts = [
            f"{row['level']} {row['ratio']:.2g} times ({row['low']:.2g} to {row['high']:.2g})"
            for row in others
        ]
        replicates = "sites" if self.clustered else "site-years"
        where = "site" if self.sites == 1 else "sites"
        return (
            f"Catch per trap-night against {first['level']}, at the same site in the same year: {', '.join(parts)}; "
            f"{100 * self.level:g} % interval from {replicates}, {self.site_years} site-years at {self.sites} {where}."
        )


def season_totals(trap_years: TrapYears, column: str) -> pd.DataFrame:
    """Return moths and trap-nights (effort times nights) of each trap-year whose catches are all counted."""
    intervals = trap_years.intervals
    nights = (intervals["end"] - intervals["start"]).dt.total_seconds() / 86400.0
    table = intervals.assign(
        trap_nights=nights * intervals["effort"], uncounted=intervals["status"] != "counted"
    )
    sums = table.groupby("trap_year").agg(
        total=("count", "sum"), trap_nights=("trap_nights", "sum"), uncounted=("uncounted", "any")
    )
    years = trap_years.years.set_index("trap_year")
    found = sums.assign(
        column=years[column].astype(object).where(years[column].notna(), "").astype(str).str.strip(),
        site=years["site"].astype(str),
        site_year=years["site"].astype(str) + "\n" + years["year"].astype(str),
    )
    return found[~found["uncounted"] & (found["column"] != "")][list(_TOTALS)].reset_index(drop=True)


def catch_ratios(
    trap_years: TrapYears, column: str, levels: Sequence[str], *, level: float = 0.95
) -> CatchRatios | None:
    """Return how the catches of the levels of a text column differ; None where they never stood side by side.

    Notes
    -----
    A Poisson GLM of season totals, with the log of the trap-nights as offset and every site-year as a fixed effect.
    Given the totals of the site-years that is a multinomial model: the ratio is consistent whatever the abundance, and
    however many site-years there are. A negative binomial with so many fixed effects is not (Neyman & Scott 1948,
    Econometrica 16, 1-32). Moths come in swarms, and one spot at a site is better than another in all years: the
    covariance is clustered by site, with the factor G / (G - 1) and t with G - 1 degrees for G sites (Cameron & Miller
    2015, J. Hum. Resour. 50, 317-372; effects within clusters are not counted). With one or two sites the clusters are
    site-years. Intervals of a quasi-Poisson model, whose variance is proportional to the mean, held the true ratio
    in only 78 to 87 % of 200 draws.
    """
    table = season_totals(trap_years, column)
    remarks: list[str] = []
    without = len(trap_years) - len(table)
    if without:
        remarks.append(
            f"{without} trap-years with catches that are not counted exactly say nothing of the catch ratio."
        )
    kinds = table.groupby("site_year")["column"].transform("nunique")
    caught = table.groupby("site_year")["total"].transform("sum")
    beside = table[(kinds > 1) & (caught > 0)]
    names = _connected(beside, levels)
    if len(names) < 2:
        return None
    for name in levels:
        if name not in names:
            remarks.append(
                f"{column} '{name}' never stood beside {names[0]}, directly or through others: no catch ratio."
            )
    beside = beside[beside["column"].isin(names)]
    moths = beside.groupby("column")["total"].sum()
    empty = [name for name in names if not moths[name]]
    if empty:
        raise ModelError(
            f"'{empty[0]}' caught no moth where it stood beside another kind, so its catch ratio has no interval; leave its "
            "traps out, or join it to another level."
        )
    sites = int(beside["site"].nunique())
    clustered = sites >= LEAST_SITES
    ratio, ends = _fit(beside, names, level=level, clustered=clustered)
    size = beside.groupby("column").size()
    rows = [
        (name, int(size[name]), int(moths[name]), r, low, high)
        for name, r, (low, high) in zip(names, ratio, ends, strict=True)
    ]
    if not clustered:
        remarks.append(
            f"Kinds stood side by side at {sites} {'site' if sites == 1 else 'sites'} only: what differs between spots of a "
            "site counts as a difference of kinds."
        )
    found = pd.DataFrame(rows, columns=list(RATIO_COLUMNS))
    return CatchRatios(found, level, sites, int(beside["site_year"].nunique()), clustered, tuple(remarks))


def _connected(table: pd.DataFrame, levels: Sequence[str]) -> list[str]:
    """Return the levels that site-years link to the first level that shared a site-year with another; that level comes first."""
    there = [name for name in levels if (table["column"] == name).any()]
    if not there:
        return []
    counts = pd.crosstab(table["site_year"], table["column"])[there].to_numpy()
    _, label = connected_components(csr_array(counts.T @ counts > 0))
    return [name for name, own in zip(there, label, strict=True) if own == label[0]]


def _fit(
    table: pd.DataFrame, names: Sequence[str], *, level: float, clustered: bool
) -> tuple[list[float], list[tuple[float, float]]]:
    """Return the ratios to the first level and their intervals."""
    # These load slowly.
    import statsmodels.api as sm  # type: ignore[import-untyped]
    from statsmodels.tools.sm_exceptions import PerfectSeparationWarning  # type: ignore[import-untyped]

    clusters = pd.factorize(table["site" if clustered else "site_year"])[0]
    number = int(clusters.max()) + 1
    if number < 2:
        raise ModelError(
            "kinds stood side by side in a single year of a single site: the catch ratio has no interval."
        )
    kinds = np.column_stack([(table["column"] == name).astype(float) for name in names[1:]])
    model = sm.GLM(
        table["total"].to_numpy(),
        np.column_stack([kinds, pd.get_dummies(table["site_year"], dtype=float).to_numpy()]),
        family=sm.families.Poisson(),
        offset=np.log(table["trap_nights"].to_numpy()),
    )
    with warnings.catch_warnings():
        # Totals that the model fits exactly are no separation; levels without a moth are refused before.
        warnings.simplefilter("ignore", PerfectSeparationWarning)
        fit = model.fit(cov_type="cluster", cov_kwds={"groups": clusters, "use_correction": False})
    count = len(names) - 1
    estimate = fit.params[:count]
    # Fixed effects within the clusters take no degrees of freedom from them.
    error = fit.bse[:count] * np.sqrt(number / (number - 1))
    half = t_distribution.isf(0.5 * (1.0 - level), number - 1) * error
    ratio, ends = np.exp(estimate), np.exp(np.column_stack([estimate - half, estimate + half]))
    if not np.isfinite(ends).all():
        raise ModelError(
            "too few moths were caught where kinds stood side by side: a catch ratio has no interval."
        )
    return [1.0, *ratio.tolist()], [(1.0, 1.0), *((float(low), float(high)) for low, high in ends)]
