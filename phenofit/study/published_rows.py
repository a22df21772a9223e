"""The ``[[published]]`` entries of a study: rows of the table that comes with phenofit, or written out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.tables import nearest
from phenofit.study.fields import TEMPERATURE_WAYS, unit_fault
from phenofit.validate.thresholds.published_table import find_published, threshold_from_record
from phenofit.validate.thresholds.threshold import PublishedThreshold

_WITH_ID = ("id", "species", "flight")
_TEMPERATURES = {"base", "upper"}
_DISTINGUISHING = ("flight", "amount", "base", "method", "start", "upper", "cutoff", "region", "source")
"""Values that make the ids of entries without an id differ, the most useful first."""


def published_rows(
    entries: Any, species: Sequence[str], *, file: str, lines: Sequence[int | None]
) -> tuple[tuple[PublishedThreshold, ...], list[Problem]]:
    """Read the entries."""
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        return (), [Problem("[published] is no list.", "Write [[published]] above each entry.", file)]
    rows: list[PublishedThreshold] = []
    at: list[tuple[int, int | None]] = []
    named: list[bool] = []
    problems: list[Problem] = []
    for i, entry in enumerate(entries):
        line = lines[i] if i < len(lines) else None
        key = f"published {i + 1}"
        try:
            row = _by_id(entry) if "amount" not in entry and "id" in entry else _written_out(entry, species)
            rows.append(_with_species(row, entry, species))
            at.append((i + 1, line))
            named.append(bool(str(entry.get("id", "")).strip()))
        except DataError as fault:
            problems += [
                replace(p, file=file, row=line, column=f"{key}.{p.column}" if p.column else key)
                for p in fault.problems
            ]
        except ModelError as fault:
            problems.append(Problem(str(fault), "", file, line, key))
    rows = _with_ids(rows, named)
    first: dict[tuple[str, str], int] = {}
    for row, (number, line), has_id in zip(rows, at, named, strict=True):
        own = (row.id, row.species)
        if own in first:
            what = f"the id '{row.id}'" if has_id else "the same threshold"
            finding = f"{what} is given twice for '{row.species}' (entries {first[own]} and {number})."
            remedy = "Remove one, or give each its own id."
            problems.append(Problem(finding, remedy, file, line, f"published {number}"))
        first.setdefault(own, number)
    return tuple(rows), problems


def _with_ids(rows: Sequence[PublishedThreshold], named: Sequence[bool]) -> list[PublishedThreshold]:
    """Extend ids that were not given until they differ, in the order of ``_DISTINGUISHING``."""
    ids = [row.id for row in rows]
    for name in _DISTINGUISHING:
        alike: dict[tuple[str, str], list[int]] = {}
        for i, row in enumerate(rows):
            alike.setdefault((ids[i], row.species), []).append(i)
        for group in alike.values():
            if len({_part(name, rows[i]) for i in group}) > 1:
                for i in group:
                    ids[i] += _part(name, rows[i]) if not named[i] else ""
    return [replace(row, id=new) for row, new in zip(rows, ids, strict=True)]


def _part(name: str, row: PublishedThreshold) -> str:
    value = getattr(row, name)
    if name == "flight":
        return f"-flight-{value}"
    if name == "amount":
        unit = "" if row.unit is None else row.unit.replace(" ", "-")
        return f"-{value:g}-{unit}".rstrip("-")
    if name in ("base", "upper"):
        return "" if value is None else f"-{name}-{value:.4g}-degC"
    return f"-{value}".replace(" ", "-") if value else ""


def _by_id(entry: Mapping[str, object]) -> PublishedThreshold:
    wrong = [key for key in entry if key not in _WITH_ID]
    if wrong:
        raise ModelError(
            f"'{wrong[0]}' cannot be changed on a row named by its id; accepted are {', '.join(_WITH_ID)}, or "
            "write the whole threshold out, with its amount."
        )
    row = find_published(id=str(entry["id"]))[0]
    flight = entry.get("flight", row.flight)
    if isinstance(flight, bool) or not isinstance(flight, int) or flight < 1:
        raise ModelError(f"flight = {flight!r} is not the number of a flight; write 1 or more.")
    return replace(row, flight=flight)


def _written_out(entry: Mapping[str, object], species: Sequence[str]) -> PublishedThreshold:
    record = dict(entry)
    problems = []
    for key in sorted(_TEMPERATURES & set(record)):
        fault = unit_fault(record[key], f"{key} = ", *TEMPERATURE_WAYS)
        problems += [] if fault is None else [Problem(*fault, column=key)]
    if not str(record.get("unit") or "").strip() and "amount" in record:
        finding = f"the amount {record['amount']!r} has no unit."
        remedy = 'Write unit = "degC d" or unit = "degF d" beside it.'
        problems.append(Problem(finding, remedy, column="unit"))
    if problems:
        raise DataError(problems)
    if len(species) == 1:
        record.setdefault("species", species[0])
    return threshold_from_record(record)


def _with_species(
    row: PublishedThreshold, entry: Mapping[str, object], species: Sequence[str]
) -> PublishedThreshold:
    """Give the row the study's spelling of its species."""
    wanted = str(entry.get("species", species[0] if len(species) == 1 else row.species))
    for name in species:
        if name.casefold() == " ".join(wanted.split()).casefold():
            return replace(row, species=name)
    raise ModelError(
        f"species '{wanted}' is none of the study's ({', '.join(species)}).{nearest(wanted, species)} Say with "
        'species = "..." which one it is for.'
    )
