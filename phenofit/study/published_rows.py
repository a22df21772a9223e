"""The ``[[published]]`` entries of a study: rows of the table that comes with phenofit, or written out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from phenofit.errors import DataError, ModelError, Problem
from phenofit.tables import nearest
from phenofit.validate.published import PublishedThreshold, find_published, threshold_from_record

__all__ = ["published_rows"]

_WITH_ID = ("id", "species", "flight")


def published_rows(
    entries: Any, species: Sequence[str], *, file: str, lines: Sequence[int | None]
) -> tuple[tuple[PublishedThreshold, ...], list[Problem]]:
    """Read the entries.

    Parameters
    ----------
    entries : list of dict
        As the TOML file gives them. An entry with ``id`` and without ``amount`` names a row of the table that
        comes with phenofit, and may give it another ``species`` and ``flight``; any other is written out.
    species : sequence of str
        Species of the study; with one, an entry need not name it.
    file : str
        The study file, for messages.
    lines : sequence of int or None
        Line of each entry.

    Returns
    -------
    rows : tuple of PublishedThreshold
        With the study's spelling of the species.
    problems : list of Problem
    """
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        return (), [Problem("[published] is no list.", "Write [[published]] above each entry.", file)]
    rows: list[PublishedThreshold] = []
    problems: list[Problem] = []
    for i, entry in enumerate(entries):
        line = lines[i] if i < len(lines) else None
        key = f"published {i + 1}"
        try:
            row = _by_id(entry) if "amount" not in entry and "id" in entry else _written_out(entry, species)
            rows.append(_with_species(row, entry, species))
        except DataError as fault:
            problems += [
                replace(p, file=file, row=line, column=f"{key}.{p.column}" if p.column else key)
                for p in fault.problems
            ]
        except ModelError as fault:
            problems.append(Problem(str(fault), "", file, line, key))
    seen: set[tuple[str, str]] = set()
    for row in rows:
        if (row.id, row.species) in seen:
            problems.append(
                Problem(
                    f"the id '{row.id}' stands twice.",
                    "Give every entry its own id.",
                    file,
                    None,
                    "published",
                )
            )
        seen.add((row.id, row.species))
    return tuple(rows), problems


def _by_id(entry: Mapping[str, Any]) -> PublishedThreshold:
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


def _written_out(entry: Mapping[str, Any], species: Sequence[str]) -> PublishedThreshold:
    record = dict(entry)
    bare = [name for name in ("base", "upper") if isinstance(record.get(name), int | float)]
    if bare:
        raise DataError(
            Problem(
                f"{record[name]!r} has no unit.",
                f'Write {name} = "{record[name]:g} degC" or "{record[name]:g} degF".',
                column=name,
            )
            for name in bare
        )
    if len(species) == 1:
        record.setdefault("species", species[0])
    return threshold_from_record(record)


def _with_species(
    row: PublishedThreshold, entry: Mapping[str, Any], species: Sequence[str]
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
