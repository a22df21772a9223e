"""Rounded tables of results: read back by pandas, by a Markdown grammar and by a LaTeX parser."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from pylatexenc.latex2text import LatexNodes2Text
from pylatexenc.latexwalker import LatexEnvironmentNode, LatexWalker

import phenofit
from phenofit.analysis.results import StudyResult
from phenofit.errors import ModelError
from phenofit.report import ResultTable, result_table, write_result_tables

ODD = ResultTable(
    "Heat & 50 % of <b>moths</b>",
    ("site_name", "heat [°C-days]", "bias [days]", "interval"),
    (("A|B & C_1", "612", "−1.5", "532 to 717"), ("{D} #2 $x^2$ \\alpha", "", "0.5", "open on both sides")),
    ("Note with 95 % and a_b.",),
)


def markdown_rows(text: str) -> list[list[str]]:
    """Split a table of Markdown at the bars that are not escaped."""
    lines = [line for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in lines]


def test_markdown_has_as_many_cells_in_every_row() -> None:
    rows = markdown_rows(ODD.to_markdown())
    assert [len(row) for row in rows] == [4, 4, 4, 4]
    assert rows[2][0] == "A\\|B & C_1"
    assert "<b>" not in ODD.to_markdown()
    assert ODD.to_markdown().endswith("Note with 95 % and a_b.\n")


def test_latex_is_parsed_whole_and_says_the_same() -> None:
    text = ODD.to_latex()
    nodes, _, _ = LatexWalker(text, tolerant_parsing=False).get_latex_nodes()
    (table,) = [node for node in nodes if node.isNodeType(LatexEnvironmentNode)]
    assert table.environmentname == "table"
    plain = LatexNodes2Text().latex_to_text(text)
    for cell in (
        "A|B & C_1",
        "612",
        "532 to 717",
        "open on both sides",
        "Heat & 50 % of <b>moths</b>",
        "95 % and a_b",
    ):
        assert cell in plain
    # Heads and rows have as many cells as columns.
    body = text[text.index(r"\toprule") : text.index(r"\bottomrule")]
    assert all(len(re.findall(r"(?<!\\)&", line)) == 3 for line in body.splitlines() if line.endswith(r"\\"))
    assert "−" not in text
    assert "°" not in text


def test_csv_is_read_back() -> None:
    found = pd.read_csv(io.StringIO(ODD.to_csv()), dtype=str, keep_default_na=False)
    assert tuple(found.columns) == ODD.columns
    assert [tuple(row) for row in found.itertuples(index=False)] == list(ODD.rows)


def test_pandas_and_xarray_get_numbers_where_all_cells_are_numbers() -> None:
    frame = ODD.to_pandas()
    assert frame["heat [°C-days]"].tolist()[0] == 612.0
    assert pd.isna(frame["heat [°C-days]"].iloc[1])
    assert frame["bias [days]"].tolist() == [-1.5, 0.5]
    assert frame["interval"].tolist() == ["532 to 717", "open on both sides"]
    assert frame.attrs["notes"] == ["Note with 95 % and a_b."]
    dataset = ODD.to_xarray()
    assert dataset["bias [days]"].sel(site_name="A|B & C_1") == -1.5
    assert dataset.attrs["caption"] == ODD.caption


def test_every_kind_of_result_has_a_table(result: StudyResult) -> None:
    species = result.species[0]
    fit = species.fit
    estimates = phenofit.result_table(fit)
    low, high = fit.interval("requirement")
    row = next(row for row in estimates.rows if row[0].startswith("requirement"))
    assert float(row[1]) == pytest.approx(fit.requirement(), abs=0.51)
    assert low is not None
    assert high is not None
    assert [float(v) for v in row[2].split(" to ")] == pytest.approx([low, high], abs=0.51)
    assert f"{fit.moths} moths in {len(fit.data)} trap-years" in estimates.notes[0]
    (published,) = result_table(species.comparisons[0]).rows
    assert published[-1] == species.comparisons[0].verdict
    assert result_table(list(species.comparisons)).rows == (published,)
    errors = result_table(species.validation)
    assert errors == result_table(species.scores)
    assert {row[0] for row in errors.rows} >= {"fitted here", "mean calendar date"}
    season = phenofit.forecast(fit, species.records, today="2022-05-20", draws=50)
    assert len(result_table(season).rows) == species.forecast["site"].nunique()  # type: ignore[index]


def test_other_things_are_refused(result: StudyResult) -> None:
    with pytest.raises(ModelError, match="this is list"):
        result_table([])
    with pytest.raises(ModelError, match="lacks the column 'forecaster'"):
        result_table(pd.DataFrame({"a": [1]}))
    with pytest.raises(ModelError, match="no forecast of 'peak' in this table; it holds flight_"):
        result_table(result.species[0].scores, event="peak")


@pytest.mark.parametrize("form", ["md", "tex", "csv"])
def test_a_study_writes_every_table_with_its_origin(result: StudyResult, tmp_path: Path, form: str) -> None:
    named = replace(result, provenance={**result.provenance, "run": "abc123"})
    names = write_result_tables(named, tmp_path / "tables", form)
    assert sorted(path.name for path in (tmp_path / "tables").iterdir()) == sorted(names)
    wanted = {"estimates", "thresholds", "published", "season", "errors-year-flight_50"}
    assert all(any(name.endswith(f"-{part}.{form}") for name in names) for part in wanted)
    notes = [name for name in names if name == "notes.csv"] or names
    for name in notes:
        text = (tmp_path / "tables" / name).read_text("utf-8")
        assert "Invented data." in text
        assert "Run abc123." in text
    with pytest.raises(ValueError, match="md, tex, csv"):
        write_result_tables(result, tmp_path / "tables", "doc")
