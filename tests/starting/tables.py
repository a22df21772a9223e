"""Tables as the evidence functions see them."""

from __future__ import annotations

from pathlib import Path

from phenofit.starting import Answers, Prepared, Sheet, find_files, prepare, read_sheets


def sheet_of(folder: Path, text: str, name: str = "table.csv") -> Sheet:
    """Write one table and read it."""
    (folder / name).write_text(text, encoding="utf-8")
    (sheet,), _, _ = read_sheets([folder / name], folder, strict=True)
    return sheet


def prepared(folder: Path, answers: Answers | None = None) -> Prepared:
    """Look at all files of a folder."""
    sheets, weather, _ = read_sheets(find_files(folder), folder, strict=True)
    return prepare(sheets, answers or {}, folder=folder, weather_files=weather)


def evidence(found: Prepared, name: str) -> str:
    """Return the evidence of an open question."""
    (question,) = [q for q in found.questions if q.name == name]
    return " ".join(question.evidence)
