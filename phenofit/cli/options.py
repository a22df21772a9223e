"""What several commands share: the options they declare, how they read and refuse them, the printed tables."""

from __future__ import annotations

import argparse
import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from phenofit.output_folder import RunFolder

STOPPED = 130
"""Exit code of a command that Ctrl-C has stopped, as shells give it."""

# Options that do not change the results.
_NO_SETTINGS = {"out", "csv", "quiet", "traceback", "workers", "scheduler"}


def add_out(parser: argparse.ArgumentParser, what: str, *, default: Path | None = None) -> None:
    """Declare the output folder."""
    parser.add_argument("--out", type=Path, default=default, metavar="DIR", help=what)


def add_quiet(parser: argparse.ArgumentParser) -> None:
    """Declare the option that hides progress."""
    parser.add_argument("--quiet", action="store_true", help="hide progress")


def add_scheduler(parser: argparse.ArgumentParser, where: str = "") -> None:
    """Declare the option for a cluster that does the work."""
    what = f"{where}work on the dask cluster whose scheduler listens there, such as tcp://192.0.2.1:8786"
    parser.add_argument("--scheduler", metavar="ADDRESS", help=what)


def add_today(parser: argparse.ArgumentParser, what: str) -> None:
    """Declare the option for the day of issue; :func:`day` reads it."""
    parser.add_argument("--today", metavar="DATE", help=what)


def add_events(parser: argparse.ArgumentParser) -> None:
    """Declare the flight events that are forecast."""
    what = "events (default: 5, 50 and 95 %% of a flight)"
    parser.add_argument("--events", nargs="+", metavar="EVENT", help=what)


def add_stages(parser: argparse.ArgumentParser) -> None:
    """Declare the table of stages after the flight."""
    what = "table of stage lags: stage, after, lag, spread, unit, base, source, species (default: that of the study)"
    parser.add_argument("--stages", type=Path, metavar="FILE", help=what)


def add_flight(parser: argparse.ArgumentParser) -> None:
    """Declare the number of one flight."""
    parser.add_argument("--flight", type=whole_from_one, default=1, help="which flight (default: 1)")


def day(option: str, text: str | None) -> str | None:
    """Read the day of an option, year first; None where it was not given."""
    from phenofit.errors import ModelError

    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        finding = f"{option} '{text}' is not a date; write year-month-day, such as 2024-05-20."
        raise ModelError(finding) from None


def above_zero(text: str) -> float:
    """Read a number above 0, for argparse."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value > 0):
        raise argparse.ArgumentTypeError(f"'{text}' is not a number above 0")
    return value


def _whole(text: str, least: int) -> int:
    try:
        value = int(text)
    except ValueError:
        value = least - 1
    if value < least:
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number from {least} up")
    return value


def whole_from_one(text: str) -> int:
    """Read a whole number from 1 up, for argparse."""
    return _whole(text, 1)


def whole_from_zero(text: str) -> int:
    """Read a whole number from 0 up, for argparse."""
    return _whole(text, 0)


def days_ahead(text: str) -> int:
    """Read a number of days ahead of an event, for argparse."""
    value = _whole(text, 0)
    if value > 365:
        raise argparse.ArgumentTypeError(f"'{text}' is more than 365 days ahead")
    return value


def add_place(parser: argparse.ArgumentParser) -> None:
    """Declare the position of a place outside of the network, and what else is known of it."""
    where = "a place outside of the network: 48.12,16.30 or 33.1S,151.2E (south and west below 0: --at=-33.1,151.2)"
    parser.add_argument("--at", type=position, metavar="LATITUDE,LONGITUDE", help=where)
    height = "height of that place [m]"
    parser.add_argument("--height", type=float, metavar="M", help=height)
    place = "covariates of the fit at that place, region=North"
    parser.add_argument("--covariates", nargs="+", default=[], metavar="COLUMN=VALUE", help=place)


_SIDES = {"N": 1.0, "S": -1.0, "E": 1.0, "W": -1.0}


def position(text: str) -> tuple[float, float]:
    """Read a latitude and a longitude in degrees, for argparse."""
    parts = [part.strip() for part in text.split(",")]
    try:
        if len(parts) != 2:
            raise ValueError
        latitude, longitude = (_degrees(part, sides) for part, sides in zip(parts, ("NS", "EW"), strict=True))
        if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0):
            raise ValueError
    except ValueError:
        finding = f"'{text}' is no latitude and longitude in degrees, such as 48.12,16.30"
        raise argparse.ArgumentTypeError(finding) from None
    return latitude, longitude


def _degrees(text: str, sides: str) -> float:
    if text and text[-1].upper() in sides:
        size = float(text[:-1])
        if not size >= 0:
            raise ValueError
        return _SIDES[text[-1].upper()] * size
    return float(text)


def columns(option: str, texts: Sequence[str]) -> dict[str, str]:
    """Read values of columns, ``COLUMN=VALUE`` each."""
    from phenofit.errors import ModelError

    wrong = [text for text in texts if "=" not in text]
    if wrong:
        raise ModelError(f"{option} takes COLUMN=VALUE, not '{wrong[0]}'.")
    pairs = [text.split("=", 1) for text in texts]
    distinct(option, [column.strip() for column, _ in pairs])
    return {column.strip(): value.strip() for column, value in pairs}


def refuse_unused(args: argparse.Namespace, names: Iterable[str], reason: str) -> None:
    """Refuse options that were given but would have no effect."""
    from phenofit.errors import ModelError

    for name in names:
        value = getattr(args, name)
        if value is not None and value is not False and value != []:
            raise ModelError(f"--{name.replace('_', '-')} has no effect {reason}.")


def known(option: str, values: Sequence[str], accepted: Sequence[str], what: str) -> None:
    """Refuse a value of an option that is not accepted, or is a duplicate."""
    from phenofit.errors import ModelError
    from phenofit.files.tables import nearest

    for value in values:
        if value not in accepted:
            raise ModelError(
                f"{option}: there is no {what} '{value}'; known are {', '.join(accepted)}.{nearest(value, accepted)}"
            )
    distinct(option, values)


def distinct(option: str, values: Sequence[object]) -> None:
    """Refuse duplicate values of an option."""
    from phenofit.errors import ModelError

    for i, value in enumerate(values):
        if value in values[:i]:
            raise ModelError(f"{option}: '{value}' is given twice.")


def name_run(args: argparse.Namespace, command: str, inputs: Mapping[str, str]) -> str:
    """Return the identifier of a run: its options and inputs, where files count by their content."""
    from phenofit.output_folder import run_id

    settings = {key: _content(value) for key, value in vars(args).items() if key not in _NO_SETTINGS}
    return run_id(command, inputs=inputs, settings=settings)


def _content(value: object) -> object:
    from phenofit.files import file_hash

    if isinstance(value, Path):
        return file_hash(value) if value.is_file() else value.name
    if isinstance(value, list | tuple):
        return [_content(one) for one in value]
    return value


def refuse_unit_of_netcdf(args: argparse.Namespace, paths: Sequence[Path]) -> bool:
    """Refuse --unit where all weather files are NetCDF; return whether they are."""
    only = all(path.suffix.lower() in (".nc", ".nc4", ".cdf") for path in paths)
    if only:
        refuse_unused(args, ["unit"], "on NetCDF files, which say their unit themselves")
    return only


def in_columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return the rows of a table as lines with aligned columns."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return ["  ".join(map(str.ljust, row, widths)).rstrip() for row in rows]


def print_written(folder: RunFolder, names: Iterable[str]) -> None:
    """Print what a run has written, and what it removed."""
    print(f"written: {', '.join(str(folder.path / name) for name in names)}")
    if folder.removed:
        print(f"removed, from an earlier run: {', '.join(folder.removed)}")
