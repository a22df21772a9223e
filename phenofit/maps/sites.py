"""The held-out errors of each site: mean, shrunk mean with its error, RMSE, coverage.

The error of site *i* in season *t* is taken as ``e_it = mu + s_i + y_t + r_it``: a level, a site, a season
common to all sites, and a rest, each but the level normal with its own variance. The variances come from
restricted likelihood. Without the season part a site that was watched in one late year only would look late.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize

from phenofit.maps.choice import ErrorChoice, ErrorRows, select_errors
from phenofit.maps.kriging.single_thread import one_thread

_Z95 = 1.959963984540054
_FLAGS = {"covered80": "coverage80", "covered95": "coverage95", "inside_interval": "inside_interval"}


@dataclass(frozen=True)
class SiteErrors:
    """Errors of one forecaster, site by site."""

    table: pd.DataFrame  # A row per site; see :func:`site_errors`.
    level: float  # Mean error of all sites [days].
    level_se: float  # Standard error of the level that comes from having seen only these seasons [days].
    site_sd: float  # Standard deviations of the site, season and rest parts [days].
    season_sd: float
    rest_sd: float
    chosen: ErrorRows  # The rows behind the table.
    notes: tuple[str, ...]  # Remarks for the reader.


_FITTED = ErrorChoice()


def site_errors(validation: pd.DataFrame, choice: ErrorChoice = _FITTED) -> pd.DataFrame:
    """Sum up the held-out errors of each site.

    Parameters
    ----------
    validation : DataFrame
        The validation table.
    choice : ErrorChoice
        Which rows.

    Returns
    -------
    DataFrame
        A row per site, sorted by name: ``site, latitude, longitude`` [degrees], ``elevation_m`` [m],
        ``seasons`` (number held out), ``first_year, last_year, traps``, ``mean_error`` (plain mean),
        ``adjusted_error`` (season parts removed) and ``adjusted_se``, ``shrunk_error`` and ``shrunk_se``
        with the 95 % interval ``low, high``, ``rmse`` (all [days], positive = forecast late),
        ``coverage80, coverage95, inside_interval`` [1], ``single_season`` (bool).

    Raises
    ------
    DataError
        If a needed column is absent or a place is impossible.
    ModelError
        If no row matches or the choice is not unique.

    Notes
    -----
    ``shrunk_error`` is the best linear unbiased prediction of ``mu + s_i``; its standard error holds the
    uncertainty of the level and of the season parts, and takes the variances as known.

    References
    ----------
    Henderson (1975), Biometrics 31, 423-447 (mixed-model equations).

    Examples
    --------
    >>> import pandas as pd
    >>> rows = [(s, y, e) for s, es in {"A": (1, 2), "B": (5, 6)}.items() for y, e in zip((2020, 2021), es)]
    >>> table = pd.DataFrame(rows, columns=["site", "year", "error_days"])
    >>> table = table.assign(
    ...     forecaster="fitted", flight=1, event="flight_50", latitude=40.0, longitude=-100.0
    ... )
    >>> site_errors(table)[["site", "seasons", "mean_error"]].values.tolist()
    [['A', 2, 1.5], ['B', 2, 5.5]]
    """
    return summarise_sites(select_errors(validation, choice)).table


def summarise_sites(chosen: ErrorRows) -> SiteErrors:
    """Sum up chosen rows by site and keep the variances beside the table."""
    rows = chosen.rows
    # Traps of one site share its seasons: their mean is one observation.
    cells = rows.groupby(["site", "year"], sort=True)["error_days"].mean().reset_index()
    with one_thread():
        by_site, numbers, replicated = _variance_components(cells)
    table = _site_table(rows).join(by_site)
    notes: list[str] = []
    if chosen.left_out:
        notes.append(
            f"{chosen.left_out} rows had no error (event not seen or not forecast) and are not used."
        )
    single = int((table["seasons"] == 1).sum())
    if single:
        notes.append(f"{single} of {len(table)} sites were held out in one season only.")
    if not replicated:
        notes.append(
            "No site has more than one season: differences between sites cannot be distinguished "
            "from differences between seasons, so every shrunk error is the common level."
        )
    table["low"] = table["shrunk_error"] - _Z95 * table["shrunk_se"]
    table["high"] = table["shrunk_error"] + _Z95 * table["shrunk_se"]
    table["single_season"] = table["seasons"] == 1
    return SiteErrors(table.reset_index(), *numbers, chosen, tuple(notes))


def _site_table(rows: pd.DataFrame) -> pd.DataFrame:
    groups = rows.groupby("site", sort=True)
    x, y, z = _unit_vectors(rows)
    direction = pd.DataFrame({"site": rows["site"], "x": x, "y": y, "z": z}).groupby("site", sort=True).mean()
    table = pd.DataFrame(
        {
            # Means of unit vectors, so that a site with traps on both sides of 180 degrees stays where it is.
            "latitude": np.degrees(np.arctan2(direction["z"], np.hypot(direction["x"], direction["y"]))),
            "longitude": np.degrees(np.arctan2(direction["y"], direction["x"])),
            "elevation_m": groups["elevation_m"].mean() if "elevation_m" in rows else np.nan,
            "seasons": groups["year"].nunique(),
            "first_year": groups["year"].min().astype(int),
            "last_year": groups["year"].max().astype(int),
            "traps": groups["trap"].nunique() if "trap" in rows else 1,
            "mean_error": rows.groupby(["site", "year"])["error_days"].mean().groupby("site").mean(),
            "rmse": np.sqrt(rows["error_days"].pow(2).groupby(rows["site"]).mean()),
        }
    )
    for source, name in _FLAGS.items():
        table[name] = groups[source].mean().astype(float) if source in rows else np.nan
    return table


def _unit_vectors(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    phi = np.radians(rows["latitude"].to_numpy(float))
    lam = np.radians(rows["longitude"].to_numpy(float))
    return np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)


def _variance_components(
    cells: pd.DataFrame,
) -> tuple[pd.DataFrame, tuple[float, float, float, float, float], bool]:
    """Return the columns of each site, then level, its error and the SDs, and whether a site has two seasons."""
    site, sites = pd.factorize(cells["site"], sort=True)
    year, years = pd.factorize(cells["year"], sort=True)
    error = cells["error_days"].to_numpy(float)
    crossed = _Crossed(site, year, error, len(sites), len(years))
    replicated = bool(np.any(crossed.per_site > 1))
    with_season = len(years) > 1 and len(sites) > 1 and len(error) > len(sites) + len(years) - 1
    gamma = _fit_ratios(crossed, replicated, with_season)
    solved = crossed.solve(*gamma)
    frame = pd.DataFrame(
        {
            "adjusted_error": crossed.adjusted(solved),
            # Without a replicate the rest cannot be measured apart; the surface then finds it as its nugget.
            "adjusted_se": np.sqrt(solved.rest / crossed.per_site) if replicated else 0.0,
            "shrunk_error": solved.prediction,
            "shrunk_se": np.sqrt(solved.prediction_variance) if len(error) > 1 else np.nan,
        },
        index=pd.Index(sites, name="site"),
    )
    site_sd, season_sd, rest_sd = (float(np.sqrt(g * solved.rest)) for g in (*gamma, 1.0))
    level_se = float(np.sqrt(gamma[1] * solved.rest / len(years)))
    return frame, (float(solved.fixed[0]), level_se, site_sd, season_sd, rest_sd), replicated


@dataclass(frozen=True)
class _Solved:
    fixed: np.ndarray  # level, then season parts
    rest: float
    prediction: np.ndarray
    prediction_variance: np.ndarray
    criterion: float


class _Crossed:
    """Crossed site and season parts, with the sites absorbed so that only a seasons-wide system is solved."""

    def __init__(self, site: np.ndarray, year: np.ndarray, error: np.ndarray, sites: int, years: int) -> None:
        self.counts = np.zeros((sites, years))
        self.sums = np.zeros((sites, years))
        np.add.at(self.counts, (site, year), 1.0)
        np.add.at(self.sums, (site, year), error)
        self.per_site = self.counts.sum(axis=1)
        self.site_sum = self.sums.sum(axis=1)
        self.square = float(np.sum(error**2))
        self.n = len(error)

    def solve(self, site_ratio: float, season_ratio: float) -> _Solved:
        """Solve the mixed-model equations for variance ratios to the rest (site, season)."""
        shrink = site_ratio / (1.0 + site_ratio * self.per_site)
        design = np.column_stack([self.per_site, self.counts])  # site totals of the columns 1, seasons
        plain = np.zeros((1 + self.counts.shape[1],) * 2)
        season_count = self.counts.sum(axis=0)
        plain[0, 0], plain[0, 1:], plain[1:, 0] = self.n, season_count, season_count
        plain[1:, 1:] = np.diag(season_count)
        left = plain - (design * shrink[:, None]).T @ design
        right = np.concatenate([[self.site_sum.sum()], self.sums.sum(axis=0)]) - design.T @ (
            shrink * self.site_sum
        )
        used = np.arange(len(right)) if season_ratio > 0 else np.array([0])
        left, right, design = left[np.ix_(used, used)], right[used], design[:, used]
        logdet = float(np.sum(np.log1p(site_ratio * self.per_site)))
        if season_ratio > 0:
            left = left + np.diag(np.concatenate([[0.0], np.full(len(used) - 1, 1.0 / season_ratio)]))
            logdet += (len(used) - 1) * np.log(season_ratio)
        inverse = np.linalg.inv(left)
        fixed = inverse @ right
        quadratic = self.square - float(np.sum(shrink * self.site_sum**2)) - float(right @ fixed)
        freedom = max(self.n - 1, 1)
        rest = max(quadratic, 0.0) / freedom
        logdet += float(np.linalg.slogdet(left)[1])
        weights = -shrink[:, None] * design
        weights[:, 0] += 1.0
        variance = rest * (shrink + np.einsum("ij,jk,ik->i", weights, inverse, weights))
        prediction = shrink * self.site_sum + weights @ fixed
        criterion = freedom * np.log(max(rest, 1e-12)) + logdet
        return _Solved(fixed, rest, prediction, variance, float(criterion))

    def adjusted(self, solved: _Solved) -> np.ndarray:
        """Return each site's mean with the season parts taken out."""
        season = solved.fixed[1:] if len(solved.fixed) > 1 else np.zeros(self.counts.shape[1])
        return np.asarray((self.site_sum - self.counts @ season) / self.per_site)


def _fit_ratios(crossed: _Crossed, replicated: bool, with_season: bool) -> tuple[float, float]:
    if not replicated:
        return 0.0, 0.0

    def ratios(root: np.ndarray) -> tuple[float, float]:
        return float(root[0] ** 2), float(root[1] ** 2) if with_season else 0.0

    def criterion(root: np.ndarray) -> float:
        return crossed.solve(*ratios(root)).criterion

    best_value, best = np.inf, (0.0, 0.0)
    # Roots of the ratios, so that a part of exactly zero is inside the search and not at minus infinity.
    for start in ([0.5, 0.5], [1.5, 0.2], [0.2, 1.5], [0.0, 0.0]):
        found = minimize(
            criterion, np.array(start, dtype=np.float64), method="L-BFGS-B", bounds=[(0.0, 50.0), (0.0, 50.0)]
        )
        if found.fun < best_value - 1e-9:
            best_value, best = float(found.fun), ratios(found.x)
    return best
