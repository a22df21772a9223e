"""One invented set of catches in many forms; each form is a file and the ``[catches]`` table that reads it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
import openpyxl

from tests.study.studies import STATIONS, STUDY, WEATHER, write_study
from tests.workbooks import active

PLOTS, LURES, YEARS = ("P1", "P2"), ("red", "blue"), (2023, 2024)
TRAPS = "trap,latitude,longitude,elevation_m\n" + "".join(
    f"{plot} {lure},{44.1 + 0.1 * i:.2f},-98.15,400\n" for i, plot in enumerate(PLOTS) for lure in LURES
)
# The first Sunday of June in each year, by the calendar.
FIRST = {2023: dt.date(2023, 6, 4), 2024: dt.date(2024, 6, 2)}


@dataclass(frozen=True)
class Catch:
    """One cell of the field sheets."""

    plot: str
    lure: str
    date: dt.date
    text: str


def _records() -> list[Catch]:
    rng = np.random.default_rng(3)
    found: list[Catch] = []
    for year in YEARS:
        for plot in PLOTS:
            for lure in LURES:
                for week in range(7):
                    count = int(rng.poisson([0, 2, 7, 12, 5, 1, 0][week]))
                    text = {11: "", 17: "lost"}.get(len(found), str(count))
                    found.append(Catch(plot, lure, FIRST[year] + dt.timedelta(days=7 * week), text))
    return found


RECORDS = _records()
MOTHS = sum(int(c.text) for c in RECORDS if c.text.isdigit())
CLEAN = 'file = "catches.csv"\ndates = "year-first"\nblank = "not checked"\n'


def clean_text() -> str:
    """Return the catches as a clean long table."""
    return "trap,date,count\n" + "".join(f"{c.plot} {c.lure},{c.date},{c.text}\n" for c in RECORDS)


def weather() -> str:
    """Return the weather of both years."""
    before = [line.replace(",2024-", ",2023-") for line in WEATHER.splitlines() if ",2024-02-29," not in line]
    return WEATHER + "\n".join(before[1:]) + "\n"


def study_with(folder: Path, catches: str, more: str = "") -> Path:
    """Write a study whose ``[catches]`` is this text; the file of the catches is already there, or the clean one."""
    head, _, rest = STUDY.partition("[catches]\n")
    tail = rest[rest.index("\n[") :]
    study = f"{head}[catches]\n{catches}{tail}{more}"
    return write_study(
        folder, study=study, traps=TRAPS, catches=clean_text(), stations=STATIONS, weather=weather()
    )


K = TypeVar("K")


def _rows(key: Callable[[Catch], K]) -> dict[K, list[Catch]]:
    found: dict[K, list[Catch]] = {}
    for catch in RECORDS:
        found.setdefault(key(catch), []).append(catch)
    return found


def _save(folder: Path, lines: list[list[str]], between: str = ",", encoding: str = "utf-8") -> None:
    width = max(map(len, lines))
    text = "\n".join(between.join([*line, *[""] * (width - len(line))]) for line in lines)
    (folder / "field.csv").write_bytes(f"{text}\n".encode(encoding))


def _number(text: str) -> int | str | None:
    return int(text) if text.isdigit() else text or None


def long_with(write: Callable[[dt.date], str], keys: str, *, year: bool = False) -> Callable[[Path], str]:
    """Return a form: a long table whose dates are written in one way."""

    def form(folder: Path) -> str:
        lines = [["Plot", "Lure", "When", *(["Year"] if year else []), "n"]]
        for c in RECORDS:
            lines.append([c.plot, c.lure, write(c.date), *([str(c.date.year)] if year else []), c.text])
        _save(folder, lines)
        more = '\nyear = "Year"' if year else ""
        return (
            f'file = "field.csv"\n{keys}\nblank = "not checked"\n[catches.columns]\ntrap = ["Plot", "Lure"]\n'
            f'date = "When"\ncount = "n"{more}\n'
        )

    return form


def sheet_per_year(folder: Path) -> str:
    """A workbook with a sheet per year and a column per date, written without its year."""
    book = openpyxl.Workbook()
    book.remove(active(book))
    for year in YEARS:
        sheet = book.create_sheet(str(year))
        dates = sorted({c.date for c in RECORDS if c.date.year == year})
        sheet.append([f"Catches {year}"])
        sheet.append(["Plot", "Lure", *(f"{d.month}/{d.day}" for d in dates), "Total"])
        for (plot, lure), catches in _rows(lambda c: (c.plot, c.lure)).items():
            mine = [c for c in catches if c.date.year == year]
            sheet.append([plot, lure, *(_number(c.text) for c in mine), 99])
        sheet.append(["Total", None, *(1000 for _ in dates), 99])
        sheet.append([])
        sheet.append(["counted by J. B."])
    book.save(folder / "field.xlsx")
    return (
        'file = "field.xlsx"\nsheets = "all"\ndates = "month-first"\nblank = "not checked"\n'
        '[catches.columns]\ntrap = ["Plot", "Lure"]\nyear = "<sheet>"\n[catches.wide]\nheaders = "date"\n'
    )


def date_cells(folder: Path) -> str:
    """A workbook of date cells with a title, a column without a name, and an error in a column that is not used."""
    book = openpyxl.Workbook()
    sheet = active(book)
    sheet.title = "data"
    sheet.append(["Moths, both years"])
    sheet.append(["Trap", "Day", "n", None, "per night"])
    for c in RECORDS:
        sheet.append([f"{c.plot} {c.lure}", c.date, _number(c.text), "x", "#DIV/0!"])
    for cell in sheet["E"][2:]:
        cell.data_type = "e"
    book.create_sheet("empty")
    book.save(folder / "field.xlsx")
    return (
        'file = "field.xlsx"\nsheet = "data"\ndates = "day-first"\nblank = "not checked"\n'
        '[catches.columns]\ntrap = "Trap"\ndate = "Day"\ncount = "n"\n'
    )


def serial_numbers(folder: Path) -> str:
    """A workbook whose dates are plain day numbers."""
    book = openpyxl.Workbook()
    active(book).append(["trap", "date", "count"])
    for c in RECORDS:
        # Day 45000 of the 1900 system is 15 March 2023 (common practice, no source).
        number = 45000 + (c.date - dt.date(2023, 3, 15)).days
        active(book).append([f"{c.plot} {c.lure}", number, _number(c.text)])
    book.save(folder / "field.xlsx")
    return 'file = "field.xlsx"\ndates = "serial-1900"\nblank = "not checked"\n'


def column_per_date(folder: Path) -> str:
    """Semicolons, a column per date with its year, dates day first."""
    dates = sorted({c.date for c in RECORDS})
    lines = [["Ort", "Köder", *(d.strftime("%d.%m.%Y") for d in dates), "Summe"]]
    for (plot, lure), catches in _rows(lambda c: (c.plot, c.lure)).items():
        lines.append([plot, lure, *(c.text for c in catches), "7"])
    _save(folder, lines, ";", "windows-1252")
    return (
        'file = "field.csv"\nencoding = "windows-1252"\ndates = "day-first"\nblank = "not checked"\n'
        '[catches.columns]\ntrap = ["Ort", "Köder"]\n[catches.wide]\nheaders = "date"\ncolumns = "dates"\n'
    )


def column_per_lure(folder: Path) -> str:
    """A row per plot and date, a column per lure."""
    lines = [["Plot", "Date", *LURES]]
    for (plot, date), catches in _rows(lambda c: (c.plot, c.date)).items():
        lines.append([plot, f"{date:%d%b%Y}".upper(), *(c.text for c in catches)])
    _save(folder, lines, "\t", "utf-16")
    return (
        'file = "field.csv"\ndates = "month-first"\nblank = "not checked"\n[catches.columns]\n'
        'trap = ["Plot", "<header>"]\ndate = "Date"\n[catches.wide]\nheaders = "part"\ncolumns = ["red", "blue"]\n'
    )


def column_per_trap(folder: Path) -> str:
    """A row per date, a column per trap, with totals."""
    names = list(_rows(lambda c: f"{c.plot} {c.lure}"))
    lines = [["Date", *names, "All"]]
    for date, catches in _rows(lambda c: c.date).items():
        lines.append([f"{date:%m/%d/%y}", *(c.text for c in catches), "55"])
    lines.append(["Total", *["200" for _ in names], "800"])
    _save(folder, lines)
    return (
        'file = "field.csv"\ndates = "month-first"\nblank = "not checked"\n'
        '[catches.wide]\nheaders = "trap"\nleave_out = ["All"]\n'
    )


def block_per_year(folder: Path) -> str:
    """Blocks that begin with their year, each with its own header of dates."""
    lines = []
    for year in YEARS:
        dates = sorted({c.date for c in RECORDS if c.date.year == year})
        lines += [[str(year)], ["Plot", "Lure", *(f"{d:%d-%b}" for d in dates)]]
        for (plot, lure), catches in _rows(lambda c: (c.plot, c.lure)).items():
            lines.append([plot, lure, *(c.text for c in catches if c.date.year == year)])
        lines.append([])
    _save(folder, lines)
    return (
        'file = "field.csv"\ndates = "day-first"\nblank = "not checked"\n[catches.columns]\n'
        'trap = ["Plot", "Lure"]\nyear = "<block>"\n[catches.wide]\nheaders = "date"\nblocks = true\n'
    )


def block_per_trap(folder: Path) -> str:
    """A long table in blocks that begin with the trap, below one header."""
    lines = [["Date", "Moths"]]
    for trap, catches in _rows(lambda c: f"{c.plot} {c.lure}").items():
        lines.append([trap])
        lines += [[str(c.date), c.text or "-"] for c in catches]
    _save(folder, lines)
    return (
        'file = "field.csv"\ndates = "year-first"\nblank = "not checked"\nnot_checked = ["-"]\n[catches.columns]\n'
        'trap = "<block>"\ndate = "Date"\ncount = "Moths"\n[catches.wide]\nblocks = true\n'
    )


def repeated_rows(folder: Path) -> str:
    """The clean table with some rows pasted twice."""
    lines = clean_text().splitlines()
    (folder / "field.csv").write_text("\n".join([*lines, *lines[5:9], lines[1]]) + "\n", "utf-8")
    return CLEAN.replace("catches.csv", "field.csv")


FORMS: dict[str, Callable[[Path], str]] = {
    "sheet per year": sheet_per_year,
    "date cells": date_cells,
    "serial numbers": serial_numbers,
    "column per date": column_per_date,
    "column per lure": column_per_lure,
    "column per trap": column_per_trap,
    "block per year": block_per_year,
    "block per trap": block_per_trap,
    "repeated rows": repeated_rows,
    "day of the year": long_with(lambda d: str(d.timetuple().tm_yday), 'dates = "day-of-year"', year=True),
    "week": long_with(lambda d: f"W{d.isocalendar().week}", 'dates = "week"', year=True),
    "no year": long_with(lambda d: f"{d.day}.{d.month}.", 'dates = "day-first"', year=True),
    "month in words": long_with(lambda d: f"{d:%d%b%Y}".upper(), 'dates = "year-first"'),
    "year, month in words": long_with(lambda d: f"{d:%Y %B %d}", 'dates = "month-first"'),
    "serial numbers of 1904": long_with(
        lambda d: str((d - dt.date(1904, 1, 1)).days), 'dates = "serial-1904"'
    ),
}
