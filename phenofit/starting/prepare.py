"""From the files and the answers to the text of a new study, or to the questions that are still open."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from phenofit.starting.catch_questions import settle_catches, species_name
from phenofit.starting.place_questions import ask_unit, settle_traps, settle_weather
from phenofit.starting.questions import Answers, Interview, Question
from phenofit.starting.recognising import recognise
from phenofit.starting.sheets import Sheet
from phenofit.starting.writing import empty_files, study_files

STUDY_FILE = "study.toml"


@dataclass(frozen=True)
class Prepared:
    """What the files and the answers give.

    Attributes
    ----------
    facts : tuple of str
        What the files show, one sentence each.
    questions : tuple of Question
        What is still open; empty if the study is ready.
    unused : tuple of str
        Names of answers to which there was no question so far.
    files : mapping of str to str
        Name and text of each file to be written, the study file last; empty while questions are open.
    to_fill : tuple of str
        The files among them that have to be filled in by hand.
    """

    facts: tuple[str, ...]
    questions: tuple[Question, ...]
    unused: tuple[str, ...]
    files: Mapping[str, str] = field(default_factory=dict)
    to_fill: tuple[str, ...] = ()


def prepare(
    sheets: Sequence[Sheet], answers: Answers, *, folder: Path, weather_files: Sequence[str] = ()
) -> Prepared:
    """Return the new study as far as files and answers settle it.

    Parameters
    ----------
    sheets : sequence of Sheet
        The tables, see :func:`phenofit.starting.sheets.read_sheets`.
    answers : mapping of str to tuple of str
        Answers so far, by the name of the question.
    folder : Path
        Folder of the study file; files there keep their names.
    weather_files : sequence of str
        Files of gridded or archived weather, as the study file writes them.

    Returns
    -------
    Prepared

    Raises
    ------
    DataError
        If an answer is not accepted, or a table cannot be what it must be.
    """
    interview = Interview(answers)
    files: Mapping[str, str] = {}
    to_fill: tuple[str, ...] = ()
    tables = recognise(interview, sheets, weather_files)
    if tables is not None:
        names = {name: free_name(folder, name) for name in ("traps", "weather", "stations")}
        positions = tables.traps.looks.values() if tables.traps is not None else ()
        trap_texts = {text.casefold() for look in positions for text in look.distinct}
        parts = interview.part(), interview.part()
        catches = settle_catches(parts[0], tables.catches, trap_texts)
        traps = settle_traps(parts[0], tables, catches, names["traps"]) if catches is not None else None
        weather = settle_weather(parts[1], tables, (names["weather"], names["stations"]))
        interview.open = [question for part in parts for question in part.open]
        if catches is not None and traps is not None and weather is not None and not interview.open:
            files, to_fill = study_files(folder.resolve().name, catches, traps, weather)
    return _prepared(interview, files, to_fill)


def prepare_empty(answers: Answers, *, folder: Path) -> Prepared:
    """Return a study of empty tables, to be filled in.

    Parameters
    ----------
    answers : mapping of str to tuple of str
        Answers so far: ``study.species`` and ``weather.unit``.
    folder : Path
        Folder of the study file.

    Returns
    -------
    Prepared
    """
    interview = Interview(answers)
    species = interview.ask(Question("study.species", "Which moth do you trap?", read=species_name))
    unit = ask_unit(interview, ())
    if species is None or unit is None:
        return _prepared(interview, {}, ())
    files = empty_files(folder.resolve().name, species, unit)
    return _prepared(interview, files, tuple(name for name in files if name != STUDY_FILE))


def _prepared(interview: Interview, files: Mapping[str, str], to_fill: tuple[str, ...]) -> Prepared:
    unused = tuple(name for name in interview.answers if name not in interview.used)
    return Prepared(tuple(interview.facts), tuple(interview.open), unused, files, to_fill)


def free_name(folder: Path, stem: str) -> str:
    """Return a name of a table that no file of the folder has."""
    number = 1
    while (folder / (name := f"{stem}.csv" if number == 1 else f"{stem}-{number}.csv")).exists():
        number += 1
    return name
