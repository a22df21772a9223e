"""The figures against stored pictures, made from fixed numbers, so that only the drawing can change them.

To store new pictures after a wanted change: ``PHENOFIT_STORE_IMAGES=1 python -m pytest tests/report/test_figure_images.py``,
then look at them.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.image import imread, imsave
from scipy.stats import norm

from phenofit.analysis.results import StudyResult
from phenofit.errors import ModelError
from phenofit.files.pictures import figure_bytes
from phenofit.flight import FlightFit, JointRegion
from phenofit.plots import plot_base, plot_catches, plot_dates, plot_errors, plot_region
from phenofit.plots.calibration_data import Calibration
from phenofit.plots.calibration_plots import draw_calibration
from phenofit.plots.cumulative_curves import CumulativeCurve
from phenofit.plots.flight_curves import CatchCurve, SeasonHeat
from phenofit.plots.flight_plots import draw_cumulative, draw_flight
from phenofit.plots.residual_data import residual_view
from phenofit.plots.residual_plots import draw_residuals
from phenofit.plots.score_groups import ScoreGroup, ScoreRow
from phenofit.plots.score_plots import draw_scores
from phenofit.plots.season_plots import draw_heat
from phenofit.plots.style import SERIES, Panels, figure_of, letters, one_panel, panels_of, stamp, styled
from phenofit.seasons import Season
from phenofit.validate import PublishedThreshold

STORED = Path(__file__).parents[1] / "images" / "report"
SEASON = Season.parse("01-01", "10-31")


def grey(picture: np.ndarray) -> np.ndarray:
    """Return a picture in grey at a quarter of its size: what is left when letters of another build are blurred."""
    light = picture[..., :3] @ np.array([0.299, 0.587, 0.114])  # ITU-R BT.601
    height, width = (4 * (n // 4) for n in light.shape)
    return np.asarray(light[:height, :width].reshape(height // 4, 4, width // 4, 4).mean(axis=(1, 3)))


def on_one(height: float, draw: Callable[[Axes], object]) -> Figure:
    with styled("phenofit"):
        axes = one_panel(None, height)
        draw(axes)
    return figure_of(axes)


def on_two(height: float, draw: Callable[[Panels], None]) -> Figure:
    with styled("phenofit"):
        panels = panels_of(None, 2, height, ratios=(1.5, 1.0))
        draw(panels)
    return figure_of(panels)


def flight(result: StudyResult) -> Figure:
    fit = result.species[0].fit
    fixed = replace(fit, parameters={**fit.parameters, "base": 10.0})
    edges = np.linspace(300.0, 900.0, 31)
    heat = np.linspace(300.0, 900.0, 200)
    caught = 100 * np.diff(norm.cdf(edges, 610, 95)) * (1 + 0.1 * np.sin(edges[1:]))
    flown = 100 * (norm.cdf(heat + 10, 600, 90) - norm.cdf(heat - 10, 600, 90))
    return on_one(
        3.1, lambda axes: draw_flight(CatchCurve(edges, caught, heat, flown, (600.0,), 120), fixed, ax=axes)
    )


def base(result: StudyResult) -> Figure:
    fit = result.species[0].fit
    values = np.array([7.0, 8.5, 10.0, 11.0, 12.0])
    profile = replace(
        fit.profiles["base"], estimate=10.0, values=values, deviance=np.array([9.0, 2.2, 0.0, 1.5, 6.0]),
        low_bound=-5.0, high_bound=20.0, degrees=7.0,
        path=np.column_stack([values, 600.0 - 62.5 * (values - 10.0)]),
    )  # fmt: skip
    settings = replace(fit.settings, flights=1)
    parameters = {**fit.parameters, "base": 10.0, "requirement_1": 600.0}
    fixed = replace(fit, profiles={"base": profile}, settings=settings, parameters=parameters)
    angle = np.linspace(0.0, 2.0 * np.pi, 60)
    outline = np.column_stack(
        [10.0 + 2.4 * np.cos(angle), 600.0 - 150.0 * np.cos(angle) + 12.0 * np.sin(angle)]
    )
    names, units = ("base", "requirement_1"), ("degC", "degC d")
    region = JointRegion(names, units, 0.95, 6.0, (10.0, 600.0), outline, ())
    panels = panels_of(None, 2, 2.9)
    plot_base(fixed, ax=panels[0])
    plot_region(fixed, region, ax=panels[1])
    return figure_of(panels)


def table() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    rows = []
    for year in range(2018, 2023):
        for trap in range(6):
            seen = pd.Timestamp(f"{year}-07-01T12:00") + pd.Timedelta(days=float(rng.normal(0, 6)))
            for name, wide in (("fitted", 3.0), ("calendar mean", 8.0)):
                error = round(float(rng.normal(0, wide)), 2)
                rows.append(
                    (
                        "year",
                        np.nan,
                        "flight_50",
                        1,
                        f"t{trap}",
                        f"{year}",
                        year,
                        name,
                        seen,
                        seen + pd.Timedelta(days=error),
                        error,
                    )
                )
    columns = [
        "scheme",
        "lead_days",
        "event",
        "flight",
        "trap",
        "season",
        "year",
        "forecaster",
        "observed",
        "predicted",
        "error_days",
    ]
    return pd.DataFrame(rows, columns=columns)


def dates(_result: StudyResult) -> Figure:
    return figure_of(plot_dates(table(), season=SEASON))


def errors(_result: StudyResult) -> Figure:
    return figure_of(plot_errors(table()))


def season(_result: StudyResult) -> Figure:
    days = np.arange(304.0)
    past = {f"{2018 + k}": np.maximum(days - 90, 0) ** 1.25 * (0.9 + 0.05 * k) for k in range(5)}
    now = np.where(days < 150, np.maximum(days - 85, 0) ** 1.25, np.nan)
    heat = SeasonHeat("S1", days, past, ("2023", now), ((250.0, 330.0, 420.0), (560.0, 660.0, 760.0)))
    return on_one(3.3, lambda axes: draw_heat(axes, heat, SEASON, words="single sine, base 10 °C"))


def scores(_result: StudyResult) -> Figure:
    rows = (
        ScoreRow("fitted here", "fitted", 2.8, 2.5, 3.1),
        ScoreRow("published threshold x, on its own terms", "published", 7.1, 6.3, 8.9),
        ScoreRow("mean calendar date", "calendar", 7.7, 4.2, 11.2),
    )
    groups = (ScoreGroup("first moth", rows), ScoreGroup("second moth, flight 2", rows[::2]))
    return on_one(2.4, lambda axes: draw_scores(axes, groups))


def calibration(_result: StudyResult) -> Figure:
    nominal = np.array([0.5, 0.8, 0.95])
    parts = [
        Calibration(
            flight, np.linspace(0, 1, 11), np.array(share) / 100, nominal, nominal - off, nominal - off - 0.06,
            np.minimum(nominal - off + 0.05, 1.0), 120,
        )
        for flight, share, off in (
            (1, [9, 11, 10, 8, 12, 10, 9, 11, 10, 10], 0.01),
            (2, [16, 12, 8, 7, 6, 6, 7, 9, 12, 17], 0.09),
        )
    ]  # fmt: skip
    return on_two(2.6, lambda panels: draw_calibration(panels, parts))


def residuals(result: StudyResult) -> Figure:
    rng = np.random.default_rng(8)
    heat = rng.uniform(150.0, 900.0, 600)
    rows = pd.DataFrame({"heat": heat, "residual": rng.standard_normal(600) + 0.4 * (heat > 700.0)})
    fit = result.species[0].fit
    view = residual_view(replace(fit, parameters={**fit.parameters, "requirement_1": 600.0}), rows)
    assert view is not None
    return on_two(2.9, lambda panels: draw_residuals(panels, view, words="single sine, base 10 °C"))


def cumulative(result: StudyResult) -> Figure:
    heat = np.linspace(300.0, 900.0, 60)
    fit = result.species[0].fit
    fixed = replace(fit, parameters={**fit.parameters, "base": 10.0})
    low, typical, high = (100 * norm.cdf(heat, middle, 80) for middle in (620, 600, 580))
    trap_low, trap_high = (100 * norm.cdf(heat, middle, 90) for middle in (700, 510))
    lines = tuple(np.column_stack([heat, 100 * norm.cdf(heat, 560 + 20 * k, 70)])[::6] for k in range(5))
    curve = CumulativeCurve(heat, typical, low, high, trap_low, trap_high, lines)
    return on_one(3.3, lambda axes: draw_cumulative(curve, fixed, ax=axes))


def catches(_result: StudyResult) -> Figure:
    rows = []
    for trap, shift in (("T1", 0.0), ("T2", 12.0), ("T3", -8.0), ("T4", 5.0)):
        for day in np.arange(120.0, 240.0, 7.0):
            if trap == "T2" and day in (162.0, 169.0):
                continue
            start = np.datetime64("2021-01-01T12", "ns") + np.timedelta64(int(day), "D")
            expected = 60 * norm.pdf(day, 180, 20) * 7
            count = round(60 * norm.pdf(day, 180 + shift, 18) * 7)
            rows.append((trap, "2021", 2021, start, start + np.timedelta64(7, "D"), count, expected))
    columns = ["trap", "season", "year", "start", "end", "count", "expected"]
    return figure_of(plot_catches(pd.DataFrame(rows, columns=columns), season=SEASON))


DRAWINGS: dict[str, Callable[[StudyResult], Figure]] = {
    "flight": flight,
    "base": base,
    "calibration": calibration,
    "catches": catches,
    "cumulative": cumulative,
    "dates": dates,
    "errors": errors,
    "residuals": residuals,
    "season": season,
    "scores": scores,
}


@pytest.mark.parametrize("name", list(DRAWINGS))
def test_figure_is_the_stored_one(name: str, result: StudyResult) -> None:
    figure = DRAWINGS[name](result)
    stamp(figure)
    drawn = grey(imread(BytesIO(figure_bytes(figure)), format="png"))
    path = STORED / f"{name}.png"
    if os.environ.get("PHENOFIT_STORE_IMAGES"):
        STORED.mkdir(parents=True, exist_ok=True)
        imsave(path, drawn, cmap="gray", vmin=0, vmax=1, metadata={"Software": ""})
    stored = imread(path)[..., 0]
    assert drawn.shape == stored.shape
    # A moved curve or label differs by far more; another build of the letters by less.
    assert float(np.abs(drawn - stored).mean()) < 0.008
    assert float((np.abs(drawn - stored) > 0.35).mean()) < 0.006


def test_a_moved_curve_would_be_noticed(result: StudyResult) -> None:
    stored = imread(STORED / "season.png")[..., 0]
    moved = np.roll(stored, 6, axis=1)
    assert float((np.abs(moved - stored) > 0.35).mean()) > 0.006


def test_series_are_told_apart_without_colour() -> None:
    assert len({marker for _, marker, _ in SERIES}) == len(SERIES)
    assert len({str(dash) for _, _, dash in SERIES}) == len(SERIES)


def test_an_open_end_is_written_into_the_picture(result: StudyResult) -> None:
    fit = result.species[0].fit
    flat = replace(fit.profiles["base"], deviance=0.0 * fit.profiles["base"].deviance)
    opened = replace(
        fit,
        profiles={
            "base": replace(flat, low_bound=float(flat.values.min()), high_bound=float(flat.values.max()))
        },
    )
    assert [text.get_text() for text in plot_base(opened).texts].count("open") == 2


def test_the_stamp_is_in_the_picture(result: StudyResult) -> None:
    plain, stamped = season(result), season(result)
    stamp(stamped)
    assert figure_bytes(plain) != figure_bytes(stamped)
    assert stamped.get_suptitle() == "invented data"


def published(
    fit: FlightFit, name: str, base: float, amount: float, event: str = "flight_50"
) -> PublishedThreshold:
    return PublishedThreshold(
        id=name, species="moth", event=event, amount=amount, unit="degC d", base=base, flight=1,
        method=fit.settings.heat.method, start=fit.settings.start_words, source="invented",
    )  # fmt: skip


def test_published_pairs_are_marked_in_the_region(result: StudyResult) -> None:
    fit = result.species[0].fit
    pairs = [
        published(fit, "of a bulletin", fit.base, fit.requirement(1)),
        published(fit, "far", fit.base + 9.0, 50.0),
        published(fit, "of another event", fit.base, 300.0, event="flight_5"),
    ]
    axes = plot_region(fit, result.species[0].checks.regions[1], thresholds=pairs)
    legend = axes.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["of a bulletin", "far"]
    # The far pair is inside of the panel.
    assert axes.get_xlim()[1] > fit.base + 9.0
    assert axes.get_ylim()[0] < 50.0


def test_figures_are_drawn_on_panels_of_ones_own(result: StudyResult) -> None:
    own = Figure()
    left, right = own.subplots(1, 2)
    assert plot_base(result.species[0].fit, ax=left) is left
    assert list(plot_dates(table(), season=SEASON, ax=[right])) == [right]
    assert own.axes == [left, right]
    with pytest.raises(ModelError, match="ax has 2 panels; this figure has 1"):
        plot_dates(table(), season=SEASON, ax=[left, right])


def test_the_style_is_ours_or_theirs(result: StudyResult) -> None:
    fit = result.species[0].fit
    with matplotlib.rc_context({"axes.labelsize": 17.0, "axes.grid": False}):
        theirs, ours = plot_base(fit, style=None), plot_base(fit)
        assert matplotlib.rcParams["axes.labelsize"] == 17.0
    assert theirs.xaxis.label.get_fontsize() == 17.0
    assert ours.xaxis.label.get_fontsize() == 8.5  # as in the style sheet
    with pytest.raises(ModelError, match="no style 'gaudy'"):
        plot_base(fit, style="gaudy")


def test_letters_stand_where_there_are_several_panels() -> None:
    assert letters(1) == [""]
    assert letters(3) == ["(a) ", "(b) ", "(c) "]
