"""The page: what it says, that it is whole, safe, accessible, and the same each time."""

from __future__ import annotations

import itertools
import re
import struct
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from phenofit.analysis.results import StudyResult
from phenofit.report import render_report
from phenofit.report.page_tables import (
    errors_table,
    estimates_table,
    forecast_tables,
    left_out_tables,
    thresholds_page_table,
)
from phenofit.report.sentences import base_sentence, error_sentences, flight_sentences, season_sentences
from phenofit.report.truth import true_values, truth_sentence
from tests.report.conftest import SPECIES

FIGURES = (
    "base", "calibration", "catches", "cumulative", "dates", "errors", "flight", "records", "residuals", "season",
)  # fmt: skip
SLUG = "tufted-b-test-b-moth"


class Outline(HTMLParser):
    """Collects elements, their attributes and their text."""

    VOID = frozenset(
        {
            "meta",
            "img",
            "br",
            "link",
            "input",
            "hr",
            "path",
            "rect",
            "circle",
            "image",
            "use",
            "stop",
            "line",
            "polyline",
            "polygon",
        }
    )

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.faults: list[str] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing that is open")

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.texts.append(data)

    def named(self, tag: str) -> Iterator[dict[str, str]]:
        return (attributes for name, attributes in self.elements if name == tag)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


@pytest.fixture(scope="module")
def folder(rendered: Path) -> Path:
    return rendered


@pytest.fixture(scope="module")
def page(folder: Path) -> str:
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def outline(page: str) -> Outline:
    parser = Outline()
    parser.feed(page)
    parser.close()
    return parser


def test_page_is_well_formed_and_ids_are_unique(outline: Outline) -> None:
    assert outline.faults == []
    assert outline.open == []
    ids = [attributes["id"] for _, attributes in outline.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = [a["href"][1:] for a in outline.named("a") if a.get("href", "").startswith("#")]
    assert targets
    assert set(targets) <= set(ids)


def test_nothing_is_fetched_from_anywhere(page: str, outline: Outline) -> None:
    for tag, attributes in outline.elements:
        for name in ("src", "href", "data", "poster", "action"):
            value = attributes.get(name, "")
            assert value == "" or value.startswith(("#", "data:")), (tag, value)
    assert "@import" not in page
    assert re.findall(r"url\((?!#|\"?data:)", page) == []
    assert [link["href"] for link in outline.named("link")] == ["data:,"]  # no icon is asked for
    assert not list(outline.named("iframe"))


def test_texts_of_the_data_are_escaped(page: str, outline: Outline) -> None:
    assert "<script>alert(1)" not in page
    assert "<b>test</b>" not in page
    assert "<i>study</i>" not in page
    assert "<em>markup</em>" not in page
    assert SPECIES in outline.text
    assert "Small <i>study</i> & more" in outline.text
    assert "A note with <em>markup</em>." in outline.text


def test_every_picture_has_words_and_every_table_its_heads(outline: Outline) -> None:
    images = list(outline.named("img"))
    assert len(images) == len(FIGURES) + 1
    for image in images:
        assert len(image["alt"]) > 40
        assert image["src"].startswith("data:image/png;base64,")
    tables, captions = list(outline.named("table")), list(outline.named("caption"))
    assert len(tables) == len(captions) >= 6
    assert all(head.get("scope") in ("row", "col") for head in outline.named("th"))


def test_headings_go_down_one_step_at_a_time(outline: Outline) -> None:
    levels = [int(tag[1]) for tag, _ in outline.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    html = next(outline.named("html"))
    assert html["lang"] == "en"


def test_invented_data_is_said_once_at_the_top(page: str, outline: Outline) -> None:
    assert "(invented data)" in page.split("</title>")[0]
    assert outline.text.count("Invented data.") == 1
    assert not any("Invented data" in image["alt"] for image in outline.named("img"))


def test_figure_files_keep_the_mark_since_they_travel_alone(folder: Path) -> None:
    for vector in (folder / "figures").glob("*.svg"):
        assert "invented data" in vector.read_text(encoding="utf-8").lower(), vector.name


@pytest.mark.usefixtures("words_only")
def test_real_data_is_not_called_invented(result: StudyResult, tmp_path: Path) -> None:
    head = result.study.head.model_copy(update={"invented": False})
    real = replace(result, study=result.study.model_copy(update={"head": head}), truth=None)
    render_report(real, tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    body = re.sub(r"data:image/png;base64,[\w+/=]*", "", text)
    assert "Invented data" not in body
    assert "true value" not in body


def test_the_answers_stand_before_any_table(page: str) -> None:
    head = page.split("<table>")[0]
    assert "Half of the flight has flown at" in head
    assert "°C-days (" in head
    assert "95 % interval" in head
    assert "summed from 1 January" in head
    assert "mean absolute error (MAE) of the date" in head
    assert "In 2022, as of 11 Jun 2022" in head


def _positions(text: str, *words: str) -> list[int]:
    return [text.index(word) for word in words]


def test_questions_of_the_season_come_before_the_fit(page: str) -> None:
    card = page.split("</article>")[0]
    heads = [
        f"<dt>{head}" for head in ("This season", "Forecast error", "The flight", "Published", "Goodness")
    ]
    assert _positions(card, *heads) == sorted(_positions(card, *heads))
    names = ("season", "error", "flight", "published", "fit", "data")
    order = _positions(page, *(f'<h3 id="{SLUG}-{name}">' for name in names))
    assert order == sorted(order)
    contents = page.split("<nav")[1].split("</nav>")[0]
    for name in names:
        assert f'href="#{SLUG}-{name}"' in contents


@pytest.mark.usefixtures("words_only")
def test_a_failing_fit_leads_its_card_and_is_said_once(result: StudyResult, tmp_path: Path) -> None:
    species = result.species[0]
    residuals = species.checks.residuals.copy()
    residuals.loc[residuals["residual"].first_valid_index(), "residual"] = 9.0  # no normal value is as large
    problem = "The search did not converge (stopped)."
    poor = replace(
        species,
        fit=replace(species.fit, converged=False, problems=(problem,)),
        checks=replace(species.checks, residuals=residuals),
    )
    assert poor.goodness.warns
    render_report(replace(result, species=(poor,)), tmp_path)
    card = (tmp_path / "report.html").read_text(encoding="utf-8").split("</article>")[0]
    said = ("Before you use this", "The model does not fit in", problem, "<dt>This season")
    assert _positions(card, *said) == sorted(_positions(card, *said))
    assert [card.count(text) for text in said] == [1, 1, 1, 1]
    assert "<dt>Goodness" not in card


def test_cautions_of_the_trade_are_there(outline: Outline) -> None:
    # Common practice, no source: what every page with dates for scouting must say.
    for words in ("label is the law", "licensed applicators", "extension", "pollinators", "scout"):
        assert words in outline.text, words


def test_hashes_and_versions_are_there(page: str, result: StudyResult) -> None:
    for name, digest in result.inputs.hashes.items():
        assert name in page
        assert digest in page
    assert "numpy" in page


def test_no_path_of_this_machine_is_told(page: str, result: StudyResult) -> None:
    assert str(result.study.folder) not in page
    assert str(Path(__file__).parents[2]) not in page


def test_same_result_same_bytes(result: StudyResult, folder: Path, tmp_path: Path) -> None:
    render_report(result, tmp_path)
    first = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    assert first == sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    for name in first:
        assert (folder / name).read_bytes() == (tmp_path / name).read_bytes(), name


def test_figures_are_files_of_print_size(folder: Path) -> None:
    for stem in ("error_by_forecaster", *(f"{SLUG}-{name}" for name in FIGURES)):
        image = (folder / "figures" / f"{stem}.png").read_bytes()
        width, _ = struct.unpack(">II", image[16:24])  # the header of a PNG, ISO/IEC 15948
        assert width >= 1300
        assert b"tEXt" not in image[:200]
        vector = (folder / "figures" / f"{stem}.svg").read_text(encoding="utf-8")
        assert "<dc:date>" not in vector


def test_page_is_small_enough_to_send(folder: Path) -> None:
    assert (folder / "report.html").stat().st_size < 1_500_000


def test_true_values_stand_beside_the_estimates(result: StudyResult) -> None:
    species = result.species[0]
    truth = result.truth["species"][SPECIES] if result.truth else None
    table = estimates_table(species.fit, "terms", truth)
    assert "true value (invented)" in table.columns
    first = dict(zip(table.columns, table.rows[0], strict=True))
    assert first["quantity"] == "base temperature"
    assert first["true value (invented)"] == "10.0"
    low, high = species.fit.interval("base")
    assert low is not None
    assert high is not None
    assert first["inside the interval"] == ("yes" if low <= 10.0 <= high else "no")
    assert estimates_table(species.fit, "terms", None).columns[-1] == "unit"


def test_true_sd_of_trap_years_holds_the_sites_where_the_fit_has_no_site_part(result: StudyResult) -> None:
    fit = result.species[0].fit
    truth = {
        "parameters": [{"parameter": "shift_sd", "flight": None, "value": 3.0, "unit": "degC d"}],
        "site_shifts": {"a": -4.0, "b": 4.0, "c": 0.0},
    }
    without = replace(fit, settings=replace(fit.settings, shifts=("year", "trap-year")))
    assert true_values(without, truth)["shift_sd", None] == pytest.approx(5.0)  # sqrt(3^2 + 4^2)


def test_true_values_are_said_with_what_the_intervals_miss(result: StudyResult) -> None:
    fit = result.species[0].fit
    rows = [
        {"parameter": "base", "flight": None, "value": 10.0, "unit": "degC"},
        {"parameter": "requirement", "flight": 1, "value": 9000.0, "unit": "degC d"},
    ]
    said = truth_sentence(fit, {"parameters": rows})
    assert "base 10.0 °C, requirement 9000 °C-days" in said
    assert "outside their intervals: requirement" in said
    assert truth_sentence(fit, None) == ""


def test_thresholds_show_both_units_with_base_method_and_start(result: StudyResult) -> None:
    table = thresholds_page_table(result.species[0].thresholds)
    row = dict(zip(table.columns, next(r for r in table.rows if r[0] == "published near"), strict=True))
    assert row["°C-days"] == "500"
    assert row["°F-days"] == "900"
    assert row["base"] == "10.0 °C (50.0 °F)"
    assert (row["method"], row["start"]) == ("single sine", "1 January")
    assert row["verdict or source"] == result.species[0].comparisons[0].verdict


def test_errors_are_said_early_or_late_and_best_first(result: StudyResult) -> None:
    scores = result.species[0].scores
    table = errors_table(scores, event="flight_50", scheme="year")
    sizes = [float(row[2]) for row in table.rows]
    assert sizes == sorted(sizes)
    chosen = scores[(scores["event"] == "flight_50") & (scores["forecaster"] == "fitted")].iloc[0]
    fitted = next(row for row in table.rows if row[0] == "fitted here")
    word = "late" if chosen["bias_days"] > 0 else "early"
    assert fitted[4].endswith(word) or fitted[4] == "0.0"
    assert fitted[2] == f"{chosen['mae_days']:.1f}"


@pytest.mark.usefixtures("words_only")
def test_every_scheme_of_validation_has_its_table(result: StudyResult, tmp_path: Path) -> None:
    species = result.species[0]
    later = species.scores.assign(scheme="past")
    both = replace(species, scores=pd.concat([species.scores, later], ignore_index=True))
    render_report(replace(result, species=(both,)), tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    for what in ("leaving out a year at a time", "leaving out all but the past years"):
        for event in ("50 %", "5 %", "95 %"):
            assert f"Error of forecasts of dates for {event} of the flight, {what}" in text
    assert "Each year forecast from the others" in text, "the sentence is about the first scheme"
    assert "Each year forecast from those before it" not in text


def test_left_out_records_are_summed_by_reason_and_told_one_by_one() -> None:
    first = pd.DataFrame(
        {"trap": ["a", "b"], "season": ["2020", "2020"], "reason": ["no heat sum: station S has no temperature on 2020-05-03", "no heat sum: station S has no temperature on 2020-06-01"], "rows": [3, 4], "moths": [11, 0]}
    )  # fmt: skip
    second = pd.DataFrame(
        {"trap": ["a"], "season": ["2021"], "reason": ["lost"], "rows": [2], "lines": ["7, 8"]}
    )
    tables = left_out_tables([first, second])
    assert tables is not None
    short, long = tables
    assert ("no heat sum: station S has no temperature", "7", "11", "2") in short.rows
    assert ("lost", "2", "", "1") in short.rows  # a table that does not know its moths says nothing
    assert ("a", "2021", "lost", "2", "7, 8") in long.rows
    assert sum(int(row[1]) for row in short.rows) == sum(int(row[3]) for row in long.rows) == 9
    assert left_out_tables([first.iloc[:0]]) is None


def test_sentences_name_open_ends_and_held_bases(result: StudyResult) -> None:
    fit = result.species[0].fit
    assert "lies between" in base_sentence(fit)
    flat = replace(fit.profiles["base"], deviance=fit.profiles["base"].deviance * 0.0)
    low, high = float(flat.values.min()), float(flat.values.max())
    opened = replace(fit, profiles={**fit.profiles, "base": replace(flat, low_bound=low, high_bound=high)})
    assert "do not fix the base temperature: its 95 % interval is open on both sides" in base_sentence(opened)
    held = replace(fit, profiles={k: v for k, v in fit.profiles.items() if k != "base"})
    assert "was held at" in base_sentence(held)
    assert "with the base held" in flight_sentences(held)[0]


@pytest.mark.usefixtures("words_only")
def test_a_study_without_validation_or_forecast_still_gives_a_page(
    result: StudyResult, tmp_path: Path
) -> None:
    species = result.species[0]
    bare = replace(
        species, validation=species.validation.iloc[:0], scores=pd.DataFrame(), forecast=None, comparisons=()
    )
    assert error_sentences(bare) == []
    assert season_sentences(None) == []
    render_report(replace(result, species=(bare,)), tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "No forecast could be tested" in text
    assert "No forecast of the present season was made" in text


@pytest.mark.usefixtures("words_only")
def test_places_of_other_species_are_left_out_of_the_forecast(result: StudyResult, tmp_path: Path) -> None:
    species = result.species[0]
    assert species.forecast is not None
    other = species.forecast.iloc[[0]].assign(site="an orchard elsewhere")
    wider = replace(species, forecast=pd.concat([species.forecast, other], ignore_index=True))
    render_report(replace(result, species=(wider,)), tmp_path)
    assert "an orchard elsewhere" not in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_overview_figure_has_the_errors_of_the_scores(result: StudyResult, outline: Outline) -> None:
    scores = result.species[0].scores
    chosen = scores[(scores["event"] == "flight_50")].set_index("forecaster")["mae_days"]
    alt = next(image["alt"] for image in outline.named("img") if "Mean absolute error" in image["alt"])
    assert f"fitted here {chosen['fitted']:.1f} days" in alt
    assert f"mean calendar date {chosen['calendar mean']:.1f} days" in alt
    assert "published threshold near, on its own terms" in alt
    assert "requirement refitted" not in alt


def test_every_forecast_place_has_a_row(page: str, result: StudyResult) -> None:
    forecast = result.species[0].forecast
    assert forecast is not None
    start = page.index("Dates expected in 2022")
    rows = page[start:].split("</table>")[0].count('<th scope="row">')
    assert rows == forecast[["site", "station"]].drop_duplicates().shape[0]


def test_a_remark_on_a_place_stands_beside_it(result: StudyResult) -> None:
    season = result.species[0].forecast
    assert season is not None
    site = str(season["site"].iloc[0])
    (plain,), (table,) = (
        forecast_tables(season),
        forecast_tables(season, {(site, 1): "past forecasts came late"}),
    )
    for before, after in zip(plain.rows, table.rows, strict=True):
        marked = before[0].startswith(f"{site} (")
        assert after[0] == before[0] + ("\npast forecasts came late" if marked else "")
        assert after[1:] == before[1:]
    assert sum("came late" in row[0] for row in table.rows) == 1
