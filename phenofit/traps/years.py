"""Trap-years: one trap in one season, as the fit sees it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.tables import nearest
from phenofit.seasons import Season
from phenofit.traps.forms import left_out_frame
from phenofit.traps.intervals import LEFT_OUT_REASONS, check_intervals, interval_days_fault
from phenofit.traps.pooling import pool_intervals
from phenofit.traps.sheet_cells import row_text

_INTERVAL_COLUMNS = [
    "trap_year", "trap", "site", "season", "year", "start", "end", "count", "status", "effort", "row",
]  # fmt: skip
_YEAR_COLUMNS = [
    "trap_year", "trap", "site", "season", "year", "total", "checks", "latitude", "longitude",
    "elevation_m",
]  # fmt: skip
_UNUSED_COLUMNS = ["trap", "year", "end", "reason", "row", "moths"]
_LONG_AGO = pd.Timestamp("1700-01-01")
_NO_COVARIATE = {*_YEAR_COLUMNS, "station", "device", "valid_from", "row"}


@dataclass(frozen=True)
class TrapYears:
    """Catches by interval, season by season, with everything that was left out.

    Attributes
    ----------
    intervals : pandas.DataFrame
        One row per check used: ``trap_year`` (0 to n-1), ``trap, site, season`` (label), ``year`` (in which the
        season starts), ``start, end`` (datetime64[ns]), ``count``, ``status`` (``counted``, ``at least``,
        ``present``), ``effort``, ``row`` (line of the catch table).
    years : pandas.DataFrame
        One row per trap-year: ``trap_year, trap, site, season, year, total`` (moths), ``checks, latitude,
        longitude`` [degrees], ``elevation_m`` [m] and the covariates of the trap table.
    left_out : pandas.DataFrame
        ``trap, season, reason, rows`` (how many), ``lines`` (which lines of the catch table, as text), ``moths``.
    notes : tuple of str
        Further remarks, one sentence each.
    unused : pandas.DataFrame
        One row per check left out: ``trap, year`` (-1 outside the season), ``end`` (the check), ``reason`` (a key of
        :data:`phenofit.traps.LEFT_OUT_REASONS`), ``row, moths``.
    """

    intervals: pd.DataFrame
    years: pd.DataFrame
    left_out: pd.DataFrame
    notes: tuple[str, ...] = ()
    unused: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=_UNUSED_COLUMNS))

    def __repr__(self) -> str:
        """Return what the trap-years hold, in a line."""
        seasons, sites = self.years["season"].nunique(), self.years["site"].nunique()
        return (
            f"TrapYears: {len(self.years)} trap-years, {sites} sites, {seasons} seasons, {len(self.intervals)} checks, "
            f"{int(self.years['total'].sum())} moths"
        )

    @classmethod
    def none(cls) -> TrapYears:
        """Return no trap-years: of a place where nothing was caught."""
        left_out = pd.DataFrame(columns=["trap", "season", "reason", "rows", "lines", "moths"])
        return cls(pd.DataFrame(columns=_INTERVAL_COLUMNS), pd.DataFrame(columns=_YEAR_COLUMNS), left_out)

    def __len__(self) -> int:
        """Return the number of trap-years."""
        return len(self.years)

    def select(self, keep: ArrayLike) -> TrapYears:
        """Return some of the trap-years, numbered again from 0.

        Parameters
        ----------
        keep : array_like of bool, shape (trap-years,)
            Which ones, in the order of ``years``.

        Returns
        -------
        TrapYears
            ``left_out`` and ``notes`` unchanged: they describe the table, not the selection.

        Raises
        ------
        ModelError
            If the length differs from the number of trap-years.
        """
        wanted = np.asarray(keep, dtype=bool)
        if wanted.shape != (len(self),):
            raise ModelError(f"the selection has shape {wanted.shape}; there are {len(self)} trap-years.")
        number = np.cumsum(wanted) - 1
        years = self.years[wanted].reset_index(drop=True)
        inside = wanted[self.intervals["trap_year"].to_numpy()]
        intervals = self.intervals[inside].reset_index(drop=True)
        return replace(
            self,
            years=years.assign(trap_year=np.arange(len(years))),
            intervals=intervals.assign(trap_year=number[intervals["trap_year"].to_numpy()]),
        )


def unknown_trap_problems(traps: pd.DataFrame, catches: pd.DataFrame) -> list[Problem]:
    """Return a problem for each trap of a catch table that the trap table does not have, at its first row."""
    known = set(_devices(traps))
    file = str(catches.attrs.get("file", "catch table"))
    problems = []
    stray = catches[~catches["trap"].isin([*known, ""])]
    for trap, group in stray.groupby("trap", sort=False):
        rows = group["row"]
        sheet = str(group["sheet"].iloc[0]) if "sheet" in group else ""
        finding = f"trap '{trap}' is not in the trap table ({len(rows)} rows: {row_text(rows)})."
        remedy = (
            f"Add it to the trap table with its position, or correct its name.{nearest(str(trap), known)}"
        )
        if "column" in group and trap in group["column"].to_numpy():
            remedy += " A column that is no trap goes into leave_out of [catches.wide]."
        row = int(rows.iloc[0]) if sheet else int(rows.min())
        problems.append(Problem(finding, remedy, file, row, "trap", sheet))
    return problems


def build_trap_years(
    traps: pd.DataFrame,
    catches: pd.DataFrame,
    season: Season,
    *,
    first_interval_days: float | None = None,
    longest_interval_days: float | None = None,
    pool: str = "trap",
) -> TrapYears:
    """Cut catch records into trap-years.

    Parameters
    ----------
    traps : pandas.DataFrame
        Trap table of :func:`phenofit.traps.read_traps`.
    catches : pandas.DataFrame
        Catch table of :func:`phenofit.traps.read_catches`, one species.
    season : Season
        The season; may cross New Year.
    first_interval_days : float, optional
        Length of a trap's first interval in a season where its start is unknown [d].
    longest_interval_days : float, optional
        Longer intervals are left out [d].
    pool : {"trap", "site"}
        Keep traps apart, or add up the traps of a site where their intervals fit together.

    Returns
    -------
    TrapYears

    Raises
    ------
    DataError
        If a trap is unknown, or nothing usable remains (with the reasons counted).
    ModelError
        If `pool` is another word, a length is not above 0, or the table holds several species.

    Examples
    --------
    >>> traps = pd.DataFrame({"trap": ["A"], "site": ["A"], "latitude": [44.0], "longitude": [-98.0],
    ...                       "elevation_m": [400.0], "station": [None]})
    >>> catches = pd.DataFrame({"trap": "A", "set": pd.NaT, "count": [0, np.nan, 5, 2], "effort": 1.0,
    ...     "check": pd.to_datetime(["2024-06-01", "2024-06-08", "2024-06-15", "2024-06-22"]),
    ...     "status": ["counted", "missing", "counted", "counted"], "row": [2, 3, 4, 5]})
    >>> found = build_trap_years(traps, catches, Season.parse("01-01", "10-31"))
    >>> found.intervals[["start", "end", "count"]].astype(str).values.tolist()
    [['2024-06-01', '2024-06-15', '5'], ['2024-06-15', '2024-06-22', '2']]
    >>> found.left_out["lines"].tolist()
    ['2', '3']
    """
    _check_call(catches, pool, first_interval_days, longest_interval_days)
    problems = unknown_trap_problems(traps, catches)
    if problems:
        raise DataError(problems)
    intervals, left_out = check_intervals(
        catches, season, first_interval_days=first_interval_days, longest_interval_days=longest_interval_days
    )
    intervals, left_out = _to_places(traps, intervals, left_out)
    notes: tuple[str, ...] = ()
    places = trap_places(traps, pool=pool).set_index("trap")
    if pool == "site":
        intervals, apart = pool_intervals(intervals, dict(zip(traps["trap"], traps["site"], strict=True)))
        notes = tuple(
            f"{name}: the check intervals of its traps do not fit together; kept apart." for name in apart
        )
    intervals, left_out = _without_single(intervals, left_out)
    while_reading = left_out_frame(catches.attrs.get("left_out", ()))
    summary = _left_out_table(left_out, season)
    if len(while_reading):
        summary = pd.concat([summary, while_reading], ignore_index=True)
    if intervals.empty:
        raise DataError(_nothing_left(catches, summary))
    found = _assemble(intervals, places, season, summary, notes)
    return replace(found, unused=left_out[_UNUSED_COLUMNS].reset_index(drop=True))


def _check_call(
    catches: pd.DataFrame, pool: str, first_days: float | None, longest_days: float | None
) -> None:
    if pool not in ("trap", "site"):
        raise ModelError(f"pool = '{pool}' is not accepted; write 'trap' or 'site'.")
    for name, days in (("first_interval_days", first_days), ("longest_interval_days", longest_days)):
        fault = interval_days_fault(days) if days is not None else ""
        if fault:
            raise ModelError(f"{name} = {days} {fault}.")
    if "species" in catches and catches["species"].nunique() > 1:
        names = ", ".join(f"'{s}'" for s in sorted(catches["species"].unique())[:6])
        raise ModelError(f"the catch table holds several species ({names}); choose one.")


def _devices(traps: pd.DataFrame) -> pd.Series:
    return traps["device"] if "device" in traps else traps["trap"]


def _to_places(
    traps: pd.DataFrame, intervals: pd.DataFrame, left_out: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Assign the intervals of a moved device to the place where it stood."""
    if "device" not in traps:
        return intervals, left_out
    since = traps["valid_from"].fillna(_LONG_AGO).to_numpy().astype("datetime64[D]")
    own = {d: g.index.to_numpy() for d, g in traps.reset_index(drop=True).groupby("device", sort=False)}
    names = traps["trap"].to_numpy()
    trap, moved = [], []
    days = zip(
        intervals["trap"],
        intervals["start"].to_numpy().astype("datetime64[D]"),
        intervals["end"].to_numpy().astype("datetime64[D]"),
        strict=True,
    )
    for device, start, end in days:
        at = own[device]
        # On the day of a move the check empties the trap at its old place, and the next interval starts at the new.
        before, after = at[since[at] <= start], at[since[at] < end]
        first = before[np.argmax(since[before])] if before.size else -1
        last = after[np.argmax(since[after])] if after.size else -1
        trap.append(names[first] if first >= 0 else device)
        moved.append(first != last or first < 0)
    left = np.array(moved, dtype=bool)
    intervals = intervals.assign(trap=trap)
    dropped = _dropped(intervals[left], "moved")
    return intervals[~left].reset_index(drop=True), pd.concat([left_out, dropped], ignore_index=True)


def trap_places(traps: pd.DataFrame, *, pool: str = "trap") -> pd.DataFrame:
    """Return the trap table; pooled by site, with a row for each site at the mean position of its traps."""
    if pool != "site":
        return traps
    known = set(traps["trap"])
    rows = []
    for site, group in traps.groupby("site", sort=False):
        if site in known:
            continue
        row: dict[str, object] = {}
        for column in traps.columns:
            values = group[column]
            if column in ("latitude", "longitude", "elevation_m"):
                row[str(column)] = values.mean()
            else:
                row[str(column)] = values.iloc[0] if values.nunique(dropna=False) == 1 else None
        rows.append({**row, "trap": site})
    if not rows:
        return traps
    sites = pd.DataFrame(rows, columns=traps.columns)
    return pd.concat([traps.astype(object), sites.astype(object)], ignore_index=True).infer_objects()


def _dropped(intervals: pd.DataFrame, reason: str) -> pd.DataFrame:
    """Return intervals as rows of what was left out."""
    return intervals[["trap", "year", "row", "end"]].assign(reason=reason, moths=intervals["count"])


def _without_single(intervals: pd.DataFrame, left_out: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Leave out trap-years with one interval, unless it says only that the moth was there."""
    size = intervals.groupby(["trap", "year"])["row"].transform("size")
    single = (size == 1) & (intervals["status"] != "present")
    return intervals[~single], pd.concat([left_out, _dropped(intervals[single], "single")], ignore_index=True)


def _left_out_table(left_out: pd.DataFrame, season: Season) -> pd.DataFrame:
    keys = ["trap", "year", "reason"]
    groups = left_out.groupby(keys, sort=True)
    table = groups.agg(rows=("row", "size"), moths=("moths", "sum")).reset_index()
    labels = {int(year): season.label(int(year)) if year >= 0 else "" for year in table["year"].unique()}
    ordered = left_out.sort_values(keys, kind="stable")["row"].tolist()
    ends = table["rows"].cumsum().tolist()
    lines = [row_text(ordered[end - size : end]) for end, size in zip(ends, table["rows"], strict=True)]
    table = table.assign(
        season=table["year"].map(labels).astype(str),
        reason=table["reason"].map(LEFT_OUT_REASONS).astype(str),
        lines=pd.Series(lines, dtype=str),
    )
    return table[["trap", "season", "reason", "rows", "lines", "moths"]]


def _nothing_left(catches: pd.DataFrame, summary: pd.DataFrame) -> Problem:
    counted = summary.groupby("reason")["rows"].sum()
    reasons = "; ".join(f"{n} {reason}" for reason, n in counted.items())
    return Problem(
        f"no interval of {len(catches)} records can be used ({reasons or 'the table is empty'}).",
        "Check the season, the 'set' dates and the date order.",
        str(catches.attrs.get("file", "catch table")),
    )


def _assemble(
    intervals: pd.DataFrame,
    places: pd.DataFrame,
    season: Season,
    left_out: pd.DataFrame,
    notes: tuple[str, ...],
) -> TrapYears:
    ordered = intervals.sort_values(["trap", "year", "start"], kind="stable", ignore_index=True)
    ordered["trap_year"] = ordered.groupby(["trap", "year"], sort=False).ngroup()
    ordered["site"] = ordered["trap"].map(places["site"].to_dict())
    labels = {int(year): season.label(int(year)) for year in ordered["year"].unique()}
    ordered["season"] = ordered["year"].map(labels)
    years = ordered.groupby("trap_year", sort=True).agg(
        trap=("trap", "first"),
        site=("site", "first"),
        season=("season", "first"),
        year=("year", "first"),
        total=("count", "sum"),
        checks=("count", "size"),
    )
    years = years.reset_index()
    at = places.loc[years["trap"]].reset_index(drop=True)
    for column in ("latitude", "longitude", "elevation_m"):
        years[column] = at[column].astype(float)
    for column in at.columns:
        if column not in _NO_COVARIATE:
            years[column] = at[column]
    return TrapYears(ordered[_INTERVAL_COLUMNS], years, left_out, notes)
