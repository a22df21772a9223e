"""Faults that the schema of the study file finds, as problems with line, key and remedy."""

from __future__ import annotations

from typing import Any, get_args

from pydantic import BaseModel

from phenofit.errors import Problem
from phenofit.files.tables import nearest
from phenofit.study.locate import line_of
from phenofit.study.study_file import Study

Lines = dict[tuple[str | int, ...], int]

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


def schema_problem(error: Any, file: str, lines: Lines) -> Problem:
    """Return a fault found by the schema as a problem with its line and key."""
    path = tuple(error["loc"])
    kind, context = error["type"], error.get("ctx", {})
    key = _dotted(path)
    row = line_of(lines, path)
    if kind == "refused":
        return Problem(context["finding"], context["remedy"], file, row, key)
    if kind == "extra_forbidden":
        return unknown_key(key, file, lines, path)
    if kind == "missing":
        name = f"the table [{path[-1]}]" if len(path) == 1 else f"the key '{path[-1]}'"
        example = _EXAMPLES.get(path, "")
        remedy = f"Add it, such as {example}." if example else "Add it."
        return Problem(f"{name} is absent.", remedy, file, row, key)
    message = str(error["msg"]).removeprefix("Input should be ")
    return Problem(f"{error['input']!r} is not accepted.", f"It must be {message}.", file, row, key)


def unknown_key(key: str, file: str, lines: Lines, path: tuple[str | int, ...] = ()) -> Problem:
    """Return the problem of an unknown key; at `path`, or above all tables."""
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
