"""Are stations like their traps? Shifts of sites against what distance and height of their stations explain."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from phenofit.errors import ModelError
from phenofit.flight.diagnostics.station_differences import TemperatureRule, site_places, temperature_rule
from phenofit.flight.diagnostics.trap_year_shifts import SiteEffects, site_effects, trap_year_shifts
from phenofit.flight.fitted_likelihood import records_of_fit
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.heat_at_times import SeasonTemperatures
from phenofit.heat.compiled.daily_kernels import running_heat

if TYPE_CHECKING:
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records

STATION_COLUMNS = (
    "site", "station", "distance_km", "height_difference_m", "expected_sd", "shift", "error", "shift_days", "offset",
    "stands_out",
)  # fmt: skip
LEVEL = 0.05
"""Below this p value, sites differ by more than their stations explain."""
_SHOWN = 5


@dataclass(frozen=True)
class StationCheck:
    """Shifts of sites, and what the distance and height of their stations explain of them.

    Attributes
    ----------
    table : DataFrame
        ``STATION_COLUMNS``, a row for each site: ``expected_sd`` and ``shift`` against the mean of the sites, with its
        ``error`` [degC d]; ``shift_days`` [d]; ``offset`` [degC]: how much warmer the station would have to be than the
        trap (below zero: colder); ``stands_out``.
    statistic : float
        F statistic of the sites against the expected size.
    degrees : tuple of int
        Its degrees of freedom.
    p_value : float
        Chance of a statistic at least as large where distance and height explain all; at most that where they
        explain some.
    rule : TemperatureRule
        Expected difference of temperature by distance and height.
    """

    table: pd.DataFrame
    statistic: float
    degrees: tuple[int, int]
    p_value: float
    rule: TemperatureRule

    @property
    def found(self) -> bool:
        """Whether sites differ by more than distance and height explain, at 5 %."""
        return self.p_value < LEVEL

    def sentence(self) -> str:
        """Return the result in words, with the sites that stand out."""
        p = f"{self.p_value:.3f}" if self.p_value >= 0.0005 else "below 0.001"
        test = (
            f"(F {self.statistic:.1f} with {self.degrees[0]} and {self.degrees[1]} degrees of freedom, p {p})"
        )
        size = float(np.sqrt((self.table["shift"] ** 2).sum() / self.degrees[0]))
        expected = float(np.sqrt((self.table["expected_sd"] ** 2).mean()))
        if not self.found:
            return f"The shifts of sites are no larger than distance and height of their stations explain {test}."
        far = self.table[self.table["stands_out"]]
        order = far["shift"].abs().sort_values(ascending=False, kind="stable").index
        named = "; ".join(_site_words(row) for row in far.loc[order[:_SHOWN]].to_dict("records"))
        more = f"; and {len(far) - _SHOWN} more" if len(far) > _SHOWN else ""
        # A single far site may be more than its station explains while the sites as a whole are not.
        what, sizes = "Some sites have larger shifts", ""
        if size > expected:
            what, sizes = (
                "The shifts of sites are larger",
                f": SD {size:.0f} °C-days, expected {expected:.0f}",
            )
        return (
            f"{what} than distance and height of their stations explain {test}{sizes}. "
            f"{f'Standing out: {named}{more}' if named else 'No single site stands out'}. "
            "Look at these stations, or at what else differs between the sites."
        )


def _site_words(row: Mapping[Hashable, object]) -> str:
    shift, days, offset = (float(str(row[name])) for name in ("shift", "shift_days", "offset"))
    when = "later" if shift > 0 else "earlier"
    kind = "warmer" if offset > 0 else "colder"
    return (
        f"{row['site']} (station {row['station']}, {float(str(row['distance_km'])):.0f} km, "
        f"{float(str(row['height_difference_m'])):+.0f} m: {abs(shift):.0f} °C-days or {abs(days):.0f} days {when}, as if "
        f"the station were {abs(offset):.1f} °C {kind} than the trap)"
    )


def station_check(fit: FlightFit, records: Records) -> StationCheck:
    r"""Test whether sites differ in their shift by more than distance and height of their stations explain.

    Parameters
    ----------
    fit : FlightFit
        The fit, of counts.
    records : Records
        What it was fitted to, with the distance and height difference of each trap's station in ``links``.

    Returns
    -------
    StationCheck

    Raises
    ------
    ModelError
        If sites and years cannot be distinguished (fewer than 3 sites, a single year), or the distance of a station is
        missing.
    DataError
        If the records are not those of the fit.

    Notes
    -----
    The shift :math:`u_i` of a trap-year is estimated from its own counts. Sites and years are fixed effects on it. The
    F statistic of the sites has the residual year x site mean square as its scale. The expected SD of site s is

    .. math:: \tau_s = D_s \sqrt{c\, d_s + (\Lambda\, \Delta h_s)^2}

    with the effective days :math:`D` (change of the heat sum at half of the first flight with a degree more), distance
    :math:`d`, height difference against the mean of the sites :math:`\Delta h`, lapse :math:`\Lambda`, and :math:`c` from
    the stations. It widens the reference: the level of 5 % is that of stations just like their traps (7.2 % of 500 drawn
    networks were rejected); where they differ as expected it is lower. A height difference counts by its size, not by
    its sign: inversions are common. A site stands out where the test is positive and its shift is beyond the Bonferroni limit of 5 % of t.
    """
    shifts = trap_year_shifts(fit, records)
    scale = _scales(fit, records)
    places = site_places(fit.data, records.links)
    if not np.isfinite(places[["distance_km", "height_difference_m"]].to_numpy()).all():
        raise ModelError("the distance or the height of the station of some traps is not known.")
    rule = temperature_rule(records.weather, scale.days)
    # Interpolated temperatures are those of the trap's height already.
    height = places["height_difference_m"].where(places["how"] != "interpolated", 0.0)
    height -= height.mean()
    per_site = scale.table.groupby("site", sort=True)[["effective_days", "heat_per_day"]].mean()
    per_site = per_site.loc[places.index]
    days = per_site["effective_days"].to_numpy()
    apart = zip(places.index, places["distance_km"], height, days, strict=True)
    expected = {str(site): float(d) * rule.expected_sd(float(km), float(m)) for site, km, m, d in apart}
    effects = site_effects(shifts, expected)
    p = float(f_distribution.sf(effects.statistic, *effects.degrees))
    table = _table(effects, places, per_site, expected, found=p < LEVEL)
    return StationCheck(table, effects.statistic, effects.degrees, p, rule)


def _table(
    effects: SiteEffects,
    places: pd.DataFrame,
    per_site: pd.DataFrame,
    expected: dict[str, float],
    *,
    found: bool,
) -> pd.DataFrame:
    limit = t_distribution.isf(LEVEL / (2.0 * len(effects.sites)), effects.degrees[1])
    order = list(effects.sites)
    days = per_site.loc[order]
    table = places.loc[order, ["station", "distance_km", "height_difference_m"]].reset_index(names="site")
    table = table.assign(
        expected_sd=[expected[site] for site in order],
        shift=effects.effect,
        error=effects.error,
        shift_days=effects.effect / days["heat_per_day"].to_numpy(),
        offset=effects.effect / days["effective_days"].to_numpy(),
        stands_out=found & (np.abs(effects.effect) > limit * effects.error),
    )[list(STATION_COLUMNS)]
    table.attrs["units"] = {
        "distance_km": "km", "height_difference_m": "m", "expected_sd": "degC d", "shift": "degC d", "error": "degC d",
        "shift_days": "d", "offset": "degC",
    }  # fmt: skip
    return table


@dataclass(frozen=True)
class _Scales:
    table: pd.DataFrame  # By trap-year: ``site, effective_days, heat_per_day`` at half of the first flight.
    days: npt.NDArray[
        np.datetime64
    ]  # Days from the start of the heat sums to the usual half of the first flight.


def _scales(fit: FlightFit, records: Records) -> _Scales:
    """Return by how much a degree of temperature, and a day, change the heat sum at half of the first flight."""
    records = records_of_fit(fit, records)
    seasons = SeasonTemperatures(records)
    rows: list[int] = []
    starts = []
    for place in fit.data.to_dict("records"):
        station, start, _ = seasons.start(str(place["trap"]), str(place["site"]), int(place["year"]))
        rows.append(seasons.row(station, start, int(place["year"])))
        starts.append(start)
    heat = fit.settings.heat
    total, by_base, by_upper = running_heat(
        *seasons.padded(), fit.base, heat.upper_or_inf, heat.method_code, heat.cutoff_code
    )
    factors = covariate_design(fit.data, fit.settings.covariates, fitted=fit.parameters).factors(
        fit.parameters
    )
    found = []
    for row, amount in zip(rows, fit.requirement() * factors, strict=True):
        known = np.flatnonzero(np.isfinite(total[row]))
        day = int(known[min(int(np.searchsorted(total[row][known], amount)), len(known) - 1)])
        week = slice(max(day - 4, 0), day + 4)
        nearby = total[row][week][np.isfinite(total[row][week])]
        # A degree more at the station is the same as a base, and an upper threshold, a degree lower.
        found.append(
            (day, -(by_base[row, day] + by_upper[row, day]), float(np.ptp(nearby)) / (len(nearby) - 1))
        )
    middle = int(np.median([day for day, _, _ in found]))
    days = np.unique(
        np.concatenate([np.arange(start, start + np.timedelta64(middle, "D")) for start in set(starts)])
    )
    table = pd.DataFrame(found, columns=["day", "effective_days", "heat_per_day"])
    return _Scales(table.assign(site=fit.data["site"].astype(str).to_numpy()), days)
