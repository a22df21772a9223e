"""How many records a fit and a verdict need, at the limits, in `check`, `fit` and `compare`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.cli.dispatch import main
from phenofit.errors import DataError
from phenofit.flight.estimate.enough_records import (
    LEAST_CHECKS,
    LEAST_SEASONS,
    LEAST_TRAP_YEARS,
    lacking_for_fit,
    lacking_for_verdict,
    recorded,
)
from phenofit.traps import TrapYears
from phenofit.validate import PublishedThreshold
from tests.calls import compare_published, fit_flights
from tests.studies import published_text, study_text, write_tables
from tests.validate.networks import HEAT, SEASON, network

TRUE = PublishedThreshold(
    id="true", species="s", event="flight_50", flight=1, amount=450.0, unit="degC d", base=10.0,
    method="single sine", start="01-01",
)  # fmt: skip


def table(*checks: tuple[int, int]) -> pd.DataFrame:
    return pd.DataFrame(checks, columns=["year", "checks"])


def test_a_fit_needs_three_checks_with_moths_for_each_flight() -> None:
    assert LEAST_CHECKS == 3
    assert lacking_for_fit(table((2020, 3)), flights=1) == []
    assert lacking_for_fit(table((2020, 4), (2021, 2)), flights=2) == []
    (problem,) = lacking_for_fit(table((2020, 1), (2021, 1)), flights=1, what="leaf moth")
    assert str(problem) == (
        "too few records of leaf moth: 2 checks with moths, and a fit of 1 flight a season needs at least 3. "
        "Add records."
    )
    (problem,) = lacking_for_fit(table((2020, 5)), flights=2)
    assert "5 checks with moths, and a fit of 2 flights a season needs at least 6" in str(problem)
    assert "fit fewer flights" in problem.remedy
    assert "1 check with moths" in str(lacking_for_fit(table((2020, 1)), flights=1)[0])


def test_a_verdict_needs_checks_trap_years_and_seasons() -> None:
    assert (LEAST_TRAP_YEARS, LEAST_SEASONS) == (3, 2)
    assert lacking_for_verdict(table((2020, 1), (2020, 1), (2021, 1)), flights=1) == ""
    few = lacking_for_verdict(table((2020, 9), (2021, 9)), flights=1)
    assert few == (
        "the records hold 18 checks with moths, 2 trap-years, 2 seasons; a verdict needs at least 3 checks with moths, "
        "3 trap-years, 2 seasons"
    )
    assert lacking_for_verdict(table((2020, 9), (2020, 9), (2020, 9)), flights=1)
    assert lacking_for_verdict(table((2020, 2), (2020, 1), (2021, 2)), flights=2)


def only(records: TrapYears, checks: int, trap_years: int = 1) -> TrapYears:
    """Return a few trap-years with so many checks with moths in all, and every check without moths."""
    part = records.select(np.arange(len(records)) < trap_years)
    intervals = part.intervals.sort_values(["trap_year", "start"], ignore_index=True)
    caught = np.flatnonzero(intervals["count"] > 0)
    kept = caught[np.linspace(0, len(caught) - 1, checks).round().astype(int)]
    count = np.where(np.isin(np.arange(len(intervals)), kept), intervals["count"], 0)
    return replace(part, intervals=intervals.assign(count=count))


def test_recorded_counts_checks_with_moths_only() -> None:
    n = network(sites=4, years=3)
    few = only(n.trap_years(), 3, trap_years=2)
    assert recorded(few)["checks"].sum() == 3
    # A check known to have held moths counts, whether they were counted or not.
    status = np.where(few.intervals.index == 0, "present", few.intervals["status"])
    seen = recorded(replace(few, intervals=few.intervals.assign(status=status)))
    assert seen["checks"].sum() == 3 + int(few.intervals["count"].iloc[0] == 0)


def test_the_engine_refuses_two_checks_and_fits_three() -> None:
    n = network(sites=4, years=3)
    call = {"season": SEASON, "heat": HEAT, "base": 10.0, "profiles": False}
    with pytest.raises(DataError, match="2 checks with moths"):
        fit_flights(only(n.trap_years(), 2), n.weather, n.links, **call)
    found = fit_flights(only(n.trap_years(), 3), n.weather, n.links, **call)
    assert np.isfinite(found.log_likelihood)


def test_one_trap_year_gives_no_verdict_and_three_in_two_seasons_may() -> None:
    n = network(sites=4, years=3)
    records = n.trap_years()
    one = compare_published(
        records.select(np.arange(len(records)) < 1), n.weather, n.links, TRUE, season=SEASON
    )
    assert (one.verdict, one.usable) == ("cannot tell", False)
    assert "these catches cannot tell: the records hold" in one.sentence
    assert "1 trap-year, 1 season; a verdict needs at least" in one.sentence
    years = records.years["year"].to_numpy()
    chosen = np.zeros(len(records), dtype=bool)
    chosen[np.flatnonzero(years == 2014)[:2]] = True
    chosen[np.flatnonzero(years == 2015)[0]] = True
    three = compare_published(records.select(chosen), n.weather, n.links, TRUE, season=SEASON)
    assert three.verdict in ("consistent", "not consistent", "cannot tell")


def write(folder: Path, keep: int) -> Path:
    """Write a study of one trap-year whose first `keep` checks with moths hold one moth, all others none."""
    n = network(sites=2, years=2)
    catches = n.catches[(n.catches["trap"] == "T00") & (n.catches["check"] < "2015")].copy()
    caught = np.flatnonzero(catches["count"] > 0)[:keep]
    catches["count"] = np.where(np.isin(np.arange(len(catches)), caught), 1.0, 0.0)
    write_tables(folder, traps=n.traps.drop(columns="station"), catches=catches, weather=n.weather)
    path = folder / "study.toml"
    held = '[flights]\nbase = "10 degC"\n'
    path.write_text(study_text("borer", more=held + published_text("near", amount="450")), encoding="utf-8")
    return path


@pytest.mark.parametrize("command", ["check", "fit", "run"])
def test_too_few_moths_are_refused_by_every_command(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path, 1)
    out = [] if command == "check" else ["--out", str(tmp_path / "out")]
    assert main([command, str(path), *out]) == 2
    shown = capsys.readouterr()
    assert "too few records" in shown.err
    assert "borer: " in shown.err.replace("too few records of borer:", "borer: ")
    assert "1 check with moths, and a fit of 1 flight a season needs at least 3. Add records." in shown.err
    assert "requirement" not in shown.out


def test_check_says_that_no_verdict_is_possible(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path, 5)
    assert main(["check", str(path)]) == 0
    assert (
        "note: borer: no verdict on a published threshold: the records hold 5 checks"
        in capsys.readouterr().out
    )
    assert main(["compare", str(path)]) == 0
    shown = capsys.readouterr().out
    assert "note: no held-out error in days" in shown
    assert "these catches cannot tell" in shown
