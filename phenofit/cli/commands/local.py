"""``phenofit local FIT.json``: compare a few scouting dates of one place with the forecast of a fit."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import (
    add_flight,
    add_out,
    add_today,
    day,
    distinct,
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
    from phenofit.forecasting.local_check import LocalCheck
    from phenofit.forecasting.season_forecast import SeasonForecast
    from phenofit.output_folder import RunFolder

_TABLES = ("local.csv", "local-forecast.csv")
_DATES = "year-first"


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add = parser.add_argument
    add("fit", type=Path, metavar="FIT.json", help="fit file of phenofit fit or run")
    add("--weather", type=Path, nargs="+", required=True, metavar="FILE", help="daily weather of the place")
    add("--unit", help="unit of text tables: degC, degF or kelvin")
    add("--station", metavar="ID", help="which station, where the weather holds several")
    add("--records", type=Path, metavar="FILE", help="table with the columns date, count")
    seen = "records on the command line, 2024-06-03=0"
    add("--saw", nargs="+", default=[], metavar="DATE=COUNT", help=seen)
    add("--dates", metavar="ORDER", help="order of dates in tables (default: year-first)")
    place = "covariates of the fit at this place, region=North"
    add("--at", nargs="+", default=[], metavar="COLUMN=VALUE", help=place)
    add_flight(parser)
    add_today(parser, "also forecast the season of this day")
    add_out(parser, "write local.csv, and the forecast with --today")


def run(args: argparse.Namespace) -> int:
    """Check, print and write."""
    from phenofit.forecasting.cautions import CAUTIONS
    from phenofit.forecasting.forecast_places import day_after_last
    from phenofit.forecasting.local_check import local_check
    from phenofit.forecasting.weather_years import station_series
    from phenofit.output_folder import optional_run_folder

    today = day("--today", args.today)
    if refuse_unit_of_netcdf(args, args.weather) and args.records is None:
        refuse_unused(args, ["dates"], "without a text table")
    with optional_run_folder(args.out, "local", files=_TABLES) as folder:
        fit = _fit(args)
        weather, station = _weather(args)
        records = _records(args, fit)
        check = None
        if records is None:
            print("No records were given: this is the forecast for the place by the network alone.")
            today = today or str(day_after_last(weather))
        else:
            check = local_check(fit, station_series(weather)[station], records, flight=args.flight)
            for sentence in check.sentences:
                print(sentence)
        for problem in fit.problems:
            print(f"About the fit: {problem}")
        ahead = None if today is None else _ahead(today, fit, weather, station, check)
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
    place = _columns(args.at)
    known("--at", list(place), fit.settings.covariates, "covariate of the fit")
    return fit_at(fit, place)


def _columns(texts: list[str]) -> dict[str, str]:
    from phenofit.errors import ModelError

    wrong = [text for text in texts if "=" not in text]
    if wrong:
        raise ModelError(f"--at takes COLUMN=VALUE, not '{wrong[0]}'.")
    pairs = [text.split("=", 1) for text in texts]
    distinct("--at", [column.strip() for column, _ in pairs])
    return {column.strip(): value.strip() for column, value in pairs}


def _weather(args: argparse.Namespace) -> tuple[xr.Dataset, str]:
    from phenofit.errors import ModelError
    from phenofit.files.tables import nearest
    from phenofit.weather import read_weather

    weather = read_weather(args.weather, unit=args.unit, dates=args.dates or _DATES)
    known = [str(s) for s in weather["station"].to_numpy()]
    if args.station is None and len(known) > 1:
        raise ModelError(
            f"the weather holds {len(known)} stations ({', '.join(known[:8])}); name one with --station."
        )
    station = args.station or known[0]
    if station not in known:
        raise ModelError(f"the weather has no station '{station}'.{nearest(station, known)}")
    return weather, station


def _records(args: argparse.Namespace, fit: FlightFit) -> pd.DataFrame | None:
    import numpy as np

    from phenofit.errors import ModelError
    from phenofit.forecasting.scouting_records import place_records, read_records

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
    from phenofit.analysis.outputs import write_validation

    written = []
    if check is not None:
        _write_check(folder, check)
        written.append(_TABLES[0])
    if ahead is not None:
        write_validation(folder.staging / _TABLES[1], [ahead.table()], run=folder.run)
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


def _ahead(
    today: str, fit: FlightFit, weather: xr.Dataset, station: str, check: LocalCheck | None
) -> SeasonForecast:
    import pandas as pd

    from phenofit.cli.commands.forecast import print_forecast
    from phenofit.forecasting import forecast
    from phenofit.records import Records

    links = pd.DataFrame({"trap": ["this place"], "station": [station]})
    correction = None if check is None else check.correction
    found = forecast(
        fit,
        Records.without_catches(weather, links, fit.settings.season),
        today=today,
        shifts=None if correction is None else {"this place": correction},
    )
    if check is not None:
        print("with the local correction:" if correction is not None else "without a local correction:")
    print_forecast(found, invented=False)
    return found
