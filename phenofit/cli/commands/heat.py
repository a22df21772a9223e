"""``phenofit heat``: degree-days of a station table or of a temperature grid."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from phenofit.cli.options import add_scheduler, distinct, known, name_run, refuse_unused

if TYPE_CHECKING:
    import xarray as xr


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add = parser.add_argument
    what = "station table (CSV), or a grid in NetCDF (.nc) or Zarr (.zarr)"
    add("input", type=Path, metavar="INPUT", help=what)
    add("--base", required=True, metavar="T", help="base temperature with its unit, such as 50F or 10C")
    add("--upper", metavar="T", help="upper threshold with its unit")
    add("--method", default="single sine", help="heat method (default: single sine)")
    add("--cutoff", help="what happens above the upper threshold (default: horizontal)")
    add("--start", default="01-01", metavar="MM-DD", help="where each season's sum begins (default: 01-01)")
    add("--end", metavar="MM-DD", help="last day of a season (default: the day before the next start)")
    dated = "give the date of these sums, each with its unit, such as '900 degF d'; "
    dated += "bare numbers are in the unit of --show"
    add("--amounts", nargs="+", default=[], metavar="DD", help=dated)
    add("--show", metavar="UNIT", help="unit of the sums: degC d or degF d (default: degC d)")
    add("--out", type=Path, metavar="FILE", help="where to write: .csv for a table; .nc or .zarr for a grid")
    add("--unit", help="unit of the temperatures in a table: degC, degF or kelvin")
    add("--dates", help="order of dates in a table: year-first, month-first or day-first")
    add("--station", help="which station of a table; the id of a table without a station column")
    names = "names in the input: station=, date=, tmin=, tmax= (for a grid: tmin=, tmax=)"
    add("--columns", nargs="+", default=[], metavar="OURS=THEIRS", help=names)
    add("--every-day", action="store_true", help="grid: write the sum of every day, to a Zarr store")
    add_scheduler(parser, "grid: ")


def run(args: argparse.Namespace) -> int:
    """Sum the heat and write the tables or maps."""
    from phenofit.heat.grids import is_grid
    from phenofit.heat.settings import HeatSettings, check_thresholds
    from phenofit.output_folder import check_writable
    from phenofit.units import degree_day_unit

    base, upper = check_thresholds(args.base, args.upper)
    if upper is None:
        refuse_unused(args, ["cutoff"], "without --upper")
    settings = HeatSettings(args.method, args.cutoff or "horizontal", upper)
    amounts = [_amount(text, args.show) for text in args.amounts]
    distinct("--amounts", amounts)
    args.show = degree_day_unit(args.show or "degC d")
    names = dict(_pairs(args.columns))
    distinct("--columns", [text.partition("=")[0] for text in args.columns])
    check_writable(args.out)
    run = name_run(args, "heat", {})
    heat = {"base": base, "upper": upper, "method": settings.method, "cutoff": settings.cutoff}
    heat["out_unit"] = args.show
    print(f"degree-days [{args.show}]: {settings.describe(base)}, from {args.start}")
    if is_grid(args.input):
        return _grid(args, heat, amounts, names, run)
    return _table(args, heat, amounts, names, run)


def _amount(text: str, unit: str | None) -> float | str:
    """Read an amount of heat; a bare number is in the unit that the call names."""
    from phenofit.errors import UnitError

    try:
        value = float(text)
    except ValueError:
        return text
    if unit is None:
        raise UnitError(
            f"--amounts '{text}' has no unit; write '{text} degC d' or '{text} degF d', or name the unit with --show."
        )
    return value


def _pairs(columns: list[str]) -> Iterator[tuple[str, str]]:
    from phenofit.errors import ModelError

    for text in columns:
        ours, mark, theirs = text.partition("=")
        if not (mark and ours and theirs):
            raise ModelError(f"--columns '{text}': write OURS=THEIRS, for example tmin=TMIN.")
        yield ours, theirs


def _grid(
    args: argparse.Namespace,
    heat: dict[str, Any],
    amounts: list[float | str],
    names: dict[str, str],
    run: str,
) -> int:
    from phenofit.cluster import cluster_executor
    from phenofit.errors import ModelError
    from phenofit.heat.grids import heat_maps, open_grid, running_maps, write_grid

    refuse_unused(args, ["unit", "dates", "station"], "on a grid, which says all that itself")
    if unknown := set(names) - {"tmin", "tmax"}:
        listed = ", ".join(sorted(unknown))
        raise ModelError(f"--columns {listed}: a grid has the variables tmin and tmax only.")
    if args.out is None:
        raise ModelError("a grid needs --out FILE.nc or FILE.zarr.")
    tmin, tmax = open_grid(args.input, tmin=names.get("tmin"), tmax=names.get("tmax"))
    season = {"start": args.start, "end": args.end}
    if args.every_day:
        if amounts:
            raise ModelError(
                "--every-day writes running sums; ask for the dates of --amounts in another call."
            )
        result = running_maps(tmin, tmax, **season, **heat)
    else:
        result = heat_maps(tmin, tmax, amounts=amounts, **season, **heat)
    with cluster_executor(args.scheduler), _progress(args.scheduler):
        write_grid(result.assign_attrs(run=run), args.out)
    print(f"written: {args.out}")
    return 0


def _progress(scheduler: str | None) -> Any:
    """Return a progress bar for a terminal; a cluster shows progress on its own page."""
    import contextlib

    if scheduler is not None:
        print(f"working on {scheduler}")
        return contextlib.nullcontext()
    from dask.callbacks import Callback
    from tqdm import tqdm

    bar = tqdm(disable=None, unit="task", desc="heat")

    return Callback(  # type: ignore[no-untyped-call]
        start=lambda graph: bar.reset(total=len(graph)),
        posttask=lambda *_: bar.update(),
        finish=lambda *_: bar.close(),
    )


def _table(
    args: argparse.Namespace,
    heat: dict[str, Any],
    amounts: list[float | str],
    names: dict[str, str],
    run: str,
) -> int:
    from phenofit.errors import ModelError
    from phenofit.heat import accumulate, dates_reaching, degree_days
    from phenofit.weather import notes, read_weather

    if args.every_day or args.scheduler:
        raise ModelError(
            "--every-day and --scheduler are for grids; a table always has a line for every day."
        )
    if args.out is None and not amounts:
        raise ModelError(
            "say what to do: --out FILE.csv for the sum of every day, --amounts for dates, or both."
        )
    if args.out is not None and args.out.suffix.lower() != ".csv":
        raise ModelError(f"the sums of a table are written as .csv; found '{args.out}'.")
    dates = args.dates or "year-first"
    weather = read_weather(
        args.input, unit=args.unit, columns=names or None, dates=dates, station=args.station
    )
    if args.station is not None:
        known("--station", [args.station], [str(s) for s in weather["station"].to_numpy()], "station")
        weather = weather.sel(station=[args.station])
    for note in notes(weather):
        print(f"note: {note}")
    daily = degree_days(weather["tmin"], weather["tmax"], **heat)
    sums = accumulate(daily, start=args.start, end=args.end)
    if args.out is not None:
        _write_sums(args.out, daily, sums, run)
        print(f"written: {args.out}")
    if amounts:
        dates = dates_reaching(sums, amounts)
        columns, rows = _date_rows(dates, sums.attrs)
        for row in rows:
            print(f"{row[0]}, season {row[1]}: {row[2]:g} {row[3]} on {row[4] or 'no day of the series'}")
        if args.out is not None:
            from phenofit.files import write_csv

            target = args.out.with_name(f"{args.out.stem}-dates.csv")
            write_csv(target, [*columns, "run"], ([*row, run] for row in rows))
            print(f"written: {target}")
    return 0


_TERMS = ("units", "base", "upper", "cutoff", "method", "start")


def _write_sums(path: Path, daily: xr.DataArray, sums: xr.DataArray, run: str) -> None:
    import numpy as np

    from phenofit.files import write_csv

    days = np.datetime_as_string(sums["time"].to_numpy(), "D")
    seasons = sums["season"].to_numpy()
    terms = [sums.attrs[name] for name in _TERMS]

    def rows() -> Iterator[list[Any]]:
        for s, station in enumerate(sums["station"].to_numpy()):
            heat_day, heat_sum = (part.isel(station=s).to_numpy() for part in (daily, sums))
            for t, day in enumerate(days):
                season = int(seasons[t]) if seasons[t] >= 0 else None
                numbers = [None if np.isnan(v) else round(float(v), 4) for v in (heat_day[t], heat_sum[t])]
                yield [station, day, season, *numbers, *terms, run]

    write_csv(path, ["station", "date", "season", "degree_days", "sum", *_TERMS, "run"], rows())


def _date_rows(dates: xr.DataArray, attributes: dict[str, Any]) -> tuple[list[str], list[list[Any]]]:
    import numpy as np

    if "season" not in dates.dims:
        dates = dates.expand_dims("season")
    terms = [attributes[name] for name in _TERMS]
    rows: list[list[Any]] = []
    for station in dates["station"].to_numpy():
        for season in dates["season"].to_numpy():
            for amount in dates["amount"].to_numpy():
                moment = dates.sel(station=station, season=season, amount=amount).to_numpy()
                text = None if np.isnat(moment) else str(np.datetime_as_string(moment, "m"))
                rows.append([station, int(season), round(float(amount), 6), terms[0], text, *terms[1:]])
    return ["station", "season", "amount", "unit", "date", *_TERMS[1:]], rows
