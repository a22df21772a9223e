"""A small invented study, run once: real objects of every room, names that would break a careless page."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.analysis.fit_checks import check_fit
from phenofit.analysis.results import SpeciesResult, StudyResult
from phenofit.analysis.thresholds_table import thresholds_table
from phenofit.files import versions, write_text
from phenofit.flight import fit_flights
from phenofit.forecasting import forecast
from phenofit.heat.settings import HeatSettings
from phenofit.report import render_report
from phenofit.seasons import Season
from phenofit.simulate import CheckPlan, simulate_weather
from phenofit.study import load_study, read_inputs
from phenofit.validate import Scheme, compare_published, cross_validate, score_forecasts
from tests.calls import simulate_network
from tests.studies import FILES, draw_without_pictures, published_text, study_text, write_tables
from tests.validate.study_files import NORMAL

SPECIES = "tufted <b>test</b> moth"
SITES = ("Bank & Co", "Mill <script>alert(1)</script>", "Lake", "Hill", 'The "Yard"', "Moor")

STUDY = study_text(
    SPECIES,
    title="Small <i>study</i> & more",
    weather=f"{FILES}max_distance_km = 60\n",
    more=published_text("near", amount="500", more=f'species = "{SPECIES}"\n') + NORMAL,
)


def write_study(folder: Path) -> dict[str, object]:
    """Write the study into a folder and return the true values."""
    stations = pd.DataFrame(
        {
            "station": ["A", "B"],
            "latitude": [42.0, 42.3],
            "longitude": [-98.0, -98.4],
            "elevation_m": [450, 800],
        }
    )
    weather = simulate_weather(stations, first="2018-01-01", last="2022-06-10", seed=21)
    traps = pd.DataFrame(
        {
            "trap": [f"P{i}" for i in range(len(SITES))],
            "site": SITES,
            "latitude": [42.02, 41.98, 42.05, 42.28, 42.31, 42.35],
            "longitude": [-98.03, -97.95, -98.1, -98.38, -98.42, -98.45],
            "elevation_m": [455, 440, 470, 790, 805, 820],
        }
    )
    catches, truth = simulate_network(
        weather=weather, traps=traps, season=Season.parse("01-01", "10-31"), heat=HeatSettings(), base=10.0,
        requirements=[500.0], spreads=[70.0], shift_sd_year=10.0, shift_sd=15.0, concentration=30.0,
        moths_per_trap_year=80, checks=CheckPlan(first="05-10", last="08-31", missed=0.05, lost=0.02),
        species=SPECIES, seed=22,
    )  # fmt: skip
    write_text(folder / "study.toml", STUDY)
    write_tables(folder, traps=traps, catches=catches, weather=weather)
    return truth


@pytest.fixture(scope="session")
def result(tmp_path_factory: pytest.TempPathFactory) -> StudyResult:
    """The small study, run."""
    folder = tmp_path_factory.mktemp("small")
    truth = write_study(folder)
    study = load_study(folder / "study.toml")
    inputs = read_inputs(study)
    records, model = inputs.records(SPECIES), study.flight_model(SPECIES)
    fit = fit_flights(records, model)
    rows = study.published_for(SPECIES)
    validation = cross_validate(records, model, Scheme(draws=100), thresholds=rows, fit=fit)
    comparisons = tuple(compare_published(records, model, row, validation=validation) for row in rows)
    species = SpeciesResult(
        species=SPECIES,
        fit=fit,
        records=records,
        thresholds=thresholds_table(
            SPECIES, fit, rows, verdicts={c.threshold.id: c.verdict for c in comparisons}
        ),
        comparisons=comparisons,
        validation=validation,
        scores=score_forecasts(validation, bootstrap=200),
        forecast=forecast(fit, records, today=np.datetime64("2022-06-11"), draws=200).table(),
        error_map=None,
        notes=("A note with <em>markup</em>.",),
        checks=check_fit(fit, records, min_moths=5, seed=1),
    )
    return StudyResult(
        study=study,
        inputs=inputs,
        species=(species,),
        truth={"species": {SPECIES: truth}},
        provenance={"versions": versions(), "inputs": dict(inputs.hashes), "seed": 1},
    )


@pytest.fixture(scope="session")
def rendered(result: StudyResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with the page of the small study and its figures; nothing may write into it."""
    folder = tmp_path_factory.mktemp("rendered")
    assert render_report(result, folder) == folder / "report.html"
    return folder


@pytest.fixture
def words_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """The test looks at the words of pages."""
    draw_without_pictures(monkeypatch)
