"""Text of users on its way out, files that are none, and folders that a command must leave alone."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pandas as pd
import pytest

from phenofit.cli import main
from phenofit.files import write_csv
from phenofit.traps import to_darwin_core, write_darwin_core
from tests.studies import needs_device
from tests.study.studies import STUDY, write_study
from tests.validate.study_files import write_study as write_network

FORMULA = re.compile(r"^[=+\-@\t\r]")
NUMBER = re.compile(r"^[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$")
NASTY = "=cmd|'/C calc'!A0<script>alert(1)</script>"


def formulas(path: Path) -> list[str]:
    """Return the cells of a table that a spreadsheet would run."""
    with path.open(encoding="utf-8", newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    return [cell for cell in cells if FORMULA.match(cell) and not NUMBER.match(cell)]


def nasty_study(folder: Path) -> Path:
    """Write a study whose traps, sites, stations, title and sources are formulas and markup."""
    path = write_network(folder)
    traps = pd.read_csv(folder / "traps.csv", dtype=str)
    first = traps["trap"].iloc[0]
    site = traps["site"].iloc[0] if "site" in traps else first
    for name in ("traps", "catches"):
        table = pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)
        table["trap"] = table["trap"].replace(first, NASTY)
        if "site" in table:
            table["site"] = table["site"].replace(site, f"@{site}{NASTY}")
        table.to_csv(folder / f"{name}.csv", index=False)
    for name in ("weather", "stations"):
        table = pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)
        table["station"] = "+" + table["station"]
        table.to_csv(folder / f"{name}.csv", index=False)
    text = path.read_text("utf-8").replace('title = "Invented"', f'title = "{NASTY}"')
    text = text.replace('source = "invented"', f'source = "{NASTY}"')
    text += '[flights]\nbase = "10 degC"\ncurve = "normal"\n'
    text += '[occurrences]\nsampling_protocol = "-delta"\ngeodetic_datum = "@EPSG"\n'
    path.write_text(text, encoding="utf-8")
    return path


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.slow
def test_a_run_writes_no_formula_no_markup_and_nothing_beside_its_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study, work, out = tmp_path / "study", tmp_path / "work", tmp_path / "out"
    for folder in (study, work):
        folder.mkdir()
    path = nasty_study(study)
    monkeypatch.chdir(work)
    before = contents(study)
    assert main(["run", str(path), "--out", str(out), "--quiet"]) == 0
    assert contents(study) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "study", "work"]
    assert not list(work.iterdir())
    tables = sorted(out.rglob("*.csv"))
    assert {"flights.csv", "thresholds.csv", "validation.csv", "scores.csv", "occurrences.csv"} <= {
        p.name for p in tables
    }
    # A nasty name did come through, made safe.
    assert any(f"'{NASTY}" in p.read_text("utf-8").replace('""', '"') for p in tables)
    assert {p.name: formulas(p) for p in tables} == {p.name: [] for p in tables}
    pages = [*out.rglob("*.html"), *out.rglob("*.svg")]
    assert pages
    assert not [p.name for p in pages if "<script>alert(1)" in p.read_text("utf-8")]


def test_header_and_cells_of_a_table(tmp_path: Path) -> None:
    write_csv(tmp_path / "t.csv", ["=1+1", "b"], [["@x", -3.5], ["-y", "+z"], ["plain", None]])
    assert formulas(tmp_path / "t.csv") == []
    assert (tmp_path / "t.csv").read_text("utf-8").splitlines()[:2] == ["'=1+1,b", "'@x,-3.5"]


def test_occurrences_hold_no_formula(tmp_path: Path) -> None:
    from phenofit.study import read_records

    (records,) = read_records(nasty_study(tmp_path)).values()
    table = to_darwin_core(
        records.trap_years, scientific_name="=moth", sampling_protocol="+trap", geodetic_datum="@datum"
    )
    write_darwin_core(tmp_path / "occurrences.csv", table)
    assert formulas(tmp_path / "occurrences.csv") == []


@pytest.mark.parametrize("source", ["/dev/zero", "."])
@pytest.mark.parametrize(
    "change",
    [
        ('start = "01-01"\nend', 'start = "biofix"\nbiofix = "{}"\ndates = "year-first"\nend'),
        ("[map]", '[[rearing]]\nfile = "{}"\nunit = "degC"\n[map]'),
        ("invented = true", 'invented = true\ntruth = "{}"'),
        ('file = "traps.csv"', 'file = "{}"\nform = "darwin-core"'),
        ('stations = "stations.csv"', 'stations = "{}"'),
        ('files = ["weather.csv"]', 'files = ["{}"]\nform = "ghcn-daily"'),
        ('files = ["weather.csv"]', 'files = ["weather.nc"]'),
    ],
)
def test_no_key_reads_what_is_no_regular_file(
    change: tuple[str, str], source: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = STUDY.replace(change[0], change[1].format(source), 1)
    assert study != STUDY
    assert main(["check", str(write_study(tmp_path, study=study))]) == 2
    said = capsys.readouterr().err
    assert re.search(r"a device or a pipe|a folder, not a file|does not exist", said), said


@needs_device
@pytest.mark.parametrize(
    "arguments",
    [
        ["thresholds", "--table", "{}"],
        ["map", "{}"],
        ["plan", "{}"],
        ["local", "{}", "--weather", "{}"],
        ["heat", "{}", "--base", "10 degC", "--unit", "degC", "--out", "sums.csv"],
        ["check", "{}"],
    ],
)
def test_no_command_reads_a_device(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main([part.format("/dev/zero") for part in arguments]) == 2
    assert "a device or a pipe" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_picture_stays_where_it_was_asked_for(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    before = contents(tmp_path)
    assert main(["check", str(path), "--picture", str(tmp_path / "out" / "records.svg")]) == 0
    after = contents(tmp_path)
    assert {name for name in after if name not in before} == {str(Path("out") / "records.svg")}
    assert {name: after[name] for name in before} == before
