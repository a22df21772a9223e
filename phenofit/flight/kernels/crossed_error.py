r"""The error of Laplace's rule over crossed shifts: the next term of its expansion.

With ``a_ij = z_i H^-1 z_j'`` the posterior covariance of the shared shifts of trap-years `i` and `j`, and ``l_i'''``,
``l_i''''`` the slopes of their log integrals, the log-likelihood lacks

    sum_i l_i'''' a_ii^2 / 8 + sum_ij l_i''' l_j''' (a_ii a_ij a_jj / 8 + a_ij^3 / 12)

(Shun and McCullagh 1995, J. R. Statist. Soc. B 57:749-760, from memory; compared with brute force in the tests).
"""

from __future__ import annotations

import numpy as np

from phenofit.flight.kernels.crossed import CrossedShifts

_ROWS = 500  # pairs of a year and a site at a time: what a computer holds at once


def laplace_error(shifts: CrossedShifts) -> float:
    """Return what the log-likelihood lacks at the top that was last computed."""
    top = shifts.expansion
    if top is None:
        raise ValueError("the likelihood has not been computed yet.")
    sites = shifts.sites
    # Trap-years of the same year and site share their shift: they enter as one.
    number, cell = np.unique(shifts.year * sites + shifts.site, return_inverse=True)
    year, site = number // sites, number % sites
    third, fourth = (np.bincount(cell, slope) for slope in (top.third, top.fourth))
    of_years, of_sites, across = top.matrix.inverse_blocks()
    of_years, of_sites = top.scale[0] ** 2 * of_years, top.scale[1] ** 2 * of_sites
    across = top.scale[0] * top.scale[1] * across
    own = of_years[year, year] + of_sites[site, site] + 2.0 * across[year, site]
    total = float(fourth @ own**2) / 8.0
    pull = third * own
    for first in range(0, len(number), _ROWS):
        rows = slice(first, first + _ROWS)
        y, s = year[rows, None], site[rows, None]
        shared = of_years[y, year] + of_sites[s, site] + across[y, site] + across[year, s]
        total += float(pull[rows] @ (shared @ pull)) / 8.0 + float(third[rows] @ (shared**3 @ third)) / 12.0
    return total
