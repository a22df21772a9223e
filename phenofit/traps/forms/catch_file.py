"""A catch table with the form in which it is kept."""

from __future__ import annotations

from dataclasses import dataclass

from phenofit.errors import ModelError
from phenofit.files.text_table import TableFile
from phenofit.traps.forms.subsets import Selection

START_RULES = ("check before", "one night")
"""Where an interval may start that has no start of its own."""
OVERLAP_RULES = ("refuse", "cut")
"""What may be done with an interval that starts before the one before it ends."""


@dataclass(frozen=True)
class CatchFile(TableFile):
    """A file of catches, and the form in which they are kept.

    Parameters
    ----------
    path, encoding, sheets, wide
        As of a table file.
    start : {"check before", "one night"}
        Where an interval starts that has neither ``set`` nor ``nights``.
    overlaps : {"refuse", "cut"}
        With ``"cut"``, an interval begins where the earlier one of its trap ends.
    selection : Selection, optional
        The part of the table that is used.

    Raises
    ------
    ModelError
        If a word is not one of those accepted.
    """

    start: str = "check before"
    overlaps: str = "refuse"
    selection: Selection | None = None

    def __post_init__(self) -> None:
        for name, value, accepted in (
            ("start", self.start, START_RULES),
            ("overlaps", self.overlaps, OVERLAP_RULES),
        ):
            if value not in accepted:
                raise ModelError(f"{name} = '{value}' is not accepted; write one of {', '.join(accepted)}.")
