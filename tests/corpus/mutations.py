"""Changes to a sound study: what people's spreadsheets, editors and disks do to it, and worse."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping

__all__ = ["mutate"]

_CELLS = (
    "", " ", "0", "3", "-3", "3.5", "1,000", "1.000", "12,000", "1 000", "1'000", "1,00", "1,0000", "12.0", "007", "+5",
    "1e3", "1e999", "9" * 19, "9" * 20, "9" * 5000, "10000000", "10000001", ">100", "99+", "<5", ">1,000", "nan", "NaN",
    "inf", "-inf", "NA", "lost", "T", "present", "not checked", "-", "x" * 300, "=1+1", "\x00", "٣", "３", "½", "true",
    "12 moths", "2024-06-08", "45451", "\ufeff7", "7\u00a0", "7\u202f000", '"7"', '"', "'", "#", "é",
)  # fmt: skip
_DATES = (
    "2024-02-30", "2024-13-01", "2262-06-01", "2201-01-01", "1677-01-01", "0001-01-01", "0000-00-00", "9999-12-31",
    "45451", "45451.5", "07OCT2016", "5/6/24", "06/13/2024", "13/06/2024", "13.06.2024", "2024-06-08T25:00",
    "2024-06-08 24:00", "2024-06-08T12:00:00Z", "20240608", "8 June 2024", "June 2024", "2024", "soon", "",
    "2024-06-08 07:30", "24-06-08", "2024/06/08", "2024-6-8",
)  # fmt: skip
_VALUES = (
    "3", "-1", "0", "2.5", "true", '"x"', '""', "[]", "[1, 2]", "{a = 1}", "2024-01-01", "nan", "inf", "-inf", "1e308",
    '"50 degF"', '"50"', "50", '"/"', '"."', '"/dev/zero"', '"traps.csv"', '"\\u0000"', '"biofix"', '["a", "b"]',
    "[2016, 2024]", "1979-05-27T07:32:00Z", '"zero"', '"sum"', '"site"', '","', '"."', '"day-first"', '"month-first"',
    '"year-first"', '"normal"', '"gamma"', '"compare"', '"choose"', '"fit"', "[1, 2, 3]", "9" * 30, "9" * 5000,
    '"' + "x" * 5000 + '"', "[" * 60 + "]" * 60, '"02-29"', '"13-01"', '"12-31"', "07:32:00", '"presence"',
    '"first catch"', "{ spread_1 = 60.0 }", '"elevation_m"', '"degF"', '"kelvin"', '["year", "site", "trap-year"]',
)  # fmt: skip
_LINES = (
    "[deep]\nx = 1", "published = 3", "[[published]]", "[a.b]", "x = 1", "= 3", "[catches]", "[[catches]]",
    'thousands = ","', 'blank = "zero"', 'duplicates = "sum"', "longest_interval_days = 5", "hour = 24", "hour = 23.9",
    'pool = "site"', 'unlisted_species = "zero"', 'present = ["x"]', 'lost = ["T"]', "first_interval_days = 1e9",
    "first_interval_days = 0.001", 'records = "presence"', 'stray = "fit"', "level = 0.999", "min_share = 0",
)  # fmt: skip
_JUNK = (
    "", "\x00", '"', "'", ",", ";", "\n", "\r", "\t", "é", "\ufeff", "[[", "{}", "=", "#", "x" * 300, "-", "1e999",
)  # fmt: skip


def mutate(sound: Mapping[str, str], number: int) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """Return the files of a study after one to three changes, and the changes in words.

    Parameters
    ----------
    sound : mapping of str to str
        ``study`` and its tables, as text.
    number : int
        Number of the case; it alone decides what is changed.
    """
    rng = random.Random(number)
    files = {"study.toml" if name == "study" else f"{name}.csv": text for name, text in sound.items()}
    encodings = dict.fromkeys(files, "utf-8")
    said: list[str] = []
    for _ in range(rng.choice((0, 1, 1, 1, 2, 3)) if number % 50 else 0):
        name = rng.choice(
            ["catches.csv"] * 4 + ["study.toml"] * 3 + sorted(set(files) - {"catches.csv", "study.toml"})
        )
        if rng.random() < 0.06:
            encodings[name] = rng.choice(("utf-8-sig", "utf-16", "utf-16-le", "latin-1", "cp1252"))
            said.append(f"{name} as {encodings[name]}")
            continue
        change = rng.choice(_OF_STUDIES if name == "study.toml" else _OF_TABLES)
        files[name] = change(files[name], rng)
        said.append(f"{name}: {change.__name__.strip('_').replace('_', ' ')}")
    return {name: text.encode(encodings[name], "replace") for name, text in files.items()}, tuple(said)


# --- a table --------------------------------------------------------------------------------------------------


def _split(text: str) -> tuple[list[list[str]], str]:
    lines = text.splitlines()
    mark = max(",;\t|", key=lines[0].count) if lines else ","
    return [line.split(mark) for line in lines], mark


def _joined(rows: list[list[str]], mark: str) -> str:
    return "\n".join(mark.join(row) for row in rows) + "\n"


def _one_cell(text: str, rng: random.Random) -> str:
    rows, mark = _split(text)
    row = rng.choice(rows[1:] or rows or [[""]])
    at = rng.randrange(len(row)) if row else 0
    value = rng.choice(_CELLS + _DATES)
    row[at : at + 1] = [f'"{value}"' if mark in value and rng.random() < 0.8 else value]
    return _joined(rows, mark)


def _one_column(text: str, rng: random.Random) -> str:
    rows, mark = _split(text)
    at = rng.randrange(len(rows[0])) if rows else 0
    values = rng.choices(_CELLS + _DATES, k=rng.choice((1, 1, 3)))
    for row in rows[1:]:
        if len(row) > at:
            row[at] = rng.choice(values).replace(mark, " ")
    return _joined(rows, mark)


def _dates_in_another_order(text: str, rng: random.Random) -> str:
    rows, mark = _split(text)
    form = rng.choice(
        ("{1}/{2}/{0}", "{2}/{1}/{0}", "{2}.{1}.{0}", "{0}/{1}/{2}", "{1}/{2}/{3}", "{0}{1}{2}")
    )
    for row in rows[1:]:
        for at, cell in enumerate(row):
            parts = cell.replace(".", "-").split("-")
            if len(parts) == 3 and "2024" in (parts[0], parts[2]):
                year, month, day = parts if parts[0] == "2024" else parts[::-1]
                row[at] = form.format(year, month, day, year[2:])
    return _joined(rows, mark)


def _columns_swapped(text: str, rng: random.Random) -> str:
    rows, mark = _split(text)
    width = len(rows[0]) if rows else 0
    if width < 2:
        return text
    first, second = rng.sample(range(width), 2)
    whole = rng.random() < 0.5
    for row in rows if whole else rows[1:]:
        if len(row) == width:
            row[first], row[second] = row[second], row[first]
    return _joined(rows, mark)


def _a_column_gone(text: str, rng: random.Random) -> str:
    rows, mark = _split(text)
    at = rng.randrange(len(rows[0])) if rows else 0
    header = rng.random() < 0.8
    return _joined([row[:at] + row[at + 1 :] for row in (rows if header else rows[1:])], mark)


def _the_header(text: str, rng: random.Random) -> str:
    rows, mark = _split(text)
    if rows:
        at = rng.randrange(len(rows[0]))
        rows[0][at] = rng.choice(
            (rows[0][0], rows[0][at].upper(), f" {rows[0][at]} ", "", "count", "species", "set", "é")
        )
    return _joined(rows, mark)


def _rows(text: str, rng: random.Random) -> str:
    rows, mark = _split(text)
    body = rows[1:]
    kind = rng.randrange(6)
    if kind == 0 and body:
        body.insert(rng.randrange(len(body)), list(rng.choice(body)))
    elif kind == 1 and body:
        del body[rng.randrange(len(body))]
    elif kind == 2:
        rng.shuffle(body)
    elif kind == 3:
        body = []
    elif kind == 4:
        body.insert(rng.randrange(len(body) + 1), [""] * len(rows[0]) if rows else [])
    else:
        body.append(["checked by JB"])
    return _joined(rows[:1] + body, mark)


def _the_delimiter(text: str, rng: random.Random) -> str:
    rows, mark = _split(text)
    return _joined(rows, rng.choice([other for other in ",;\t|" if other != mark]))


def _the_line_ends(text: str, rng: random.Random) -> str:
    return text.replace("\n", rng.choice(("\r\n", "\r", "\n\n")))


def _cut_off(text: str, rng: random.Random) -> str:
    return text[: rng.randrange(len(text) + 1)]


def _junk_inside(text: str, rng: random.Random) -> str:
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(text) + 1)
        text = text[:at] + rng.choice(_JUNK) + text[at + rng.choice((0, 0, 1, 3, 10, 40)) :]
    return text


# --- a study file ---------------------------------------------------------------------------------------------


def _a_value(text: str, rng: random.Random) -> str:
    lines = text.splitlines()
    keys = [i for i, line in enumerate(lines) if "=" in line]
    if keys:
        at = rng.choice(keys)
        lines[at] = f"{lines[at].split('=')[0]}= {rng.choice(_VALUES)}"
    return "\n".join(lines) + "\n"


def _a_line_gone(text: str, rng: random.Random) -> str:
    lines = text.splitlines()
    if lines:
        del lines[rng.randrange(len(lines))]
    return "\n".join(lines) + "\n"


def _a_line_more(text: str, rng: random.Random) -> str:
    lines = text.splitlines()
    lines.insert(rng.randrange(len(lines) + 1), rng.choice(_LINES))
    return "\n".join(lines) + "\n"


def _a_key(text: str, rng: random.Random) -> str:
    lines = text.splitlines()
    keys = [i for i, line in enumerate(lines) if "=" in line]
    if keys:
        at = rng.choice(keys)
        key = rng.choice(("count", "file", "'a b'", '"\\u0000"', "a.b.c", "dates", "x" * 200))
        lines[at] = f"{key} = {lines[at].split('=', 1)[1]}"
    return "\n".join(lines) + "\n"


Change = Callable[[str, random.Random], str]
_OF_TABLES: tuple[Change, ...] = (
    _one_cell, _one_cell, _one_cell, _one_cell, _one_column, _dates_in_another_order, _columns_swapped, _a_column_gone,
    _the_header, _rows, _rows, _the_delimiter, _the_line_ends, _cut_off, _junk_inside,
)  # fmt: skip
_OF_STUDIES: tuple[Change, ...] = (
    _a_value, _a_value, _a_value, _a_line_gone, _a_line_more, _a_line_more, _a_key, _cut_off, _junk_inside
)  # fmt: skip
