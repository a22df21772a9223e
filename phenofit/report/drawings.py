"""Every figure of a species, written to the folder of figures and returned for the page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

from phenofit.analysis.results import SpeciesResult, StudyResult
from phenofit.files.pictures import data_uri
from phenofit.flight.result import FlightFit
from phenofit.report.calibration_data import calibration
from phenofit.report.figure_data import catch_curve, season_heat
from phenofit.report.figures import (
    draw_base,
    draw_calibration,
    draw_dates,
    draw_errors,
    draw_flight,
    draw_residuals,
    draw_scores,
    draw_season,
    save,
)
from phenofit.report.residual_view import residual_view
from phenofit.report.score_groups import score_groups
from phenofit.report.words import forecaster_words, heat_words, scheme_words, start_words

_EVENT = "flight_50"


@dataclass(frozen=True)
class PageFigure:
    """A figure for the page."""

    name: str  # File name without ending.
    image: str  # The PNG as a data address.
    alt: str  # What it shows, for those who do not see it.
    caption: str  # What stands below it.


def draw_species(
    result: StudyResult, species: SpeciesResult, folder: Path, stem: str
) -> dict[str, PageFigure]:
    """Draw the figures of one species."""
    return {
        name: _page_figure(result, folder, f"{stem}-{name}", figure, alt, caption)
        for name, figure, alt, caption in _figures(result, species)
    }


def draw_study(result: StudyResult, folder: Path) -> PageFigure | None:
    """Draw the error of every forecaster over all species as ``error_by_forecaster``; None without a validation."""
    groups = score_groups([(one.species, one.scores) for one in result.species])
    if not groups:
        return None
    listed = "; ".join(
        f"{group.name}: " + ", ".join(f"{row.label} {row.mae:.1f} days" for row in group.rows)
        for group in groups
    )
    return _page_figure(
        result,
        folder,
        "error_by_forecaster",
        draw_scores(groups),
        f"Mean absolute error of the date of half of the flight in data the forecaster had not seen. {listed}.",
        "Errors of forecasts of half of the flight in data that the forecaster had not seen, weather known; the "
        "lines are 95 % intervals that take whole years at random.",
    )


def _page_figure(
    result: StudyResult, folder: Path, name: str, figure: Figure, alt: str, caption: str
) -> PageFigure:
    image = save(figure, folder, name, invented=result.study.invented)
    return PageFigure(name, data_uri(image), alt, caption)


def _figures(result: StudyResult, species: SpeciesResult) -> Iterator[tuple[str, Figure, str, str]]:
    fit = species.fit
    if fit.settings.records != "counts":
        # Only what bears on base and requirement: a fit to less than counts has no curve of catches to lie on.
        yield from _base_figure(species)
        return
    curve = catch_curve(fit, species.records)
    halves = " and ".join(f"{value:.0f}" for value in curve.requirements)
    yield (
        "flight",
        draw_flight(curve, fit),
        (
            f"Catches of {curve.trap_years} trap-years on the heat scale with the fitted flight; half has flown at {halves} "
            "degree-days Celsius."
        ),
        (
            "Catches on the heat scale. Every trap-year counts alike; the catch of a check is spread evenly over the heat "
            "between two checks. Line: the fitted flight, widened by the shifts of trap-years."
        ),
    )
    yield from _base_figure(species)
    yield from _residual_figure(species)
    yield from _error_figures(species)
    if not fit.settings.biofix:
        yield _season_figure(result, fit)


def _base_figure(species: SpeciesResult) -> Iterator[tuple[str, Figure, str, str]]:
    fit = species.fit
    published = _published_pairs(species)
    figure = draw_base(fit, species.checks.regions, published)
    if figure is None:
        return
    yield (
        "base",
        figure,
        (
            "Left: profile of the likelihood over the base temperature with the cut of its interval. Right: the region of base "
            "and requirement that the data allow; a low base goes with a high requirement."
        ),
        (
            f"What the data say about the base. Left: twice the fall of the log-likelihood, every other parameter refitted; "
            f"below the dashed line lies the {100 * fit.settings.level:g} % interval. Right: the {100 * fit.settings.level:g} % "
            "region of base and requirement together, along the dashed ridge. It is wider than the two intervals, which hold "
            "one parameter each. A base from one pair and a requirement from another mean nothing."
            + (" Open marks: published pairs on the same terms." if published else "")
        ),
    )


def _published_pairs(species: SpeciesResult) -> dict[int, list[tuple[str, float, float]]]:
    """Return published pairs of base and requirement that are on the terms of the fit, by flight."""
    settings = species.fit.settings
    found: dict[int, list[tuple[str, float, float]]] = {}
    for comparison in species.comparisons:
        one = comparison.threshold
        same = (
            comparison.usable
            and one.event == "flight_50"
            and one.start == settings.start_words
            and one.heat_settings(settings.heat) == settings.heat
        )
        if same and one.base is not None:
            found.setdefault(one.flight, []).append((one.id, one.base, one.amount_degc_d))
    return found


def _residual_figure(species: SpeciesResult) -> Iterator[tuple[str, Figure, str, str]]:
    fit = species.fit
    view = residual_view(fit, species.checks.residuals)
    if view is None:
        return
    worst = max(view.class_mean, key=abs)
    yield (
        "residuals",
        draw_residuals(view, heat_words=heat_words(fit)),
        (
            f"Residuals of {len(view.residual)} checks. Left: along the heat; the mean of a class farthest from 0 is "
            f"{worst:.2f}. Right: in order against normal quantiles; on the line where the model holds."
        ),
        (
            "Do the checks look as the model says? Each point is the residual of one check, given its trap-year's total and "
            "earlier counts; standard normal where the model holds. Left: squares are means of equally many checks, with "
            "95 % intervals; away from 0 the flight curve, the number of flights or the base is wrong there; dotted: half "
            "of a flight. Right: in order; inside the grey band with a chance of 95 % each. Traps of a warm or cool year lie "
            "on one side together, which neither interval counts."
        ),
    )


def _error_figures(species: SpeciesResult) -> Iterator[tuple[str, Figure, str, str]]:
    table = species.validation
    if table.empty:
        return
    scheme = str(table["scheme"].iloc[0])
    known = table[(table["scheme"] == scheme) & table["lead_days"].isna()]
    season = species.fit.settings.season
    dates = draw_dates(known[known["forecaster"] == "fitted"], season, event=_EVENT)
    if dates is not None:
        yield (
            "dates",
            dates,
            (
                "Date forecast against date observed for half of the flight, trap-years held out; most points lie within a "
                "week of the line of equal dates."
            ),
            (
                f"Half of the flight: date forecast, leaving out {scheme_words(scheme)[0]}, against the date observed. "
                "The grey band is a week to either side."
            ),
        )
    yield from _calibration_figure(known)
    # Older rules are in the table only: a figure of many forecasters cannot be read.
    names = [str(n) for n in known["forecaster"].unique() if not str(n).startswith("older rule")]
    order = sorted(
        names, key=lambda name: (name != "fitted", name == "calendar mean", "refitted" in name, name)
    )
    errors = draw_errors(known, [(name, forecaster_words(name)) for name in order], event=_EVENT)
    if errors is not None:
        yield (
            "errors",
            errors,
            (
                "Error of the forecast date of half of the flight in each held-out season, by forecaster; above zero the "
                "forecast was late."
            ),
            (
                "Error in each held-out season: the mark is the median of the traps, the line their middle four fifths. Above "
                "zero the forecast date came after the event."
            ),
        )


def _calibration_figure(known: pd.DataFrame) -> Iterator[tuple[str, Figure, str, str]]:
    parts = calibration(known, event=_EVENT)
    if not parts:
        return
    listed = "; ".join(
        (f"flight {part.flight}: " if len(parts) > 1 else "")
        + ", ".join(
            f"{100 * inside:.0f} % inside the {100 * nominal:.0f} % interval"
            for nominal, inside in zip(part.nominal, part.inside, strict=True)
        )
        for part in parts
    )
    yield (
        "calibration",
        draw_calibration(parts),
        f"How well the fitted forecasts of half of the flight knew their own error. {listed}.",
        (
            "Do the fitted forecasts of half of the flight know their own error? Left: where the held-out events fell in "
            "their forecast distributions; level with the dashed line where forecasts are calibrated, a hump where they are "
            "too wide, high ends where too narrow, a slope where early or late. Right: share of events inside the 50, 80 and "
            "95 % intervals, with its 95 % interval as if traps were independent; those of one season are not quite."
        ),
    )


def _season_figure(result: StudyResult, fit: FlightFit) -> tuple[str, Figure, str, str]:
    inputs = result.inputs
    # The station that most of the traps in the fit depend on; the first by name among equals.
    used = inputs.links[inputs.links["trap"].isin(fit.data["trap"])]["station"].astype(str).value_counts()
    station = min(used.index[used == used.max()])
    heat = season_heat(fit, inputs.weather, station)
    words = heat_words(fit)
    now = f" and {heat.current[0]} so far" if heat.current is not None else ""
    return (
        "season",
        draw_season(heat, fit.settings.season, heat_words=words),
        (
            f"Heat since {start_words(str(fit.settings.season.start))} at station {station} in {len(heat.past)} past seasons{now}, "
            "with the heat between which each flight flies."
        ),
        (
            f"Heat at station {station} in past seasons{now}. Bands: the heat between 5 and 95 % of each flight; where a curve "
            "enters and leaves a band, the flight begins and ends."
        ),
    )
