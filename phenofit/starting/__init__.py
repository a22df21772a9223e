"""A first study file from a folder of tables: what the files show, what has to be asked, what is written.

Reading order: ``sheets`` and ``looking`` (tables, and what their cells show), ``naming`` and ``recognising`` (which
column and which table is what), ``questions``, ``catch_questions`` and ``place_questions`` (what is stated and what is
asked), ``prepare`` (all of it), ``writing`` (the study file and the tables to be filled in).
"""

from phenofit.starting.prepare import STUDY_FILE, Prepared, prepare, prepare_empty
from phenofit.starting.questions import Answers, Question
from phenofit.starting.sheets import Sheet, find_files, read_sheets
from phenofit.starting.writing import refuse_existing, write_new

__all__ = [
    "STUDY_FILE",
    "Answers",
    "Prepared",
    "Question",
    "Sheet",
    "find_files",
    "prepare",
    "prepare_empty",
    "read_sheets",
    "refuse_existing",
    "write_new",
]
