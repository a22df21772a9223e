"""The public names: pinned, importable, documented, and the same in every place that lists them."""

from __future__ import annotations

import ast
import inspect
from pathlib import Path

import pytest

import phenofit
from phenofit.cli.command_list import COMMANDS

ROOT = Path(__file__).resolve().parents[1]

PINNED = [
    "DataError", "FetchError", "FitError", "FlightFit", "FlightModel", "HeatSettings", "MissingExtraError", "ModelError",
    "MonthDay", "PhenofitError", "PhenofitWarning", "Problem", "PublishedThreshold", "Records", "Scheme", "Season", "TrapYears",
    "UnitError", "accumulate", "build_trap_years", "check_study", "compare_published", "cross_validate",
    "degree_days", "error_map", "fetch_weather", "fit_flights", "forecast", "link_stations", "load_study",
    "plan_network",
    "plot_base", "plot_calibration", "plot_catches", "plot_cumulative",
    "plot_dates", "plot_error_map", "plot_errors", "plot_flight", "plot_heat",
    "plot_records", "plot_region", "plot_residuals", "plot_scores", "plot_season", "read_catches", "read_records", "read_traps", "read_weather", "result_table", "run_study", "simulate_network",
    "simulate_weather",
]  # fmt: skip


def test_the_list_is_pinned() -> None:
    assert list(phenofit.__all__) == PINNED


@pytest.mark.parametrize("name", PINNED)
def test_each_name_can_be_had_and_says_what_it_is(name: str) -> None:
    thing = getattr(phenofit, name)
    assert not inspect.ismodule(thing)
    assert inspect.getdoc(thing)
    assert name in dir(phenofit)


@pytest.mark.parametrize("name", [n for n in PINNED if n[0].islower()])
def test_functions_state_parameters_and_returns(name: str) -> None:
    doc = inspect.getdoc(getattr(phenofit, name)) or ""
    assert "Parameters\n----------" in doc
    assert "Returns\n-------" in doc


def test_type_checkers_see_the_same_names() -> None:
    tree = ast.parse((ROOT / "phenofit" / "__init__.py").read_text("utf-8"))
    blocks = [n for n in tree.body if isinstance(n, ast.If)]
    seen = {a.name for n in ast.walk(blocks[0]) if isinstance(n, ast.ImportFrom) for a in n.names}
    assert seen == set(PINNED)


def test_unknown_names_are_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'fit_moths'"):
        phenofit.fit_moths  # noqa: B018


def test_no_public_name_is_that_of_a_room() -> None:
    rooms = {
        path.stem
        for path in (ROOT / "phenofit").iterdir()
        if path.suffix == ".py" or (path / "__init__.py").is_file()
    }
    assert not rooms.intersection(PINNED)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_its_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    from phenofit.cli import main

    assert main([name, "--help"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(f"usage: phenofit {name}")
    assert "--traceback" in shown


def test_completion_offers_public_names_only() -> None:
    assert set(dir(phenofit)) == {*phenofit.__all__, "__version__"}


def test_objects_show_themselves_shortly() -> None:
    from tests.forecast.fits import small_fit
    from tests.validate.networks import SEASON, network

    n = network(sites=6, years=5)
    trap_years = n.trap_years()
    records = phenofit.Records(trap_years, n.weather, n.links, SEASON)
    found = phenofit.forecast(small_fit(), records, today="2018-05-20", sites=["T00"], draws=50)
    for shown in (trap_years, records, small_fit(), found):
        assert len(repr(shown).splitlines()) <= 20
        assert "array(" not in repr(shown)
    assert repr(trap_years) == "TrapYears: 30 trap-years, 6 sites, 5 seasons, 1440 checks, 2325 moths"
    assert found._repr_html_().startswith("<pre>invented borer, season 2018")
