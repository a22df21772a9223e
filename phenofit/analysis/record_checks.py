"""Do the records suit the fit: traps watched too briefly for a flight, stations that differ from their traps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from phenofit.errors import DataError, FitError, ModelError
from phenofit.flight import StationCheck, Unwatched, station_check, unwatched_shares

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.records import Records

_T = TypeVar("_T")


@dataclass(frozen=True)
class RecordChecks:
    """What a fit says about its records; None where that cannot be computed, with the reason in `notes`."""

    unwatched: Unwatched | None = None
    stations: StationCheck | None = None
    notes: tuple[str, ...] = ()

    def warnings(self) -> tuple[str, ...]:
        """Return what the reader must know, one sentence or two each; nothing where there is no problem."""
        said = () if self.unwatched is None else self.unwatched.sentences()
        far = self.stations is not None and self.stations.found
        return (*said, self.stations.sentence()) if self.stations is not None and far else said


def check_records(fit: FlightFit, records: Records) -> RecordChecks:
    """Check the records by means of a fit."""
    notes: list[str] = []

    def attempt(what: str, look: Callable[[FlightFit, Records], _T]) -> _T | None:
        try:
            return look(fit, records)
        except (DataError, FitError, ModelError) as error:
            notes.append(f"{what}: {error}")
            return None

    return RecordChecks(
        unwatched=attempt("No shares of the flights outside the watched time", unwatched_shares),
        stations=attempt("No check of the stations", station_check),
        notes=tuple(notes),
    )
