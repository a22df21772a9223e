"""``phenofit local FIT.json``: compare a few scouting dates of one place with the forecast of a fit."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import (
    add_flight,
    add_out,
    add_place,
    add_today,
    columns,
    day,
    known,
    name_run,
    print_written,
    refuse_unit_of_netcdf,
    refuse_unused,
)

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from phenofit.flight import FlightFit
    from phenofit.forecasting.local.local_check import LocalCheck
    from phenofit.forecasting.season_forecast import SeasonForecast
    from phenofit.output_folder import RunFolder
    from phenofit.records import Records

_TABLES = ("local.csv", "local-forecast.csv")
_DATES = "year-first"


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add = parser.add_argument
    add("fit", type=Path, metavar="FIT.json", help="fit file of phenofit fit or run")
    add("--weather", type=Path, nargs="+", required=True, metavar="FILE", help="daily weather of the place")
    add("--unit", help="unit of text tables: degC, degF or kelvin")
    add("--stations", type=Path, metavar="FILE", help="table of the stations' positions, for --at")
    add("--station", metavar="ID", help="which station, where the weather holds several")
    add("--records", type=Path, metavar="FILE", help="table with the columns date, count")
    seen = "records on the command line, 2024-06-03=0"
    add("--saw", nargs="+", default=[], metavar="DATE=COUNT", help=seen)
    add("--dates", metavar="ORDER", help="order of dates in tables (default: year-first)")
    add_place(parser)
    add_flight(parser)
    add_today(parser, "also forecast the season of this day")
    add_out(parser, "write local.csv, and the forecast with --today")


def run(args: argparse.Namespace) -> int:
    """Check, print and write."""
    from phenofit.forecasting.cautions import CAUTIONS
    from phenofit.forecasting.forecast_places import day_after_last
    from phenofit.forecasting.local.local_check import local_check
    from phenofit.forecasting.weather_years import station_series
    from phenofit.output_folder import optional_run_folder

    today = day("--today", args.today)
    if refuse_unit_of_netcdf(args, args.weather) and args.records is None:
        refuse_unused(args, ["dates"], "without a text table")
    if args.at is None:
        refuse_unused(args, ["height", "stations"], "without --at")
    with optional_run_folder(args.out, "local", files=_TABLES) as folder:
        fit = _fit(args)
        weather = _weather(args)
        place = _place(args, fit, weather)
        records = _records(args, fit)
        check = None
        if records is None:
            print("No records were given: this is the forecast for the place by the network alone.")
            today = today or str(day_after_last(weather))
        else:
            check = local_check(fit, station_series(weather)[place.station], records, flight=args.flight)
            for sentence in check.sentences:
                print(sentence)
        for problem in fit.problems:
            print(f"About the fit: {problem}")
        ahead = None if today is None else _ahead(today, fit, place, check)
        for caution in CAUTIONS:
            print(caution)
        written: list[str] = []
        if folder is not None:
            folder.run = name_run(args, "local", {})
            written = _write(folder, check, ahead)
    if folder is not None:
        print_written(folder, written)
    return 0


def _fit(args: argparse.Namespace) -> FlightFit:
    """Read the fit and return it for the place."""
    from phenofit.errors import ModelError
    from phenofit.flight import FlightFit, fit_at

    fit = FlightFit.from_json(args.fit)
    if args.flight > fit.settings.flights:
        raise ModelError(f"--flight {args.flight}: the fit has {fit.settings.flights} flight(s).")
    place = columns("--covariates", args.covariates)
    known("--covariates", list(place), fit.settings.covariates, "covariate of the fit")
    return fit_at(fit, place)


@dataclass(frozen=True)
class _Place:
    """The place that is compared with its forecast."""

    site: str
    station: str
    records: Records
    shift: tuple[float, float] | None = (
        None  # Its own shift, where known apart from the fit: mean and SD [degC d].
    )


def _weather(args: argparse.Namespace) -> xr.Dataset:
    from phenofit.weather import read_stations, read_weather

    places = None if args.stations is None else read_stations(args.stations)[0]
    return read_weather(args.weather, unit=args.unit, stations=places, dates=args.dates or _DATES)


def _place(args: argparse.Namespace, fit: FlightFit, weather: xr.Dataset) -> _Place:
    """Return the place with its station: the nearest with --at, else the one that is named, or the only one."""
    import pandas as pd

    from phenofit.errors import ModelError
    from phenofit.files.tables import nearest
    from phenofit.forecasting.other_place import other_place
    from phenofit.records import Records

    empty = pd.DataFrame({"trap": [], "station": []}, dtype=object)
    if args.at is not None:
        refuse_unused(args, ["station"], "with --at: the station nearest to the place is taken")
        without = Records.without_catches(weather, empty, fit.settings.season)
        found = other_place(fit, without, args.at, elevation_m=args.height)
        print(found.words)
        station = str(found.records.links["station"].iloc[-1])
        return _Place(found.name, station, found.records, (0.0, found.shift_sd))
    known = [str(s) for s in weather["station"].to_numpy()]
    if args.station is None and len(known) > 1:
        raise ModelError(
            f"the weather holds {len(known)} stations ({', '.join(known[:8])}); name one with --station, or the place with "
            "--at."
        )
    station = args.station or known[0]
    if station not in known:
        raise ModelError(f"the weather has no station '{station}'.{nearest(station, known)}")
    links = pd.DataFrame({"trap": ["this place"], "station": [station]})
    return _Place("this place", station, Records.without_catches(weather, links, fit.settings.season))


def _records(args: argparse.Namespace, fit: FlightFit) -> pd.DataFrame | None:
    import numpy as np

    from phenofit.errors import ModelError
    from phenofit.forecasting.local.scouting_records import place_records, read_records

    if args.records and args.saw:
        raise ModelError("give the records either as a table (--records) or on the command line (--saw).")
    if not args.records and not args.saw:
        return None
    season = fit.settings.season
    if args.records:
        return read_records(args.records, season=season, dates=args.dates or _DATES)
    when, count = [], []
    for text in args.saw:
        day, _, number = text.partition("=")
        try:
            when.append(np.datetime64(day, "D").astype("datetime64[ns]") + np.timedelta64(12, "h"))
        except ValueError:
            when.append(np.datetime64("NaT", "ns"))
        if np.isnat(when[-1]) or not number.isdigit():
            raise ModelError(f"'{text}' is not a record; write year-month-day=count, such as 2024-06-10=2.")
        count.append(float(number))
    return place_records(np.array(when), count, season=season)


def _write(folder: RunFolder, check: LocalCheck | None, ahead: SeasonForecast | None) -> list[str]:
    from phenofit.analysis.outputs import write_dates

    written = []
    if check is not None:
        _write_check(folder, check)
        written.append(_TABLES[0])
    if ahead is not None:
        write_dates(folder.staging / _TABLES[1], [ahead.table()], run=folder.run)
        written.append(_TABLES[1])
    return written


def _write_check(folder: RunFolder, check: LocalCheck) -> None:
    import numpy as np

    from phenofit.files import write_csv

    columns = [
        "season",
        "seen",
        "forecast",
        "low95",
        "high95",
        "observed",
        "observed_from",
        "observed_until",
        "error_days",
        "shift_days",
        "low_days",
        "high_days",
        "inside",
        "run",
    ]
    rows = []
    for year in check.years:
        ends = year.forecast.interval(0.95)
        moments = (year.forecast.quantile(0.5), *ends, year.observed, *year.observed_between)
        dates = ["" if np.isnat(moment) else str(moment)[:10] for moment in moments]
        numbers = [year.error_days, year.shift_days, year.low_days, year.high_days, year.inside]
        rows.append([year.season, year.seen, *dates, *numbers, folder.run])
    write_csv(folder.staging / _TABLES[0], columns, rows)


def _ahead(today: str, fit: FlightFit, place: _Place, check: LocalCheck | None) -> SeasonForecast:
    from phenofit.cli.season.forecast import print_forecast
    from phenofit.forecasting import forecast

    correction = None if check is None else check.correction
    shift = place.shift if correction is None else correction
    found = forecast(
        fit,
        place.records,
        today=today,
        sites=[place.site],
        shifts=None if shift is None else {place.site: shift},
    )
    if check is not None:
        print("with the local correction:" if correction is not None else "without a local correction:")
    print_forecast(found, invented=False)
    return found
