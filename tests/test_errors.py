"""The error tree, and what a message says: where, what, and the remedy."""

from __future__ import annotations

import inspect
import pickle

import pytest

from phenofit import errors
from phenofit.errors import DataError, MissingExtraError, PhenofitError, PhenofitWarning, Problem


def test_the_tree_drawn_at_the_top_is_the_tree() -> None:
    classes = {name: c for name, c in vars(errors).items() if inspect.isclass(c) and issubclass(c, Exception)}
    drawing = inspect.getdoc(errors) or ""
    assert set(classes) == {n for n in errors.__all__ if n.endswith("Error") or n == "PhenofitWarning"}
    for name, c in classes.items():
        assert name in drawing
        if c not in (PhenofitError, PhenofitWarning):
            assert issubclass(c, PhenofitError)
            builtin = next(b.__name__ for b in c.__mro__ if b.__module__ == "builtins")
            line = next(x for x in drawing.splitlines() if name in x)
            assert f"({builtin})" in line


@pytest.mark.parametrize(
    ("problem", "text"),
    [
        (
            Problem("found.", "Mend it.", file="c.csv", row=4, column="count"),
            "c.csv, row 4, column 'count': found. Mend it.",
        ),
        (
            Problem("found.", "Mend it.", file="study.toml", column="season.start"),
            "study.toml, column 'season.start': found. Mend it.",
        ),
        (Problem("found.", "Mend it.", file="c.csv"), "c.csv: found. Mend it."),
        (Problem("found.", "Mend it.", column="count"), "'count': found. Mend it."),
        (Problem("found.", "Mend it.", row=4), "row 4: found. Mend it."),
        (Problem("found.", ""), "found."),
    ],
)
def test_a_problem_is_one_line(problem: Problem, text: str) -> None:
    assert str(problem) == text


def test_a_data_error_carries_every_problem() -> None:
    first, second = Problem("one.", "Mend.", row=2), Problem("two.", "Mend.", row=3)
    error = DataError(iter([first, second]))
    assert error.problems == (first, second)
    assert str(error) == "2 problems:\n  row 2: one. Mend.\n  row 3: two. Mend."
    assert str(DataError(first)) == str(first)
    assert DataError("plain words").problems == (Problem("plain words", ""),)


def test_a_data_error_can_go_to_another_process() -> None:
    # Folds of a validation may run in a pool; their errors come back pickled.
    error = DataError([Problem("one.", "Mend.", row=2), Problem("two.", "Mend.", row=3)])
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
    assert again.problems == error.problems


def test_a_missing_extra_says_what_to_install() -> None:
    error = MissingExtraError("pyproj", "maps", "The error map")
    assert str(error) == (
        "The error map needs the package 'pyproj', which is not installed: "
        'pip install "phenofit-toolkit[maps]"'
    )
    assert isinstance(error, ImportError)
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
