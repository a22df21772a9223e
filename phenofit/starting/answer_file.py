"""Answers from a TOML file, whose keys are the names of the questions."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator

from phenofit.errors import DataError, Problem
from phenofit.files import read_text


def read_answers(path: str | os.PathLike[str]) -> dict[str, tuple[str, ...]]:
    """Return the answers of a file: texts, or lists of texts."""
    shown = os.fspath(path)
    text = read_text(path, remedy="Name a file of answers, such as answers.toml.")
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        remedy = 'Write name = "answer" lines, texts in quotation marks.'
        raise DataError(Problem(f"this is not valid TOML: {fault}.", remedy, shown)) from None
    answers: dict[str, tuple[str, ...]] = {}
    problems: list[Problem] = []
    for name, value in _flat(data, ""):
        items = value if isinstance(value, list) else [value]
        if not items or not all(isinstance(item, str) for item in items):
            problems.append(
                Problem(
                    f"{value!r} is no text or list of texts.",
                    "Write it in quotation marks.",
                    shown,
                    column=name,
                )
            )
        # A blank text is a question not answered yet.
        elif items != [""]:
            answers[name] = tuple(str(item) for item in items)
    if problems:
        raise DataError(problems)
    return answers


def _flat(data: dict[str, object], prefix: str) -> Iterator[tuple[str, object]]:
    """Yield each key with the keys of the tables around it, dots between them."""
    for key, value in data.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value
