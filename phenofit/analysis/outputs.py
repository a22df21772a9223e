"""The tables, fit files and maps of a study, written to their fixed names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.analysis.thresholds_table import THRESHOLD_COLUMNS
from phenofit.files import write_csv, writing
from phenofit.output_folder import species_slug
from phenofit.traps import split_events, to_darwin_core, write_darwin_core
from phenofit.validate.scores import SCORE_COLUMNS

if TYPE_CHECKING:
    import xarray as xr

    from phenofit.analysis.results import StudyResult
    from phenofit.flight import FlightFit
    from phenofit.records import Records
    from phenofit.study.sections import OccurrencesPart

FLIGHT_COLUMNS = ("parameter", "flight", "estimate", "low", "high", "unit", "species", "note", "run")
THRESHOLD_FILE_COLUMNS = (*THRESHOLD_COLUMNS, "run")
SCORE_FILE_COLUMNS = (*SCORE_COLUMNS, "note", "run")
RUN_FILES = (
    "report.html", "field.html", "flights.csv", "thresholds.csv", "validation.csv", "scores.csv", "error_map.nc", "figures/",
    "occurrences.csv", "events.csv",
)  # fmt: skip
"""What a run of a study writes, apart from the fit file of each species; ``figures/`` is a folder."""
INVENTED = "invented data"
OCCURRENCES, EVENTS = "occurrences.csv", "events.csv"


# Note on the parameters of a fit by the records that it uses.
_RECORDS = {
    "counts": "",
    "presence": "fitted to presence at checks",
    "first catch": "of first catches, not of the flight",
}


def write_flights(
    path: Path, fits: Mapping[str, FlightFit], *, invented: bool = False, run: str = ""
) -> None:
    """Write the estimates of one or more fits."""
    rows: list[dict[str, object]] = []
    for species, fit in fits.items():
        about = (
            INVENTED if invented else "",
            "" if fit.converged else "the search did not converge",
            _RECORDS[fit.settings.records],
        )
        for row in _records(fit.estimates):
            rows.append({**row, "species": species, "note": _joined(*about, row["note"])})
    _write(path, FLIGHT_COLUMNS, rows, run)


def write_fit(folder: Path, species: str, fit: FlightFit, *, run: str = "") -> Path:
    """Write one fit as ``fit-SPECIES.json`` and return where."""
    target = folder / f"fit-{species_slug(species)}.json"
    marked = replace(fit, provenance={**fit.provenance, "run": run}) if run else fit
    marked.to_json(target)
    return target


def write_thresholds(
    path: Path, tables: Iterable[pd.DataFrame], *, invented: bool = False, run: str = ""
) -> None:
    """Write the thresholds tables of all species as one."""
    rows = [row for table in tables for row in _records(table)]
    if invented:
        rows = [{**row, "source": _invented_source(row)} for row in rows]
    _write(path, THRESHOLD_FILE_COLUMNS, rows, run)


def write_validation(
    path: Path, tables: Sequence[pd.DataFrame], *, invented: bool = False, run: str = ""
) -> None:
    """Write the validation tables of all species as one."""
    if invented:
        tables = [table.assign(invented=True) for table in tables]
    columns = [str(c) for c in tables[0].columns] if tables else []
    rows = [row for table in tables for row in _records(_dates_to_the_minute(table))]
    _write(path, (*columns, "run"), rows, run)


def write_dates(path: Path, tables: Sequence[pd.DataFrame], *, invented: bool = False, run: str = "") -> None:
    """Write forecasts of all species as one table, each date as a day."""
    days = []
    for table in tables:
        dates = table.select_dtypes("datetime").columns
        days.append(table.assign(**{str(c): table[c].dt.strftime("%Y-%m-%d").fillna("") for c in dates}))
    write_validation(path, days, invented=invented, run=run)


def write_scores(
    path: Path, tables: Sequence[pd.DataFrame], *, invented: bool = False, run: str = ""
) -> None:
    """Write the scores of all species as one table."""
    note = INVENTED if invented else ""
    rows = [{**row, "note": note} for table in tables for row in _records(table)]
    _write(path, SCORE_FILE_COLUMNS, rows, run)


def write_maps(folder: Path, maps: Mapping[str, xr.Dataset], *, run: str = "") -> None:
    """Write the error maps: one file per species, and the first also as ``error_map.nc``."""
    names = [folder / f"error_map-{species_slug(s)}.nc" for s in maps] if len(maps) > 1 else []
    targets = list(zip(names, maps.values(), strict=False))
    if maps:
        targets.insert(0, (folder / "error_map.nc", next(iter(maps.values()))))
    for target, dataset in targets:
        with writing(target) as temporary:
            dataset.assign_attrs(run=run).to_netcdf(temporary, engine="netcdf4")


def write_tables(result: StudyResult, out: Path, *, run: str = "") -> None:
    """Write every table, fit file and map of a study result."""
    found, invented = result.species, result.study.invented
    fits = {s.species: s.fit for s in found}
    write_flights(out / "flights.csv", fits, invented=invented, run=run)
    write_thresholds(out / "thresholds.csv", [s.thresholds for s in found], invented=invented, run=run)
    write_validation(out / "validation.csv", [s.validation for s in found], invented=invented, run=run)
    write_scores(out / "scores.csv", [s.scores for s in found], invented=invented, run=run)
    for species, fit in fits.items():
        write_fit(out, species, fit, run=run)
    write_maps(out, {s.species: s.error_map for s in found if s.error_map is not None}, run=run)
    if result.study.occurrences is not None:
        write_occurrences(result.study.occurrences, {s.species: s.records for s in found}, out)


def write_occurrences(part: OccurrencesPart, records: Mapping[str, Records], out: Path) -> list[str]:
    """Write the catches of all species as Darwin Core occurrences, as ``[occurrences]`` asks; return the file names."""
    tables = [
        to_darwin_core(
            one.trap_years,
            scientific_name=species,
            sampling_protocol=part.sampling_protocol,
            geodetic_datum=part.geodetic_datum,
            dataset=part.dataset,
        )
        for species, one in records.items()
    ]
    table = pd.concat(tables, ignore_index=True)
    written = [OCCURRENCES]
    if part.events:
        events, table = split_events(table)
        write_darwin_core(out / EVENTS, events)
        written.append(EVENTS)
    write_darwin_core(out / OCCURRENCES, table)
    return written


def _write(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, object]], run: str) -> None:
    write_csv(path, columns, ({**_rounded(row), "run": run} for row in rows))


def _records(table: pd.DataFrame) -> list[dict[str, object]]:
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def _joined(*parts: Any) -> str:
    return "; ".join(part for part in parts if isinstance(part, str) and part)


def _invented_source(row: Mapping[str, object]) -> str:
    if row["kind"] == "fitted":
        return _joined(INVENTED, row["source"])
    return _joined(row["source"], f"verdict on {INVENTED}")


def _rounded(row: Mapping[str, object]) -> dict[str, object]:
    # Ten digits: more than anyone uses, few enough that the last bits of a sum do not show.
    return {k: float(f"{v:.10g}") if isinstance(v, float) else v for k, v in row.items()}


def _dates_to_the_minute(table: pd.DataFrame) -> pd.DataFrame:
    dated = table.select_dtypes("datetime").columns
    # NumPy writes a date to the minute as ISO does, and much faster than pandas.
    minutes = {str(c): np.datetime_as_string(table[c].to_numpy().astype("datetime64[m]")) for c in dated}
    return table.assign(**{c: np.where(text == "NaT", "", text) for c, text in minutes.items()})
