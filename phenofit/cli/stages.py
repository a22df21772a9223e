"""Stage windows and treatment intervals, as ``phenofit forecast --stages`` tells them."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from phenofit.flight import FlightFit
    from phenofit.forecast.places import Place
    from phenofit.forecast.season import SeasonForecast

__all__ = ["tell_stages"]


def tell_stages(
    args: argparse.Namespace,
    fit: FlightFit,
    places: Sequence[Place],
    forecast: SeasonForecast,
    traps: pd.DataFrame,
) -> pd.DataFrame:
    """Print when each stage comes at each place, and what a schedule covers; return the table."""
    from phenofit.errors import ModelError
    from phenofit.forecast.stages import read_stage_lags, schedule_cover, stage_table, stage_windows
    from phenofit.tables import nearest

    lags = read_stage_lags(args.stages)
    treated = _intervals(args.treat)
    chosen = [lag for lag in lags if lag.stage == args.treat_stage]
    if treated and not chosen:
        names = [lag.stage for lag in lags]
        raise ModelError(
            f"--treat needs a stage of the table (--treat-stage); there are {', '.join(names)}."
            f"{nearest(args.treat_stage or '', names)}"
        )
    windows = [
        window
        for place in places
        for flight in range(1, fit.settings.flights + 1)
        for window in stage_windows(fit, place, lags, flight=flight, traps=traps)
    ]
    table = stage_table(windows, species=forecast.species, terms=forecast.terms)
    for row in table.to_dict("records"):
        when = " to ".join(
            f"{row[c]:%d %b}" if str(row[c]) != "NaT" else "not this season" for c in ("low50", "high50")
        )
        print(f"  {row['site']}, flight {row['flight']}: {row['stage']}, 50 % {when}; {row['lag']}")
    for place in places if treated else ():
        for flight in range(1, fit.settings.flights + 1):
            mean, low, high = schedule_cover(fit, place, chosen[0], treated, flight=flight, traps=traps)
            print(
                f"  {place.site}, flight {flight}: the intervals given cover {100 * mean:.0f} % of "
                f"{chosen[0].stage} (95 % {100 * low:.0f} to {100 * high:.0f} %)"
            )
    return table


def _intervals(texts: Sequence[str]) -> list[tuple[np.datetime64, np.datetime64]]:
    import numpy as np

    from phenofit.errors import ModelError

    found: list[tuple[np.datetime64, np.datetime64]] = []
    ends: tuple[np.datetime64, np.datetime64]
    for text in texts:
        first, _, last = text.partition(":")
        try:
            ends = np.datetime64(first, "D"), np.datetime64(last, "D")
        except ValueError:
            ends = np.datetime64("NaT", "D"), np.datetime64("NaT", "D")
        if np.isnat(ends[0]) or np.isnat(ends[1]):
            raise ModelError(f"'{text}' is not an interval; write first:last, such as 2024-06-10:2024-06-16.")
        found.append(ends)
    return found
