"""Mutated studies through `check` and `fit`: exit code 0 or 2, one account to the last moth, never a traceback.

The figures of a full run come from ``python -m tests.corpus.fuzz --check 20000 --fit 500``. Every case follows from
its number alone, so that ``--only NUMBER`` repeats one; ``--keep DIR`` keeps the files of those that fail.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import io
import multiprocessing
import re
import shutil
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from phenofit.cli import main as phenofit
from phenofit.traps import CountWords
from tests.corpus import catch_cases, place_cases, study_cases, table_cases
from tests.corpus.case import SOUND as PLAIN
from tests.corpus.case import Case, Files
from tests.corpus.mutations import mutate
from tests.study.studies import CATCHES, STATIONS, STUDY, TRAPS, WEATHER

_ACCOUNT = re.compile(r"^(?P<who>\S.*): (?P<moths>\d+) moths? in (?P<checks>\d+) checks? of (?P<file>.+)$")
_PART = re.compile(r"^  [^:]+: (?:(?P<moths>\d+) moths? in )?(?P<checks>\d+) checks?")
_NOT_USED = re.compile(r"(?P<sum>\d+) moths are not used|other species with (?P<other>\d+) moths")
"""What the notes say of moths that no account holds."""

LONGEST_SECONDS = 10.0


def _european() -> dict[str, str]:
    """Return the same study as a spreadsheet of another country writes it, with words, effort and thousands."""
    rows = [line.split(",") for line in CATCHES.splitlines()[1:]]
    lines = ["Falle;Datum;Anzahl;effort;status"]
    for i, (trap, day, count) in enumerate(rows):
        year, month, date = day.split("-")
        number = f"1.{int(count):03d}" if i == 6 else ">3" if i == 7 else count
        lines.append(
            f"{trap};{date}.{month}.{year};{number};{'1,5' if i % 2 else '2'};{'ok' if i % 3 else ''}"
        )
    lines += ["A;29.06.2024;lost;1;lost", "A;06.07.2024;T;1;", "A;13.07.2024;;1;", "B;24.12.2024;7;1;"]
    study = STUDY.replace('dates = "year-first"', 'dates = "day-first"\nthousands = "."', 1)
    columns = '[catches.columns]\ntrap = "Falle"\ndate = "Datum"\ncount = "Anzahl"\n\n[weather]'
    return {
        "study": study.replace("[weather]", columns, 1),
        "traps": TRAPS.replace(",", ";").replace(".", ","),
        "catches": "\n".join(lines) + "\n",
        "stations": STATIONS,
        "weather": WEATHER,
    }


def _with_biofix() -> dict[str, str]:
    """Return the same study with a biofix, set dates and rows of one date that are added up."""
    study = STUDY.replace(
        'start = "01-01"\nend', 'start = "biofix"\nbiofix = "biofix.csv"\ndates = "year-first"\nend', 1
    )
    study = study.replace(
        'blank = "not checked"', 'blank = "zero"\nduplicates = "sum"\nfirst_interval_days = 7', 1
    )
    catches = CATCHES.replace("count\n", "count,set\n").replace(",0\n", ",0,2024-05-25\n")
    catches = "\n".join(line if line.count(",") == 3 else f"{line}," for line in catches.splitlines())
    return {
        "study": study,
        "traps": TRAPS,
        "catches": f"{catches}\nA,2024-06-22,4,\nB,2024-06-29,,\n",
        "stations": STATIONS,
        "weather": WEATHER,
        "biofix": "site,date\nA,2024-05-20\nB,2024-05-22\nC,2024-06-03\n",
    }


def _odd(case: Case) -> dict[str, str] | None:
    """Return the files of a case that is accepted; None where they are no text, or count rates."""
    files: Files = dict(PLAIN)
    for edit in case.edits:
        edit(files)
    texts = {name.split(".")[0]: text for name, text in files.items() if isinstance(text, str)}
    plain = len(texts) == len(files) and "per night" not in texts["study"]
    return texts if plain and not case.where else None


_CASES = (*catch_cases.CASES, *place_cases.CASES, *study_cases.CASES, *table_cases.CASES)
SOUND: tuple[dict[str, str], ...] = (
    {"study": STUDY, "traps": TRAPS, "catches": CATCHES, "stations": STATIONS, "weather": WEATHER},
    _european(),
    _with_biofix(),
    *(texts for case in _CASES if (texts := _odd(case)) is not None),
)
"""Studies that are in order, before anything is changed in them."""


@dataclass
class Outcome:
    """What came of one mutated study.

    Attributes
    ----------
    number : int
        Of the case.
    command : str
        ``check`` or ``fit``.
    code : int
        Exit code.
    changed : tuple of str
        What was changed, in words.
    faults : list of str
        What must not be; empty where all is well.
    seconds : float
        How long it took, of the processor.
    """

    number: int
    command: str
    code: int
    changed: tuple[str, ...]
    faults: list[str] = field(default_factory=list)
    seconds: float = 0.0


def run_case(number: int, command: str, keep: Path | None = None) -> Outcome:
    """Write one mutated study, run a command on it, and look at what it says."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files, changed = mutate(SOUND[number % len(SOUND)], number)
        for file, raw in files.items():
            (folder / file).write_bytes(raw)
        out, err = io.StringIO(), io.StringIO()
        begun = time.process_time()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = phenofit([command, str(folder / "study.toml")])
        outcome = Outcome(number, command, code, changed, seconds=time.process_time() - begun)
        _look(outcome, folder, out.getvalue(), err.getvalue())
        if outcome.faults and keep is not None:
            shutil.copytree(folder, keep / f"{command}-{number}", dirs_exist_ok=True)
            said = "\n".join([*changed, *outcome.faults, out.getvalue(), err.getvalue()])
            (keep / f"{command}-{number}" / "said.txt").write_text(said, encoding="utf-8")
    return outcome


def _look(outcome: Outcome, folder: Path, out: str, err: str) -> None:
    """Collect what is wrong with an outcome."""
    wrong = outcome.faults
    if outcome.code not in (0, 2):
        wrong.append(f"exit code {outcome.code}: {err.strip()[:300]}")
    if "Traceback" in out + err or "internal error" in err:
        wrong.append(f"a traceback: {err.strip()[:300]}")
    if outcome.command == "check" and outcome.seconds > LONGEST_SECONDS:
        wrong.append(f"it took {outcome.seconds:.0f} s")
    if outcome.code == 2 and not err.strip():
        wrong.append("exit code 2 without a word")
    if outcome.code == 2 and len(err) > 20_000:
        wrong.append(f"a message of {len(err)} characters")
    if outcome.code != 0:
        return
    accounts = _accounts(out)
    if not accounts:
        wrong.append("exit code 0 without an account of the catches")
        return
    for whole, parts in accounts:
        if whole != (sum(m for m, _ in parts), sum(c for _, c in parts)):
            wrong.append(f"the account does not add up: {whole} and {parts}")
    counted = sum(whole[0] for whole, _ in accounts)
    notes = "\n".join(line for line in out.splitlines() if line.startswith("note:"))
    aside = sum(int(found["sum"] or found["other"]) for found in _NOT_USED.finditer(notes))
    own = moths_in_file(folder)
    if own != counted + aside:
        wrong.append(f"{own} moths in the file; {counted} in the account and {aside} in the notes")


def _accounts(out: str) -> list[tuple[tuple[int, int], list[tuple[int, int]]]]:
    """Return moths and checks of each account: of the whole, and of its parts."""
    found: list[tuple[tuple[int, int], list[tuple[int, int]]]] = []
    inside = False
    for line in out.splitlines():
        head, part = _ACCOUNT.match(line), _PART.match(line)
        if head:
            found.append(((int(head["moths"]), int(head["checks"])), []))
        elif inside and part:
            found[-1][1].append((int(part["moths"] or 0), int(part["checks"])))
        inside = bool(head) or (inside and bool(part))
    return found


def moths_in_file(folder: Path) -> int:
    """Count the moths of the catch table of a study; written anew here, so that it shares no rule with the reader."""
    part = tomllib.loads((folder / "study.toml").read_bytes().decode("utf-8-sig"))["catches"]
    raw = (folder / part["file"]).read_bytes()
    text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    lines = io.StringIO(text, newline="").read()
    filled = [line for line in lines.splitlines() if line.strip() and not line.startswith("#")]
    # A title above the header has one cell.
    start = next((line for line in filled if any(mark in line for mark in ",;\t|")), filled[0])
    rows = list(
        csv.reader(
            io.StringIO(lines[lines.index(start) :], newline=""), delimiter=max(",;\t|", key=start.count)
        )
    )
    names = [" ".join(name.replace("\ufeff", "").split()).casefold() for name in rows[0]]
    at = names.index(str(part.get("columns", {}).get("count", "count")).casefold())
    plain = CountWords()
    present = {word.casefold() for word in _listed(part.get("present", plain.present))}
    return sum(_moths(row[at], part.get("thousands", ""), present) for row in rows[1:] if len(row) > at)


def _listed(value: str | Iterable[str]) -> list[str]:
    return [value] if isinstance(value, str) else list(value)


def _moths(cell: str, separator: str, present: set[str]) -> int:
    """Return the moths that a cell reports, 0 where it reports none."""
    plain = " ".join(re.sub("[\ufeff\u200b-\u200d\u2060]", "", cell).split())
    if plain.casefold() in present:
        return 1
    plain = plain.strip(">≥=+ ")
    if separator:
        plain = plain.replace(separator, "")
    head, _, tail = plain.replace(",", ".").partition(".")
    return int(head) if head.isdecimal() and not tail.strip("0") else 0


def run_many(
    numbers: Sequence[int], command: str, *, processes: int = 1, keep: Path | None = None
) -> list[Outcome]:
    """Run many cases, on several processes where asked; the outcomes do not depend on how many."""
    tasks = [(number, command, keep) for number in numbers]
    if processes == 1:
        return [run_case(*task) for task in tasks]
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        return pool.starmap(run_case, tasks, chunksize=20)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the cases that are asked for, say what came of them, and return 1 where one failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.corpus.fuzz", description=__doc__)
    parser.add_argument("--check", type=int, default=20_000, help="studies through `check`")
    parser.add_argument("--fit", type=int, default=500, help="studies through `fit`")
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--only", type=int, help="one case, by its number")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--keep", type=Path, help="folder for the files of cases that fail")
    asked = parser.parse_args(argv)
    failed = 0
    for command, number in (("check", asked.check), ("fit", asked.fit)):
        cases = (
            range(asked.first, asked.first + number) if asked.only is None else [asked.only] * bool(number)
        )
        found = run_many(list(cases), command, processes=asked.processes, keep=asked.keep)
        codes = Counter(outcome.code for outcome in found)
        listed = ", ".join(f"{count} with exit code {code}" for code, count in sorted(codes.items()))
        sys.stdout.write(
            f"{command}: {len(found)} mutated studies, {listed or 'none'}; every moth of the file in the account or a note; "
            f"the longest took {max((outcome.seconds for outcome in found), default=0.0):.1f} s\n"
        )
        for outcome in found:
            for fault in outcome.faults:
                failed += 1
                sys.stdout.write(f"  case {outcome.number} ({'; '.join(outcome.changed)}): {fault}\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
