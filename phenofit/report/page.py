"""The page: everything put together and written as one file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from phenofit.analysis.results import SpeciesResult, StudyResult
from phenofit.files import write_text
from phenofit.files.pictures import apart_from_pyplot, save_figure
from phenofit.files.templates import render_template
from phenofit.flight.result import CAUGHT
from phenofit.forecasting.cautions import CAUTIONS
from phenofit.output_folder import species_slug
from phenofit.report.leads import lead_table
from phenofit.report.older_view import older_sentences, older_table
from phenofit.report.page_tables import (
    PageTable,
    errors_table,
    estimates_table,
    forecast_tables,
    left_out_tables,
    links_table,
    stages_tables,
    stations_table,
    thresholds_page_table,
)
from phenofit.report.place_charts import PlaceChart, place_charts
from phenofit.report.residual_view import carried_table, residual_sentences, stray_sentences
from phenofit.report.sentences import (
    base_sentence,
    calendar_sentences,
    drift_sentences,
    error_sentences,
    flight_sentences,
    longest_tested,
    season_sentences,
    terms,
)
from phenofit.report.site_table import late_or_early, site_table
from phenofit.report.station_view import record_sentences, record_tables
from phenofit.report.truth import truth_sentence
from phenofit.report.weather_tables import fetched_table, flags_table
from phenofit.validate.older_forecasters import OLDER
from phenofit.wording import heat_words

_EVENTS = ("flight_50", "flight_5", "flight_95")


@dataclass(frozen=True)
class _Section:
    """What the template needs about one species."""

    species: str
    slug: str
    warnings: tuple[str, ...]  # What must be known before the answers are used.
    fits_in_words: str
    answers: tuple[str, ...]
    errors_in_words: tuple[str, ...]
    season_in_words: tuple[str, ...]
    verdicts: tuple[tuple[str, str, str, str], ...]
    truth_in_words: str
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    estimates: PageTable
    flights_in_words: str
    records_in_words: str
    residuals_in_words: tuple[str, ...]
    questions: tuple[str, ...]
    carried: PageTable | None
    record_tables: tuple[tuple[str, PageTable], ...]
    older: PageTable | None
    older_in_words: tuple[str, ...]
    thresholds: PageTable
    errors: tuple[PageTable, ...]
    leads: PageTable | None
    drift_in_words: tuple[str, ...]
    forecast: tuple[PageTable, ...]
    stages: tuple[PageTable, ...]
    charts: tuple[PlaceChart, ...]
    no_forecast: tuple[str, ...]
    left_out: tuple[PageTable, PageTable] | None
    figures: Mapping[str, Any]
    map: str | None
    sites: PageTable | None
    extent: str
    model: tuple[tuple[str, str], ...]


def render_report(result: StudyResult, out: Path) -> Path:
    """Write ``report.html`` and the folder ``figures`` of a study.

    Parameters
    ----------
    result : StudyResult
        What the run gave.
    out : Path
        Folder for the output.

    Returns
    -------
    Path
        The page: one file with its styles and pictures inside, nothing fetched from anywhere.

    Raises
    ------
    OSError
        If the folder cannot be written.

    Notes
    -----
    Every text of the data is escaped. The page holds no date of its making: the same result gives the same bytes.
    """
    with apart_from_pyplot():
        sections = [_section(result, species, Path(out)) for species in result.species]
        overview = _overview(result, Path(out))
    page = render_template(
        "phenofit.report",
        "report.html",
        title=result.study.title,
        invented=result.study.invented,
        sections=sections,
        run=str(result.provenance.get("run", "")),
        overview=overview,
        links=links_table(result.inputs.links),
        stations=stations_table(result.inputs.weather),
        flags=flags_table(result.inputs.weather),
        fetched=fetched_table(result.inputs.weather),
        credit=[
            str(result.inputs.weather.attrs[key])
            for key in ("attribution", "license")
            if result.inputs.weather.attrs.get(key)
        ],
        filling=result.filling,
        reading_notes=_distinct((*result.inputs.notes, *_occurrences(result))),
        provenance=_facts(result.provenance),
        cautions=CAUTIONS,
    )
    path = Path(out) / "report.html"
    write_text(path, page)
    return path


def _section(result: StudyResult, species: SpeciesResult, out: Path) -> _Section:
    from phenofit.report.drawings import draw_species  # loads matplotlib

    fit, checks = species.fit, species.checks
    slug = species_slug(species.species)
    truth = _truth_of(result, species.species)
    forecast = species.own_forecast
    warnings = _warnings(species)
    return _Section(
        species=species.species,
        slug=slug,
        warnings=warnings,
        fits_in_words=species.goodness.sentence(),
        answers=(*flight_sentences(fit), base_sentence(fit)),
        errors_in_words=tuple(error_sentences(species)),
        season_in_words=tuple(season_sentences(forecast, tested=longest_tested(species.scores))),
        verdicts=tuple(
            (c.threshold.id, c.verdict, c.threshold.words, c.sentence) for c in species.comparisons
        ),
        truth_in_words=truth_sentence(fit, truth),
        problems=tuple(text for text in (*fit.problems, *checks.records.warnings()) if text not in warnings),
        notes=_distinct((*species.notes, *species.records.notes)),
        estimates=estimates_table(fit, terms(fit), truth),
        flights_in_words=checks.flights,
        records_in_words=_ABOUT.get(fit.settings.records, ""),
        residuals_in_words=(
            *residual_sentences(checks.residuals, len(fit.data)),
            *stray_sentences(checks.strays),
            *record_sentences(checks.records),
            *([checks.night.sentence()] if checks.night is not None else []),
        ),
        questions=checks.questions,
        carried=carried_table(fit, checks.carried) if len(checks.carried) else None,
        record_tables=record_tables(checks.records),
        older=older_table(fit, checks.older, species.scores) if len(checks.older) else None,
        older_in_words=tuple(older_sentences(fit, checks.older)) if len(checks.older) else (),
        thresholds=thresholds_page_table(species.thresholds),
        errors=_error_tables(species),
        leads=lead_table(species.scores),
        drift_in_words=tuple(drift_sentences(species.validation)),
        forecast=() if forecast is None else forecast_tables(forecast, late_or_early(species)),
        stages=stages_tables(species.stages),
        charts=place_charts(species),
        no_forecast=_without_forecast(species),
        left_out=left_out_tables([species.records.left_out, fit.left_out]),
        figures=draw_species(result, species, out / "figures", slug),
        map=_map(species, out / "figures", slug),
        sites=site_table(species),
        extent=_extent(species),
        model=_model(species),
    )


def _warnings(species: SpeciesResult) -> tuple[str, ...]:
    """Return what is said before any answer: a model that does not fit, a parameter that the data do not fix."""
    fit, verdict = species.fit, species.goodness
    loose = not fit.converged or any(None in fit.interval(name) for name in fit.profiles)
    return (
        *([verdict.sentence()] if verdict.warns else []),
        *(fit.problems if loose else ()),
        *calendar_sentences(species),
    )


def _overview(result: StudyResult, out: Path) -> Any:
    from phenofit.report.drawings import draw_study  # loads matplotlib

    return draw_study(result, out / "figures")


def _truth_of(result: StudyResult, species: str) -> Mapping[str, Any] | None:
    if result.truth is None:
        return None
    found = result.truth.get("species", {}).get(species)
    return found if isinstance(found, Mapping) and "parameters" in found else None


def _error_tables(species: SpeciesResult) -> tuple[PageTable, ...]:
    """Return a table for each scheme and event, half of the flight under the first scheme first."""
    scores = species.scores
    if scores.empty:
        return ()
    if len(species.checks.older):  # the older rules have a table of their own, with their held-out errors
        scores = scores[~scores["forecaster"].str.startswith(OLDER)]
    found = [(str(scheme), event) for scheme in scores["scheme"].unique() for event in _EVENTS]
    there = set(zip(scores["scheme"], scores["event"], strict=True))
    return tuple(
        errors_table(scores, event=event, scheme=scheme)
        for scheme, event in found
        if (scheme, event) in there
    )


def _without_forecast(species: SpeciesResult) -> tuple[str, ...]:
    if species.forecast is None:
        return ()
    return tuple(f"{site}: {reason}" for site, reason in species.forecast.attrs.get("failed", ()))


def _map(species: SpeciesResult, folder: Path, slug: str) -> str | None:
    """Draw the map into the folder, and return the interactive one, which reacts to pointer and keys."""
    if species.error_map is None:
        return None
    from phenofit.maps.drawing.error_maps import draw_error_map
    from phenofit.maps.drawing.interactive import interactive_map

    figure = draw_error_map(species.error_map)
    for ending in ("png", "svg"):
        save_figure(figure, folder / f"{slug}-map.{ending}")
    # The page says at its top that the data are invented.
    return interactive_map(species.error_map.assign_attrs(invented_data="no"), identifier=f"map-{slug}")


def _extent(species: SpeciesResult) -> str:
    fit = species.fit
    seasons = sorted(fit.data["season"].astype(str).unique())
    span = seasons[0] if len(seasons) == 1 else f"{seasons[0]} to {seasons[-1]}"
    return (
        f"{fit.moths:,} {CAUGHT[fit.settings.records]} in {len(fit.data)} trap-years, {fit.data['trap'].nunique()} traps at "
        f"{fit.data['site'].nunique()} sites, {len(seasons)} seasons ({span})."
    ).replace(",", "\u202f", 1 if fit.moths >= 1000 else 0)


def _model(species: SpeciesResult) -> tuple[tuple[str, str], ...]:
    fit, settings = species.fit, species.fit.settings
    parts = " + ".join(settings.shifts) or "none"
    chosen = "flights choice" in fit.provenance
    return (
        (
            "flights a season",
            f"{settings.flights}{', chosen on all records: held-out forecasts do not choose it again' if chosen else ''}",
        ),
        ("flight curve", str(fit.provenance.get("curve choice", settings.curve))),
        ("heat", heat_words(fit, base=False)),
        ("season", f"{settings.season.start} to {settings.season.end}"),
        ("heat summed from", settings.start_words),
        ("base looked for", f"{settings.base_range[0]:g} to {settings.base_range[1]:g} °C"),
        *_upper_facts(settings.upper_range),
        *((f"{name.replace('_', ' ')} held", f"{value:g}") for name, value in settings.hold.items()),
        *([] if settings.rearing is None else [("rearing data", settings.rearing.describe())]),
        ("shift of trap-years", parts),
        ("records", settings.records),
        ("counts", settings.counts if settings.records == "counts" else "not fitted"),
        ("stray share", f"{fit.parameters['stray_share']:.3g}{', fitted' if settings.stray_fitted else ''}"),
        ("log-likelihood", f"{fit.log_likelihood:.3f}"),
        ("fitted parameters", str(fit.fitted)),
        ("converged", "yes" if fit.converged else "no"),
    )


_ABOUT = {
    "presence": "Fitted here is at which checks there were moths, not how many: each trap-year has a number of moths of its own, "
    "and a check has some with the chance that follows from the flight.",
    "first catch": "Fitted here is when each trap caught its first moth, known between two checks: heat at the first "
    "catch, not at half of the flight, and it does not show the rest of the flight.",
}


def _upper_facts(limits: tuple[float, float] | None) -> tuple[tuple[str, str], ...]:
    return () if limits is None else (("upper threshold looked for", f"{limits[0]:g} to {limits[1]:g} °C"),)


def _occurrences(result: StudyResult) -> tuple[str, ...]:
    part = result.study.occurrences
    if part is None:
        return ()
    terms = f"sampling protocol: {part.sampling_protocol}; datum: {part.geodetic_datum}"
    files = "occurrences.csv and events.csv" if part.events else "occurrences.csv"
    return (f"The catches are also written in Darwin Core terms, in {files} ({terms}).",)


# Shown elsewhere on the page (notes, hashes of the inputs), or of no use to its readers.
_NOT_SHOWN = frozenset({"notes", "findings", "input_files", "featureType"})


def _facts(provenance: Mapping[str, Any]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the provenance as named groups of name and value, without what is empty."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for name, value in provenance.items():
        facts = value.items() if isinstance(value, Mapping) else [(name, value)]
        group = str(name) if isinstance(value, Mapping) else "settings"
        shown = [(str(k), str(v)) for k, v in facts if str(v).strip() and str(k) not in _NOT_SHOWN]
        groups.setdefault(group, []).extend(shown)
    return [(group, facts) for group, facts in groups.items() if facts]


def _distinct(texts: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))
