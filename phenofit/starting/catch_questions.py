"""What the cells of the catch table mean: dates, blanks, rates, words, repeats, intervals, species, season."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.text_table import HEADER, shorten
from phenofit.output_folder import name_fault
from phenofit.seasons import MonthDay
from phenofit.starting.catch_form import CatchForm, catch_form, checks_of
from phenofit.starting.date_orders import NUMBERED, date_order, dates_of
from phenofit.starting.looking import ANY_YEAR, count_words, gaps_in_days, over_new_year
from phenofit.starting.naming import LURE
from phenofit.starting.questions import NONE, Interview, Question
from phenofit.starting.sheets import Sheet, settle_encoding
from phenofit.traps.count_cells import BLANK_MEANINGS, COUNT_UNITS
from phenofit.traps.forms import START_RULES
from phenofit.traps.nightly_rates import TOLERANCE

WORD_LISTS = {
    "present": "moths were seen, but not counted",
    "lost": "the trap did not stand or its catch was spoilt",
    "not_checked": "the trap stood, but was not checked",
    "zero": "the trap was checked and held nothing",
}
_MOST_WORDS = 12


@dataclass(frozen=True)
class CatchChoices:
    """Everything that the study file says of the catches."""

    file: str
    encoding: str
    sheets: tuple[str, ...]
    form: CatchForm
    dates: str
    blank: str
    unit: str
    start: str
    duplicates: str
    words: Mapping[str, tuple[str, ...]]
    unlisted: str | None
    species: tuple[str, ...]
    season_start: str
    traps: pd.DataFrame  # Columns trap and site: the names found, with the part that names the place.
    years: tuple[int, int]


def settle_catches(interview: Interview, sheet: Sheet, trap_texts: set[str]) -> CatchChoices | None:
    """Return what the study file says of the catches; None while questions are open."""
    encoding = settle_encoding(interview, "catches", sheet)
    form = catch_form(interview, sheet, trap_texts)
    if form is None or encoding is None:
        return None
    checks = checks_of(sheet, form)
    if checks.empty:
        raise DataError(Problem("the table has no row with a check.", "Add the checks.", sheet.shown))
    # Each cell counts once: a header belongs to a whole column, and the date of several counts to a whole row.
    once = checks.drop_duplicates("header" if form.headers == "date" else "at")
    names = once["trap"].tolist() if form.headers is None else [""] * len(once)
    source = (sheet.shown, form.named("date"))
    year = ANY_YEAR if "year" in form.columns else None
    dates = date_order(interview, "catches", source, once["date"].tolist(), names, role=form.day, year=year)
    blank = _blank(interview, sheet, checks)
    words = _words(interview, sheet, checks)
    if dates is None:
        return None
    days = dates_of(checks["date"], dates, checks.get("year"))
    unit = _unit(interview, sheet, checks, days, dates)
    form, checks, duplicates = _repeats(interview, sheet, form, checks)
    form, checks = _lures(interview, sheet, form, checks)
    start = _start(interview, sheet, form, checks, days)
    species, unlisted = _species(interview, sheet, checks)
    season = _season_start(interview, checks, days)
    if interview.open or duplicates is None:
        return None
    known = days[~np.isnat(days)].astype("datetime64[Y]").astype(np.int64) + 1970
    if not known.size:
        remedy = "Correct the dates, or the column of the year."
        raise DataError(Problem(f"no date can be read {dates}.", remedy, sheet.shown))
    years = int(known.min()), int(known.max())
    places = _places(sheet, form, checks)
    return CatchChoices(
        sheet.file, encoding, sheet.sheets, form, dates, str(blank), str(unit), str(start), duplicates, words, unlisted, species,
        str(season), places, years,
    )  # fmt: skip


def _cell_place(sheet: Sheet, checks: pd.DataFrame, i: int) -> str:
    row = checks.iloc[i]
    return f"row {sheet.table.rows[int(row['at'])]} (trap '{shorten(row['trap'])}', '{shorten(row['date'])}')"


def _blank(interview: Interview, sheet: Sheet, checks: pd.DataFrame) -> str | None:
    cells = checks["count"]
    blank = np.flatnonzero(cells == "")
    zeros = int(cells.isin(["0", "0.0", "0,0"]).sum())
    choices = dict(zip(BLANK_MEANINGS, (WORD_LISTS["not_checked"], WORD_LISTS["zero"]), strict=True))
    name, text = "catches.blank", f"What does a blank count in {sheet.shown} mean?"
    if not blank.size:
        because = f"{sheet.shown}: no count is blank"
        return interview.settle(Question(name, text, choices=choices), BLANK_MEANINGS[0], because)
    evidence = (
        f"{blank.size} of {len(cells)} counts are blank; the first is in {_cell_place(sheet, checks, int(blank[0]))}.",
        f"A zero is written in {zeros} cells.",
    )
    return interview.ask(Question(name, text, evidence, choices))


def _words(interview: Interview, sheet: Sheet, checks: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    """Return the words of the counts, and of the column of the status, by their meaning."""
    meanings: dict[str, tuple[str, ...]] = {}
    for column in ("count", "status"):
        found = count_words(checks[column].tolist()) if column in checks else {}
        if len(found) > _MOST_WORDS:
            some = ", ".join(f"'{shorten(word)}'" for word in list(found)[:_MOST_WORDS])
            finding = f"{len(found)} different words are in the {column}, such as {some}."
            remedy = "Replace them by numbers, or leave the cells blank."
            raise DataError(Problem(finding, remedy, sheet.shown))
        for word, times in found.items():
            first = int(np.flatnonzero(checks[column] == word)[0])
            question = Question(
                f"catches.word.{word}",
                f"What does '{shorten(word)}' mean in {sheet.shown}?",
                (f"It is in {times} cells; the first is in {_cell_place(sheet, checks, first)}.",),
                WORD_LISTS if column == "count" else {**WORD_LISTS, "counted": "an ordinary check"},
            )
            meaning = interview.ask(question) if question.name not in interview.used else None
            if meaning is not None:
                meanings[meaning] = (*meanings.get(meaning, ()), word)
    return meanings


def _unit(
    interview: Interview, sheet: Sheet, checks: pd.DataFrame, days: np.ndarray, dates: str
) -> str | None:
    numbers = pd.to_numeric(checks["count"].str.replace(",", "."), errors="coerce").to_numpy(dtype=float)
    fractions = np.isfinite(numbers) & (numbers != np.round(numbers))
    choices = dict(
        zip(COUNT_UNITS, ("moths in the trap at the check", "moths divided by nights"), strict=True)
    )
    name, text = "catches.unit", f"Are the numbers in {sheet.shown} counts or rates?"
    if not fractions.any():
        because = (
            f"{sheet.shown}: all {int(np.isfinite(numbers).sum())} numbers are whole, so they are counts"
        )
        return interview.settle(Question(name, text, choices=choices), COUNT_UNITS[0], because)
    nights = _nights(checks, days, dates)
    some = fractions & np.isfinite(nights)
    product = numbers[some] * nights[some]
    whole = int((np.abs(product - np.round(product)) <= TOLERANCE).sum())
    first = _cell_place(sheet, checks, int(np.flatnonzero(fractions)[0]))
    share = f"{int(fractions.sum())} of {int(np.isfinite(numbers).sum())}"
    evidence = (
        f"{share} numbers have decimals; the first is in {first}.",
        f"Times the nights of their interval, {whole} of {int(some.sum())} are whole.",
    )
    return interview.ask(Question(name, text, evidence, choices))


def _nights(checks: pd.DataFrame, days: np.ndarray, dates: str) -> np.ndarray:
    """Return the nights of each check: as stated, else since the day it was set, else since the check before."""
    stated = np.full(len(checks), np.nan)
    if "nights" in checks:
        stated = pd.to_numeric(checks["nights"].str.replace(",", "."), errors="coerce").to_numpy(dtype=float)
    # A trap whose count is blank was not emptied either: the next catch is of the longer interval.
    emptied = np.where(checks["count"] == "", np.datetime64("NaT", "ns"), days)
    frame = pd.DataFrame({"trap": checks["trap"].to_numpy(), "emptied": emptied}).iloc[np.argsort(days)]
    before = frame.groupby("trap")["emptied"].transform(lambda dates: dates.shift().ffill())
    start = before.sort_index().to_numpy()
    if "set" in checks and dates not in NUMBERED:
        given = dates_of(checks["set"], dates)
        start = np.where(np.isnat(given), start, given)
    since = (days.astype("datetime64[D]") - start.astype("datetime64[D]")) / np.timedelta64(1, "D")
    return np.where(np.isnan(stated), since, stated)


def _repeats(
    interview: Interview, sheet: Sheet, form: CatchForm, checks: pd.DataFrame
) -> tuple[CatchForm, pd.DataFrame, str | None]:
    """Return form and checks, with the column that distinguishes repeated rows, and what is done with those that remain."""
    keys = [
        "trap",
        "date",
        *([key] if (key := "species") in checks else []),
        *(["year"] if "year" in checks else []),
    ]
    again = checks.duplicated(keys, keep=False)
    if not again.any() or form.headers in ("trap", "part"):
        return form, checks, "refuse"
    used = {c for theirs in form.columns.values() for c in ((theirs,) if isinstance(theirs, str) else theirs)}
    used |= set(form.counts)
    first = int(np.flatnonzero(again)[0])
    rows = sheet.table.frame.loc[checks["at"]]
    same = int(rows.duplicated(keep=False).to_numpy()[again.to_numpy()].sum()) if form.headers is None else 0
    evidence = [
        f"{int(again.sum())} rows; the first is {_cell_place(sheet, checks, first)}.",
        f"{same} of them are the same as another in every cell.",
    ]
    choices: dict[str, str] = {}
    for name, look in sheet.looks.items():
        if name in used or look.dated or look.fractions or not look.filled:
            continue
        part = sheet.table.frame[name].to_numpy()[checks["at"].to_numpy()]
        left = int(checks.assign(part=part).duplicated([*keys, "part"], keep=False).sum())
        if left < int(again.sum()):
            evidence.append(f"With '{name}' ({look.words()}) as part of the trap's name, {left} are left.")
            choices[name] = (
                "its cell becomes part of the name of the trap, so that each is a series of its own"
            )
    choices["sum"] = "they are added up"
    choices["refuse"] = "one of them is wrong; the check of the study names the rows"
    text = f"Some rows of {sheet.shown} have the same trap and date. What are they?"
    answer = interview.ask(Question("catches.duplicates", text, tuple(evidence), choices))
    if answer is None or answer in ("sum", "refuse"):
        return form, checks, answer
    return *_with_part(sheet, form, answer), "refuse"


def _with_part(sheet: Sheet, form: CatchForm, column: str) -> tuple[CatchForm, pd.DataFrame]:
    """Return form and checks with a further column as part of the name of the trap."""
    trap = form.columns["trap"]
    columns = {**form.columns, "trap": (*((trap,) if isinstance(trap, str) else trap), column)}
    form = replace(form, columns=columns)
    return form, checks_of(sheet, form)


def _lures(
    interview: Interview, sheet: Sheet, form: CatchForm, checks: pd.DataFrame
) -> tuple[CatchForm, pd.DataFrame]:
    """Return form and checks; a lure that changes within a trap may become part of its name."""
    used = set(form.counts) | {c for c in form.columns.values() if isinstance(c, str)}
    trap = form.columns.get("trap")
    found = [name for name in LURE.named(sheet, used) if len(sheet.looks[name].distinct) > 1]
    if not isinstance(trap, str) or trap not in sheet.looks or not found:
        return form, checks
    lures = sheet.table.frame[found[0]].to_numpy()[checks["at"].to_numpy()]
    kinds = checks.assign(lure=lures).groupby("trap")["lure"].nunique()
    changed = int((kinds > 1).sum())
    if not changed:
        interview.state(f"{sheet.shown}: every trap has one '{found[0]}', so it need not be part of the name")
        return form, checks
    evidence = (f"{changed} of {len(kinds)} traps have more than one; {sheet.looks[found[0]].words()}.",)
    choices = {
        found[0]: "it becomes part of the name of the trap, so that each is a series of its own",
        NONE: "it is not used",
    }
    text = f"Is '{found[0]}' in {sheet.shown} part of the name of a trap?"
    answer = interview.ask(Question("catches.lures", text, evidence, choices))
    return (form, checks) if answer in (None, NONE) else _with_part(sheet, form, str(answer))


def _start(
    interview: Interview, sheet: Sheet, form: CatchForm, checks: pd.DataFrame, days: np.ndarray
) -> str | None:
    choices = {
        START_RULES[0]: "the trap stood since the check before",
        START_RULES[1]: "the trap stood for the last night only",
    }
    text = "How long did a trap stand before a check?"
    if "set" in form.columns or "nights" in form.columns:
        return START_RULES[0]
    gaps = gaps_in_days(checks["trap"].tolist(), days)
    question = Question("catches.start", text, choices=choices)
    if gaps.size and gaps.max() == 1:
        return interview.settle(question, START_RULES[0], f"{sheet.shown}: the traps were checked every day")
    evidence: tuple[str, ...] = ("There is no column with the day on which the trap was set.",)
    if gaps.size:
        few, half, most = (int(q) for q in np.quantile(gaps, [0, 0.5, 1], method="nearest"))
        evidence += (
            f"Checks of a trap are {half} days apart at the median, {few} to {most} within a season.",
        )
    return interview.ask(replace(question, evidence=evidence))


def _species(interview: Interview, sheet: Sheet, checks: pd.DataFrame) -> tuple[tuple[str, ...], str | None]:
    """Return the species of the study, and what it means that a check lists other species only."""
    if "species" not in checks:
        name = interview.ask(Question("study.species", "Which moth was caught?", read=species_name))
        return ((name,) if name else ()), None
    rows = checks.loc[checks["species"] != "", "species"].value_counts()
    choices = {str(name): f"{count} rows" for name, count in rows.items()}
    text = "Which species is the study about?"
    question = Question("study.species", text, (), choices, several=True, read=species_name)
    if len(choices) == 1:
        return (interview.settle(question, next(iter(choices)), "there is one species"),), None
    names = interview.ask_several(question)
    if not names:
        return (), None
    visits = checks[["trap", "date"]].drop_duplicates()
    lacking = {}
    for name in names:
        own = checks[checks["species"] == name][["trap", "date"]].drop_duplicates()
        there = visits[visits["trap"].isin(own["trap"])]
        lacking[name] = len(there) - len(own)
    if not any(lacking.values()):
        return names, None
    evidence = tuple(
        f"{count} checks list other species, but not '{name}'." for name, count in lacking.items()
    )
    text = f"What does it mean that a check in {sheet.shown} does not list a species?"
    answer = interview.ask(
        Question(
            "catches.unlisted_species",
            text,
            evidence,
            {"not checked": "it was not looked for", "zero": "none was caught"},
        )
    )
    return names, answer


def species_name(text: str) -> str:
    """Return a name that files can be named after."""
    fault = name_fault(text)
    if fault is not None:
        raise ModelError(" ".join(fault))
    return text


def _season_start(interview: Interview, checks: pd.DataFrame, days: np.ndarray) -> str | None:
    text = "On which month-day does a season, and with it the sum of heat, begin?"
    question = Question("season.start", text, read=MonthDay.parse)
    turns = over_new_year(checks["trap"].tolist(), days)
    if not turns:
        because = "no trap was checked across New Year, so seasons begin with the year"
        return interview.settle(question, "01-01", because)
    months = pd.Series(days[~np.isnat(days)]).dt.month.value_counts().sort_index()
    evidence = (
        f"Traps were checked across New Year {turns} times.",
        f"Checks by month: {', '.join(f'{month}: {count}' for month, count in months.items())}.",
        'Write a month-day in a time without flights, such as "07-01".',
    )
    return interview.ask(replace(question, evidence=evidence))


def _places(sheet: Sheet, form: CatchForm, checks: pd.DataFrame) -> pd.DataFrame:
    """Return the different traps, and for each the cell that names its place."""
    theirs = form.columns.get("trap", HEADER)
    first = theirs if isinstance(theirs, str) else theirs[0]
    site = checks_of(sheet, replace(form, columns={**form.columns, "trap": first}))["trap"]
    frame = pd.DataFrame({"trap": checks["trap"].to_numpy(), "site": site.reindex(checks.index).to_numpy()})
    return frame[frame["trap"] != ""].drop_duplicates("trap", ignore_index=True)
