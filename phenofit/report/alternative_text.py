"""What each figure shows, in sentences computed from its data, for readers who do not see it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from phenofit.flight import FlightFit, JointRegion
from phenofit.plots.calibration_data import Calibration
from phenofit.plots.cumulative_curves import CumulativeCurve
from phenofit.plots.error_plots import main_forecasters
from phenofit.plots.flight_curves import CatchCurve, SeasonHeat
from phenofit.plots.residual_data import ResidualView
from phenofit.plots.score_groups import ScoreGroup
from phenofit.records.weeks import RecordWeeks
from phenofit.report.words import interval
from phenofit.seasons import Season
from phenofit.wording import day, forecaster_words, number

_WEEK = 7.0
_LEVEL = 0.02  # a share of the events this far from the nominal one is called neither too few nor too many


def of_flight(curve: CatchCurve) -> str:
    """Return the heat at which the flights are, and how far the catches lie from the curve."""
    halves = " and ".join(number(value, 0) for value in curve.requirements)
    middle = 0.5 * (curve.edges[1:] + curve.edges[:-1])
    fitted = np.interp(middle, curve.heat, curve.flown)
    at = int(np.argmax(np.abs(curve.caught - fitted)))
    side = "more" if curve.caught[at] > fitted[at] else "less"
    return (
        f"Catches of {curve.trap_years} trap-years on the heat scale with the fitted flight; half has flown at {halves} "
        f"°C-days. Farthest from the curve are the catches near {number(middle[at], 0)} °C-days: "
        f"{number(curve.caught[at])} % of the season's catch, {side} than the fitted {number(fitted[at])} %."
    )


def of_cumulative(curve: CumulativeCurve) -> str:
    """Return where the curve reaches a tenth, half and nine tenths, and how much of the catches lies outside the band."""
    at = [float(np.interp(share, curve.typical, curve.heat)) for share in (10.0, 50.0, 90.0)]
    ends = [float(np.interp(share, curve.typical, curve.heat)) for share in (5.0, 95.0)]
    points = np.concatenate(curve.observed)
    low, high = (np.interp(points[:, 0], curve.heat, end) for end in (curve.trap_low, curve.trap_high))
    # Beyond both ends of the flight nearly every point is 0 or 100 %.
    within = (points[:, 0] >= ends[0]) & (points[:, 0] <= ends[1])
    outside = float(((points[:, 1] < low) | (points[:, 1] > high))[within].mean()) if within.any() else 0.0
    return (
        f"Cumulative catch of {len(curve.observed)} trap-years against heat. The fitted curve reaches 10, 50 and 90 % at "
        f"{', '.join(number(value, 0) for value in at[:2])} and {number(at[2], 0)} °C-days. {number(100 * outside, 0)} % of "
        "the observed points between 5 and 95 % of the curve lie outside the band of 95 % of trap-years."
    )


def of_catches(checks: pd.DataFrame, shown: Sequence[tuple[str, str]]) -> str:
    """Return which trap-years are shown, and in which the catches lie farthest from what is expected."""
    keys = pd.MultiIndex.from_arrays([checks["trap"].astype(str), checks["season"].astype(str)])
    moved = {}
    for pair in shown:
        part = checks[keys == pair]
        count, expected = (part[name].to_numpy(dtype=np.float64) for name in ("count", "expected"))
        # Half of the distance between two distributions: the share of the catch that would have to move.
        moved[pair] = 50.0 * float(np.abs(count / count.sum() - expected / expected.sum()).sum())
    worst = max(moved, key=lambda pair: moved[pair])
    return (
        f"Catches by date of {len(shown)} trap-years, {int(checks[keys.isin(shown)]['count'].sum())} moths. Farthest from "
        f"what the fit expects is trap {worst[0]} in {worst[1]}: {number(moved[worst], 0)} % of its catch would have to come "
        f"in other checks; on average it is {number(float(np.mean(list(moved.values()))), 0)} %."
    )


def of_records(weeks: RecordWeeks) -> str:
    """Return how much was watched, how much had moths, and how many weeks with a check were left out."""
    watched = np.isfinite(weeks.moths)
    number_of_weeks = int(watched.sum())
    with_moths = int((weeks.moths[watched] > 0.0).sum())
    return (
        f"Records of {len(weeks.traps)} traps in {len(weeks.labels)} seasons ({weeks.labels[0]} to {weeks.labels[-1]}), by "
        f"week: {number_of_weeks} weeks of a trap were watched, {with_moths} of them with moths; {int(weeks.unchecked.sum())} "
        f"have a gap, and {int(weeks.left_out.sum())} have a check that is left out."
    )


def of_base(fit: FlightFit, regions: Mapping[int, JointRegion]) -> str:
    """Return the base with its interval, and how far its region with each requirement reaches."""
    base = interval(*fit.interval("base"), "°C")
    level = f"{100 * fit.settings.level:g} %"
    said = [f"Profile likelihood of the base: {number(fit.base)} °C, {level} interval {base}."]
    for flight, region in regions.items():
        low, high = region.outline.min(axis=0), region.outline.max(axis=0)
        rises = float(np.cov(region.outline.T)[0, 1]) > 0.0
        name = f" of flight {flight}" if len(regions) > 1 else ""
        said.append(
            f"Region with the requirement{name}: base {number(low[0])} to {number(high[0])} °C, requirement "
            f"{number(low[1], 0)} to {number(high[1], 0)} °C-days; a low base goes with a {'low' if rises else 'high'} "
            "requirement."
        )
    return " ".join(said)


def of_residuals(view: ResidualView) -> str:
    """Return how far the means of classes lie from zero, and how many residuals lie outside their band."""
    away = int(((view.class_low > 0.0) | (view.class_high < 0.0)).sum())
    worst = int(np.argmax(np.abs(view.class_mean)))
    outside = float(((view.ordered < view.low) | (view.ordered > view.high)).mean())
    return (
        f"Residuals of {len(view.residual)} checks. Along the heat, the intervals of {away} of {len(view.class_mean)} class "
        f"means do not hold 0; the mean farthest from 0 is {number(view.class_mean[worst], 2)}, near "
        f"{number(view.class_heat[worst], 0)} °C-days. In order, {number(100 * outside, 0)} % lie outside the band of the "
        "normal distribution."
    )


def of_dates(rows: pd.DataFrame) -> str:
    """Return how many forecast dates lie within a week of the date observed, for each flight."""
    parts = list(rows.groupby("flight", sort=True))
    said = []
    for flight, mine in parts:
        errors = mine["error_days"].to_numpy(dtype=np.float64)
        near, mean = int((np.abs(errors) <= _WEEK).sum()), float(errors.mean())
        way = "late" if mean > 0.0 else "early"
        bias = "with no bias" if abs(mean) < 0.05 else f"on average {number(abs(mean))} days {way}"
        name = f"flight {flight}: " if len(parts) > 1 else ""
        said.append(
            f"{name}{near} of {len(errors)} trap-years ({100 * near / len(errors):.0f} %) within a week of the line of equal "
            f"dates, {bias}"
        )
    return f"Date forecast against date observed for half of the flight, held out. {'; '.join(said)}."


def of_errors(rows: pd.DataFrame) -> str:
    """Return the median error of each forecaster, and the season in which the fit was farthest off."""
    listed = []
    for flight, mine in rows.groupby("flight", sort=True):
        medians = [
            f"{forecaster_words(name)} {number(mine.loc[mine['forecaster'] == name, 'error_days'].median())}"
            for name in main_forecasters(mine)
        ]
        listed.append((f"flight {flight}: " if rows["flight"].nunique() > 1 else "") + ", ".join(medians))
    said = (
        "Error of the forecast date of half of the flight by held-out season and forecaster. Median error in days: "
        f"{'; '.join(listed)}."
    )
    own = rows[rows["forecaster"] == "fitted"]
    if own.empty:
        return said
    by_season = own.groupby(["season", "flight"], as_index=False)["error_days"].median()
    farthest = by_season.iloc[int(np.argmax(by_season["error_days"].abs()))]
    season, flight, worst = farthest["season"], farthest["flight"], float(farthest["error_days"])
    name = f", flight {flight}" if rows["flight"].nunique() > 1 else ""
    way = "late" if worst > 0.0 else "early"
    return f"{said} The fit was farthest off in {season}{name}: {number(abs(worst))} days {way}."


def of_calibration(parts: Sequence[Calibration]) -> str:
    """Return how many events fell inside the intervals, and whether that is as many as it should be."""
    said = []
    for part in parts:
        shares = ", ".join(
            f"{100 * inside:.0f} % inside the {100 * nominal:.0f} % interval"
            for nominal, inside in zip(part.nominal, part.inside, strict=True)
        )
        away = float((part.inside - part.nominal).mean())
        verdict = (
            "as many as they should"
            if abs(away) <= _LEVEL
            else f"{'more' if away > 0.0 else 'fewer'} than they should"
        )
        name = f"flight {part.flight}: " if len(parts) > 1 else ""
        said.append(f"{name}{shares}; on average {verdict}")
    return f"How well the fitted forecasts of half of the flight knew their own error. {'. '.join(said)}."


def of_scores(groups: Sequence[ScoreGroup]) -> str:
    """Return the mean absolute error of every forecaster."""
    listed = "; ".join(
        f"{group.name}: " + ", ".join(f"{row.label} {number(row.mae)} days" for row in group.rows)
        for group in groups
    )
    return f"Mean absolute error of the date of half of the flight in data the forecaster had not seen. {listed}."


def of_heat(heat: SeasonHeat, season: Season) -> str:
    """Return when past seasons reached half of each flight, and how the season under way compares."""
    first = season.first_day(2022)

    def date(days: float) -> str:
        return day(first + np.timedelta64(round(days), "D"))

    curves = list(heat.past.values())
    said = [f"Heat through {len(curves)} past seasons at station {heat.station}."]
    for flight, (_, half, _) in enumerate(heat.bands, start=1):
        reached = [float(np.interp(half, c, heat.days)) for c in curves if c[-1] >= half]
        name = f"flight {flight}" if len(heat.bands) > 1 else "the flight"
        when = f"between {date(min(reached))} and {date(max(reached))}" if reached else "in none of them"
        said.append(f"Half of {name} ({number(half, 0)} °C-days) was reached {when}.")
    if heat.current is not None and curves and np.isfinite(heat.current[1]).any():
        at = int(np.flatnonzero(np.isfinite(heat.current[1]))[-1])
        usual, now = float(np.median([c[at] for c in curves])), float(heat.current[1][at])
        side = "above" if now > usual else "below"
        said.append(
            f"On {date(at)}, {heat.current[0]} has {number(now, 0)} °C-days, {number(abs(now - usual), 0)} {side} the median."
        )
    return " ".join(said)
