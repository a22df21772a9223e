"""``phenofit forecast STUDY --today DATE``: the flight dates of this season, place by place."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import (
    add_events,
    add_out,
    add_today,
    day,
    distinct,
    name_run,
    print_written,
    refuse_unused,
    whole_from_one,
)
from phenofit.cli.studies import add_study, fit_of_species, open_species
from phenofit.forecasting.distribution import to_unit

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.flight import FlightFit
    from phenofit.forecasting.forecast_places import Place
    from phenofit.forecasting.season_forecast import SeasonForecast
    from phenofit.output_folder import RunFolder

_TABLES = ("forecast.csv", "forecast-weeks.csv")
_WEEKS = 8


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study(parser)
    add = parser.add_argument
    default = "as in the study, else the day after the last observation"
    add_today(parser, f"day of issue, year-month-day (default: {default})")
    add("--fit", type=Path, metavar="FILE", help="fit file to use; without it the study is fitted")
    add("--site", action="append", metavar="NAME", help="one site (default: all)")
    add_events(parser)
    add("--weeks", type=whole_from_one, metavar="N", help="weeks in the table of chances (default: 8)")
    add("--bridge", action="store_true", help="use days marked as numerical weather forecast")
    add("--accept-unconverged", action="store_true", help="forecast from a fit that did not converge")
    add_out(parser, "write forecast.csv, weeks and an .ics calendar here")
    lags = "table of stage lags: stage, after, lag, spread, unit, base, source"
    add("--stages", type=Path, metavar="FILE", help=lags)
    treated = "your treatment intervals, first and last day"
    add("--treat", nargs="+", default=[], metavar="FROM:TO", help=treated)
    add("--treat-stage", metavar="STAGE", help="the stage of --stages that --treat is to cover")


def run(args: argparse.Namespace) -> int:
    """Forecast, print and write."""
    from phenofit.cli.commands.stages import print_stages, read_stages
    from phenofit.forecasting.cautions import CAUTIONS
    from phenofit.output_folder import optional_run_folder

    _check_options(args)
    with optional_run_folder(args.out, "forecast", files=[*_TABLES, "stages.csv", "figures/"]) as folder:
        stages = read_stages(args)
        works = open_species(args)
        remedy = "Choose the species with --species, or its own fit file."
        given = None if args.fit is None else fit_of_species(args.fit, (w.species for w in works), remedy)
        for work in works if args.site else ():
            _check_sites(work, args.site)
        today = _day(args.today, works[0])
        if stages is not None:
            stages.check_season(works[0].inputs.season, today)
        made: list[tuple[str, SeasonForecast]] = []
        tables: list[pd.DataFrame] = []
        figures = _FigureNames(works)
        for work in works:
            fit = given or work.fit()
            found, places = _forecast(args, work, fit, today)
            made.append((work.species, found))
            print_forecast(found, invented=work.study.invented)
            if args.bridge and all(one.bridged_until is None for one in found.events):
                print("note: --bridge: the weather holds no days marked as numerical weather forecast.")
            if stages is not None:
                tables.append(print_stages(stages, fit, places, found, work.inputs.traps))
            if folder is not None and not fit.settings.biofix:
                for station in dict.fromkeys(place.station for place in places):
                    _draw(folder.staging, figures.name(work.species, station), work, fit, found, station)
        for caution in CAUTIONS:
            print(caution)
        written: list[str] = []
        if folder is not None:
            folder.run = name_run(args, "forecast", {**works[0].inputs.hashes, "day of issue": str(today)})
            written = _write(folder, made, args.weeks or _WEEKS, works[0].study.invented, tables)
    if folder is not None:
        print_written(folder, written)
        if figures.used:
            first = folder.path / "figures" / f"{figures.used[0]}.png"
            print(f"written: {len(figures.used)} figures of the season's heat, the first is {first}")
    return 0


def _check_options(args: argparse.Namespace) -> None:
    from phenofit.forecasting.events import read_event

    args.events = [read_event(text) for text in args.events or ()]
    distinct("--events", args.events)
    distinct("--site", args.site or ())
    if args.stages is None:
        refuse_unused(args, ["treat", "treat_stage"], "without --stages")
    if not args.treat:
        refuse_unused(args, ["treat_stage"], "without --treat")
    if args.out is None:
        refuse_unused(args, ["weeks"], "without --out: the table of chances is only written")


class _FigureNames:
    """Names of the figures of a season's heat, one for each species and station; no two are the same."""

    def __init__(self, works: list[SpeciesWork]) -> None:
        from phenofit.output_folder import distinct_slugs, species_slug

        parts = distinct_slugs(str(s) for s in works[0].inputs.weather["station"].to_numpy())
        self.used: list[str] = []
        self._names: dict[tuple[str, str], str] = {}
        for species in (work.species for work in works):
            for station, part in parts.items():
                number, name = 1, f"season-{species_slug(species)}-{part}"
                while name in self._names.values():
                    number += 1
                    name = f"season-{species_slug(species)}-{part}-{number}"
                self._names[species, station] = name

    def name(self, species: str, station: str) -> str:
        """Return the name of a figure without its ending."""
        self.used.append(self._names[species, station])
        return self.used[-1]


def _forecast(
    args: argparse.Namespace, work: SpeciesWork, fit: FlightFit, today: np.datetime64
) -> tuple[SeasonForecast, list[Place]]:
    from phenofit.flight.fitted_likelihood import records_of_fit
    from phenofit.forecasting import FORECAST_EVENTS, forecast
    from phenofit.forecasting.forecast_places import season_places

    sites = args.site or None
    found = forecast(
        fit,
        work.records,
        today=today,
        sites=sites,
        events=tuple(args.events or FORECAST_EVENTS),
        bridge=args.bridge,
        seed=work.study.head.seed,
        accept_unconverged=args.accept_unconverged,
    )
    places, _ = season_places(
        records_of_fit(fit, work.records), issued=today, sites=sites, bridge=args.bridge
    )
    return found, places


def _draw(
    out: Path, name: str, work: SpeciesWork, fit: FlightFit, found: SeasonForecast, station: str
) -> None:
    """Draw the season's heat at a station against past seasons."""
    import numpy as np

    from phenofit.report.figure_data import season_heat
    from phenofit.report.figures.forecasts import draw_season
    from phenofit.report.figures.style import save

    # Nothing from the day of issue on is shown as known.
    seen = work.inputs.weather.sel(time=slice(None, found.issued - np.timedelta64(1, "D")))
    figure = draw_season(
        season_heat(fit, seen, station),
        fit.settings.season,
        heat_words=fit.settings.heat.describe(round(fit.base, 1)),
    )
    save(figure, out / "figures", name, invented=work.study.invented)


def _check_sites(work: SpeciesWork, wanted: list[str]) -> None:
    from phenofit.errors import ModelError
    from phenofit.files.tables import nearest

    there = set(work.inputs.traps["site"].astype(str))
    for name in wanted:
        if name not in there:
            raise ModelError(f"there is no site '{name}'.{nearest(name, there)}")


def _day(text: str | None, work: SpeciesWork) -> np.datetime64:
    from phenofit.forecasting.forecast_places import day_after_last

    asked = day("--today", text) or work.study.forecast.today
    return day_after_last(work.inputs.weather) if asked is None else to_unit(str(asked), "D")


def print_forecast(found: SeasonForecast, *, invented: bool) -> None:
    """Print a season forecast in sentences."""
    from phenofit.forecasting.events import event_words

    mark = " (invented data)" if invented else ""
    print(f"{found.species}, season {found.season}, issued {found.issued}{mark}; heat sums: {found.terms}")
    flights = max(one.flight for one in found.events)
    for row in found.table().to_dict("records"):
        words = event_words(row["event"], row["flight"], flights)
        passed = f"chance that it has passed {100 * row['chance_passed']:.0f} %"
        print(
            f"  {row['site']}: {words} around {row['median']:%d %B}, 50 % {row['low50']:%d %b} to "
            f"{row['high50']:%d %b}, 95 % {_short(row['low95'])} to {_short(row['high95'])}; {passed}"
            if str(row["median"]) != "NaT"
            else f"  {row['site']}: {words} is not expected this season; {passed}"
        )
    for site, reason in found.failed:
        print(f"  {site}: no forecast: {reason}")
    for problem in found.problems:
        print(f"  about the fit: {problem}")


def _short(moment: pd.Timestamp) -> str:
    return "not this season" if str(moment) == "NaT" else f"{moment:%d %b}"


def _write(
    folder: RunFolder,
    made: list[tuple[str, SeasonForecast]],
    weeks: int,
    invented: bool,
    stages: list[pd.DataFrame],
) -> list[str]:
    from phenofit.analysis.outputs import write_validation
    from phenofit.files import write_text
    from phenofit.forecasting.calendar_file import calendar_text
    from phenofit.output_folder import species_slug

    tables = [[found.table() for _, found in made], [found.weeks(weeks) for _, found in made]]
    names = [*_TABLES, *(["stages.csv"] if stages else [])]
    tables += [stages] if stages else []
    for name, parts in zip(names, tables, strict=True):
        write_validation(folder.staging / name, parts, invented=invented, run=folder.run)
    notes = (*(("Invented data.",) if invented else ()), f"phenofit run {folder.run}.")
    for species, found in made:
        names.append(f"forecast-{species_slug(species)}.ics")
        write_text(folder.staging / names[-1], calendar_text(found, notes=notes))
    return names
