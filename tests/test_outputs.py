"""The tables of a study whose data are invented say so in every row; those of real data do not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from phenofit.analysis.outputs import (
    SCORE_FILE_COLUMNS,
    write_flights,
    write_scores,
    write_thresholds,
    write_validation,
)
from phenofit.analysis.species_work import SpeciesWork
from phenofit.analysis.thresholds_table import thresholds_table
from phenofit.study import load_study, read_inputs
from phenofit.validate import score_forecasts
from phenofit.validate.comparison.refit_on_terms import PublishedTerms
from tests.validate.study_files import write_study


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> SpeciesWork:
    """A study that asks for lead times and lets each fit choose its curve."""
    path = write_study(tmp_path_factory.mktemp("study"))
    asked = '[validation]\nlead_days = [14, 0]\n[flights]\ncurve = ["normal", "log-normal"]\n'
    path.write_text(path.read_text("utf-8") + asked, encoding="utf-8")
    study = load_study(path)
    inputs = read_inputs(study)
    return SpeciesWork.of(study, inputs, study.species[0])


def test_invented_data_are_marked_in_every_row(work: SpeciesWork, tmp_path: Path) -> None:
    fit = work.fit()
    assert fit.settings.curve in ("normal", "log-normal")
    assert "log-normal" in str(fit.provenance["curve choice"])
    table = thresholds_table(work.species, fit, work.published, verdicts={"near": "consistent"})
    for invented in (True, False):
        write_flights(tmp_path / "flights.csv", {work.species: fit}, invented=invented)
        write_thresholds(tmp_path / "thresholds.csv", [table], invented=invented)
        notes = pd.read_csv(tmp_path / "flights.csv")["note"].fillna("")
        found = pd.read_csv(tmp_path / "thresholds.csv")
        assert len(notes) == len(fit.estimates)
        assert notes.str.contains("invented data").all() == invented
        sources = found["source"].str.contains("invented data")
        assert sources.all() == sources.any() == invented
        assert (found["kind"] == "published").sum() == 1
        # What stood there before still does.
        assert found.loc[found["kind"] == "fitted", "source"].str.contains("this study: ").all()


def test_lead_times_of_the_study_reach_the_scores(work: SpeciesWork, tmp_path: Path) -> None:
    assert work.study.validation.lead_days == (14, 0)
    validation = work.validate("year", thresholds=())
    for invented in (True, False):
        write_validation(tmp_path / "validation.csv", [validation], invented=invented)
        written = pd.read_csv(tmp_path / "validation.csv")
        assert len(written) == len(validation)
        assert bool(written.get("invented", pd.Series([False])).all()) == invented
    scores = score_forecasts(validation, bootstrap=50)
    write_scores(tmp_path / "scores.csv", [scores, pd.DataFrame()], invented=True)
    found = pd.read_csv(tmp_path / "scores.csv")
    assert tuple(found.columns) == SCORE_FILE_COLUMNS
    assert set(found["lead_days"].dropna()) == {14.0, 0.0}
    assert found["lead_days"].isna().any()
    assert set(found["note"]) == {"invented data"}
    assert found["mae_days"].to_numpy() == pytest.approx(scores["mae_days"].to_numpy(), rel=1e-9, nan_ok=True)


def test_flights_are_compared_once_and_settled_for_all_that_follows(work: SpeciesWork) -> None:
    flights = work.study.flights.model_copy(update={"count": (1, 2), "curve": "normal"})
    asked = replace(work, study=work.study.model_copy(update={"flights": flights}))
    settled = asked.settled()
    assert settled.flights == 1
    assert settled.settled() is settled
    fit = asked.fit(profiles=False)
    assert fit.settings.flights == 1
    checks = settled.check(fit)
    assert checks.flights == fit.provenance["flights choice"]
    assert checks.flights.startswith("Two flights against one flight: AIC ")
    assert "flights choice" not in settled.fit(profiles=False).provenance


def test_held_parameters_reach_the_fit_and_stay_off_published_terms(work: SpeciesWork) -> None:
    hold = {"spread_1": 77.0, "concentration": 9.0}
    flights = work.study.flights.model_copy(update={"hold": hold, "curve": "normal"})
    held = replace(work, study=work.study.model_copy(update={"flights": flights}))
    fit = held.fit(profiles=False)
    assert fit.parameters["spread_1"] == pytest.approx(77.0)
    assert fit.parameters["concentration"] == pytest.approx(9.0)
    rows = fit.estimates.set_index("parameter")
    assert list(rows.loc[["spread", "concentration"], "note"]) == ["held", "held"]
    # A spread in degree-days above another base is another spread; the concentration has no heat in it.
    terms = PublishedTerms(held.records, held.published[0], held.model)
    assert abs(terms.held.parameters["spread_1"] - 77.0) > 1.0
    assert terms.held.parameters["concentration"] == pytest.approx(9.0)
    assert terms.log_likelihood_at(
        terms.amount_at(terms.held.requirement(), terms.held.spread())
    ) == pytest.approx(terms.held.log_likelihood, abs=1e-3)
