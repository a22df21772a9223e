"""``phenofit init FOLDER``: look at the tables, ask what they do not show, write a study file and check it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.commands import check

if TYPE_CHECKING:
    from phenofit.starting import Prepared, Question


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    what = "a folder of tables (its subfolders are not searched), or the files themselves"
    parser.add_argument("paths", nargs="+", type=Path, metavar="FOLDER|FILE", help=what)
    what = "folder to write the study into (default: the folder, or that of the first file)"
    parser.add_argument("--out", type=Path, metavar="DIR", help=what)
    what = "write a study of empty tables with an example row each, to be filled in (as in an empty folder)"
    parser.add_argument("--empty", action="store_true", help=what)
    what = "answers in a TOML file, by the names of the questions"
    parser.add_argument("--answers", type=Path, metavar="FILE", help=what)
    what = "one answer, such as catches.blank=zero; repeat it for further ones"
    parser.add_argument("--answer", action="append", default=[], metavar="NAME=VALUE", help=what)


def run(args: argparse.Namespace) -> int:
    """Write the study and return what its check returns; write nothing while a question is open."""
    from phenofit.output_folder import check_writable
    from phenofit.starting import STUDY_FILE, refuse_existing, write_new

    folder, files, strict = _places(args)
    study = folder / STUDY_FILE
    refuse_existing([study])
    check_writable(study)
    answers = _given(args)
    given = tuple(answers)
    prepared = _settled(folder, files, strict, answers)
    _refuse_unused(prepared, given)
    write_new(folder, prepared.files)
    print(f"written: {', '.join(str(folder / name) for name in prepared.files)}")
    for name in prepared.to_fill:
        print(f"to be filled in: {folder / name}")
    if not files:
        print(f"next: phenofit check {study}")
        return 0
    sys.stdout.flush()
    code = _check(study)
    sys.stderr.flush()
    print(f"next: phenofit {'run' if code == 0 else 'check'} {study}")
    return code


def _places(args: argparse.Namespace) -> tuple[Path, list[Path], bool]:
    """Return the folder of the study, the files to look at, and whether each of them must be a table."""
    from phenofit.errors import DataError, ModelError, Problem
    from phenofit.files import require_regular
    from phenofit.starting import find_files

    first: Path = args.paths[0]
    folders = [path for path in args.paths if path.is_dir()]
    if args.empty:
        if len(args.paths) > 1 or (first.exists() and not folders):
            raise ModelError("--empty takes one folder and no files.")
        return args.out or first, [], False
    if folders and len(args.paths) > 1:
        raise ModelError(f"'{folders[0]}' is a folder; name one folder, or files only.")
    if not folders:
        remedy = "Check the name; for a new folder with empty tables, add --empty."
        files = [require_regular(path, remedy=remedy) for path in args.paths]
        return args.out or first.parent, files, True
    files = find_files(first)
    if not files and any(first.iterdir()):
        remedy = "Name the files, or start from empty tables with --empty."
        raise DataError(Problem("the folder holds no tables.", remedy, str(first)))
    return args.out or first, files, False


def _given(args: argparse.Namespace) -> dict[str, tuple[str, ...]]:
    """Return the answers of the file and of the options."""
    from phenofit.errors import ModelError
    from phenofit.starting.answer_file import read_answers

    answers = read_answers(args.answers) if args.answers is not None else {}
    for text in args.answer:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise ModelError(f"--answer '{text}' is no name and value, such as catches.blank=zero.")
        if name.strip() in answers:
            raise ModelError(f"--answer: '{name.strip()}' is answered twice.")
        answers[name.strip()] = tuple(part.strip() for part in value.split(","))
    return answers


def _settled(folder: Path, files: list[Path], strict: bool, answers: dict[str, tuple[str, ...]]) -> Prepared:
    """Ask until all is answered; without a terminal, refuse with the questions that are open."""
    from phenofit.starting import prepare, prepare_empty, read_sheets

    sheets, weather, aside = read_sheets(files, folder, strict=strict)
    for line in aside:
        print(line)
    said: list[str] = []
    while True:
        if not files:
            prepared = prepare_empty(answers, folder=folder)
        else:
            prepared = prepare(sheets, answers, folder=folder, weather_files=weather)
        _print_facts([fact for fact in prepared.facts if fact not in said])
        said += prepared.facts
        if not prepared.questions:
            return prepared
        if not sys.stdin.isatty():
            raise _unanswered(prepared)
        question = prepared.questions[0]
        answers[question.name] = _ask(question)


def _print_facts(facts: Sequence[str]) -> None:
    """Print what the files show, grouped by file."""
    before = ""
    for fact in facts:
        file, mark, text = fact.partition(": ")
        if not mark:
            print(fact)
        elif file == before:
            print(f"  {text}")
        else:
            print(f"{file}:\n  {text}")
        before = file


def _unanswered(prepared: Prepared) -> Exception:
    from phenofit.errors import ModelError

    count = len(prepared.questions)
    head = f"{count} question{'s have' if count > 1 else ' has'} no answer; nothing was written."
    more = "Answer in a file such as this, and give it with --answers FILE. Further questions may follow."
    unused = [f"No question so far has the name '{name}'." for name in prepared.unused]
    blocks = [question.as_toml() for question in prepared.questions]
    return ModelError("\n\n".join([" ".join([head, *unused, more]), *blocks]))


def _refuse_unused(prepared: Prepared, given: tuple[str, ...]) -> None:
    from phenofit.errors import ModelError

    unused = [name for name in prepared.unused if name in given]
    if unused:
        raise ModelError(
            f"no question has the name '{unused[0]}'; leave the answer out. Nothing was written."
        )


def _ask(question: Question) -> tuple[str, ...]:
    """Ask one question in the terminal until its answer is accepted."""
    from phenofit.errors import ModelError

    print(f"\n{question.text}")
    for line in question.evidence:
        print(f"  - {line}")
    choices = list(question.choices)
    for number, (answer, what) in enumerate(question.choices.items(), start=1):
        print(f"  {number}) {answer}" + (f": {what}" if what else ""))
    many = ", several with commas between them" if question.several else ""
    prompt = f"{question.name} (number or name{many}): " if choices else f"{question.name}: "
    while True:
        try:
            text = input(prompt)
        except EOFError:
            raise ModelError("the input ended before all was answered; nothing was written.") from None
        given = _chosen(text, question.choices, question.several)
        fault = question.fault(given)
        if fault is None:
            return given
        print(fault)


def _chosen(text: str, choices: Mapping[str, str], several: bool) -> tuple[str, ...]:
    """Return the answers in a line: names, or numbers of choices where no choice has such a name."""
    whole = text.strip()
    parts = [whole] if whole in choices or not several else [part.strip() for part in whole.split(",")]
    listed = list(choices)
    found = []
    for part in parts:
        numbered = part.isascii() and part.isdigit() and part not in choices and 1 <= int(part) <= len(listed)
        found.append(listed[int(part) - 1] if numbered else part)
    return tuple(found)


def _check(study: Path) -> int:
    parser = argparse.ArgumentParser()
    check.configure(parser)
    return check.run(parser.parse_args([str(study)]))
