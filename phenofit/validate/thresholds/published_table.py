"""The table of published thresholds: read, checked row by row, searched.

A published threshold is a triple: base, heat sum and start, summed by one method. None of the three means
anything alone, so rows that lack one are kept, but say why they cannot be tested.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from phenofit.errors import DataError, ModelError, Problem, UnitError
from phenofit.files.bundled import bundled_path
from phenofit.files.tables import nearest, read_table
from phenofit.forecasting.events import EVENT_FORMS, EVENTS, read_event
from phenofit.heat.settings import HeatSettings, check_thresholds, upper_threshold
from phenofit.seasons import MonthDay
from phenofit.units import degree_day_unit
from phenofit.validate.thresholds.threshold import PublishedThreshold

_OTHER_EVENTS = ("egg_laying", "egg_hatch", "egg_hatch_50", "other")
_KNOWN = ("read", "from memory")
_DOUBTS = ("", "amount", "base", "start")
_REQUIRED = ("species", "event", "amount")


PUBLISHED_COLUMNS = (
    "id", "species", "scientific_name", "event", "flight", "amount", "amount_high", "unit", "base", "upper",
    "cutoff", "method", "start", "region", "source", "url", "known", "doubt", "fault", "notes",
)  # fmt: skip
"""Columns of the table, in order; only species, event and amount must be there."""


def load_published() -> tuple[PublishedThreshold, ...]:
    """Return the thresholds that come with phenofit.

    Returns
    -------
    tuple of PublishedThreshold

    Examples
    --------
    >>> rows = load_published()
    >>> len(rows) > 200, sum(row.unusable is None for row in rows) > 50
    (True, True)
    """
    return read_published(bundled_path("published_thresholds.csv"))


def read_published(path: str | os.PathLike[str]) -> tuple[PublishedThreshold, ...]:
    """Read a table of published thresholds.

    Parameters
    ----------
    path : path-like
        Delimited text with the columns of ``PUBLISHED_COLUMNS``; base and upper with their unit, such as
        ``50 degF``.

    Returns
    -------
    tuple of PublishedThreshold

    Raises
    ------
    DataError
        If a row cannot be read; lists every problem found.
    """
    table = read_table(
        path, required=_REQUIRED, optional=[name for name in PUBLISHED_COLUMNS if name not in _REQUIRED]
    )
    found: list[PublishedThreshold] = []
    problems: list[Problem] = []
    seen: dict[str, int] = {}
    for at, record in enumerate(table.frame.to_dict("records")):
        row = int(table.rows[at])
        record.setdefault("id", "")
        record["id"] = record["id"] or f"row-{row}"
        try:
            threshold = threshold_from_record(
                {str(k): v for k, v in record.items()}, file=table.file, row=row
            )
        except DataError as error:
            problems.extend(error.problems)
            continue
        if threshold.id in seen:
            problems.append(
                Problem(
                    f"the id '{threshold.id}' is already used in row {seen[threshold.id]}.",
                    "Give every row its own id.",
                    table.file,
                    row,
                    "id",
                )
            )
        seen.setdefault(threshold.id, row)
        found.append(threshold)
    if problems:
        raise DataError(problems)
    return tuple(found)


def find_published(
    thresholds: tuple[PublishedThreshold, ...] | None = None,
    *,
    id: str | None = None,
    species: str | None = None,
    event: str | None = None,
    usable: bool = False,
) -> tuple[PublishedThreshold, ...]:
    """Return the thresholds that match.

    Parameters
    ----------
    thresholds : tuple of PublishedThreshold, optional
        Where to look; without it, the table that comes with phenofit.
    id : str, optional
        Exact id.
    species : str, optional
        Part of the common or scientific name, in any case.
    event : str, optional
        Event.
    usable : bool
        Only rows that catches can test.

    Returns
    -------
    tuple of PublishedThreshold

    Raises
    ------
    ModelError
        If an id or an event is asked for that is not there.

    Examples
    --------
    >>> {row.base for row in find_published(species="Striacosta", event="flight_50")}
    {10.0, 3.333333333333333}
    """
    rows = load_published() if thresholds is None else thresholds
    if id is not None:
        ids = [row.id for row in rows]
        if id not in ids:
            raise ModelError(f"there is no published threshold '{id}'.{nearest(id, ids)}")
    if event is not None and event not in _OTHER_EVENTS:
        event = read_event(event)
    wanted = (species or "").casefold()
    return tuple(
        row
        for row in rows
        if (id is None or row.id == id)
        and (wanted in row.species.casefold() or wanted in row.scientific_name.casefold())
        and (event is None or row.event == event)
        and not (usable and row.unusable is not None)
    )


def threshold_from_record(
    record: Mapping[str, Any], *, file: str = "", row: int | None = None
) -> PublishedThreshold:
    """Make a threshold from named values, as a table row or a study file gives them.

    Parameters
    ----------
    record : mapping
        Values by the names of ``PUBLISHED_COLUMNS``, texts or numbers; blank and absent are the same.
        A `base` or `upper` as a number is in degrees Celsius; as a text it carries its unit.
    file, row : str, int or None
        File and row of the record, for messages.

    Returns
    -------
    PublishedThreshold

    Raises
    ------
    DataError
        If values are missing or cannot be read; lists every problem.

    Examples
    --------
    >>> threshold_from_record({"species": "s", "event": "peak", "amount": 900, "unit": "degF d",
    ...                        "base": "50 degF", "start": "03-01"}).base
    10.0
    """
    reader = _RecordReader(record, file, row)
    names = [f.name for f in fields(PublishedThreshold)]
    for key in record:
        if key not in names:
            reader.fault(
                key, f"'{key}' is not known.", f"Accepted are {', '.join(names)}.{nearest(key, names)}"
            )
    values: dict[str, Any] = {
        name: reader.text(name) for name in ("region", "source", "notes", "scientific_name", "url", "fault")
    }
    values["species"] = reader.text("species", required=True)
    values["event"] = reader.event()
    values["id"] = reader.text("id") or f"{values['species']} {values['event']}".replace(" ", "-")
    values["flight"] = reader.flight()
    values["amount"] = reader.number("amount", required=True)
    values["amount_high"] = reader.number("amount_high")
    values["unit"] = reader.converted("unit", degree_day_unit)
    values["base"] = reader.converted("base", lambda value: check_thresholds(value)[0], numbers=True)
    values["upper"] = reader.converted("upper", upper_threshold, numbers=True)
    values["cutoff"], values["method"] = reader.heat()
    values["start"] = reader.converted("start", _start)
    values["known"] = reader.choice("known", _KNOWN) or "read"
    values["doubt"] = reader.choice("doubt", _DOUBTS)
    reader.check_order(values)
    if reader.problems:
        raise DataError(reader.problems)
    return PublishedThreshold(**values)


def _start(text: str) -> str:
    return "biofix" if text == "biofix" else str(MonthDay.parse(text))


class _RecordReader:
    """Reads the values of one record and collects what is wrong with them."""

    def __init__(self, record: Mapping[str, Any], file: str, row: int | None) -> None:
        self.record, self.file, self.row = record, file, row
        self.problems: list[Problem] = []

    def fault(self, column: str, finding: str, remedy: str) -> None:
        self.problems.append(Problem(finding, remedy, self.file, self.row, column))

    def text(self, name: str, *, required: bool = False) -> str:
        value = self.record.get(name)
        text = "" if value is None else str(value).strip()
        if required and not text:
            self.fault(name, f"'{name}' has no value.", "Fill it in.")
        return text

    def choice(self, name: str, known: tuple[str, ...], *, required: bool = False) -> str:
        text = self.text(name, required=required)
        if text and text not in known:
            self.fault(
                name, f"'{text}' is not known.", f"Accepted are {', '.join(known)}.{nearest(text, known)}"
            )
        return text

    def event(self) -> str:
        text = self.text("event", required=True)
        try:
            return text if not text or text in _OTHER_EVENTS else read_event(text)
        except ModelError:
            known = (*EVENTS, *_OTHER_EVENTS)
            accepted = f"Accepted are {EVENT_FORMS}, {', '.join(_OTHER_EVENTS)}.{nearest(text, known)}"
            self.fault("event", f"'{text}' is not known.", accepted)
            return text

    def number(self, name: str, *, required: bool = False) -> float | None:
        text = self.text(name, required=required)
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not 0.0 < value < 1e5:
            self.fault(name, f"'{text}' is not a heat sum.", "Write a positive number with a decimal point.")
            return None
        return value

    def flight(self) -> int:
        text = self.text("flight") or "1"
        if not re.fullmatch(r"\d", text):
            self.fault("flight", f"'{text}' is not a flight.", "Write 1 for the first flight of the season.")
            return 1
        return int(text)

    def converted(self, name: str, convert: Any, *, numbers: bool = False) -> Any:
        text, given = self.text(name), self.record.get(name)
        if not text:
            return None
        number = numbers and isinstance(given, int | float) and not isinstance(given, bool)
        try:
            return convert(given if number else text)
        except (UnitError, ModelError) as error:
            self.fault(name, str(error), "")
            return None

    def heat(self) -> tuple[str | None, str | None]:
        cutoff, method = self.text("cutoff") or None, self.text("method") or None
        for name, value in (("method", method), ("cutoff", cutoff)):
            try:
                if value is not None:
                    HeatSettings(value) if name == "method" else HeatSettings(cutoff=value)
            except ModelError as error:
                self.fault(name, str(error), "")
        return cutoff, method

    def check_order(self, values: Mapping[str, Any]) -> None:
        amount, high = values["amount"], values["amount_high"]
        if amount is not None and high is not None and high <= amount:
            self.fault("amount_high", f"{high:g} is not above the amount {amount:g}.", "Swap the two.")
        base, upper = values["base"], values["upper"]
        if base is not None and upper is not None and upper <= base:
            self.fault("upper", f"{upper:.1f} °C is not above the base {base:.1f} °C.", "Check both.")
