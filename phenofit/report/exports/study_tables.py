"""Every result of a study as a rounded table in a file of its own, for a thesis."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from phenofit.analysis.results import SpeciesResult, StudyResult
from phenofit.files import write_text
from phenofit.output_folder import species_slug
from phenofit.report.exports.result_tables import TABLE_FORMS, ResultTable, comparison_table, fit_notes
from phenofit.report.leads import lead_table
from phenofit.report.page_tables import (
    errors_table,
    estimates_table,
    forecast_tables,
    stages_tables,
    thresholds_page_table,
)
from phenofit.report.sentences import terms
from phenofit.report.site_table import late_or_early, site_table
from phenofit.validate.older_forecasters import OLDER

_INVENTED = "Invented data."


def write_result_tables(result: StudyResult, folder: Path, form: str) -> list[str]:
    """Write the tables of a study, each into a file of its own.

    Parameters
    ----------
    result : StudyResult
        What the study gave.
    folder : Path
        The folder; made where absent.
    form : str
        ``"md"`` (Markdown), ``"tex"`` (LaTeX, with the package booktabs) or ``"csv"``. The captions and notes of CSV
        tables are in ``notes.csv``.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    ValueError
        If there is no such form.
    OSError
        If the folder cannot be written.
    """
    if form not in TABLE_FORMS:
        raise ValueError(f"form must be one of {', '.join(TABLE_FORMS)}; this is '{form}'.")
    folder.mkdir(exist_ok=True)
    origin = [_INVENTED] if result.study.invented else []
    run = result.provenance.get("run")
    end = [] if run is None else [f"Run {run}."]
    names, notes = [], []
    for species in result.species:
        for name, table in study_tables(species):
            full = ResultTable(
                f"{species.species}: {table.caption}",
                table.columns,
                table.rows,
                (*origin, *table.notes, *end),
            )
            names.append(f"{species_slug(species.species)}-{name}.{form}")
            text = {"md": full.to_markdown, "tex": full.to_latex, "csv": full.to_csv}[form]()
            write_text(folder / names[-1], text)
            notes += [(names[-1], line) for line in (full.caption, *full.notes)]
    if form == "csv":
        names.append("notes.csv")
        write_text(folder / names[-1], ResultTable("", ("table", "note"), tuple(notes)).to_csv())
    return names


def study_tables(species: SpeciesResult) -> Iterator[tuple[str, ResultTable]]:
    """Return the tables of one species by name: the estimates first, the season's dates last."""
    fit = species.fit
    yield "estimates", ResultTable.of(estimates_table(fit, terms(fit), None), fit_notes(fit))
    yield "thresholds", ResultTable.of(thresholds_page_table(species.thresholds))
    if species.comparisons:
        yield "published", comparison_table(species.comparisons)
    scores = species.scores
    if len(scores):
        mine = scores[~scores["forecaster"].str.startswith(OLDER)]
        for scheme in mine["scheme"].unique():
            for event in mine.loc[mine["scheme"] == scheme, "event"].unique():
                name = f"errors-{scheme}-{event}".replace(" ", "-")
                yield name, ResultTable.of(errors_table(mine, event=str(event), scheme=str(scheme)))
    if (leads := lead_table(scores)) is not None:
        yield "lead-times", ResultTable.of(leads)
    if (sites := site_table(species)) is not None:
        yield "sites", ResultTable.of(sites)
    if (season := species.own_forecast) is not None:
        tables = forecast_tables(season, late_or_early(species))
        for flight, table in enumerate(tables, start=1):
            yield f"season-flight-{flight}" if len(tables) > 1 else "season", ResultTable.of(table)
    for flight, table in enumerate(stages := stages_tables(species.stages), start=1):
        yield f"stages-flight-{flight}" if len(stages) > 1 else "stages", ResultTable.of(table)
