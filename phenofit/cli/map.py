"""``phenofit map``: draw where the forecast runs early or late, from a validation table."""

from __future__ import annotations

import argparse
from pathlib import Path

__all__ = ["configure", "run"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "source",
        type=Path,
        metavar="STUDY|VALIDATION.csv",
        help="a study file, whose validation.csv stands in the output folder, or a validation table",
    )
    parser.add_argument("--out", type=Path, default=Path("reports"), metavar="DIR", help="output folder")
    parser.add_argument("--species", help="which species, where the table holds several")
    parser.add_argument("--forecaster", default="fitted", help="whose errors (default: fitted)")
    parser.add_argument("--flight", type=int, default=1, help="which flight (default: 1)")
    parser.add_argument("--event", default="flight_50", help="which event (default: flight_50)")
    parser.add_argument("--scheme", help="which held-out scheme, where the table holds several")
    parser.add_argument(
        "--lead-days", type=float, help="days between issue and event (default: weather known)"
    )
    parser.add_argument("--cell-km", type=float, help="side of a cell [km]")
    parser.add_argument("--margin-km", type=float, help="how far the map goes beyond the sites [km]")
    parser.add_argument("--drift", nargs="+", default=[], metavar="NAME", help="latitude, elevation")
    parser.add_argument("--elevation", type=Path, help="NetCDF of heights [m] on latitude and longitude")
    parser.add_argument("--region", type=Path, help="GeoJSON of the area to map")
    parser.add_argument("--outlines", type=Path, help="GeoJSON of borders in place of the bundled ones")
    parser.add_argument(
        "--dates",
        action="store_true",
        help="map the date of the event instead, this season against the average, from the study's fit",
    )
    parser.add_argument(
        "--fit", type=Path, metavar="FILE", help="fit file for --dates (default: in the output folder)"
    )
    parser.add_argument(
        "--season", type=int, metavar="YEAR", help="season for --dates (default: the last one)"
    )
    parser.add_argument("--invented", action="store_true", help="mark the maps as made from invented data")


def run(args: argparse.Namespace) -> int:
    """Write the maps and say where they are."""
    from phenofit.run_folder import run_folder

    with run_folder(args.out, "map"):
        return _run(args)


def _run(args: argparse.Namespace) -> int:
    _no_idle_options(args)
    if args.dates:
        return _dates(args)
    import warnings

    from phenofit.cli.studies import begin_from_files
    from phenofit.errors import PhenofitWarning
    from phenofit.maps.choice import read_validation
    from phenofit.maps.files import read_elevation, write_map_files
    from phenofit.maps.surface import error_map
    from phenofit.run_folder import require_complete

    table = _table(args)
    require_complete(table)
    validation = read_validation(table)
    elevation = None if args.elevation is None else read_elevation(args.elevation)
    begin_from_files([table], args)
    invented = args.invented or _says_invented(validation)
    with warnings.catch_warnings():
        warnings.simplefilter("always", PhenofitWarning)
        result = error_map(
            validation,
            forecaster=args.forecaster,
            flight=args.flight,
            event=args.event,
            species=args.species,
            scheme=args.scheme,
            lead_days=args.lead_days,
            cell_km=args.cell_km,
            margin_km=args.margin_km,
            region=args.region,
            drift=args.drift,
            elevation=elevation,
            invented=invented,
            progress=print,
        )
        written = write_map_files(result, args.out, outlines=args.outlines)
    if result.attrs["notes"]:
        print(f"note: {result.attrs['notes']}")
    for path in written:
        print(f"written: {path}")
    return 0


# Options that only one of the two kinds of map heeds, with their values where they are not given.
_ERRORS_ONLY: dict[str, object] = {"forecaster": "fitted", "scheme": None, "lead_days": None, "drift": []}
_DATES_ONLY: dict[str, object] = {"fit": None, "season": None}


def _no_idle_options(args: argparse.Namespace) -> None:
    """Refuse an option that would have no effect."""
    from phenofit.errors import ModelError

    idle = _ERRORS_ONLY if args.dates else _DATES_ONLY
    for name, absent in idle.items():
        if getattr(args, name) != absent:
            word = "has no effect with" if args.dates else "goes with"
            raise ModelError(f"--{name.replace('_', '-')} {word} --dates; leave out one of the two.")


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
        raise DataError(
            Problem(
                "the validation table of the study is not there.",
                f"Make it with: phenofit validate {source} --out {args.out}",
                str(table),
            )
        )
    return table


def _says_invented(validation: object) -> bool:
    column = getattr(validation, "get", lambda _: None)("invented")
    return column is not None and bool(column.astype(str).str.lower().isin(["true", "1", "yes"]).any())


def _dates(args: argparse.Namespace) -> int:
    """Map the date of the event from the study's weather and fit."""
    from phenofit.cli.studies import begin_from_files
    from phenofit.errors import DataError, ModelError, Problem
    from phenofit.file_names import file_part
    from phenofit.flight import FlightFit
    from phenofit.maps.dates import date_map
    from phenofit.maps.files import read_elevation, write_date_files
    from phenofit.run_folder import require_complete
    from phenofit.study import load_study, read_inputs

    study = load_study(args.source)
    species = args.species or study.species[0]
    if args.species is None and len(study.species) > 1:
        raise ModelError(
            f"the study holds several species ({', '.join(study.species)}): choose one with --species."
        )
    path: Path = args.fit or args.out / f"fit-{file_part(species)}.json"
    if not path.exists():
        remedy = f"Make it with: phenofit fit {args.source} --out {args.out}"
        raise DataError(Problem("there is no fit file.", remedy, str(path)))
    require_complete(path)
    fit = FlightFit.from_json(path)
    elevation = None if args.elevation is None else read_elevation(args.elevation)
    inputs = read_inputs(study, progress=print)
    begin_from_files([path], args, hashes=inputs.hashes)
    result = date_map(
        fit,
        inputs.weather.load(),
        event=args.event,
        flight=args.flight,
        year=args.season,
        cell_km=args.cell_km,
        margin_km=args.margin_km,
        region=args.region,
        elevation=elevation,
        invented=args.invented or study.invented,
    )
    for written in write_date_files(result, args.out, outlines=args.outlines):
        print(f"written: {written}")
    return 0
