"""The tables of a study whose data are invented say so in every row; those of real data do not."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from phenofit.outputs import (
    SCORE_FILE_COLUMNS,
    write_flights,
    write_scores,
    write_thresholds,
    write_validation,
)
from phenofit.species_work import SpeciesWork
from phenofit.study import load_study, read_inputs
from phenofit.thresholds_table import thresholds_table
from phenofit.validate import score_forecasts
from tests.validate.study_files import write_study


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> SpeciesWork:
    """A study that asks for lead times and lets each fit choose its curve."""
    path = write_study(tmp_path_factory.mktemp("study"))
    asked = '[validation]\nlead_days = [14, 0]\n[flights]\ncurve = ["normal", "log-normal"]\n'
    path.write_text(path.read_text("utf-8") + asked, encoding="utf-8")
    study = load_study(path)
    inputs = read_inputs(study)
    return SpeciesWork(study, inputs, study.species[0], inputs.trap_years(study.species[0]))


def test_invented_data_are_marked_in_every_row(work: SpeciesWork, tmp_path: Path) -> None:
    fit = work.fit()
    assert fit.settings.curve in ("normal", "log-normal")
    assert "log-normal" in str(fit.provenance["curve choice"])
    table = thresholds_table(work.species, fit, work.published, verdicts={"near": "supported"}, seed=1)
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
