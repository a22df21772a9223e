"""Figures that are made in a notebook are shown by it; those of a report are not."""

from __future__ import annotations

from pathlib import Path

import matplotlib.pyplot as plt

from phenofit.files.pictures import apart_from_pyplot, new_figure
from phenofit.flight import FlightFit
from phenofit.plots import plot_flight
from phenofit.plots.style import figure_of
from tests.forecast.fits import small_fit


def _drawn(fit: FlightFit) -> int:
    before = len(plt.get_fignums())
    plot_flight(fit)
    return len(plt.get_fignums()) - before


def test_a_new_figure_is_that_of_pyplot_where_it_is_loaded() -> None:
    assert _drawn(small_fit()) == 1
    with apart_from_pyplot():
        assert _drawn(small_fit()) == 0
    assert _drawn(small_fit()) == 1


def test_a_panel_of_the_user_is_drawn_on_without_a_new_figure() -> None:
    figure, ax = plt.subplots()
    assert figure_of(plot_flight(small_fit(), ax=ax)) is figure
    assert len(plt.get_fignums()) == 1


def test_a_figure_apart_can_be_saved(tmp_path: Path) -> None:
    with apart_from_pyplot():
        new_figure(2.0, 1.0).savefig(tmp_path / "empty.png")
    assert (tmp_path / "empty.png").stat().st_size > 100
