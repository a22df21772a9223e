"""``phenofit forecast STUDY --today DATE``: the flight dates of this season, place by place."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import (
    add_events,
    add_out,
    add_place,
    add_stages,
    add_today,
    columns,
    distinct,
    name_run,
    print_written,
    refuse_unused,
    whole_from_one,
)
from phenofit.cli.screen_tables import print_table, short_date
from phenofit.cli.studies import add_study, day_of_issue, fit_of_species, open_species

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.flight import FlightFit
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
    add_place(parser)
    add_events(parser)
    add("--weeks", type=whole_from_one, metavar="N", help="weeks in the table of chances (default: 8)")
    add("--bridge", action="store_true", help="use days marked as numerical weather forecast")
    add("--accept-unconverged", action="store_true", help="forecast from a fit that did not converge")
    add_out(parser, "write forecast.csv, weeks and an .ics calendar here")
    add_stages(parser)
    treated = "your treatment intervals, first and last day"
    add("--treat", nargs="+", default=[], metavar="FROM:TO", help=treated)
    add("--treat-stage", metavar="STAGE", help="the stage of --stages that --treat is to cover")


@dataclass(frozen=True)
class _Made:
    """The forecast of one species."""

    species: str
    fit: FlightFit
    found: SeasonForecast


def run(args: argparse.Namespace) -> int:
    """Forecast, print and write."""
    from phenofit.cli.season.stage_options import print_stages, read_stages
    from phenofit.forecasting.cautions import CAUTIONS
    from phenofit.output_folder import optional_run_folder

    _check_options(args)
    with optional_run_folder(args.out, "forecast", files=[*_TABLES, "stages.csv", "figures/"]) as folder:
        works = open_species(args)
        stages = read_stages(args, works[0].inputs)
        remedy = "Choose the species with --species, or its own fit file."
        given = None if args.fit is None else fit_of_species(args.fit, (w.species for w in works), remedy)
        for work in works if args.site else ():
            _check_sites(work, args.site)
        today = day_of_issue(args.today, works[0])
        if stages is not None:
            stages.check_season(works[0].inputs.season, today)
        made: list[_Made] = []
        tables: list[pd.DataFrame] = []
        for work in works:
            one, traps = _forecast(args, work, given or work.fit(), today)
            made.append(one)
            print_forecast(one.found, invented=work.study.invented)
            if args.bridge and all(event.bridged_until is None for event in one.found.events):
                print("note: --bridge: the weather holds no days marked as numerical weather forecast.")
            if stages is not None:
                tables.append(print_stages(stages, one.fit, one.found.places, one.found, traps))
        for caution in CAUTIONS:
            print(caution)
        written: list[str] = []
        figures: list[str] = []
        if folder is not None:
            invented = works[0].study.invented
            folder.run = name_run(args, "forecast", {**works[0].inputs.hashes, "day of issue": str(today)})
            written = _write(folder, made, args.weeks or _WEEKS, invented, tables)
            figures = _draw(folder.staging / "figures", made, invented=invented)
    if folder is not None:
        print_written(folder, written)
        if figures:
            first = folder.path / "figures" / f"{figures[0]}.png"
            print(f"written: {len(figures)} figures of the season at a place, the first is {first}")
    return 0


def _check_options(args: argparse.Namespace) -> None:
    from phenofit.forecasting.events import read_event

    args.events = [read_event(text) for text in args.events or ()]
    distinct("--events", args.events)
    distinct("--site", args.site or ())
    if args.at is None:
        refuse_unused(args, ["height", "covariates"], "without --at")
    else:
        refuse_unused(args, ["site"], "with --at")
    if not args.treat:
        refuse_unused(args, ["treat_stage"], "without --treat")
    if args.out is None:
        refuse_unused(args, ["weeks"], "without --out: the table of chances is only written")


def _forecast(
    args: argparse.Namespace, work: SpeciesWork, fit: FlightFit, today: np.datetime64
) -> tuple[_Made, pd.DataFrame]:
    """Forecast one species; return the table of its places too."""
    from phenofit.forecasting import FORECAST_EVENTS, forecast
    from phenofit.forecasting.other_place import other_place

    records, sites, shifts = work.records, args.site or None, None
    if args.at is not None:
        place = other_place(
            fit,
            records,
            args.at,
            elevation_m=args.height,
            covariates=columns("--covariates", args.covariates),
            max_distance_km=work.study.weather.max_distance_km,
        )
        print(place.words)
        records, sites, shifts = place.records, [place.name], {place.name: (0.0, place.shift_sd)}
    found = forecast(
        fit,
        records,
        today=today,
        sites=sites,
        events=tuple(args.events or FORECAST_EVENTS),
        shifts=shifts,
        bridge=args.bridge,
        seed=work.study.head.seed,
        accept_unconverged=args.accept_unconverged,
    )
    traps = work.inputs.traps if records.traps is None else records.traps
    return _Made(work.species, fit, found), traps


def _draw(folder: Path, made: list[_Made], *, invented: bool) -> list[str]:
    """Draw the season of every place; return the names of the figures."""
    from phenofit.output_folder import distinct_slugs
    from phenofit.plots import plot_season
    from phenofit.plots.style import figure_of, save

    shown = [(one, place) for one in made for place in one.found.places]
    keys = [str(("season", one.species, place.site, place.station)) for one, place in shown]
    names = distinct_slugs(keys)
    for key, (one, place) in zip(keys, shown, strict=True):
        save(figure_of(plot_season(one.found, place=place)), folder, names[key], invented=invented)
    return list(names.values())


def _check_sites(work: SpeciesWork, wanted: list[str]) -> None:
    from phenofit.errors import ModelError
    from phenofit.files.tables import nearest

    there = set(work.inputs.traps["site"].astype(str))
    for name in wanted:
        if name not in there:
            some = ", ".join(sorted(there)[:30]) + (", ..." if len(there) > 30 else "")
            raise ModelError(f"there is no site '{name}'; there are {some}.{nearest(name, there)}")


def print_forecast(found: SeasonForecast, *, invented: bool) -> None:
    """Print a season forecast as a table."""
    from phenofit.forecasting.events import event_words

    mark = " (invented data)" if invented else ""
    print(f"{found.species}, season {found.season}, issued {found.issued}{mark}; heat sums: {found.terms}")
    flights = max(one.flight for one in found.events)
    head = ("site", "event", "median", "50 %", "95 %", "passed", "past seasons")
    rows = [
        (
            str(row["site"]),
            event_words(row["event"], row["flight"], flights),
            short_date(row["median"]),
            f"{short_date(row['low50'])} to {short_date(row['high50'])}",
            f"{short_date(row['low95'])} to {short_date(row['high95'])}",
            f"{100 * row['chance_passed']:.0f} %",
            str(row["past_seasons"]),
        )
        for row in found.table().to_dict("records")
    ]
    print_table(head, rows)
    for site, reason in found.failed:
        print(f"  {site}: no forecast: {reason}")
    for problem in found.problems:
        print(f"  about the fit: {problem}")


def _write(
    folder: RunFolder, made: list[_Made], weeks: int, invented: bool, stages: list[pd.DataFrame]
) -> list[str]:
    from phenofit.analysis.outputs import write_dates
    from phenofit.files import write_text
    from phenofit.forecasting.calendar_file import calendar_text
    from phenofit.output_folder import species_slug

    tables = [[one.found.table() for one in made], [one.found.weeks(weeks) for one in made]]
    names = [*_TABLES, *(["stages.csv"] if stages else [])]
    tables += [stages] if stages else []
    for name, parts in zip(names, tables, strict=True):
        write_dates(folder.staging / name, parts, invented=invented, run=folder.run)
    notes = (*(("Invented data.",) if invented else ()), f"phenofit run {folder.run}.")
    for one in made:
        names.append(f"forecast-{species_slug(one.species)}.ics")
        write_text(folder.staging / names[-1], calendar_text(one.found, notes=notes))
    return names
