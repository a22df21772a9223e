"""What the page and the terminal say of stations unlike their traps, and of flights that traps missed in part."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.analysis.record_checks import RecordChecks, check_records
from phenofit.analysis.results import StudyResult
from phenofit.cli import main
from phenofit.cli.commands.run import _answers
from phenofit.flight import StationCheck, Unwatched
from phenofit.flight.diagnostics.station_differences import TemperatureRule
from phenofit.report import render_report
from phenofit.report.station_view import record_tables, station_table, unwatched_table
from tests.validate.study_files import write_study


def bad_station() -> StationCheck:
    """Three invented sites, one of which flies late."""
    table = pd.DataFrame(
        {
            "site": ["A", "B<b>", "C"],
            "station": ["S1", "S2", "S2"],
            "distance_km": [3.2, 12.0, 4.0],
            "height_difference_m": [-20.0, 60.0, 0.0],
            "expected_sd": [12.0, 25.0, 14.0],
            "shift": [-30.0, 72.4, -42.4],
            "error": [15.0, 27.0, 16.0],
            "shift_days": [-2.1, 5.6, -3.0],
            "offset": [-0.44, 1.12, -0.6],
            "stands_out": [False, True, False],
        }
    )
    return StationCheck(table, 6.25, (2, 8), 0.0231, TemperatureRule(0.01))


def test_the_sentence_of_a_station_is_whole() -> None:
    # SD by hand: root of (30^2 + 72.4^2 + 42.4^2) / 2 is 63.1; of the mean of 12^2, 25^2 and 14^2, 17.9.
    assert bad_station().sentence() == (
        "The shifts of sites are larger than distance and height of their stations explain (F 6.2 with 2 and 8 degrees of "
        "freedom, p 0.023): SD 63 °C-days, expected 18. Standing out: B<b> (station S2, 12 km, +60 m: 72 °C-days or 6 "
        "days later, as if the station were 1.1 °C warmer than the trap). Look at these stations, or at what else differs "
        "between the sites."
    )
    assert (
        "No single site stands out."
        in replace(bad_station(), table=bad_station().table.assign(stands_out=False)).sentence()
    )


def test_tables_have_a_row_for_each_site_and_each_trap_year_that_misses_a_flight() -> None:
    rows = station_table(bad_station()).rows
    assert rows[0] == ("B<b>", "S2", "12", "+60", "±25", "+72", "27", "+5.6", "+1.1", "yes")
    assert [row[0] for row in rows] == ["B<b>", "C", "A"]
    missed = pd.DataFrame(
        {
            "trap": ["A", "B", "C"],
            "season": "2020",
            "flight": 1,
            "before": [0.0, 0.31, 0.0],
            "after": [0.06, 0.0, 0.04],
        }
    )
    table = unwatched_table(Unwatched(missed))
    assert table.rows == (("B, 2020", "1", "31", "0"), ("A, 2020", "1", "0", "6"))
    assert "the 2 largest of 2 above 5 %" in table.caption
    assert len(record_tables(RecordChecks(Unwatched(missed), bad_station()))) == 2
    assert record_tables(RecordChecks(Unwatched(missed.assign(before=0.0, after=0.0)))) == ()


@pytest.mark.usefixtures("words_only")
def test_page_and_terminal_warn(result: StudyResult, tmp_path: Path) -> None:
    species = result.species[0]
    assert species.checks.records.stations is not None
    assert species.checks.records.unwatched is not None
    wrong = replace(species, checks=replace(species.checks, records=RecordChecks(stations=bad_station())))
    assert bad_station().sentence() in _answers(wrong)
    page = render_report(replace(result, species=(wrong,)), tmp_path).read_text("utf-8")
    assert (
        page.count("The shifts of sites are larger than") == 2
    )  # among the answers, and beside the residuals
    assert "Sites and their stations" in page
    assert "B&lt;b&gt;" in page
    assert "B<b>" not in page


def test_what_cannot_be_checked_is_a_note(result: StudyResult) -> None:
    species = result.species[0]
    links = species.records.links.assign(distance_km=np.nan)
    found = check_records(species.fit, replace(species.records, links=links))
    assert found.stations is None
    assert found.notes == (
        "No check of the stations: the distance or the height of the station of some traps is not known.",
    )
    assert found.warnings() == ()


def test_the_command_fit_warns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    study = write_study(tmp_path)
    study.write_text(study.read_text("utf-8") + '[flights]\nbase = "50 degF"\n', encoding="utf-8")
    # Every trap is taken in at the end of May: the flight is hardly over by then.
    catches = pd.read_csv(tmp_path / "catches.csv", dtype=str)
    catches[catches["check"].str[5:] <= "06-21"].to_csv(tmp_path / "catches.csv", index=False)
    assert main(["fit", str(study)]) == 0
    assert "trap-years stop before flight 1 ends: the model puts " in capsys.readouterr().out
