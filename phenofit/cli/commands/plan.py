"""``phenofit plan``: expected precision of networks of several sizes, from a study or an earlier fit."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from phenofit.cli.options import (
    add_out,
    add_quiet,
    add_scheduler,
    distinct,
    name_run,
    print_written,
    refuse_unit_of_netcdf,
    refuse_unused,
    whole_from_one,
    whole_from_zero,
)
from phenofit.cli.progress_lines import terminal_progress
from phenofit.cli.studies import add_species, open_species

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd
    import xarray as xr

    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.flight import FlightFit

    _Source = tuple[FlightFit, xr.Dataset, list[str]]

_TABLE = "plan.csv"


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add = parser.add_argument
    source = "a study file, which is fitted first, or a fit file; its values are taken to be true"
    add("source", type=Path, metavar="STUDY|FIT.json", help=source)
    add_species(parser)
    add("--sites", type=_whole, default=[8], metavar="N,N", help="numbers of sites")
    add("--years", type=_whole, default=[5], metavar="N,N", help="numbers of seasons")
    checks = "checks of a trap, 1 to 7; 0.5 for one in two weeks"
    add("--checks-per-week", type=_positive, default=[1.0], metavar="X,X", help=checks)
    moths = "mean catch of a trap in a season"
    add("--moths", type=_positive, default=[60.0], metavar="X,X", help=moths)
    drawn = "confirm each size by N drawn and fitted networks"
    add("--simulate", type=whole_from_zero, default=0, metavar="N", help=drawn)
    add("--seed", type=whole_from_zero, default=1, help="seed of the draws (default: 1)")
    add("--workers", type=whole_from_one, metavar="N", help="processes (default: 1)")
    add_scheduler(parser)
    weather = "station weather, where a fit file is given"
    add("--weather", type=Path, nargs="+", metavar="FILE", help=weather)
    add("--stations", type=Path, metavar="FILE", help="station table of --weather")
    add("--unit", metavar="UNIT", help="unit of --weather: degC, degF or kelvin")
    add_out(parser, "output folder", default=Path("reports"))
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Plan, print, and write table and figure."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    import pandas as pd

    from phenofit.cluster import cluster_executor
    from phenofit.files import write_csv
    from phenofit.output_folder import run_folder
    from phenofit.plan import PLAN_COLUMNS, NetworkSizes, plan_network
    from phenofit.plan.plan_figure import write_plan_figure

    _refuse_unused(args)
    for name in ("sites", "years", "checks_per_week", "moths"):
        distinct(f"--{name.replace('_', '-')}", getattr(args, name))
    sizes = NetworkSizes(args.sites, args.years, args.checks_per_week, args.moths)
    # New processes, not forks: a fork of a process whose fit has started threads may never end.
    fresh = multiprocessing.get_context("spawn")
    workers = args.workers or 1
    pool: Any = ProcessPoolExecutor(workers, fresh) if workers > 1 else cluster_executor(args.scheduler)
    with run_folder(args.out, "plan", files=[_TABLE]) as folder, pool as executor:
        tables, named = [], []
        sources, inputs = _sources(args)
        progress = terminal_progress(quiet=args.quiet)
        for source in sources:
            fit, weather, stations = source()
            table = plan_network(
                fit,
                weather,
                sizes,
                stations=stations,
                simulations=args.simulate,
                seed=args.seed,
                executor=executor,
                progress=progress,
            )
            _print_plan(fit.settings.species, table)
            tables.append(table.assign(species=fit.settings.species, invented=table.attrs["invented"]))
            named.append((fit, table))
        folder.run = name_run(args, "plan", inputs)
        columns = ("species", *PLAN_COLUMNS, "invented", "run")
        rows = pd.concat([t.astype(dict.fromkeys(t.columns, object)) for t in tables], ignore_index=True)
        rows["run"] = folder.run
        write_csv(folder.staging / _TABLE, columns, rows[list(columns)].to_numpy().tolist())
        written = [_TABLE]
        most = max(fit.settings.flights for fit, _ in named)
        for fit, table in named:
            for flight in range(1, fit.settings.flights + 1):
                written.append(_figure_name(fit.settings.species, flight, len(named), most))
                write_plan_figure(table, folder.staging / written[-1], flight=flight)
    print_written(folder, written)
    return 0


def _refuse_unused(args: argparse.Namespace) -> None:
    if args.scheduler:
        refuse_unused(args, ["workers"], "with --scheduler, whose cluster has its own")
    if args.source.suffix.lower() == ".json":
        refuse_unused(args, ["species"], "with a fit file, which is of one species")
        if args.weather:
            refuse_unit_of_netcdf(args, args.weather)
    else:
        reason = "with a study, which names its own weather"
        refuse_unused(args, ["weather", "stations", "unit"], reason)


def _print_plan(species: str, table: pd.DataFrame) -> None:
    print(f"{species or 'plan'}:")
    for note in table.attrs["notes"]:
        print(f"  {note}")
    for row in table.to_dict("records"):
        base = f"base ± {row['base_width_degC'] / 2:.1f} °C, " if row["base_width_degC"] > 0 else ""
        print(
            f"  {row['sites']} sites, {row['years']} years, checks a week: {row['checks_per_week']:g}, "
            f"{row['moths_per_trap_year']:g} moths, flight {row['flight']}: {base}requirement ± "
            f"{row['requirement_width_degC_d'] / 2:.0f} °C-days, a new date off by "
            f"{row['held_out_error_days']:.1f} days on average ({row['least_error_days']:.1f} at best)"
        )


def _figure_name(species: str, flight: int, species_count: int, flights: int) -> str:
    from phenofit.output_folder import species_slug

    name = f"plan-{species_slug(species)}" if species_count > 1 else "plan"
    return f"{name}-flight-{flight}.png" if flights > 1 else f"{name}.png"


def _sources(args: argparse.Namespace) -> tuple[list[Callable[[], _Source]], dict[str, str]]:
    """Read all inputs; return a function for each fit, and the hashes of the files."""
    if args.source.suffix.lower() != ".json":
        args.study = args.source
        works = open_species(args)
        return [partial(_fitted, work) for work in works], dict(works[0].inputs.hashes)
    from phenofit.errors import DataError, Problem
    from phenofit.flight import FlightFit
    from phenofit.weather import read_weather

    fit = FlightFit.from_json(args.source)
    if not args.weather:
        remedy = "Name the station weather with --weather, --stations and --unit, or give the study file."
        raise DataError(Problem("a fit file holds no weather.", remedy, str(args.source)))
    weather = read_weather(args.weather, unit=args.unit, stations=args.stations)
    there = {str(s) for s in weather["station"].to_numpy()}
    known = sorted(set(fit.data["station"].astype(str)) & there)
    return [lambda: (fit, weather, known or sorted(there))], {}


def _fitted(work: SpeciesWork) -> _Source:
    fit = work.fit()
    weather = work.inputs.weather
    if work.study.invented:
        weather = weather.assign_attrs(invented=1)
    return fit, weather, sorted(fit.data["station"].astype(str).unique())


def _whole(text: str) -> list[int]:
    return [int(value) for value in _positive(text, whole=True)]


def _positive(text: str, *, whole: bool = False) -> list[float]:
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if not values or min(values) <= 0 or (whole and any(not v.is_integer() for v in values)):
        kind = "whole numbers" if whole else "numbers"
        raise argparse.ArgumentTypeError(f"'{text}' is not a list of {kind} above 0; write such as 3,5,8")
    return values
