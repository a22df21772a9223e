"""Every figure of a species, written to the folder of figures and returned for the page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

from phenofit.analysis.results import SpeciesResult, StudyResult
from phenofit.files.pictures import data_uri
from phenofit.plots import (
    plot_base,
    plot_calibration,
    plot_catches,
    plot_dates,
    plot_errors,
    plot_heat,
    plot_region,
    plot_residuals,
    plot_scores,
)
from phenofit.plots.calibration_data import calibration
from phenofit.plots.catch_plots import MOST_PANELS, most_moths
from phenofit.plots.cumulative_curves import cumulative_curve
from phenofit.plots.error_plots import forecasts_of
from phenofit.plots.flight_curves import flight_curve, season_heat
from phenofit.plots.flight_plots import draw_cumulative, draw_flight
from phenofit.plots.residual_data import residual_view
from phenofit.plots.score_groups import score_groups
from phenofit.plots.style import Panels, figure_of, letters, panels_of, save, styled
from phenofit.records import records_figure
from phenofit.records.weeks import record_weeks
from phenofit.report import alternative_text as text
from phenofit.report.words import scheme_words

_EVENT = "flight_50"
_RECORDS_IN = 9.5  # width [inch]; in a wider figure the letters would be too small on the page


@dataclass(frozen=True)
class PageFigure:
    """A figure for the page."""

    name: str  # File name without ending.
    image: str  # The PNG as a data address.
    alt: str  # What it shows, for those who do not see it.
    caption: str  # What stands below it.


@dataclass(frozen=True)
class _Drawn:
    """A figure before it is written."""

    name: str
    figure: Figure
    alt: str
    caption: str


def draw_species(
    result: StudyResult, species: SpeciesResult, folder: Path, stem: str
) -> dict[str, PageFigure]:
    """Draw the figures of one species."""
    return {
        drawn.name: _page_figure(result, folder, f"{stem}-{drawn.name}", drawn)
        for drawn in _figures(result, species)
    }


def draw_study(result: StudyResult, folder: Path) -> PageFigure | None:
    """Draw the error of every forecaster over all species as ``error_by_forecaster``; None without a validation."""
    scored = [one.scores for one in result.species if not one.scores.empty]
    scores = pd.concat(scored, ignore_index=True) if scored else pd.DataFrame()
    groups = score_groups(scores, event=_EVENT)
    if not groups:
        return None
    drawn = _Drawn(
        "error_by_forecaster",
        figure_of(plot_scores(scores, event=_EVENT)),
        text.of_scores(groups),
        "Errors of forecasts of half of the flight in data that the forecaster had not seen, weather known; the "
        "lines are 95 % intervals with years as independent units.",
    )
    return _page_figure(result, folder, drawn.name, drawn)


def _page_figure(result: StudyResult, folder: Path, name: str, drawn: _Drawn) -> PageFigure:
    image = save(drawn.figure, folder, name, invented=result.study.invented)
    return PageFigure(name, data_uri(image), drawn.alt, drawn.caption)


def _figures(result: StudyResult, species: SpeciesResult) -> Iterator[_Drawn]:
    fit = species.fit
    if fit.settings.records != "counts":
        # Only the figure of base and requirement: without counts, there are no catches to compare with the curve.
        yield from _base_figure(species)
        return
    # The numbers are computed once, for the figure and for its words.
    flight, cumulative = flight_curve(fit, species.records), cumulative_curve(fit, species.records)
    yield _Drawn(
        "flight",
        figure_of(draw_flight(flight, fit)),
        text.of_flight(flight),
        "Catches on the heat scale. Every trap-year counts alike; the catch of a check is spread evenly over the heat "
        "between two checks. Line: the fitted flight, widened by the shifts of trap-years.",
    )
    yield _Drawn(
        "cumulative",
        figure_of(draw_cumulative(cumulative, fit)),
        text.of_cumulative(cumulative),
        "Cumulative catch against heat, a thin line for each trap-year. Pale: 95 % of trap-years at each heat, with their "
        "shifts, the sizes of their flights and the chance of each catch. Dark: 95 % interval of the curve at the fitted "
        "base. Strays are left out of both.",
    )
    yield from _base_figure(species)
    yield from _residual_figure(species)
    yield from _catch_figure(species)
    yield _records_figure(species)
    yield from _error_figures(species)
    if not fit.settings.biofix:
        yield _season_figure(result, species)


def _base_figure(species: SpeciesResult) -> Iterator[_Drawn]:
    fit, regions = species.fit, species.checks.regions
    if "base" not in fit.profiles:
        return
    panels = panels_with_base(species)
    marked = any(axes.get_legend() is not None for axes in panels[1:])
    level = f"{100 * fit.settings.level:g} %"
    yield _Drawn(
        "base",
        figure_of(panels),
        text.of_base(fit, regions),
        f"What the data say about the base. (a) Twice the fall of the log-likelihood, every other parameter refitted; "
        f"below the dashed line lies the {level} interval."
        + (
            f" Further panels: the {level} region of base and requirement together, along the dashed ridge. It is wider "
            "than the two intervals, which hold one parameter each. A base from one pair and a requirement from another "
            "mean nothing."
            if regions
            else ""
        )
        + (" Open marks: published pairs on the same terms." if marked else ""),
    )


def panels_with_base(species: SpeciesResult) -> Panels:
    """Draw the profile of the base, and its region with each requirement, beside each other."""
    fit, regions = species.fit, species.checks.regions
    thresholds = [one.threshold for one in species.comparisons]
    with styled("phenofit"):
        panels = panels_of(None, 1 + len(regions), 2.9)
        plot_base(fit, ax=panels[0])
        for axes, region in zip(panels[1:], regions.values(), strict=True):
            plot_region(fit, region, thresholds=thresholds, ax=axes)
        for axes, letter in zip(panels, letters(len(panels)), strict=True):
            axes.set_title(f"{letter}{axes.get_title(loc='left')}")
    return panels


def _residual_figure(species: SpeciesResult) -> Iterator[_Drawn]:
    view = residual_view(species.fit, species.checks.residuals)
    if view is None:
        return
    yield _Drawn(
        "residuals",
        figure_of(plot_residuals(species.fit, species.checks.residuals)),
        text.of_residuals(view),
        "Do the checks look as the model says? Each point is the residual of one check, given its trap-year's total and "
        "earlier counts; standard normal where the model holds. (a) Squares are means of equally many checks, with "
        "95 % intervals; away from 0 the flight curve, the number of flights or the base is wrong there; dotted: half "
        "of a flight. (b) In order; inside the grey band with a chance of 95 % each. Traps of a warm or cool year lie "
        "on one side together, which neither interval counts.",
    )


def _catch_figure(species: SpeciesResult) -> Iterator[_Drawn]:
    checks = species.checks.residuals
    if checks.empty:
        return
    shown = most_moths(checks)
    which = f"The {len(shown)} trap-years with most moths" if len(shown) == MOST_PANELS else "All trap-years"
    yield _Drawn(
        "catches",
        figure_of(plot_catches(checks, season=species.fit.settings.season)),
        text.of_catches(checks, shown),
        f"{which}: catches by date in moths per night, a bar for each check interval. Line: what the fit expects of a "
        "trap-year with that total, before its own shift is known. Hatched: not checked.",
    )


def _records_figure(species: SpeciesResult) -> _Drawn:
    return _Drawn(
        "records",
        records_figure([species.records], width=_RECORDS_IN),
        text.of_records(record_weeks(species.records)),
        "The records: a row for each trap, a column for each week. Shade: moths per week. Hatched: between the first and "
        "last check, but not checked. Cross: a check that is left out of the records.",
    )


def _error_figures(species: SpeciesResult) -> Iterator[_Drawn]:
    table = species.validation
    known = forecasts_of(table, _EVENT)
    own = forecasts_of(table, _EVENT, "fitted")
    if not own.empty:
        yield _Drawn(
            "dates",
            figure_of(plot_dates(table, season=species.fit.settings.season, event=_EVENT)),
            text.of_dates(own),
            f"Half of the flight: date forecast, leaving out {scheme_words(str(own['scheme'].iloc[0]))[0]}, against the "
            "date observed. The grey band is a week to either side.",
        )
    parts = calibration(table, event=_EVENT)
    if parts:
        yield _Drawn(
            "calibration",
            figure_of(plot_calibration(table, event=_EVENT)),
            text.of_calibration(parts),
            "Do the fitted forecasts of half of the flight know their own error? (a) Where the held-out events fell in "
            "their forecast distributions; level with the dashed line where forecasts are calibrated, a hump where they are "
            "too wide, high ends where too narrow, a slope where early or late. (b) Share of events inside the 50, 80 and "
            "95 % intervals, with its 95 % interval as if traps were independent; those of one season are not quite.",
        )
    if not known.empty:
        yield _Drawn(
            "errors",
            figure_of(plot_errors(table, event=_EVENT)),
            text.of_errors(known),
            "Error in each held-out season: the mark is the median of the traps, the line their middle four fifths. Above "
            "zero the forecast date came after the event.",
        )


def _season_figure(result: StudyResult, species: SpeciesResult) -> _Drawn:
    fit, inputs = species.fit, result.inputs
    # The station that most of the traps in the fit depend on; the first by name among equals.
    used = inputs.links[inputs.links["trap"].isin(fit.data["trap"])]["station"].astype(str).value_counts()
    station = min(used.index[used == used.max()])
    heat = season_heat(fit, inputs.weather, station)
    now = f" and {heat.current[0]} so far" if heat.current is not None else ""
    return _Drawn(
        "season",
        figure_of(plot_heat(fit, inputs.weather, station)),
        text.of_heat(heat, fit.settings.season),
        f"Heat at station {station} in past seasons{now}. Bands: the heat between 5 and 95 % of each flight; where a curve "
        "enters and leaves a band, the flight begins and ends.",
    )
