"""Out-of-season catches: the share of each catch that the model takes to be strays."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.flight.diagnostics.residuals import CheckChances, chances_of_checks

if TYPE_CHECKING:
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records

STRAY_COLUMNS = ("trap", "season", "start", "end", "count", "heat", "share", "claimed")
_CLAIMED = 0.5


def stray_checks(fit: FlightFit, records: Records) -> pd.DataFrame:
    """Return what share of each catch a fit takes to be strays, the largest share first.

    Parameters
    ----------
    fit : FlightFit
        The fit, its share of strays held or fitted.
    records : Records
        What it was fitted to.

    Returns
    -------
    DataFrame
        Columns ``STRAY_COLUMNS``, a row for each check with a moth: ``heat`` at the middle of the interval [degC d],
        ``share`` the expected share of strays in the catch, ``claimed`` where it is above one half. Units are in
        ``attrs["units"]``.

    Raises
    ------
    ModelError
        If the fit counts from a biofix and the records have none, or the other way round.
    DataError
        If the records are not those of the fit.

    Notes
    -----
    Check j of a trap-year has the chance ``p_j = (1 - e) q_j + e d_j``, with the share e of strays, the check's part
    q_j of the flights and d_j of the time. A moth caught in it is a stray with the chance ``e d_j / p_j``, for the
    Dirichlet-multinomial as for independent moths, because a part of a Dirichlet distribution can be split in two.
    The share is averaged over the shift and the flight sizes of the trap-year, weighted by the likelihood of its
    own counts. Other trap-years of the year, which inform a common shift, are not used.
    """
    phi = fit.parameters.get("concentration", np.inf)
    parts = []
    for found in chances_of_checks(fit, records):
        share = _shares(found, phi)
        table = found.checks[["trap", "season", "start", "end", "count"]]
        parts.append(
            table.assign(heat=found.heat, share=share, claimed=share > _CLAIMED)[found.checks["count"] > 0]
        )
    table = pd.concat(parts, ignore_index=True).sort_values("share", ascending=False, kind="stable")
    table = table[list(STRAY_COLUMNS)].reset_index(drop=True)
    table.attrs["units"] = {"heat": "degC d", "share": "1"}
    return table


def _shares(found: CheckChances, concentration: float) -> npt.NDArray[np.float64]:
    """Return the expected share of strays in each check's catch, shape (checks,)."""
    level = found.log_likelihood(concentration) + np.log(found.weight)
    weight = np.exp(level - level.max())
    return np.asarray((weight / weight.sum()) @ (found.stray / np.maximum(found.chance, 1e-12)))
