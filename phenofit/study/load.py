"""Read a study file and report everything that is wrong with it at once."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from phenofit.errors import DataError, ModelError, Problem, UnitError
from phenofit.files import read_text
from phenofit.study.faults import Lines, schema_problem, unknown_key
from phenofit.study.locate import key_lines, line_of
from phenofit.study.published_rows import published_rows
from phenofit.study.study_file import UNNAMED, Study
from phenofit.validate.thresholds.threshold import PublishedThreshold

_ROUNDS = 6
_STAND_INS: dict[tuple[str | int, ...], tuple[tuple[str, str], str]] = {
    ("catches", "blank"): (("catches", "blank"), "not checked"),
    ("catches", "dates"): (("catches", "dates"), "year-first"),
    ("weather",): (("weather", "unit"), "degC"),
    ("weather", "unit"): (("weather", "unit"), "degC"),
    ("study", "species"): (("study", "species"), UNNAMED),
}
"""Values that replace a missing or wrong declaration, only to check the tables that depend on it."""

_WORD_LISTS = ("present", "lost", "not_checked", "zero", "counted")
_NEEDED_BY_THEIR_TABLE = ("files", "service", "years", "biofix", "dates")


def load_study(path: str | os.PathLike[str]) -> Study:
    """Read a study file.

    Parameters
    ----------
    path : path-like
        The TOML file; the paths in it are relative to its folder.

    Returns
    -------
    Study
        Frozen. The tables it names are not opened yet.

    Raises
    ------
    DataError
        With every problem of the file: its line, the key, what was found, what is accepted.
    """
    study, problems = load_leniently(path)
    if problems or study is None:
        raise DataError(problems)
    return study


def load_leniently(path: str | os.PathLike[str]) -> tuple[Study | None, tuple[Problem, ...]]:
    """Read a study file; one with faults is returned as far as possible, so that its tables can be checked."""
    file, shown = Path(path), str(path)
    text = read_text(file, remedy="Name a study file, such as study.toml.")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise DataError(_syntax_problem(fault, shown)) from None
    except ValueError:  # raised by the reader of numbers itself
        raise DataError(Problem("a number has too many digits.", "Write a shorter one.", shown)) from None
    except RecursionError:
        raise DataError(Problem("the TOML is nested too deeply.", "Write flat tables.", shown)) from None
    lines = key_lines(text)
    # The model keeps the file's own path under this name; a user's key must not be taken for it.
    problems = [] if "path" not in data else [unknown_key("path", shown, lines)]
    names = _species_names(data)
    rows: tuple[PublishedThreshold, ...] = ()
    entries = data.pop("published", [])
    if names:
        count = len(entries) if isinstance(entries, list) else 0
        at = [line_of(lines, ("published", i)) for i in range(count)]
        rows, more = published_rows(entries, names, file=shown, lines=at)
        problems += more
    data.update(path=file, published=rows)
    study, more = _validated(data, shown, lines)
    problems += more
    if study is not None:
        problems += _heat_problems(study, shown, lines)
    return study, tuple(sorted(problems, key=lambda p: p.row or 0))


def _validated(data: dict[str, Any], file: str, lines: Lines) -> tuple[Study | None, list[Problem]]:
    """Return the study, if need be without its faulty keys, and the faults found by the schema."""
    problems: list[Problem] = []
    touched: set[tuple[str | int, ...]] = set()
    for _ in range(_ROUNDS):
        try:
            return Study.model_validate(data, context={"folder": Path(data["path"]).parent}), problems
        except ValidationError as fault:
            errors = [(tuple(error["loc"]), error) for error in fault.errors()]
        new = [(path, error) for path, error in errors if not _follows(path, touched)]
        problems += [schema_problem(error, file, lines) for _, error in new]
        touched |= {path for path, _ in errors}
        corrected = [_correct(data, path) for path, _ in errors]
        if not all(corrected):
            break
    return None, problems


def _follows(path: tuple[str | int, ...], touched: set[tuple[str | int, ...]]) -> bool:
    """Return whether a fault is only the consequence of removing a key that was reported already."""
    return path in touched or any((*path, key) in touched for key in _NEEDED_BY_THEIR_TABLE)


def _correct(data: dict[str, Any], path: tuple[str | int, ...]) -> bool:
    """Remove a faulty key from the data, or replace its value; return whether that changed anything."""
    if path in _STAND_INS:
        (table, key), value = _STAND_INS[path]
        inner = data.get(table)
        if not isinstance(inner, dict) or inner.get(key) == value:
            return False
        inner[key] = value
        return True
    holder: Any = data
    for part in path[:-1]:
        try:
            holder = holder[part]
        except (KeyError, IndexError, TypeError):
            return False
    if path == ("catches",) and isinstance(data.get("catches"), dict):
        gone = [data["catches"].pop(key, None) for key in _WORD_LISTS]
        return any(words is not None for words in gone)
    return isinstance(holder, dict) and bool(path) and holder.pop(path[-1], None) is not None


def _syntax_problem(fault: tomllib.TOMLDecodeError, file: str) -> Problem:
    message, _, place = str(fault).partition(" (at ")
    line = int(place.split()[1].rstrip(",)")) if place.startswith("line ") else None
    return Problem(f"this is not valid TOML: {message}.", "Write texts in quotation marks.", file, line)


def _species_names(data: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the species as far as they can be read, so that thresholds can be checked in spite of other faults."""
    head = data.get("study")
    named = head.get("species") if isinstance(head, dict) else None
    items = [named] if isinstance(named, str) else named
    if not isinstance(items, list):
        return ()
    return tuple(" ".join(item.split()) for item in items if isinstance(item, str) and item.strip())


def _heat_problems(study: Study, file: str, lines: Lines) -> list[Problem]:
    """Look at settings that are right one by one but do not go together."""
    problems: list[Problem] = []
    try:
        study.heat_settings()
    except (ModelError, UnitError) as fault:
        problems.append(Problem(str(fault), "", file, line_of(lines, ("heat", "upper")), "heat"))
    upper = study.heat.upper
    for species in () if problems else study.species:
        try:
            study.flight_model(species)
        except ModelError as fault:
            row = line_of(lines, ("flights",))
            problems.append(Problem(f"species '{species}': {fault}", "", file, row, "flights"))
        base = study.base_of(species)
        if upper is not None and isinstance(base, float) and base >= upper:
            row = line_of(lines, ("flights", "base"))
            finding = (
                f"the base {base:g} degC of '{species}' is not below the upper threshold {upper:g} degC."
            )
            problems.append(Problem(finding, "Correct one of the two.", file, row, "flights.base"))
    return problems
