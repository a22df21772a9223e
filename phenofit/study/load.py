"""Read a study file and tell everything that is wrong with it at once."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from phenofit.errors import DataError, ModelError, Problem, UnitError
from phenofit.study.locate import key_lines, line_of
from phenofit.study.model import Study
from phenofit.study.published_rows import published_rows
from phenofit.tables import nearest

__all__ = ["load_study"]

_EXAMPLES: dict[tuple[str | int, ...], str] = {
    ("study",): '[study] with species = "name of the moth"',
    ("study", "species"): 'species = "name of the moth"',
    ("traps",): '[traps] with file = "traps.csv"',
    ("traps", "file"): 'file = "traps.csv"',
    ("catches",): "[catches] with file, dates and blank",
    ("catches", "file"): 'file = "catches.csv"',
    ("catches", "dates"): 'dates = "year-first" (or "month-first", "day-first"); the order is never guessed',
    ("catches", "blank"): 'blank = "not checked" (or "zero"); the meaning of an empty cell is never guessed',
    ("weather",): '[weather] with files = ["weather.csv"] and unit = "degC"',
    ("flights", "species", 0, "name"): 'name = "name of the moth"',
}


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
    file = Path(path)
    text = _read_text(file)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise DataError(_syntax_problem(fault, str(path))) from None
    lines = key_lines(text)
    # The model keeps the file's own path under this name; a user's key must not pass for it.
    stray = [] if "path" not in data else [_unknown_key("path", str(path), lines)]
    names = _species_names(data)
    entries = data.pop("published", [])
    entry_lines = [line_of(lines, ("published", i)) for i in range(len(entries))]
    rows, problems = published_rows(entries, names, file=str(path), lines=entry_lines) if names else ((), [])
    study = None
    try:
        study = Study.model_validate(
            {**data, "path": file, "published": rows}, context={"folder": file.parent}
        )
    except ValidationError as fault:
        problems = [_problem(error, str(path), lines) for error in fault.errors()] + problems
    problems += stray
    if study is not None:
        problems += _heat_problems(study, str(path), lines)
    if study is None or problems:
        raise DataError(sorted(problems, key=lambda p: p.row or 0))
    return study


def _read_text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise DataError(Problem("there is no such study file.", "Check the name.", str(file))) from None
    except IsADirectoryError:
        raise DataError(
            Problem("this is a folder.", "Name the study file in it, such as study.toml.", str(file))
        ) from None
    except UnicodeDecodeError:
        raise DataError(
            Problem("the study file is not UTF-8 text.", "Save it as UTF-8.", str(file))
        ) from None


def _syntax_problem(fault: tomllib.TOMLDecodeError, file: str) -> Problem:
    message, _, place = str(fault).partition(" (at ")
    line = int(place.split()[1].rstrip(",)")) if place.startswith("line ") else None
    return Problem(f"this is not valid TOML: {message}.", "Texts stand in quotation marks.", file, line)


def _species_names(data: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the species as far as they can be read, so that thresholds can be checked beside other faults."""
    head = data.get("study")
    named = head.get("species") if isinstance(head, dict) else None
    items = [named] if isinstance(named, str) else named
    if not isinstance(items, list):
        return ()
    return tuple(" ".join(item.split()) for item in items if isinstance(item, str) and item.strip())


def _problem(error: Any, file: str, lines: dict[tuple[str | int, ...], int]) -> Problem:
    """Return a fault found by the schema as a problem with its line and key."""
    path = tuple(error["loc"])
    kind, context = error["type"], error.get("ctx", {})
    key = _dotted(path)
    row = line_of(lines, path)
    if kind == "refused":
        return Problem(context["finding"], context["remedy"], file, row, key)
    if kind == "extra_forbidden":
        return _unknown_key(key, file, lines, path)
    if kind == "missing":
        name = f"the table [{path[-1]}]" if len(path) == 1 else f"the key '{path[-1]}'"
        example = _EXAMPLES.get(path, "")
        remedy = f"Add it, such as {example}." if example else "Add it."
        return Problem(f"{name} is absent.", remedy, file, row, key)
    message = str(error["msg"]).removeprefix("Input should be ")
    return Problem(f"{error['input']!r} is not accepted.", f"It must be {message}.", file, row, key)


def _unknown_key(
    key: str, file: str, lines: dict[tuple[str | int, ...], int], path: tuple[str | int, ...] = ()
) -> Problem:
    path = path or (key,)
    known = _known_keys(path[:-1])
    return Problem(
        f"the key '{path[-1]}' is not known.",
        f"Accepted here: {', '.join(known)}.{nearest(str(path[-1]), known)}",
        file,
        line_of(lines, path),
        key,
    )


def _dotted(path: tuple[str | int, ...]) -> str:
    text = ""
    for part in path:
        text += f" {part + 1}" if isinstance(part, int) else (f".{part}" if text else part)
    return text


def _known_keys(path: tuple[str | int, ...]) -> list[str]:
    """Return the keys that the table at a path accepts."""
    model: type[BaseModel] = Study
    for part in path:
        if isinstance(part, int):
            continue
        names = {field.alias or name: field for name, field in model.model_fields.items()}
        if part not in names:
            return []
        inner = _model_in(names[part].annotation)
        if inner is None:
            return []
        model = inner
    return [field.alias or name for name, field in model.model_fields.items() if name != "path"]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    for kind in (annotation, *get_args(annotation)):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None


def _heat_problems(study: Study, file: str, lines: dict[tuple[str | int, ...], int]) -> list[Problem]:
    """Look at settings that are right one by one but do not go together."""
    problems: list[Problem] = []
    try:
        study.heat_settings()
    except (ModelError, UnitError) as fault:
        problems.append(Problem(str(fault), "", file, line_of(lines, ("heat", "upper")), "heat"))
    upper = study.heat.upper
    for species in study.species:
        base = study.flight_settings(species).base
        if upper is not None and isinstance(base, float) and base >= upper:
            row = line_of(lines, ("flights", "base"))
            finding = (
                f"the base {base:g} degC of '{species}' is not below the upper threshold {upper:g} degC."
            )
            problems.append(Problem(finding, "Correct one of the two.", file, row, "flights.base"))
    return problems
