"""Parts of a catch table that a study uses or leaves out, counted by reason."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field, fields

import numpy as np
import pandas as pd

from phenofit.errors import Problem
from phenofit.files.tables import nearest
from phenofit.files.text_table import LeftOut
from phenofit.seasons import Season
from phenofit.traps.sheet_cells import row_text


@dataclass(frozen=True)
class Subset:
    """Lists of what is used, or of what is left out; an empty list says nothing."""

    traps: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    years: tuple[int, ...] = ()
    species: tuple[str, ...] = ()
    lures: tuple[str, ...] = ()
    stations: tuple[str, ...] = ()


SUBSET_KINDS = tuple(f.name for f in fields(Subset))
"""By what a table can be cut down."""

_ONE = {"species": "species"}


@dataclass(frozen=True)
class Selection:
    """What is used and what is left out, and the tables that say which site and lure a trap has.

    Parameters
    ----------
    only, excluded : Subset
        What is used, and what is left out.
    season : Season
        Years are those in which a season starts.
    traps : pandas.DataFrame, optional
        Trap table, for the sites and, where the catch table has none, the lures.
    stations : dict of str to str
        Station of each trap, as far as known.
    """

    only: Subset
    excluded: Subset
    season: Season
    traps: pd.DataFrame | None = None
    stations: dict[str, str] = field(default_factory=dict)

    def apply(
        self, frame: pd.DataFrame, kinds: Iterable[str], file: str
    ) -> tuple[pd.DataFrame, list[LeftOut], list[Problem]]:
        """Return the catches of the selection, what is left out by reason, and names that nothing has."""
        left: list[LeftOut] = []
        problems: list[Problem] = []
        keep = np.ones(len(frame), dtype=bool)
        for kind in kinds:
            for table, chosen, wanted in (("only", self.only, True), ("except", self.excluded, False)):
                names = getattr(chosen, kind)
                if not names:
                    continue
                values = self._values(frame, kind)
                if values is None:
                    remedy = "Name its column in [catches.columns], or leave the list out."
                    finding = (
                        f"[{table}] has {kind}, but no table says the {_ONE.get(kind, kind[:-1])} of a catch."
                    )
                    problems.append(Problem(finding, remedy, file))
                    continue
                keys = {_key(name) for name in names}
                mine = values.map(_key)
                problems += _unknown(names, values, table, kind, file)
                out = mine.isin(list(keys)).to_numpy() != wanted
                reason = f"not in [only] {kind}" if wanted else f"in [except] {kind}"
                left += summed_up(frame[keep & out], reason)
                keep &= ~out
        return (frame if keep.all() else frame[keep].reset_index(drop=True)), left, problems

    def _values(self, frame: pd.DataFrame, kind: str) -> pd.Series | None:
        """Return the value of each catch, or None where no table has it."""
        of: dict[str, Callable[[], pd.Series | None]] = {
            "traps": lambda: frame["trap"],
            "sites": lambda: self._from_traps(frame, "site"),
            "years": lambda: self._years(frame),
            "species": lambda: frame.get("species"),
            "lures": lambda: frame.get("lure", self._from_traps(frame, "lure")),
            "stations": lambda: frame["trap"].map(self.stations).fillna("") if self.stations else None,
        }
        return of[kind]()

    def _years(self, frame: pd.DataFrame) -> pd.Series:
        check = frame["check"]
        years = self.season.year_of(check.to_numpy())
        calendar = check.dt.year.fillna(-1).to_numpy().astype(np.int64)
        return pd.Series(np.where(years >= 0, years, calendar), index=frame.index)

    def _from_traps(self, frame: pd.DataFrame, column: str) -> pd.Series | None:
        """Return a column of the trap table for each catch: of a moved trap, that of its place at the check."""
        traps = self.traps
        if traps is None or column not in traps:
            return None
        if "device" not in traps:
            return frame["trap"].map(dict(zip(traps["trap"], traps[column], strict=True))).fillna("")
        values = pd.Series("", index=frame.index, dtype=object)
        for device, places in traps.sort_values("valid_from", na_position="first").groupby("device"):
            mine = frame.index[frame["trap"] == device]
            since = places["valid_from"].fillna(pd.Timestamp("1700-01-01")).to_numpy().astype("datetime64[D]")
            days = frame.loc[mine, "check"].to_numpy().astype("datetime64[D]")
            # The check on the day of a move empties the trap at its old place.
            at = np.searchsorted(since, days, side="left") - 1
            values[mine] = places[column].to_numpy()[np.clip(at, 0, None)]
        return values


READ_WITH_THE_TABLE = tuple(kind for kind in SUBSET_KINDS if kind != "stations")
"""What catches are cut down by when they are read; their stations are known later, with the weather."""


def select_catches(
    catches: pd.DataFrame, selection: Selection, file: str, kinds: Sequence[str] = READ_WITH_THE_TABLE
) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the catches of a selection, what is left out added to ``attrs["left_out"]``, and the problems."""
    kept, left_out, problems = selection.apply(catches, kinds, file)
    before = catches.attrs.get("left_out", ())
    kept.attrs = {**catches.attrs, "left_out": (*before, *left_out)}
    return kept, problems


def _key(value: object) -> str:
    return " ".join(str(value).split()).casefold()


def _unknown(names: Sequence[object], values: pd.Series, table: str, kind: str, file: str) -> list[Problem]:
    there = {_key(value): str(value) for value in values.unique() if str(value)}
    return [
        Problem(
            f"[{table}] {kind} names '{name}', which no catch has.",
            f"There are {_listed(there.values())}.{nearest(str(name), there.values())}",
            file,
        )
        for name in names
        if _key(name) not in there
    ]


def _listed(names: Collection[str]) -> str:
    shown = sorted(names)
    return ", ".join(f"'{n}'" for n in shown[:12]) + (
        f" and {len(shown) - 12} more" if len(shown) > 12 else ""
    )


def summed_up(gone: pd.DataFrame, reason: str) -> list[LeftOut]:
    """Return catches that are left out, by trap and species."""
    keys = ["trap", *(["species"] if "species" in gone else [])]
    return [
        LeftOut(
            reason,
            str(group["trap"].iloc[0]),
            str(group["species"].iloc[0]) if "species" in gone else "",
            len(group),
            row_text(group["row"]),
            int(group["count"].sum()),
        )
        for _, group in gone.groupby(keys, sort=True)
    ]


def left_out_frame(left_out: Sequence[LeftOut]) -> pd.DataFrame:
    """Return what was left out while reading as rows of the table of a trap-year's ``left_out``."""
    rows = [(one.trap, "", one.reason, one.rows, one.lines, one.moths) for one in left_out]
    return pd.DataFrame(rows, columns=["trap", "season", "reason", "rows", "lines", "moths"])
