"""``phenofit fetch STUDY``: load the station series that a study names into its store."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import add_quiet, add_today, day, in_columns
from phenofit.cli.studies import add_study_file

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from phenofit.study import Study


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study_file(parser, "study file (TOML) that names a service")
    add = parser.add_argument
    add("--refresh", action="store_true", help="ask again for everything, closed years too")
    add_today(
        parser,
        "run date, such as 2024-06-01: later days are forecasts and are left out (default: the clock's)",
    )
    add("--out", metavar="FILE", type=Path, help="also write the series to one NetCDF file")
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Fetch the series, say what became of each station and where the data come from."""
    from phenofit.cli.progress_lines import show_progress
    from phenofit.errors import DataError, Problem
    from phenofit.output_folder import check_writable
    from phenofit.study import load_study
    from phenofit.traps import read_traps
    from phenofit.weather import fetch_report, fetch_weather

    today = day("--today", args.today)
    check_writable(args.out)
    study = load_study(args.study)
    part = study.weather
    if part.service is None or part.years is None:
        finding = "the study reads its weather from files; there is nothing to fetch."
        remedy = (
            'Write service = "meteostat" and years = [2016, 2024] in place of files to use open stations.'
        )
        raise DataError(Problem(finding, remedy, str(args.study), column="weather"))
    columns = {ours: theirs for ours, theirs in study.traps.columns.items() if isinstance(theirs, str)}
    traps = read_traps(study.traps.file, columns=columns, dates=study.traps.dates, fill=study.traps.fill_down)
    weather = fetch_weather(
        traps,
        years=part.years,
        cache=study.weather_cache,
        max_distance_km=part.max_distance_km,
        today=today,
        refresh=args.refresh,
        observations_only=not part.modelled,
        progress=None if args.quiet else show_progress(),
    )
    print("\n".join(in_columns(_rows(fetch_report(weather)))))
    _print_links(study, traps, weather)
    print(f"store: {study.weather_cache}")
    print(f"data: {weather.attrs['attribution']}")
    print(f"licence: {weather.attrs['license']}")
    if args.out is not None:
        from phenofit.weather import write_weather

        write_weather(weather, args.out)
        print(f"series: {args.out}")
    return 0


def _rows(report: pd.DataFrame) -> list[tuple[str, ...]]:
    """Return the report as cells of text."""
    rows: list[tuple[str, ...]] = [
        ("station", "state", "observed days", "modelled", "km", "height diff. m", "name")
    ]
    for row in report.to_dict("records"):
        known = row["days_expected"] == row["days_expected"] and row["days_expected"] is not None
        rows.append(
            (
                str(row["station"]),
                str(row["state"]),
                f"{row['days_observed']:.0f}/{row['days_expected']:.0f}" if known else "",
                f"{row['days_modelled']:.0f}" if known else "",
                _number(row["distance_km"], ".1f"),
                _number(row["height_difference_m"], "+.0f"),
                str(row["name"] or "") + (f"  ({row['detail']})" if row["detail"] else ""),
            )
        )
    return rows


def _number(value: float | None, form: str) -> str:
    return "" if value is None or math.isnan(value) else format(value, form)


def _print_links(study: Study, traps: pd.DataFrame, weather: xr.Dataset) -> None:
    from phenofit.weather import link_stations

    farthest = study.weather.max_distance_km
    places = traps.drop_duplicates("trap")
    for row in link_stations(places, weather, max_distance_km=farthest, too_far="leave out").itertuples(
        index=False
    ):
        if row.how == "none":
            print(f"trap {row.trap}: no station with data within {farthest:g} km")
        else:
            height = _number(row.height_difference_m, "+.0f")  # type: ignore[arg-type]
            extra = f", {height} m" if height else ", height unknown"
            over = f"; passed over: {row.passed_over!s}" if row.passed_over else ""
            print(
                f"trap {row.trap}: {row.station} {row.station_name} "
                f"({row.how}, {row.distance_km:.1f} km{extra}{over})"
            )
