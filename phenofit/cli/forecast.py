"""``phenofit forecast STUDY --today DATE``: the flight dates of this season, place by place."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.studies import add_study, day_of, open_species
from phenofit.forecast.distribution import moment

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from phenofit.flight import FlightFit
    from phenofit.forecast.places import Place
    from phenofit.forecast.season import SeasonForecast
    from phenofit.species_work import SpeciesWork

__all__ = ["configure", "run", "tell_forecast"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study(parser)
    parser.add_argument(
        "--today",
        metavar="DATE",
        help="day of issue, year-month-day (default: as in the study, else the day after the last observation)",
    )
    parser.add_argument(
        "--fit", type=Path, metavar="FILE", help="fit file to use; without it the study is fitted"
    )
    parser.add_argument("--site", action="append", metavar="NAME", help="one site (default: all)")
    parser.add_argument(
        "--events", nargs="+", metavar="EVENT", help="events (default: 5, 50 and 95 %% of a flight)"
    )
    parser.add_argument(
        "--weeks", type=int, default=8, metavar="N", help="weeks in the table of chances (default: 8)"
    )
    parser.add_argument("--bridge", action="store_true", help="use days marked as numerical weather forecast")
    parser.add_argument(
        "--accept-unconverged", action="store_true", help="forecast from a fit that did not converge"
    )
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="write forecast.csv, weeks and an .ics calendar here"
    )
    parser.add_argument(
        "--stages",
        type=Path,
        metavar="FILE",
        help="table of stage lags: stage, after, lag, spread, unit, base, source",
    )
    parser.add_argument(
        "--treat",
        nargs="+",
        default=[],
        metavar="FROM:TO",
        help="your treatment intervals, first and last day",
    )
    parser.add_argument(
        "--treat-stage", metavar="STAGE", help="the stage of --stages that --treat is laid over"
    )


def run(args: argparse.Namespace) -> int:
    """Forecast, tell and write."""
    from phenofit.run_folder import run_folder

    with run_folder(args.out, "forecast"):
        return _run(args)


def _run(args: argparse.Namespace) -> int:
    from phenofit.cli.stages import read_stage_options, tell_stages
    from phenofit.errors import ModelError
    from phenofit.forecast.cautions import CAUTIONS
    from phenofit.forecast.events import event_share

    plan = read_stage_options(args)
    for event in args.events or ():
        event_share(event)
    if args.weeks < 1:
        raise ModelError(f"--weeks {args.weeks}: write 1 or more.")
    made: list[tuple[str, SeasonForecast]] = []
    stages: list[pd.DataFrame] = []
    figures: list[Path] = []
    invented = False
    for work in open_species(args):
        invented = work.study.invented
        today, links = _day(args.today, work), _links(args, work)
        fit = _fit(args, work)
        found, places = _forecast(args, work, fit, today, links)
        made.append((work.species, found))
        tell_forecast(found, invented=invented)
        if plan is not None:
            stages.append(tell_stages(plan, fit, places, found, work.inputs.traps))
        if args.out is not None and not fit.settings.biofix:
            for station in dict.fromkeys(place.station for place in places):
                figures.append(_draw(args.out, work, fit, found, station))
    for caution in CAUTIONS:
        print(caution)
    if args.out is not None:
        _write(args.out, made, args.weeks, invented, stages)
        if figures:
            print(f"written: {len(figures)} figures of the season's heat, the first is {figures[0]}")
    return 0


def _links(args: argparse.Namespace, work: SpeciesWork) -> pd.DataFrame:
    """Return the traps that are forecast, with their stations."""
    links: pd.DataFrame = work.inputs.links
    if args.site:
        return _of_sites(links, _sites(work), args.site)
    return links[links["trap"].isin(work.trap_years.years["trap"])]


def _sites(work: SpeciesWork) -> dict[str, str]:
    traps = work.inputs.traps
    return dict(zip(traps["trap"].astype(str), traps["site"].astype(str), strict=True))


def _forecast(
    args: argparse.Namespace, work: SpeciesWork, fit: FlightFit, today: np.datetime64, links: pd.DataFrame
) -> tuple[SeasonForecast, list[Place]]:
    from phenofit.forecast import FORECAST_EVENTS, forecast_season
    from phenofit.forecast.places import season_places

    traps, sites = work.inputs.traps, _sites(work)
    found = forecast_season(
        fit,
        work.inputs.weather,
        links,
        today=today,
        sites=sites,
        events=tuple(args.events or FORECAST_EVENTS),
        starts=work.inputs.starts,
        traps=traps,
        bridge=args.bridge,
        seed=work.study.head.seed,
        accept_unconverged=args.accept_unconverged,
    )
    places, _ = season_places(
        work.inputs.weather,
        links,
        fit.settings.season,
        issued=today,
        sites=sites,
        starts=work.inputs.starts,
        bridge=args.bridge,
    )
    return found, places


def _fit(args: argparse.Namespace, work: SpeciesWork) -> FlightFit:
    from phenofit.errors import DataError, Problem
    from phenofit.flight import FlightFit

    if args.fit is None:
        return work.fit()
    fit = FlightFit.from_json(args.fit)
    if fit.settings.species and fit.settings.species != work.species:
        raise DataError(
            Problem(
                f"the fit is of '{fit.settings.species}', not of '{work.species}'.",
                "Choose the species with --species, or its own fit file.",
                str(args.fit),
            )
        )
    return fit


def _draw(out: Path, work: SpeciesWork, fit: FlightFit, found: SeasonForecast, station: str) -> Path:
    """Draw the season's heat at a station against past seasons, and return the picture's name."""
    import numpy as np

    from phenofit.file_names import file_part, file_parts
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
    parts = file_parts(sorted(str(s) for s in work.inputs.weather["station"].values))
    name = f"season-{file_part(work.species)}-{parts[station]}"
    save(figure, out / "figures", name, invented=work.study.invented)
    return out / "figures" / f"{name}.png"


def _of_sites(links: pd.DataFrame, sites: dict[str, str], wanted: list[str]) -> pd.DataFrame:
    from phenofit.errors import ModelError
    from phenofit.tables import nearest

    known = set(sites.values())
    for name in wanted:
        if name not in known:
            raise ModelError(f"there is no site '{name}'.{nearest(name, known)}")
    return links[[sites.get(str(trap), str(trap)) in wanted for trap in links["trap"]]]


def _day(text: str | None, work: SpeciesWork) -> np.datetime64:
    from phenofit.forecast import day_after_last

    if text is None:
        given = work.study.forecast.today
        return day_after_last(work.inputs.weather) if given is None else moment(str(given), "D")
    return day_of(text)


def tell_forecast(found: SeasonForecast, *, invented: bool) -> None:
    """Print a season forecast in sentences."""
    from phenofit.forecast import event_words

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
    out: Path, made: list[tuple[str, SeasonForecast]], weeks: int, invented: bool, stages: list[pd.DataFrame]
) -> None:
    from phenofit.file_names import file_part
    from phenofit.files import write_text
    from phenofit.forecast.calendar_file import calendar_text
    from phenofit.outputs import write_validation

    mark = {"invented": True} if invented else {}
    write_validation(out / "forecast.csv", [found.table().assign(**mark) for _, found in made])
    write_validation(out / "forecast-weeks.csv", [found.weeks(weeks).assign(**mark) for _, found in made])
    notes = ("Invented data.",) if invented else ()
    written = [out / "forecast.csv", out / "forecast-weeks.csv"]
    if stages:
        write_validation(out / "stages.csv", [table.assign(**mark) for table in stages])
        written.append(out / "stages.csv")
    for species, found in made:
        path = out / f"forecast-{file_part(species)}.ics"
        write_text(path, calendar_text(found, notes=notes))
        written.append(path)
    print(f"written: {', '.join(map(str, written))}")
