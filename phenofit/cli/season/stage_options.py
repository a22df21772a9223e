"""Stage windows and treatment intervals, as ``phenofit forecast --stages`` prints them."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from phenofit.cli.options import refuse_unused
from phenofit.cli.screen_tables import print_table, short_date

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from phenofit.flight import FlightFit
    from phenofit.forecasting.forecast_places import Place
    from phenofit.forecasting.season_forecast import SeasonForecast
    from phenofit.forecasting.stage_windows import StageLag
    from phenofit.seasons import Season
    from phenofit.study import StudyInputs


@dataclass(frozen=True)
class Stages:
    """Stages to print, and treatment intervals that are to cover one of them."""

    lags: tuple[StageLag, ...]
    treated: tuple[tuple[np.datetime64, np.datetime64], ...]
    chosen: str  # Name of the stage that they are to cover.

    def check_season(self, season: Season, today: np.datetime64) -> None:
        """Refuse treatment intervals outside of the season that is forecast."""
        import numpy as np

        from phenofit.errors import ModelError

        year = int(season.year_of(np.array([today]))[0])
        if year < 0:
            return  # the forecast itself says that the day of issue is outside of the season
        for first, last in self.treated:
            if last < season.first_day(year) or first >= season.first_day(year + 1):
                raise ModelError(
                    f"--treat '{first}:{last}' has no effect: it lies outside of the season {season.label(year)}."
                )


def read_stages(args: argparse.Namespace, inputs: StudyInputs) -> Stages | None:
    """Read the options --stages, --treat and --treat-stage; None where neither they nor the study name stages."""
    from phenofit.errors import ModelError
    from phenofit.files.tables import nearest
    from phenofit.forecasting.stage_windows import read_stage_lags

    lags = inputs.stages if args.stages is None else read_stage_lags(args.stages)
    if not lags:
        reason = "without --stages, or stages in [forecast] of the study file"
        refuse_unused(args, ["treat", "treat_stage"], reason)
        return None
    treated = tuple(_interval(text) for text in args.treat)
    names = list(dict.fromkeys(lag.stage for lag in lags))
    if treated and args.treat_stage not in names:
        raise ModelError(
            f"--treat needs a stage of the table (--treat-stage); there are {', '.join(names)}."
            f"{nearest(args.treat_stage or '', names)}"
        )
    return Stages(lags, treated, args.treat_stage or "")


def print_stages(
    stages: Stages, fit: FlightFit, places: Sequence[Place], forecast: SeasonForecast, traps: pd.DataFrame
) -> pd.DataFrame:
    """Print when each stage comes at each place, and what a schedule covers; return the table."""
    from phenofit.forecasting.stage_windows import (
        lags_of,
        schedule_cover,
        season_stages,
        stage_path,
        stage_table,
    )

    lags = lags_of(stages.lags, forecast.species)
    windows = season_stages(fit, places, lags, traps=traps)
    table = stage_table(windows, species=forecast.species, terms=forecast.terms)
    rows = [
        (
            str(row["site"]),
            str(row["flight"]),
            str(row["stage"]),
            short_date(row["median"]),
            *(f"{short_date(row[f'low{level}'])} to {short_date(row[f'high{level}'])}" for level in (50, 95)),
            str(row["lag"]),
        )
        for row in table.to_dict("records")
    ]
    print_table(("site", "flight", "stage", "median", "50 %", "95 %", "lag"), rows)
    covered = stages.treated and any(lag.stage == stages.chosen for lag in lags)
    for place in places if covered else ():
        path = stage_path(lags, stages.chosen)
        for flight in range(1, fit.settings.flights + 1):
            asked = (fit, place, path, stages.treated)
            mean, low, high = schedule_cover(*asked, flight=flight, traps=traps)
            print(
                f"  {place.site}, flight {flight}: the intervals given cover {100 * mean:.0f} % of "
                f"{stages.chosen} (95 % {100 * low:.0f} to {100 * high:.0f} %)"
            )
    return table


def _interval(text: str) -> tuple[np.datetime64, np.datetime64]:
    import datetime

    import numpy as np

    from phenofit.errors import ModelError

    first, _, last = text.partition(":")
    try:
        ends = datetime.date.fromisoformat(first), datetime.date.fromisoformat(last)
    except ValueError:
        finding = f"--treat '{text}' is not an interval; write first:last, such as 2024-06-10:2024-06-16."
        raise ModelError(finding) from None
    if ends[1] < ends[0]:
        raise ModelError(f"--treat '{text}' ends before it begins; write the first day first.")
    return np.datetime64(ends[0], "D"), np.datetime64(ends[1], "D")
