"""The held-out errors of each site as a table, where no surface can be drawn through them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from phenofit.errors import DataError, ModelError
from phenofit.maps import ErrorChoice, site_errors
from phenofit.report.page_tables import PageTable
from phenofit.report.words import interval, scheme_words
from phenofit.wording import number

if TYPE_CHECKING:
    from phenofit.analysis.results import SpeciesResult


def site_table(species: SpeciesResult) -> PageTable | None:
    """Return the errors of the sites; None where the map shows them, or nothing was held out."""
    drawn = species.error_map
    if species.validation.empty or (drawn is not None and bool(drawn["mean_error"].notnull().any())):
        return None
    scheme = str(species.validation["scheme"].iloc[0])
    try:
        found = site_errors(species.validation, ErrorChoice(species=species.species, scheme=scheme))
    except (DataError, ModelError):
        return None  # the note that there is no map says why
    rows = tuple(
        (
            str(row["site"]),
            str(int(row["seasons"])),
            number(row["mean_error"]),
            number(row["shrunk_error"]),
            interval(row["low"], row["high"], ""),
            number(row["rmse"]),
        )
        for row in found.to_dict("records")
    )
    return PageTable(
        f"Errors of half of the flight by site, leaving out {scheme_words(scheme)[0]}, weather known; positive: forecast late. "
        "Shrunk: drawn towards the mean of all sites, the more the fewer seasons there are.",
        ("site", "seasons", "mean error [days]", "shrunk [days]", "95 % interval [days]", "RMSE [days]"),
        rows,
        (False, True, True, True, True, True),
    )


def late_or_early(species: SpeciesResult) -> dict[tuple[str, int], str]:
    """Return a sentence on each place and flight whose past forecasts came late or early beyond chance."""
    if species.validation.empty:
        return {}
    scheme, said = str(species.validation["scheme"].iloc[0]), {}
    for flight in range(1, species.fit.settings.flights + 1):
        try:
            choice = ErrorChoice(species=species.species, scheme=scheme, flight=flight)
            found = site_errors(species.validation, choice)
        except (DataError, ModelError):
            continue  # nothing was held out of this flight
        for row in found.to_dict("records"):
            if row["low"] > 0.0 or row["high"] < 0.0:
                error = float(row["mean_error"])
                way = "late" if error > 0.0 else "early"
                said[str(row["site"]), flight] = (
                    f"past forecasts came {number(abs(error))} days {way} on average here (weather known)"
                )
    return said
