"""What the page says about the model itself: residuals, trap-years that carry it, older rules, days ahead."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from markupsafe import escape
from scipy.stats import binom, norm

from phenofit.analysis.fit_checks import FITTED_RULE, FitChecks, check_fit
from phenofit.analysis.results import StudyResult
from phenofit.analysis.thresholds_table import thresholds_table
from phenofit.flight.baselines.rule_search import RULES
from phenofit.heat.settings import HeatSettings
from phenofit.plots.residual_data import residual_view
from phenofit.plots.style import wrapped
from phenofit.report import render_report
from phenofit.report.leads import lead_table
from phenofit.report.older_view import older_sentences, older_table
from phenofit.report.page_tables import thresholds_page_table
from phenofit.report.residual_view import carried_table, residual_sentences, stray_sentences
from phenofit.wording import heat_words


def residual_rows(values: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "trap_year": 0,
            "trap": "T<1>",
            "end": pd.Timestamp("2021-06-04"),
            "count": 45,
            "expected": 3.04,
            "heat": np.linspace(100.0, 900.0, len(values)),
            "residual": values,
        }
    )


def test_ordered_residuals_lie_in_their_band_as_often_as_it_says(result: StudyResult) -> None:
    fit = result.species[0].fit
    rng = np.random.default_rng(4)
    n, tries = 40, 400
    inside = np.zeros(n)
    for _ in range(tries):
        view = residual_view(fit, residual_rows(rng.standard_normal(n)))
        assert view is not None
        inside += (view.low <= view.ordered) & (view.ordered <= view.high)
    low, high = (float(binom.ppf(q, tries, 0.95)) for q in (1e-4, 1 - 1e-4))
    assert ((inside >= low) & (inside <= high)).all()


def test_residual_classes_show_where_a_curve_is_wrong(result: StudyResult) -> None:
    fit = result.species[0].fit
    values = np.random.default_rng(5).standard_normal(600)
    values[450:] += 1.0
    view = residual_view(fit, residual_rows(values))
    assert view is not None
    assert (view.class_low[view.class_heat > 700.0] > 0.0).all()
    assert np.abs(view.class_mean[view.class_heat < 650.0]).max() < 0.5
    assert residual_view(fit, residual_rows(values[:10])) is None
    assert residual_view(fit, pd.DataFrame()) is None
    assert residual_sentences(pd.DataFrame()) == []


def test_checks_hard_to_believe_are_named_and_others_are_not() -> None:
    # 200 numbers: the largest of them lies beyond this limit with a chance of 5 %.
    limit = norm.isf(0.05 / 400)
    values = norm.ppf((np.arange(200) + 0.5) / 200)
    calm = residual_sentences(residual_rows(values))
    assert len(calm) == 1
    assert f"(beyond ±{limit:.1f})" in calm[0]
    rows = residual_rows(values)
    known = rows["trap_year"].nunique()
    assert "have none" not in residual_sentences(rows, known)[0]
    assert f"2 of {known + 2} trap-years have none" in residual_sentences(rows, known + 2)[0]
    values[7] = limit + 0.5
    wild = residual_sentences(residual_rows(values))
    assert "trap T<1>, check of 4 Jun 2021 (45 moths, 3.0 expected; residual 4.2)" in wild[1]
    assert wild[1].count("trap") == 1


def test_catches_taken_for_strays_are_named() -> None:
    table = pd.DataFrame(
        {
            "trap": ["T1", "T2"],
            "end": pd.Timestamp("2021-10-04"),
            "count": [1, 30],
            "share": [0.93, 0.02],
            "claimed": [True, False],
        }
    )
    said = stray_sentences(table)
    assert len(said) == 1
    assert "trap T1, check of 4 Oct 2021 (1 moth, strays with a share of 93 %)." in said[0]
    assert "No catch is attributed to strays" in stray_sentences(table[1:])[0]
    assert stray_sentences(table[:0]) == []


def test_residuals_of_the_small_study_are_those_of_a_true_model(result: StudyResult, rendered: Path) -> None:
    species = result.species[0]
    assert species.checks.notes == ()
    residuals = species.checks.residuals["residual"].dropna()
    assert len(residuals) > 100
    assert residuals.std() == pytest.approx(1.0, abs=0.15)
    text = (rendered / "report.html").read_text(encoding="utf-8")
    assert f"The residuals of {len(residuals)} checks have mean" in text
    for summary in (
        "Trap-years that move base and requirement most",
        "Traditional base-temperature methods, beside the fit",
    ):
        assert summary in text


def test_trap_years_that_carry_the_fit_are_told_largest_first(result: StudyResult) -> None:
    species = result.species[0]
    table = carried_table(species.fit, species.checks.carried, most=3)
    assert table.columns == ("trap-year", "moths", "base [°C]", "requirement [°C-days]", "in standard errors")
    sizes = [float(row[-1]) for row in table.rows]
    assert len(sizes) == 3
    assert sizes == sorted(sizes, reverse=True)
    first = species.checks.carried.iloc[0]
    assert table.rows[0][0] == f"{first['trap']}, {first['season']}"
    # A lower base goes with a higher requirement.
    assert {row[2][0] for row in table.rows} <= {"+", "−"}
    assert all((row[2][0] == "+") != (row[3][0] == "+") for row in table.rows)


def test_older_rules_stand_beside_the_fit_on_the_same_dates(result: StudyResult) -> None:
    species = result.species[0]
    older = species.checks.older
    assert list(older["rule"]) == [FITTED_RULE, *RULES]
    assert older["trap_years"].nunique() == 1
    own = older.iloc[0]
    assert own["base"] == species.fit.base
    assert own["scatter_days"] == own["scatter_at_fit"]
    # The rule that makes it smallest has no larger scatter in days than any base on the same dates.
    least = older.set_index("rule").loc["least SD in days"]
    assert least["scatter_days"] <= own["scatter_days"] + 1e-9
    assert least["scatter_days"] == pytest.approx(least["criterion"], rel=1e-6)
    table = older_table(species.fit, older, species.scores)
    assert len(table.rows) == 6
    assert not any("held out" in name for name in table.columns)
    assert "single sine" in table.caption
    assert "1 January" in table.caption


def test_older_rules_that_were_validated_show_their_held_out_error(result: StudyResult) -> None:
    species = result.species[0]
    fitted = species.scores[species.scores["forecaster"] == "fitted"]
    rule = fitted.assign(forecaster="older rule: least SD in days", mae_days=9.87)
    scores = pd.concat([species.scores, rule], ignore_index=True)
    table = older_table(species.fit, species.checks.older, scores)
    shown = {row[0]: row[-1] for row in table.rows}
    assert shown["least SD in days"] == "9.9"
    assert shown["x-intercept"] == ""
    expected = fitted[(fitted["event"] == "flight_50") & fitted["lead_days"].isna()]["mae_days"].iloc[0]
    assert shown[FITTED_RULE] == f"{expected:.1f}"


def test_where_a_rule_goes_is_said_from_its_numbers(result: StudyResult) -> None:
    fit = result.species[0].fit
    older = result.species[0].checks.older.copy().set_index("rule")
    older.loc["least SD in degree-days", ["base", "spread", "requirement", "scatter_days"]] = [
        20.0,
        11.0,
        99.0,
        7.7,
    ]
    older.loc["least SD in days", "base"] = fit.base
    older.loc["x-intercept", ["base", "scatter_days"]] = [-29.0, 6.1]
    older[["spread_at_fit", "mean_at_fit", "scatter_at_fit"]] = [51.0, 619.0, 4.4]
    said = older_sentences(fit, older.reset_index())
    assert f"Least SD in days ({fit.base:.1f} °C)" in said[0]
    assert "inside the interval of the fitted base" in said[0]
    sd = next(text for text in said if text.startswith("Least SD in degree-days"))
    assert "gives no base, only the end of the search at 20.0 °C" in sd
    assert "goes from 51 to 11 °C-days, but the sum itself from 619 to 99" in sd
    assert "in days the scatter is 7.7, more than 4.4 at the fitted base" in sd
    line = next(text for text in said if text.startswith("X-intercept"))
    assert "gives −29.0 °C, outside the search" in line
    held = replace(fit, profiles={k: v for k, v in fit.profiles.items() if k != "base"})
    assert "of the base that was held" in older_sentences(held, older.reset_index())[0]


@pytest.mark.usefixtures("words_only")
def test_what_cannot_be_looked_at_is_noted_and_left_away(result: StudyResult, tmp_path: Path) -> None:
    species = result.species[0]
    few = species.records.only(species.records.trap_years.years["year"].to_numpy() == 2018)
    checks = check_fit(species.fit, few, min_moths=5, seed=1)
    assert checks.residuals.empty
    assert checks.carried.empty
    assert checks.night is None
    assert any(note.startswith("No test of the weather of nights: ") for note in checks.notes)
    assert any(note.startswith("No residuals of the checks: ") for note in checks.notes)
    bare = replace(species, checks=FitChecks(flights="Two flights <b>told</b>."))
    render_report(replace(result, species=(bare,)), tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Traditional base-temperature methods" not in text
    assert "Two flights &lt;b&gt;told&lt;/b&gt;." in text


def test_the_page_says_whether_catches_follow_the_nights(result: StudyResult, rendered: Path) -> None:
    species = result.species[0]
    assert species.checks.night is not None
    said = str(escape(species.checks.night.sentence()))
    assert said in (rendered / "report.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_fit_with_the_effect_of_nights_is_not_tested_for_it(result: StudyResult) -> None:
    species = result.species[0]
    having = replace(species.fit, settings=replace(species.fit.settings, night_weather="tmin"))
    assert check_fit(having, species.records, min_moths=5, seed=1).night is None


@pytest.mark.usefixtures("words_only")
def test_errors_by_days_ahead(result: StudyResult, tmp_path: Path) -> None:
    species = result.species[0]
    known = species.scores
    ahead = pd.concat(
        [known.assign(lead_days=lead, mae_days=known["mae_days"] + 0.25 * lead) for lead in (0.0, 28.0, 7.0)]
    )
    table = lead_table(pd.concat([known, ahead], ignore_index=True))
    assert table is not None
    heads = ("28 days ahead [days]", "7 days ahead [days]", "0 days ahead [days]", "weather known [days]")
    assert table.columns[1:] == heads
    row = next(row for row in table.rows if row[0] == "fitted here")
    mae = known[(known["event"] == "flight_50") & (known["forecaster"] == "fitted")]["mae_days"].iloc[0]
    assert row[1:] == (f"{mae + 7:.1f}", f"{mae + 1.75:.1f}", f"{mae:.1f}", f"{mae:.1f}")
    assert lead_table(known) is None
    assert lead_table(pd.DataFrame()) is None
    both = replace(species, scores=pd.concat([known, ahead], ignore_index=True))
    render_report(replace(result, species=(both,)), tmp_path)
    assert "28 days ahead [days]" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_a_fitted_upper_threshold_is_short_and_fits_below_a_figure(result: StudyResult) -> None:
    fit = result.species[0].fit
    settings = replace(fit.settings, heat=HeatSettings(upper=29.70351))
    warm = replace(fit, settings=settings, parameters={**fit.parameters, "base": 10.02914})
    words = heat_words(warm)
    assert words == "single sine, base 10 °C, upper threshold 29.7 °C (horizontal cut-off)"
    assert "base" not in heat_words(warm, base=False)
    label = wrapped(f"heat at the middle of the check interval [°C-days; {words}]", 52)
    assert max(map(len, label.splitlines())) <= 52
    assert label.replace("\n", " ").endswith("cut-off)]")
    table = thresholds_page_table(thresholds_table("moth", warm))
    assert table.rows[0][7] == "single sine, upper 29.7 °C horizontal"
