"""Errors of forecasts by the number of days ahead."""

from __future__ import annotations

import pandas as pd

from phenofit.report.page_tables import PageTable
from phenofit.report.words import scheme_words
from phenofit.validate.older_forecasters import OLDER
from phenofit.validate.scores import first_scheme
from phenofit.wording import forecaster_words, number


def lead_table(scores: pd.DataFrame, *, event: str = "flight_50") -> PageTable | None:
    """Return the error of each forecaster by days ahead, farthest first, weather known last."""
    if scores.empty:
        return None
    rows = first_scheme(scores, event)
    rows = rows[~rows["forecaster"].str.startswith(OLDER)]
    leads = sorted(rows["lead_days"].dropna().unique(), reverse=True)
    if not leads:
        return None
    several = rows["flight"].nunique() > 1
    cells = []
    # What was fitted first, the calendar last, as in the figures.
    order = rows.assign(late=rows["forecaster"].map({"fitted": 0, "calendar mean": 2}).fillna(1))
    for (flight, _late, name), mine in order.groupby(["flight", "late", "forecaster"], sort=True):
        by_lead = mine.set_index(mine["lead_days"].fillna(-1.0))
        found = [by_lead.loc[lead] if lead in by_lead.index else None for lead in (*leads, -1.0)]
        words = forecaster_words(str(name))
        cells.append(
            (
                f"flight {flight}: {words}" if several else words,
                *(number(None if one is None else float(one["mae_days"])) for one in found),
            )
        )
    heads = [f"{lead:.0f}" for lead in leads]
    what = "the flight" if event == "flight_50" else event
    return PageTable(
        f"Mean absolute error of the date of half of {what} by the days ahead at which the forecast was made, leaving out "
        f"{scheme_words(str(rows['scheme'].iloc[0]))[0]}; the weather still to come is that of the other years. With the "
        "weather known only the model's own error is left.",
        ("forecaster", *(f"{head} days ahead [days]" for head in heads), "weather known [days]"),
        tuple(cells),
        (False, *(True for _ in range(len(heads) + 1))),
    )
