"""What a study file may ask of the fit reaches every fit, and the page says what was fitted."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from phenofit.analysis.species_work import SpeciesWork
from phenofit.errors import ModelError
from phenofit.forecasting.event_heat import draw_heat, draw_shares
from phenofit.run import _scores, run_study
from phenofit.study import load_study, read_inputs
from tests.calls import contributions, influence, quick_influence
from tests.validate.study_files import write_study


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> SpeciesWork:
    study = load_study(write_study(tmp_path_factory.mktemp("study")))
    inputs = read_inputs(study)
    return SpeciesWork.of(study, inputs, study.species[0])


def asking(work: SpeciesWork, **keys: Any) -> SpeciesWork:
    """Return the work as if the study had these keys in [flights]."""
    flights = work.study.flights.model_copy(update=keys)
    return replace(work, study=work.study.model_copy(update={"flights": flights}))


def test_keys_of_the_file_are_what_the_fit_is_asked(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    keys = (
        '[flights]\nshifts = ["year", "site", "trap-year"]\nstray = "fit"\nupper = "fit"\n'
        'upper_range = ["82.4 degF", "36 degC"]\nrecords = "presence"\n'
    )
    path.write_text(path.read_text("utf-8") + keys, encoding="utf-8")
    study = load_study(path)
    asked = study.flight_model(study.species[0])
    assert asked.shifts == ("year", "site", "trap-year")
    assert asked.stray == "fit"
    assert asked.upper_range == pytest.approx((28.0, 36.0))
    assert asked.records == "presence"
    plain = load_study(write_study(tmp_path))
    assert plain.flight_model(plain.species[0]).upper_range is None


def test_upper_threshold_and_strays_are_fitted_where_asked(work: SpeciesWork) -> None:
    fit = asking(work, upper="fit", upper_range=(24.0, 36.0), stray="fit", base=10.0).fit(profiles=False)
    assert 24.0 <= fit.parameters["upper"] <= 36.0
    assert fit.settings.heat.upper == pytest.approx(fit.parameters["upper"])
    assert fit.settings.stray_fitted
    held = asking(work, base=10.0).fit(profiles=False)
    assert "upper" not in held.parameters
    assert fit.fitted == held.fitted + 2
    assert fit.log_likelihood >= held.log_likelihood - 1e-3


def test_influence_where_years_and_sites_cross(work: SpeciesWork) -> None:
    crossed = asking(work, shifts=("year", "site", "trap-year"), base=10.0)
    records = (crossed.records.trap_years, crossed.inputs.weather, crossed.inputs.links)
    fit = crossed.fit(profiles=False)
    quick = quick_influence(fit, *records)
    exact = contributions(fit, *records).set_index(["trap", "season"])["log_likelihood"]
    mine = quick.set_index(["trap", "season"])["log_likelihood"]
    assert mine.to_numpy() == pytest.approx(exact.loc[mine.index].to_numpy(), abs=1e-2)
    refits = influence(fit, *records).set_index("left_out")["requirement_1_change"]
    names = quick["trap"] + ", " + quick["season"]
    moved = quick["requirement_1_change"].to_numpy()
    assert np.corrcoef(moved, refits.loc[names].to_numpy())[0, 1] > 0.9


def test_validation_folds_refit_with_the_same_options(work: SpeciesWork) -> None:
    asked = asking(work, stray="fit", shifts=("site", "trap-year"), base=10.0)
    table = asked.validate("year", thresholds=(), events=("flight_50",), draws=60)
    plain = asking(work, base=10.0).validate("year", thresholds=(), events=("flight_50",), draws=60)
    assert set(table["forecaster"]) == {"fitted", "calendar mean"}
    # The scheme that the study names first stays first, whatever its name.
    both = pd.concat([table.assign(scheme="year"), table.assign(scheme="block")], ignore_index=True)
    assert list(dict.fromkeys(_scores(both, 1)["scheme"])) == ["year", "block"]
    ours, theirs = (t.loc[t["forecaster"] == "fitted", "error_days"].to_numpy() for t in (table, plain))
    assert np.abs(ours - theirs).max() > 0.01
    assert np.abs(ours).mean() < 10.0


def test_first_catches_are_called_so_everywhere(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    path.write_text(
        path.read_text("utf-8") + '[flights]\nrecords = "first catch"\nbase = "50 degF"\n', encoding="utf-8"
    )
    result = run_study(path, out=tmp_path / "out", workers=1)
    species = result.species[0]
    assert species.validation.empty
    assert species.forecast is None
    assert species.error_map is None
    assert any(
        note.startswith("No validation by leaving out a year: first catches alone") for note in species.notes
    )
    assert any(
        "No forecast of the season: this fit is of first catches alone" in note for note in species.notes
    )
    assert [c.verdict for c in species.comparisons] == ["cannot be tested"]
    assert list(species.thresholds["event"][species.thresholds["kind"] == "fitted"]) == ["first_catch"]
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "Half of the traps have caught their first moth at" in page
    assert "heat at half of the first catches" in page
    assert "has flown at" not in page
    with (tmp_path / "out" / "flights.csv").open(encoding="utf-8", newline="") as stream:
        assert all("of first catches, not of the flight" in row["note"] for row in csv.DictReader(stream))
    work = SpeciesWork(result.study, result.inputs, species.species, species.records)
    with pytest.raises(ModelError, match="first catches alone"):
        work.validate("year")
    with pytest.raises(ModelError, match="first catches alone"):
        draw_heat(species.fit, ["flight_50"])
    with pytest.raises(ModelError, match="first catches alone"):
        draw_shares(species.fit, np.array([0.5]))


def test_presence_alone_is_fitted_and_said(work: SpeciesWork) -> None:
    fit = asking(work, records="presence", base=10.0).fit(profiles=False)
    counted = asking(work, base=10.0).fit(profiles=False)
    assert fit.settings.records == "presence"
    # The same flights, seen in less: a requirement not far away.
    assert abs(fit.requirement() - counted.requirement()) < 40.0
    checks = asking(work, records="presence", base=10.0).settled().check(fit)
    assert checks.residuals.empty
    assert len(checks.carried) == len(fit.data)
    assert [note.split(":")[0] for note in checks.notes] == [
        "No older rules beside the fit", "No residuals of the checks", "No check of the stations"
    ]  # fmt: skip
