"""Stage windows and treatment intervals, as ``phenofit forecast --stages`` tells them."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from phenofit.flight import FlightFit
    from phenofit.forecast.places import Place
    from phenofit.forecast.season import SeasonForecast
    from phenofit.forecast.stages import StageLag

__all__ = ["StagePlan", "read_stage_options", "tell_stages"]

_SAMPLE = "2024-06-10:2024-06-16"


@dataclass(frozen=True)
class StagePlan:
    """Stage lags, and the treatment intervals that are compared with one of the stages."""

    lags: tuple[StageLag, ...]
    treated: tuple[tuple[np.datetime64, np.datetime64], ...]
    stage: StageLag | None


def read_stage_options(args: argparse.Namespace) -> StagePlan | None:
    """Read ``--stages``, ``--treat`` and ``--treat-stage``; ``None`` where no stage is asked for.

    Raises
    ------
    ModelError
        If one of them has no effect without another, an interval is not one, or the stage is unknown.
    DataError
        If the table of stages is wrong.
    """
    from phenofit.errors import ModelError
    from phenofit.forecast.stages import read_stage_lags
    from phenofit.tables import nearest

    treated = tuple(_intervals(args.treat))
    if args.stages is None:
        for name in ("treat", "treat_stage"):
            if getattr(args, name):
                raise ModelError(f"--{name.replace('_', '-')} needs the table of stages: --stages FILE.")
        return None
    if args.treat_stage and not treated:
        raise ModelError("--treat-stage has no effect without --treat FROM:TO.")
    lags = tuple(read_stage_lags(args.stages))
    chosen = [lag for lag in lags if lag.stage == args.treat_stage]
    if treated and not chosen:
        names = [lag.stage for lag in lags]
        raise ModelError(
            f"--treat needs a stage of the table (--treat-stage); there are {', '.join(names)}."
            f"{nearest(args.treat_stage or '', names)}"
        )
    return StagePlan(lags, treated, chosen[0] if chosen else None)


def tell_stages(
    plan: StagePlan,
    fit: FlightFit,
    places: Sequence[Place],
    forecast: SeasonForecast,
    traps: pd.DataFrame,
) -> pd.DataFrame:
    """Print when each stage comes at each place, and what a schedule covers; return the table."""
    from phenofit.forecast.stages import schedule_cover, stage_table, stage_windows

    windows = [
        window
        for place in places
        for flight in range(1, fit.settings.flights + 1)
        for window in stage_windows(fit, place, plan.lags, flight=flight, traps=traps)
    ]
    table = stage_table(windows, species=forecast.species, terms=forecast.terms)
    for row in table.to_dict("records"):
        when = " to ".join(
            f"{row[c]:%d %b}" if str(row[c]) != "NaT" else "not this season" for c in ("low50", "high50")
        )
        print(f"  {row['site']}, flight {row['flight']}: {row['stage']}, 50 % {when}; {row['lag']}")
    if plan.stage is None:
        return table
    for place in places:
        for flight in range(1, fit.settings.flights + 1):
            mean, low, high = schedule_cover(fit, place, plan.stage, plan.treated, flight=flight, traps=traps)
            print(
                f"  {place.site}, flight {flight}: the intervals given cover {100 * mean:.0f} % of "
                f"{plan.stage.stage} (95 % {100 * low:.0f} to {100 * high:.0f} %)"
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
            raise ModelError(f"--treat '{text}' is not an interval; write first:last, such as {_SAMPLE}.")
        if ends[1] < ends[0]:
            raise ModelError(f"--treat '{text}' ends before it begins; write first:last, such as {_SAMPLE}.")
        found.append(ends)
    return found
