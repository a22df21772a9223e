"""The tables of a study file about trap records: ``[traps]``, ``[catches]``, ``[only]`` and ``[except]``."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from phenofit.files.dates import FIRST_YEAR, LAST_YEAR
from phenofit.files.text_table import ENCODINGS, TableFile, Wide
from phenofit.study.fields import (
    Columns,
    DateForm,
    DateOrder,
    FilePath,
    Flag,
    IntervalDays,
    Number,
    Part,
    Text,
    Texts,
    choice,
    refuse,
)
from phenofit.traps.count_cells import BLANK_MEANINGS, COUNT_UNITS, PER_NIGHT, THOUSANDS, CountWords
from phenofit.traps.forms import OVERLAP_RULES, START_RULES, CatchFile, Selection, Subset
from phenofit.traps.species import UNLISTED_MEANINGS

DARWIN_CORE = "darwin-core"
Form = Annotated[str, BeforeValidator(choice("table", DARWIN_CORE))]


class TablePart(Part):
    """A table of records: a text file or a workbook."""

    file: FilePath
    form: Form = "table"
    events: FilePath | None = None
    encoding: Annotated[str, BeforeValidator(choice(*ENCODINGS))] | None = None
    sheet: Text | None = None
    sheets: Texts = ()
    columns: Columns = Field(default_factory=dict)
    fill_down: Texts = ()

    @model_validator(mode="after")
    def _sheets_once(self) -> TablePart:
        if self.sheet is not None and self.sheets:
            raise refuse("both 'sheet' and 'sheets' are given.", "Leave one of them out.")
        if self.events is not None and self.form != DARWIN_CORE:
            raise refuse("'events' has an effect on Darwin Core occurrences only.", "Leave it out.")
        return self

    @property
    def chosen_sheets(self) -> tuple[str, ...]:
        """The sheets to read; empty: the only one."""
        return self.sheets if self.sheet is None else (self.sheet,)

    @property
    def source(self) -> TableFile:
        """The file with what must be known to read it."""
        return TableFile(self.file, self.encoding or "", self.chosen_sheets)


class TrapsPart(TablePart):
    """``[traps]``: the trap table, or a Darwin Core occurrence table with the places of the traps."""

    dates: DateOrder = "year-first"


class WidePart(Part):
    """``[catches.wide]``: how a table with several count columns or with blocks of rows is laid out."""

    headers: Annotated[
        str, BeforeValidator(choice("date", "trap", "species", "lure", "set", "status", "effort", "part"))
    ] = ""
    columns: Texts = ()
    leave_out: Texts = ()
    blocks: Flag = False

    @model_validator(mode="after")
    def _does_something(self) -> WidePart:
        if not self.headers and not self.blocks:
            raise refuse(
                "the table says neither what the headers are nor that there are blocks.",
                'Write headers = "date" (or "trap", "species", "lure", "part"), or blocks = true.',
            )
        if not self.headers and (self.columns or self.leave_out):
            raise refuse(
                "count columns are named, but not what their headers are.",
                'Write headers = "date" (or "trap", "species", "lure", "part").',
            )
        return self


class CatchesPart(TablePart):
    """``[catches]``: the catch table and what its cells mean, or a Darwin Core occurrence table."""

    dates: DateForm
    blank: Annotated[str, BeforeValidator(choice(*BLANK_MEANINGS))]
    wide: WidePart | None = None
    start: Annotated[str, BeforeValidator(choice(*START_RULES))] = "check before"
    overlaps: Annotated[str, BeforeValidator(choice(*OVERLAP_RULES))] = "refuse"
    unit: Annotated[str, BeforeValidator(choice(*COUNT_UNITS))] = "moths"
    hour: Annotated[Number, Field(ge=0, lt=24)] = 12.0
    duplicates: Annotated[str, BeforeValidator(choice("refuse", "sum"))] = "refuse"
    unlisted_species: Annotated[str, BeforeValidator(choice(*UNLISTED_MEANINGS))] = "not checked"
    pool: Annotated[str, BeforeValidator(choice("trap", "site"))] = "trap"
    first_interval_days: IntervalDays | None = None
    longest_interval_days: IntervalDays | None = None
    present: Texts = CountWords().present
    lost: Texts = CountWords().lost
    not_checked: Texts = CountWords().not_checked
    zero: Texts = CountWords().zero
    counted: Texts = CountWords().counted
    thousands: Annotated[str, BeforeValidator(choice("", *THOUSANDS))] = ""

    @property
    def words(self) -> CountWords:
        """The declared words of the count and status cells."""
        return CountWords(self.present, self.lost, self.not_checked, self.zero, self.counted, self.thousands)

    @model_validator(mode="before")
    @classmethod
    def _terms_of_the_standard(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("form") != DARWIN_CORE:
            return data
        own = {
            "file",
            "form",
            "events",
            "encoding",
            "sheet",
            "sheets",
            "hour",
            "unlisted_species",
            "pool",
            "first_interval_days",
            "longest_interval_days",
        }
        unused = sorted(key for key in data if key in cls.model_fields and key not in own)
        if unused:
            raise refuse(
                f"'{unused[0]}' has no effect on Darwin Core occurrences, whose terms are fixed.",
                "Leave it out.",
            )
        return {**data, "dates": "year-first", "blank": "not checked"}

    @model_validator(mode="after")
    def _one_meaning(self) -> CatchesPart:
        twice = self.words.contradictions()
        if twice:
            raise refuse(
                f"the word '{twice[0]}' is declared with two meanings.", "Give each word one meaning."
            )
        if self.unit == PER_NIGHT and self.thousands:
            raise refuse("'thousands' has no effect on rates per night.", "Leave it out.")
        if self.start == "one night" and self.first_interval_days is not None:
            raise refuse(
                "'first_interval_days' has no effect where every interval starts one night before its check.",
                "Leave one of the two out.",
            )
        return self

    def kept_as(self, selection: Selection | None) -> CatchFile:
        """Return the file with the form in which its records are kept, cut down to a selection."""
        wide = self.wide and Wide(**self.wide.model_dump())
        return CatchFile(
            self.file,
            self.encoding or "",
            self.chosen_sheets,
            wide or None,
            self.start,
            self.overlaps,
            selection,
        )


def _whole_years(value: Any) -> tuple[int, ...]:
    items = value if isinstance(value, list | tuple) else [value]
    if not all(type(year) is int and FIRST_YEAR <= year <= LAST_YEAR for year in items):
        raise refuse(f"{value!r} is not a list of years.", "Write whole numbers, such as [2018, 2019].")
    return tuple(items)


class SubsetPart(Part):
    """``[only]`` and ``[except]``: the part of the catches that is used, and that is left out."""

    traps: Texts = ()
    sites: Texts = ()
    years: Annotated[tuple[int, ...], BeforeValidator(_whole_years)] = ()
    species: Texts = ()
    lures: Texts = ()
    stations: Texts = ()

    @property
    def subset(self) -> Subset:
        """The lists as the reader of catches takes them."""
        return Subset(**self.model_dump())
