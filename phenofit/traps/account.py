"""An account of the catches: moths and checks in the file, used, and left out for each reason."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from phenofit.errors import plural
from phenofit.traps.forms import left_out_frame
from phenofit.traps.years import TrapYears

_DAY = re.compile(r" on \d{4}-\d\d-\d\d$")


@dataclass(frozen=True)
class CatchAccount:
    """What became of the catches of one species."""

    species: str
    file: str  # Name of the catch table.
    checks: int  # In the file.
    moths: int
    used_checks: int  # In the fit; several checks that a site's traps share are one.
    used_moths: int
    used_trap_years: int
    not_counted: int  # Moths used that are in catches known only from below.
    seasons: tuple[str, ...]  # Seasons used.
    left_out: pd.DataFrame  # ``reason, rows, moths, traps``
    whole: bool = True  # Whether the weather was looked at; without it more may be left out.

    @property
    def joined(self) -> int:
        """Checks that were added to a check of another trap of the site."""
        return self.checks - self.used_checks - int(self.left_out["rows"].sum())

    def lines(self) -> list[str]:
        """Return the account as lines of text."""
        span = " to ".join(dict.fromkeys((self.seasons[0], self.seasons[-1]))) if self.seasons else "none"
        below = f", {_moths(self.not_counted)} of them not counted exactly" if self.not_counted else ""
        use = "used in the fit" if self.whole else "usable if no temperature is missing"
        from_where = f"{plural(self.used_trap_years, 'trap-year')} in {plural(len(self.seasons), 'season')}"
        found = [
            f"{self.species}: {_moths(self.moths)} in {_checks(self.checks)} of {self.file}",
            f"  {use}: {_moths(self.used_moths)} in {_checks(self.used_checks)}, {from_where} ({span}){below}",
            *(f"  left out: {words}" for words in left_out_words(self.left_out)),
        ]
        if self.joined:
            found.append(f"  added to a check of another trap of the site: {_checks(self.joined)}")
        return found


def catch_account(
    catches: pd.DataFrame,
    trap_years: TrapYears,
    used: pd.DataFrame,
    left_out: pd.DataFrame,
    *,
    species: str,
    file: str,
    whole: bool = True,
) -> CatchAccount:
    """Return the account of one species; `whole` says that the weather was looked at."""
    intervals = trap_years.intervals
    # What was left out while reading is in the file, but no longer in the catches.
    read = left_out_frame(catches.attrs.get("left_out", ()))
    known = int(intervals["count"].sum())
    entered = intervals.merge(used[["trap", "season"]].drop_duplicates(), on=["trap", "season"])
    open_ones = entered.loc[entered["status"] != "counted", "count"]
    return CatchAccount(
        species=species,
        file=file,
        checks=len(catches) + int(read["rows"].sum()),
        moths=int(catches["count"].sum()) + int(read["moths"].sum()),
        used_checks=len(intervals) - int(left_out["rows"].sum()),
        used_moths=known - int(left_out["moths"].sum()),
        used_trap_years=len(used),
        not_counted=int(open_ones.sum()),
        seasons=tuple(sorted(str(season) for season in used["season"].unique())),
        left_out=left_out_by_reason([trap_years.left_out, left_out]),
        whole=whole,
    )


def left_out_by_reason(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Add up what was left out by its reason: ``reason, rows, moths, traps``; moths are NaN where not known."""
    columns = ["trap", "reason", "rows", "moths"]
    filled = [table.reindex(columns=columns) for table in tables if len(table)]
    if not filled:
        return pd.DataFrame({name: [] for name in ("reason", "rows", "moths", "traps")})
    every = pd.concat(filled, ignore_index=True)
    reason = every["reason"].astype(str).str.replace(_DAY, "", regex=True)
    grouped = every.groupby(reason, sort=True)
    return grouped.agg(
        rows=("rows", "sum"), moths=("moths", lambda m: m.sum(skipna=False)), traps=("trap", "nunique")
    ).reset_index()


def left_out_words(summed: pd.DataFrame) -> list[str]:
    """Return the rows of :func:`left_out_by_reason` as text: moths, checks and the reason."""
    return [
        (f"{_moths(int(moths))} in " if pd.notna(moths) else "") + f"{_checks(int(rows))} ({reason})"
        for reason, rows, moths in zip(summed["reason"], summed["rows"], summed["moths"], strict=True)
    ]


def _moths(number: int) -> str:
    return plural(number, "moth")


def _checks(number: int) -> str:
    return plural(number, "check")
