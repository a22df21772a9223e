"""Tables read by array code are those that a plain loop over the lines gives."""

from __future__ import annotations

import csv
import io
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phenofit.errors import DataError
from phenofit.files.cell_grids import Vocabulary, tidy
from phenofit.files.tables import read_table
from phenofit.files.text_table import HEADER, TableFile, Wide

# An accent in two forms, an invisible sign, a cell over two lines, blanks at the ends.
CELLS = ["", "A1", " A1", "e\u0301", "\u00e9", "\u200bA1", "5\n6", "12", "a, b"]
cells = st.sampled_from(CELLS)
# Mostly as many cells as the header has, so that most tables can be read.
rows_of_cells = st.one_of(
    st.lists(st.lists(cells, min_size=3, max_size=3), max_size=8),
    st.lists(st.lists(cells, max_size=5), max_size=8),
)
same_path = settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def written(path: Path, rows: list[list[str]]) -> list[int]:
    """Write a table; return the line on which each row begins."""
    begins, text = [], ""
    for row in rows:
        begins.append(text.count("\n") + 1)
        line = io.StringIO()
        csv.writer(line, lineterminator="\n").writerow(row)
        text += line.getvalue()
    path.write_text(text, encoding="utf-8")
    return begins


@same_path
@given(rows_of_cells)
def test_cells_rows_and_faults_are_those_of_a_loop(tmp_path: Path, rows: list[list[str]]) -> None:
    header = ["trap", "n", "note"]
    begins = written(tmp_path / "t.csv", [header, *rows])[1:]
    tidied = [(at, [tidy(cell) for cell in row]) for at, row in zip(begins, rows, strict=True)]
    filled = [(at, row) for at, row in tidied if any(row)]
    faulty = [at for at, row in filled if len(row) < 3 or any(row[3:])]
    # With one required column, no row is taken for a title or a footnote.
    read = partial(read_table, tmp_path / "t.csv", required=("trap",), optional=("n", "note"))
    if faulty:
        with pytest.raises(DataError) as error:
            read()
        assert [problem.row for problem in error.value.problems] == faulty
        return
    table = read()
    assert table.rows.tolist() == [at for at, _ in filled]
    assert table.frame[header].to_numpy().tolist() == [row[:3] for _, row in filled]
    assert table.same is not None
    equal = np.equal.outer(table.same, table.same).tolist()
    assert equal == [[one[:3] == other[:3] for _, other in filled] for _, one in filled]


@same_path
@given(
    st.lists(
        st.tuples(st.sampled_from(["A1", "Total", "B2", ""]), *[st.sampled_from(["1", "2", "12", ""])] * 3),
        max_size=8,
    )
)
def test_wide_rows_are_those_of_a_loop(tmp_path: Path, rows: list[tuple[str, ...]]) -> None:
    begins = written(tmp_path / "t.csv", [["trap", "x", "out", "y"], *map(list, rows)])[1:]
    wide = Wide("part", leave_out=("out",))
    table = read_table(
        TableFile(tmp_path / "t.csv", wide=wide),
        columns={"lure": HEADER},
        required=("trap", "count"),
        optional=("lure",),
    )
    data = [(at, row) for at, row in zip(begins, rows, strict=True) if any(row)]
    # A row of totals is known by the first of its own cells; the trap is the only one.
    data = [(at, row) for at, row in data if row[0] != "Total"]
    expected = [(at, row[0], name, row[k]) for at, row in data for k, name in ((1, "x"), (3, "y"))]
    got = zip(
        table.rows.tolist(), table.frame["trap"], table.frame["lure"], table.frame["count"], strict=True
    )
    assert list(got) == expected
    out = [row[2] for _, row in data if row[2]]
    sums = [str(sum(int(row[k] or 0) for k in (1, 3))) for _, row in data if row[2]]
    is_total = len(out) > 1 and out == sums
    moths = [one.moths for one in table.left_out]
    assert moths == ([] if is_total or not out else [sum(map(int, out))])


def test_a_text_has_one_number_however_it_is_written() -> None:
    vocabulary = Vocabulary()
    numbers = [vocabulary[cell] for cell in ("", " ", "e\u0301", "\u00e9 ", "x")]
    assert numbers == [0, 0, 1, 1, 2]
    assert vocabulary.texts == ["", "\u00e9", "x"]
