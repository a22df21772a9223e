"""``phenofit map``: draw where the forecast runs early or late, from a validation table."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import (
    above_zero,
    add_flight,
    add_out,
    add_quiet,
    add_scheduler,
    days_ahead,
    known,
    name_run,
    refuse_unused,
)
from phenofit.cli.progress_lines import terminal_progress
from phenofit.cli.studies import fit_of_species

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.output_folder import RunFolder
    from phenofit.study import Study

_FILES = ("error_map.nc", "error_map.tif", "sites.geojson", "error_map.html", "figures/")
_DATE_FILES = ("date_map.nc", "date_map.tif", "figures/")


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add = parser.add_argument
    source = "a study file, whose validation.csv is in the output folder, or a validation table"
    add("source", type=Path, metavar="STUDY|VALIDATION.csv", help=source)
    add_out(parser, "output folder", default=Path("reports"))
    add("--species", help="which species, where the table holds several")
    add("--forecaster", help="whose errors (default: fitted)")
    add_flight(parser)
    add("--event", default="flight_50", help="which event (default: flight_50)")
    add("--scheme", help="which held-out scheme, where the table holds several")
    add("--lead-days", type=days_ahead, help="days between issue and event (default: weather known)")
    add("--cell-km", type=above_zero, help="side of a cell [km]")
    add("--margin-km", type=above_zero, help="how far the map goes beyond the sites [km]")
    add("--drift", nargs="+", default=[], metavar="NAME", help="latitude, elevation")
    add("--elevation", type=Path, help="NetCDF of heights [m] on latitude and longitude")
    add("--region", type=Path, help="GeoJSON of the area to map")
    add("--outlines", type=Path, help="GeoJSON of borders in place of the bundled ones")
    dates = "map the date of the event instead, this season against the average, from the study's fit"
    add("--dates", action="store_true", help=dates)
    each = "with --dates: every cell of this temperature grid (.nc or .zarr, any size), block by block; --out names a "
    each += "Zarr store, and a stopped run goes on"
    add("--grid", type=Path, metavar="FILE", help=each)
    add_scheduler(parser, "with --grid: ")
    add_quiet(parser)
    add("--fit", type=Path, metavar="FILE", help="fit file for --dates (default: in the output folder)")
    add("--season", type=int, metavar="YEAR", help="season for --dates (default: the last one)")
    add("--invented", action="store_true", help="mark the maps as made from invented data")


def run(args: argparse.Namespace) -> int:
    """Write the maps and say where they are."""
    from phenofit.maps.borders import read_lines, read_rings
    from phenofit.maps.kriging.trend import DRIFTS
    from phenofit.output_folder import run_folder

    if args.dates:
        names = ["forecaster", "scheme", "lead_days", "drift"]
        refuse_unused(args, names, "with --dates, which maps dates and no errors")
    else:
        refuse_unused(args, ["fit", "season", "grid"], "without --dates")
    if args.grid is not None:
        return _every_cell(args)
    refuse_unused(args, ["scheduler", "quiet"], "without --grid")
    known("--drift", args.drift, DRIFTS, "drift")
    command, files = ("map --dates", _DATE_FILES) if args.dates else ("map", _FILES)
    with run_folder(args.out, command, files=files) as folder:
        for path, read in ((args.region, read_rings), (args.outlines, read_lines)):
            if path is not None:
                read(path)
        paths = (_dates if args.dates else _errors)(args, folder)
        written = [path.relative_to(folder.staging) for path in paths]
    for name in written:
        print(f"written: {folder.path / name}")
    if folder.removed:
        print(f"removed, from an earlier run: {', '.join(folder.removed)}")
    return 0


def _errors(args: argparse.Namespace, folder: RunFolder) -> list[Path]:
    """Map the forecast error."""
    import warnings

    from phenofit.errors import PhenofitWarning
    from phenofit.files import file_hash
    from phenofit.maps.choice import ErrorChoice, read_validation
    from phenofit.maps.dataset import MapSettings
    from phenofit.maps.error_surface import error_map
    from phenofit.maps.map_files import read_elevation, write_map_files
    from phenofit.maps.projection import MapArea

    given = args.elevation
    table = _table(args)
    if given is not None and "elevation" not in args.drift:
        refuse_unused(args, ["elevation"], "on a map of errors without --drift elevation")
    validation = read_validation(table)
    elevation = None if args.elevation is None else read_elevation(args.elevation)
    invented = args.invented or _says_invented(validation)
    with warnings.catch_warnings():
        warnings.simplefilter("always", PhenofitWarning)
        result = error_map(
            validation,
            ErrorChoice(
                args.forecaster or "fitted",
                args.flight,
                args.event,
                args.species,
                args.scheme,
                args.lead_days,
            ),
            area=MapArea(args.cell_km, args.margin_km, args.region),
            settings=MapSettings(args.drift),
            elevation=elevation,
            invented=invented,
            progress=print,
        )
        folder.run = name_run(args, folder.command, {"validation table": file_hash(table)})
        marked = result.assign_attrs(run=folder.run)
        written = write_map_files(marked, folder.staging, outlines=args.outlines)
    if result.attrs["notes"]:
        print(f"note: {result.attrs['notes']}")
    return written


def _table(args: argparse.Namespace) -> Path:
    from phenofit.errors import DataError, Problem

    source: Path = args.source
    if source.suffix.lower() != ".toml":
        return source
    from phenofit.study import load_study

    study = load_study(source)
    args.cell_km = args.cell_km or study.map.cell_km
    args.margin_km = args.margin_km or study.map.margin_km
    args.drift = args.drift or list(study.map.drift)
    args.elevation = args.elevation or study.map.elevation
    args.invented = args.invented or study.invented
    table: Path = args.out / "validation.csv"
    if not table.exists():
        remedy = f"Make it with: phenofit validate {source} --out {args.out}"
        raise DataError(Problem("the validation table of the study is not there.", remedy, str(table)))
    return table


def _says_invented(validation: object) -> bool:
    column = getattr(validation, "get", lambda _: None)("invented")
    return column is not None and bool(column.astype(str).str.lower().isin(["true", "1", "yes"]).any())


def _dates(args: argparse.Namespace, folder: RunFolder) -> list[Path]:
    """Map the date of the event from the study's weather and fit."""
    from phenofit.files import file_hash
    from phenofit.maps.date_map import Relief, date_map
    from phenofit.maps.map_files import read_elevation, write_date_files
    from phenofit.maps.projection import MapArea
    from phenofit.study import read_inputs

    study, fit, path = _study_and_fit(args, args.out)
    elevation = None if args.elevation is None else read_elevation(args.elevation)
    inputs = read_inputs(study, progress=print)
    marked = args.invented or study.invented
    weather = inputs.weather.assign_attrs(invented=1) if marked else inputs.weather
    result = date_map(
        fit,
        weather.load(),
        event=args.event,
        flight=args.flight,
        year=args.season,
        area=MapArea(args.cell_km or study.map.cell_km, args.margin_km or study.map.margin_km, args.region),
        relief=None if elevation is None else Relief(elevation),
    )
    folder.run = name_run(args, folder.command, {**inputs.hashes, "fit": file_hash(path)})
    return write_date_files(result.assign_attrs(run=folder.run), folder.staging, outlines=args.outlines)


def _study_and_fit(args: argparse.Namespace, folder: Path) -> tuple[Study, FlightFit, Path]:
    """Read the study file and the fit of its species, from a folder unless a file is named."""
    from phenofit.errors import DataError, ModelError, Problem
    from phenofit.output_folder import species_slug
    from phenofit.study import load_study

    if args.source.suffix.lower() != ".toml":
        raise ModelError(f"--dates needs a study file; found '{args.source}'.")
    study = load_study(args.source)
    species = study.species[0] if args.species is None else study.species_name(args.species)
    if args.species is None and len(study.species) > 1:
        raise ModelError(
            f"the study holds several species ({', '.join(study.species)}): choose one with --species."
        )
    path: Path = args.fit or folder / f"fit-{species_slug(species)}.json"
    if not path.exists():
        remedy = f"Make it with: phenofit fit {args.source} --out {folder}"
        raise DataError(Problem("there is no fit file.", remedy, str(path)))
    return study, fit_of_species(path, [species], "Give its own fit."), path


def _every_cell(args: argparse.Namespace) -> int:
    """Map the date of the event on the cells of a grid, and draw it."""
    from phenofit.cluster import cluster_executor
    from phenofit.errors import ModelError
    from phenofit.files import file_hash
    from phenofit.maps.grid_dates import grid_date_map
    from phenofit.maps.map_files import write_grid_pictures
    from phenofit.output_folder import check_writable

    refuse_unused(
        args, ["cell_km", "margin_km", "elevation", "region"], "with --grid, which has its own cells"
    )
    if args.out.suffix.lower() != ".zarr":
        raise ModelError(f"--grid writes a Zarr store: end --out with .zarr; found '{args.out}'.")
    check_writable(args.out)
    study, fit, path = _study_and_fit(args, args.out.parent)
    run = name_run(args, "map --dates --grid", {"fit": file_hash(path)})
    marks = {"run": run, "invented_data": "yes" if args.invented or study.invented else "no"}
    with cluster_executor(args.scheduler) as executor:
        store = grid_date_map(
            fit,
            args.grid,
            args.out,
            event=args.event,
            flight=args.flight,
            year=args.season,
            executor=executor,
            progress=terminal_progress(quiet=args.quiet),
            attributes=marks,
        )
    print(f"written: {args.out}")
    pictures = write_grid_pictures(store, args.out, outlines=args.outlines)
    for picture in pictures:
        print(f"written: {picture}")
    if not pictures:
        print("no picture: the cells of the grid have no latitude and longitude")
    return 0
