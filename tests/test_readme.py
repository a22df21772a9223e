"""What README.md and DEVELOPERS.md promise: the commands, the session, the links, the names."""

from __future__ import annotations

import doctest
import re
import tomllib
from pathlib import Path

import pytest

from phenofit.analysis.outputs import FLIGHT_COLUMNS
from phenofit.cli.command_list import COMMANDS
from phenofit.heat import CUTOFFS, METHODS
from phenofit.study.fields import Part
from phenofit.study.record_sections import CatchesPart, WidePart
from phenofit.study.study_file import Study
from phenofit.validate.thresholds.published_table import PUBLISHED_COLUMNS, load_published

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text("utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8")
CHECKS = (ROOT / ".ci" / "run").read_text("utf-8")
WORKFLOWS = "\n".join(
    one.read_text("utf-8") for one in sorted((ROOT / ".github" / "workflows").glob("*.yml"))
)


def _blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of one language; the empty language are those that name none."""
    found = re.findall(r"^```(\w*)\n(.*?)^```$", text, flags=re.DOTALL | re.MULTILINE)
    return [body for name, body in found if name == language]


def test_the_session_prints_what_it_shows() -> None:
    found = doctest.testfile(str(ROOT / "README.md"), module_relative=False, encoding="utf-8")
    assert found.attempted >= 8
    assert found.failed == 0


def test_the_checks_use_the_test_command_of_the_readme() -> None:
    wanted = [line for block in _blocks(README, "bash") for line in block.splitlines() if "-m pytest" in line]
    assert len(wanted) == 1
    assert wanted[0].startswith("python3 -m venv .venv && ")
    assert wanted[0] in GUIDE
    # .ci/run takes its first test step from the README by this pattern.
    pattern = re.search(r"grep -m 1 -E '([^']+)' README.md", CHECKS)
    assert pattern is not None
    assert [line for line in README.splitlines() if re.search(pattern[1], line)] == wanted


def test_the_workflows_and_the_guide_run_every_part_of_the_checks() -> None:
    parts = set(re.findall(r"^part_(\w+)\(\)", CHECKS, flags=re.MULTILINE))
    lists = dict(re.findall(r"^(landing|nightly)=\((.*)\)$", CHECKS, flags=re.MULTILINE))
    landing = set(lists["landing"].split())
    assert landing | (set(lists["nightly"].split()) - {'"${landing[@]}"'}) == parts
    (nightly,) = re.findall(r"^ +part: \[(.*)\]$", WORKFLOWS, flags=re.MULTILINE)
    assert landing | set(nightly.split(", ")) == parts
    assert set(re.findall(r"^\| `(\w+)` \|", GUIDE, flags=re.MULTILINE)) >= parts


def test_actions_are_pinned_by_their_commit() -> None:
    used = re.findall(r"uses: (.+)", WORKFLOWS)
    assert used
    for one in used:
        assert re.fullmatch(r"[\w./-]+@[0-9a-f]{40} # v\d+\.\d+\.\d+", one), one


@pytest.mark.parametrize("text", [README, GUIDE], ids=["README", "DEVELOPERS"])
def test_links_lead_somewhere(text: str) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        if not target.startswith("http"):
            assert (ROOT / target).exists(), target


def test_commands_that_are_shown_exist() -> None:
    for text in (README, GUIDE):
        for name in re.findall(r"`(?:\.venv/bin/)?phenofit ([a-z]+)", text):
            assert name in COMMANDS
        for block in _blocks(text, "bash"):
            for name in re.findall(r"(?:^|/)phenofit ([a-z]+)", block, flags=re.MULTILINE):
                assert name in COMMANDS


def test_methods_and_cutoffs_are_all_named() -> None:
    for name in (*METHODS, "horizontal", "intermediate", "vertical"):
        assert f"`{name}`" in README
    assert {"horizontal", "intermediate", "vertical"} <= set(CUTOFFS)


def test_tables_of_files_match_the_code() -> None:
    assert f"`{', '.join(FLIGHT_COLUMNS)}`" in README
    sections = set(re.findall(r"`\[([a-z]+)\]`", README))
    known = {field.alias or name for name, field in Study.model_fields.items()} - {"path"}
    assert sections <= known
    assert {
        "study",
        "season",
        "traps",
        "catches",
        "weather",
        "heat",
        "flights",
        "validation",
        "map",
    } <= sections


def test_every_key_of_the_study_file_is_named_in_its_row() -> None:
    lines = [line for line in README.splitlines() if line.startswith("| `[")]
    rows = {name: line for line in lines for name in re.findall(r"`\[+([a-z]+)\]+`", line.split("|")[1])}
    for name, field in Study.model_fields.items():
        if isinstance(field.annotation, type) and issubclass(field.annotation, Part):
            section = field.alias or name
            unsaid = [
                key for key in field.annotation.model_fields if not re.search(rf"\b{key}\b", rows[section])
            ]
            assert not unsaid, f"[{section}]: {unsaid}"
    unsaid = [key for key in WidePart.model_fields if not re.search(rf"\b{key}\b", README)]
    assert not unsaid


def test_the_samples_of_record_forms_are_accepted() -> None:
    section = README.split("### Forms of trap records")[1].split("| output |")[0]
    rows = [line for line in section.splitlines() if line.startswith("| ") and " = " in line.split("|")[2]]
    assert len(rows) == 9
    for row in rows:
        spans = [span for span in re.findall(r"`([^`]+)`", row.split("|")[2]) if re.match(r"\w+ = ", span)]
        given: dict[str, object] = {"file": "c.csv", "blank": "zero", "dates": "year-first"}
        for span in spans:
            given |= tomllib.loads(span)
        CatchesPart.model_validate(given)


def test_every_column_and_event_of_the_published_table_is_told() -> None:
    text = (ROOT / "datasets" / "README.md").read_text("utf-8")
    rows = [line.split("|")[1] for line in text.splitlines() if line.startswith("| `")]
    told = {name for row in rows for name in re.findall(r"`(\w+)`", row)}
    assert told == set(PUBLISHED_COLUMNS)
    for event in {row.event for row in load_published() if not row.event.startswith("flight_")}:
        assert f"`{event}`" in text


def test_the_tree_names_what_is_there() -> None:
    (tree,) = [b for b in _blocks(README, "") if "phenofit/ " in b]
    for line in tree.splitlines():
        assert (ROOT / line.split()[0]).is_dir()


def test_every_room_stands_in_the_guide() -> None:
    for entry in sorted((ROOT / "phenofit").iterdir()):
        if entry.suffix == ".py" and not entry.name.startswith("_"):
            assert f"`{entry.name}`" in GUIDE, entry.name
        elif entry.is_dir() and (entry / "__init__.py").exists():
            assert f"`{entry.name}/`" in GUIDE, entry.name
