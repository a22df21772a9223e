"""The text of a new study file, with the alternatives of its keys, and the tables to be filled in."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path

from phenofit.errors import DataError, Problem
from phenofit.files import write_text
from phenofit.files.dates import DATE_FORMS
from phenofit.files.text_table import ENCODINGS, HEADER
from phenofit.seasons import MonthDay
from phenofit.starting.catch_questions import CatchChoices
from phenofit.starting.place_questions import STATION_HEADER, TRAP_HEADER, PlaceTable, WeatherChoices
from phenofit.starting.questions import quoted
from phenofit.starting.sheets import ALL_SHEETS
from phenofit.traps.count_cells import CountWords
from phenofit.traps.forms import START_RULES

CATCH_HEADER = ("trap", "set", "date", "count")
WEATHER_HEADER = ("station", "date", "tmin", "tmax")
_FURTHER = (
    "# max_distance_km = 40  # the farthest station that a trap may have",
    '# fill = ["interpolation"]  # fills short gaps; or "neighbours"',
)

_HEAD = """\
# A study file of phenofit. A line that begins with # is a comment.
# Lines such as "# key = value" show keys that are not set; remove the # to set one.
# Check it with "phenofit check"; run it with "phenofit run".
"""
_MODEL = """\
[heat]
method = "single sine"  # or another method of "phenofit heat --help"
# upper = "30 degC"  # an upper threshold, with its unit
# cutoff = "intermediate"  # above the upper threshold; or "horizontal", "vertical"

[flights]
count = 1  # flights in a season, 1 to 5; [1, 2] or "compare" lets the catches choose
base = "fit"  # or a base held at a published value, such as "50 degF"
# curve = "normal"  # "choose", the default, takes the curve of least AIC
# upper = "fit"  # estimates the upper threshold

[validation]
leave_out = "year"  # or "site", "past", "block", "year and site", "year and block"
# lead_days = [28, 14, 7, 0]  # lead times at which held-out seasons are forecast too; [] for none

# [except]  # catches that are not used; [only] names those that are
# years = [2016]
# traps = ["name of a trap"]

# [map]  # also a map of the forecast error
# cell_km = 4

# [[published]]  # a published threshold to be tested on these catches; as often as needed
# id = "mine"
# event = "flight_50"
# flight = 1
# amount = 480
# unit = "degC d"
# base = "10 degC"
# method = "single sine"
# start = "01-01"
# source = "where it is printed"
"""


def value(item: object) -> str:
    """Return a text, a number, or a list of them as TOML."""
    if isinstance(item, str):
        return quoted(item)
    if isinstance(item, list | tuple):
        return f"[{', '.join(value(one) for one in item)}]"
    if isinstance(item, bool):
        return str(item).lower()
    return str(item)


def _line(key: str, item: object, comment: str = "") -> str:
    return f"{key} = {value(item)}" + (f"  # {comment}" if comment else "")


def _columns(
    section: str, columns: Mapping[str, str | tuple[str, ...]], optional: Sequence[str]
) -> list[str]:
    """Return a table of columns, ours = theirs; the further ones that may be named are in a comment."""
    lines = ["", f"[{section}]  # our name of a column = its name in the file"]
    lines += [_line(ours, theirs) for ours, theirs in columns.items()]
    lines += [f'# {ours} = "name of a column"' for ours in optional if ours not in columns]
    return lines


def study_files(
    title: str, catches: CatchChoices, traps: PlaceTable, weather: WeatherChoices
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Return name and text of every file of a new study, the study file last, and those to be filled in."""
    files: dict[str, str] = {}
    to_fill: list[str] = []
    tables = [traps, *([weather.stations] if weather.stations is not None else [])]
    for table in tables:
        if table.header:
            files[table.file] = _table(table.header, table.rows)
            to_fill += [table.file] if table.blank or not table.rows else []
    if weather.empty:
        files[weather.files[0]] = _template("weather", WEATHER_HEADER)
        to_fill.append(weather.files[0])
    sections = [
        _study(title, catches.species),
        _season(catches.season_start),
        _traps(traps),
        _catches(catches),
        _weather(weather) if weather.files else _service(catches.years),
    ]
    files["study.toml"] = "\n".join([_HEAD, *("\n".join(lines) + "\n" for lines in sections), _MODEL])
    return files, tuple(to_fill)


def _study(title: str, species: Sequence[str]) -> list[str]:
    shown: object = species[0] if len(species) == 1 else tuple(species)
    comment = "one name, or a list of names in the column of the species"
    return ["[study]", _line("title", title), _line("species", shown, comment)]


def _season(start: str) -> list[str]:
    first = MonthDay.parse(start)
    # 2023 has no 29 February, which a season may not end on.
    end = f"{date(2023, first.month, min(first.day, 28) if first.month == 2 else first.day) - timedelta(days=1):%m-%d}"
    return [
        "[season]",
        _line("start", start, 'month-day on which the sum of heat begins; or "biofix" with a table of dates'),
        _line("end", end, "month-day after which no catch is used"),
        '# biofix = "biofix.csv"  # columns site, date; with start = "biofix" and dates = "year-first"',
    ]


def _file(name: str, encoding: str, sheets: Sequence[str]) -> list[str]:
    """Return the keys of a file: its encoding if it is no UTF-8, its sheets if it is a workbook with several."""
    lines = [_line("file", name)]
    if encoding:
        lines.append(_line("encoding", encoding, f"one of {', '.join(map(quoted, ENCODINGS))}"))
    if sheets:
        chosen: object = sheets[0] if tuple(sheets) == ALL_SHEETS else sheets
        lines.append(_line("sheets", chosen, '"all", or a list of sheets'))
    return lines


def _traps(traps: PlaceTable) -> list[str]:
    lines = ["[traps]  # one row for each trap", *_file(traps.file, traps.encoding, traps.sheets)]
    return lines + _columns("traps.columns", traps.columns, ("site", "elevation_m", "station"))


def _catches(catches: CatchChoices) -> list[str]:
    form = catches.form
    lines = [
        "[catches]",
        *_file(catches.file, catches.encoding, catches.sheets),
        _line("dates", catches.dates, f"how dates are written: {', '.join(map(quoted, DATE_FORMS))}"),
        _line("blank", catches.blank, 'what a blank count means: "not checked" or "zero"'),
        _line("unit", catches.unit, 'what the numbers are: "moths" or "moths per night"'),
        _line("duplicates", catches.duplicates, 'rows of one trap and date: "refuse" or "sum"'),
    ]
    if form.fill_down:
        lines.append(_line("fill_down", ("trap",), "a blank name of a trap repeats the one above"))
    comment = f"where an interval begins without set or nights: {' or '.join(map(quoted, START_RULES))}"
    lines.append(_line("start", catches.start, comment))
    for key, words in catches.words.items():
        # A list that is written replaces the words known before, which may be in use too.
        whole = (*getattr(CountWords(), key), *words)
        lines.append(_line(key, whole, "words in the place of a count"))
    if catches.unlisted is not None:
        comment = 'a check that lists other species only: "not checked" or "zero"'
        lines.append(_line("unlisted_species", catches.unlisted, comment))
    lines += [
        '# overlaps = "cut"  # an interval that begins before the one before it ends begins there',
        "# longest_interval_days = 21  # longer intervals are left out",
        '# thousands = ","  # separator of thousands in counts',
    ]
    optional = ("set", "species", "status", "effort")
    if form.headers is None:
        return lines + _columns("catches.columns", form.columns, optional)
    if form.columns:
        lines += _columns("catches.columns", form.columns, ())
    lines += ["", "[catches.wide]", _line("headers", form.headers, f'what "{HEADER}" is')]
    lines.append(_line("columns", "dates" if form.headers == "date" else form.counts))
    return lines + ([_line("blocks", True)] if form.blocks else [])


def _service(years: tuple[int, int]) -> list[str]:
    lines = [_line("service", "meteostat"), _line("years", years, "first and last year")]
    return ["[weather]", *lines, *_FURTHER]


def _weather(weather: WeatherChoices) -> list[str]:
    lines = ["[weather]", _line("files", weather.files)]
    if weather.stations is not None:
        lines.append(_line("stations", weather.stations.file))
    if weather.unit is not None:
        lines.append(_line("unit", weather.unit, '"degC", "degF" or "kelvin"'))
        lines.append(_line("dates", weather.dates, '"year-first", "month-first" or "day-first"'))
    lines += _FURTHER
    if weather.columns:
        lines += _columns("weather.columns", weather.columns, ())
    if weather.stations is not None:
        lines += _columns("weather.station_columns", weather.stations.columns, ("elevation_m", "name"))
    return lines


_EXAMPLES = {
    "traps": ("A1,Harrow farm,44.10,-98.20,410", "one row for each trap; heights in metres may be blank"),
    "catches": (
        "A1,2024-06-01,2024-06-08,3",
        "one row for each check of each trap, with the day on which it was set or last emptied; write 0 for none",
    ),
    "weather": ("S1,2024-05-03,7.5,21.0", "one row for each station and day, from the start of each season"),
    "stations": ("S1,44.05,-98.30,395", "one row for each weather station; heights in metres may be blank"),
}


def _template(name: str, header: Sequence[str]) -> str:
    """Return an empty table with a commented example row."""
    example, what = _EXAMPLES[name]
    return f"# {what}\n# example: {example}\n{','.join(header)}\n"


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    if not rows:
        return _template("stations", header)
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return stream.getvalue()


def empty_files(title: str, species: str, unit: str) -> dict[str, str]:
    """Return name and text of every file of a study without data, the study file last."""
    headers = {
        "traps": TRAP_HEADER,
        "catches": CATCH_HEADER,
        "weather": WEATHER_HEADER,
        "stations": STATION_HEADER,
    }
    files = {f"{name}.csv": _template(name, header) for name, header in headers.items()}
    catches = ["[catches]", _line("file", "catches.csv"), _line("dates", "year-first", "such as 2024-06-08")]
    comment = 'a blank count: the trap stood, but was not checked; "zero" means that it held nothing'
    catches.append(_line("blank", "not checked", comment))
    stations = PlaceTable("stations.csv", {"station": "station"}, STATION_HEADER)
    sections = [
        _study(title, (species,)),
        _season("01-01"),
        _traps(PlaceTable("traps.csv", {"trap": "trap"})),
        catches,
        _weather(WeatherChoices(("weather.csv",), unit=unit, stations=stations)),
    ]
    files["study.toml"] = "\n".join([_HEAD, *("\n".join(lines) + "\n" for lines in sections), _MODEL])
    return files


def refuse_existing(paths: Iterable[Path]) -> None:
    """Refuse to write where there is a file already."""
    there = [path for path in paths if path.exists() or path.is_symlink()]
    remedy = "Nothing was written. Move it away, or name another folder with --out."
    if there:
        raise DataError([Problem("the file exists already.", remedy, str(path)) for path in there])


def write_new(folder: Path, files: Mapping[str, str]) -> None:
    """Write new files into a folder: all of them or none, and none over another.

    Parameters
    ----------
    folder : Path
        Where to; made where absent.
    files : mapping of str to str
        Name and text of each.

    Raises
    ------
    DataError
        If a file of one of the names exists.
    """
    paths = {folder / name: text for name, text in files.items()}
    refuse_existing(paths)
    written: list[Path] = []
    try:
        for path, text in paths.items():
            written.append(path)
            write_text(path, text)
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise
