"""What the residuals, strays and influences of a fit say, in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import ndtri

from phenofit.flight.result import FlightFit
from phenofit.plots.residual_data import FEWEST
from phenofit.report.page_tables import PageTable
from phenofit.report.words import parameter_words
from phenofit.wording import day, number

_SHOWN = 5
_CHANCE = 0.05


def residual_sentences(residuals: pd.DataFrame, trap_years: int | None = None) -> list[str]:
    """Summarise the residuals, and name the checks that are least expected."""
    known = residuals.dropna(subset=["residual"]) if len(residuals) else residuals
    if len(known) < FEWEST:
        return []
    values = known["residual"].to_numpy(dtype=np.float64)
    said = (
        f"The residuals of {len(known)} checks have mean {number(values.mean(), 2)} and standard deviation "
        f"{number(values.std(ddof=1), 2)}; 0 and 1 where the model holds."
    )
    without = 0 if trap_years is None else trap_years - residuals["trap_year"].nunique()
    if without:
        said += (
            f" {without} of {trap_years} trap-years have none: some of their catches are known only from below, or were "
            "not counted."
        )
    limit = float(ndtri(1.0 - _CHANCE / (2.0 * len(known))))
    far = known[known["residual"].abs() > limit]
    if far.empty:
        return [f"{said} With so many residuals none is unusual (beyond ±{number(limit)})."]
    order = far["residual"].abs().sort_values(ascending=False, kind="stable").index
    named = [
        f"trap {row['trap']}, check of {day(row['end'], year=True)} ({_moths(row['count'])}, {number(row['expected'])} "
        f"expected; residual {number(row['residual'])})"
        for row in far.loc[order[:_SHOWN]].to_dict("records")
    ]
    more = f", and {len(far) - _SHOWN} more" if len(far) > _SHOWN else ""
    return [
        said,
        f"Out of the ordinary (beyond ±{number(limit)}), so look at the record: {'; '.join(named)}{more}.",
    ]


def stray_sentences(strays: pd.DataFrame) -> list[str]:
    """Name the checks whose catch the model attributes to strays."""
    if strays.empty:
        return []
    claimed = strays[strays["claimed"]]
    if claimed.empty:
        return ["No catch is attributed to strays: in every check moths of the flight are more probable."]
    named = [
        f"trap {row['trap']}, check of {day(row['end'], year=True)} ({_moths(row['count'])}, strays with a share of "
        f"{number(100 * row['share'], 0)} %)"
        for row in claimed.head(_SHOWN).to_dict("records")
    ]
    more = f", and {len(claimed) - _SHOWN} more" if len(claimed) > _SHOWN else ""
    return [f"Attributed to strays rather than to moths of the flight: {'; '.join(named)}{more}."]


def carried_table(fit: FlightFit, carried: pd.DataFrame, *, most: int = 5) -> PageTable:
    """Return the trap-years that move the estimates most."""
    flights = fit.settings.flights
    names = ["base", *(f"requirement_{g}" for g in range(1, flights + 1))]
    names = [n for n in names if (carried[f"{n}_change"] != 0.0).any()]
    rows = [
        (
            f"{row['trap']}, {row['season']}",
            str(int(row["total"])),
            *(_signed(row[f"{n}_change"], 2 if n == "base" else 0) for n in names),
            number(row["largest"], 2),
        )
        for row in carried.head(most).to_dict("records")
    ]
    heads = [
        "base [°C]"
        if n == "base"
        else f"{parameter_words('requirement', int(n[-1]), flights).split(':')[0]}"
        f"{f', flight {n[-1]}' if flights > 1 else ''} [°C-days]"
        for n in names
    ]
    return PageTable(
        f"How far the estimates would move without a trap-year, to first order and without a refit: the {len(rows)} "
        f"largest of {len(carried)}. The last column is the largest move in standard errors of the fit.",
        ("trap-year", "moths", *heads, "in standard errors"),
        tuple(rows),
        (False, *(True for _ in heads), True, True),
    )


def _moths(count: float) -> str:
    return f"{int(count)} moth{'' if int(count) == 1 else 's'}"


def _signed(value: float, digits: int) -> str:
    text = number(value, digits)
    return f"+{text}" if float(text.replace("−", "-")) > 0 else text
