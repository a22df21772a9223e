"""One frozen object with everything that a fit, a validation or a forecast needs to know of one species."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from phenofit.errors import ModelError
from phenofit.files.text_table import TableSource
from phenofit.seasons import Season
from phenofit.traps import (
    TrapYears,
    build_trap_years,
    catches_of_species,
    read_biofix,
    read_catches,
    read_traps,
)
from phenofit.traps.account import left_out_by_reason
from phenofit.traps.biofix import biofix_starts
from phenofit.weather import add_notes, link_stations, read_stations, read_weather

_LEFT_OUT = "left out by the selection"
WeatherSource = TableSource | xr.Dataset | Sequence[str | os.PathLike[str]]


@dataclass(frozen=True)
class Records:
    """Trap-years of one species with their weather, station links, season and biofix. Never changes.

    Parameters
    ----------
    trap_years : TrapYears
        Catches by check interval, and what was left out of them.
    weather : xarray.Dataset
        Daily ``tmin`` and ``tmax`` [degC] on (station, time).
    links : pandas.DataFrame
        ``trap, station``: the station of each trap.
    season : Season
        When traps are read. Heat sums begin on its first day where there is no biofix.
    starts : mapping, optional
        Biofix of each (site, year): where heat sums begin instead.
    species : str
        Label of the species.
    traps : pandas.DataFrame, optional
        Trap table: sites and covariates, also of traps without a catch.

    Notes
    -----
    Made by :func:`phenofit.study.read_records` from a study, or by :meth:`from_tables`.
    """

    trap_years: TrapYears
    weather: xr.Dataset
    links: pd.DataFrame
    season: Season
    starts: Mapping[tuple[str, int], np.datetime64] | None = None
    species: str = ""
    traps: pd.DataFrame | None = None

    @classmethod
    def without_catches(cls, weather: xr.Dataset, links: pd.DataFrame, season: Season) -> Records:
        """Return records of places where nothing was caught, for a forecast there.

        Parameters
        ----------
        weather : xarray.Dataset
            Daily ``tmin`` and ``tmax`` [degC] on (station, time).
        links : pandas.DataFrame
            ``trap, station``: each place with its station.
        season : Season
            The season.
        """
        return cls(TrapYears.none(), weather, links, season)

    @classmethod
    def from_tables(
        cls,
        *,
        traps: TableSource,
        catches: TableSource,
        weather: WeatherSource,
        stations: TableSource | None = None,
        season: tuple[str, str] = ("01-01", "12-31"),
        units: str | None = None,
        dates: str = "year-first",
        blank: str = "not checked",
        biofix: TableSource | None = None,
        species: str | None = None,
    ) -> Records:
        """Read trap, catch and weather tables, with the checks and the messages of a study.

        Parameters
        ----------
        traps : path-like or pandas.DataFrame
            ``trap, latitude, longitude, elevation_m``; optional ``site``, ``station``, covariates.
        catches : path-like or pandas.DataFrame
            ``trap, date, count``; optional ``set``, ``species``, ``status``, ``effort``.
        weather : path-like, sequence of path-like, pandas.DataFrame or xarray.Dataset
            ``station, date, tmin, tmax``, NetCDF files, or a dataset of :func:`phenofit.read_weather`.
        stations : path-like or pandas.DataFrame, optional
            ``station, latitude, longitude, elevation_m``, where `weather` does not say them.
        season : tuple of str
            First and last month-day.
        units : str, optional
            Unit of the temperatures in text tables: ``"degC"``, ``"degF"`` or ``"kelvin"``.
        dates : {"year-first", "month-first", "day-first"}
            Order of the dates in all tables.
        blank : {"not checked", "zero"}
            What an empty count means.
        biofix : path-like or pandas.DataFrame, optional
            ``site, date``: where heat sums begin.
        species : str, optional
            The species to take from a table of several; also the label.

        Returns
        -------
        Records

        Raises
        ------
        DataError
            With every problem of a table: file, row, column, what was found, how to mend it. Rows of a DataFrame are
            counted as in a file: its first row is row 2.
        UnitError
            If no unit is declared for temperatures in a table.

        Notes
        -----
        A study file knows more settings (columns, words, pooling, filling, quality checks); see README.
        """
        window = Season.parse(*season)
        places = read_traps(_named(traps, "traps"), dates=dates)
        table = read_catches(_named(catches, "catches"), dates=dates, blank=blank)
        notes: tuple[str, ...] = ()
        if species is not None:
            table, notes = catches_of_species(table, species)
        found = build_trap_years(places, table, window)
        starts = None
        if biofix is not None:
            starts = biofix_starts(read_biofix(_named(biofix, "biofix"), dates=dates, season=window))
        series = weather if isinstance(weather, xr.Dataset) else _series(weather, stations, units, dates)
        return cls(
            replace(found, notes=(*notes, *found.notes)),
            series,
            link_stations(places, series),
            window,
            starts,
            species or "",
            places,
        )

    def __len__(self) -> int:
        """Return the number of trap-years."""
        return len(self.trap_years)

    @property
    def years(self) -> tuple[int, ...]:
        """Years in which the seasons start."""
        return tuple(sorted(int(y) for y in self.trap_years.years["year"].unique()))

    @property
    def sites(self) -> tuple[str, ...]:
        """Names of the sites."""
        return tuple(sorted(str(s) for s in self.trap_years.years["site"].unique()))

    @property
    def moths(self) -> int:
        """Moths caught."""
        return int(self.trap_years.years["total"].sum())

    @property
    def left_out(self) -> pd.DataFrame:
        """What was left out: ``trap, season, reason, rows, lines, moths``."""
        return self.trap_years.left_out

    @property
    def notes(self) -> tuple[str, ...]:
        """Further remarks, one sentence each."""
        return self.trap_years.notes

    @property
    def site_of(self) -> Mapping[str, str]:
        """Site of each trap, by the trap table and the trap-years."""
        found: dict[str, str] = {}
        for table in (self.traps, self.trap_years.years):
            if table is not None and "site" in table:
                found |= dict(zip(table["trap"].astype(str), table["site"].astype(str), strict=True))
        return found

    def places(self, sites: Sequence[str] | None = None) -> list[tuple[str, str]]:
        """Return the places to forecast for as (site, station): those of the trap-years, or the sites named.

        Parameters
        ----------
        sites : sequence of str, optional
            Sites of the trap table; the others are not returned.
        """
        site_of = self.site_of
        used = set(self.trap_years.years["trap"].astype(str))
        pairs = {
            (site_of.get(str(trap), str(trap)), str(station))
            for trap, station in zip(self.links["trap"], self.links["station"], strict=True)
            if sites is not None or not used or str(trap) in used
        }
        return sorted(pair for pair in pairs if sites is None or pair[0] in sites)

    def only(self, keep: npt.ArrayLike) -> Records:
        """Return some of the trap-years, without a note: for folds and other repeated work.

        Parameters
        ----------
        keep : array_like of bool, shape (trap-years,)
            Which ones, in the order of ``trap_years.years``.
        """
        return replace(self, trap_years=self.trap_years.select(keep))

    def select(
        self,
        *,
        years: Sequence[int] | None = None,
        sites: Sequence[str] | None = None,
        traps: Sequence[str] | None = None,
    ) -> Records:
        """Return the records of some years, sites or traps; what is left out is listed with its reason.

        Parameters
        ----------
        years : sequence of int, optional
            Years in which the seasons start.
        sites, traps : sequence of str, optional
            Names.

        Returns
        -------
        Records
            ``left_out`` has a row for each trap-year that the selection leaves out.

        Raises
        ------
        ModelError
            If a year or name is not in the records, or nothing is left.
        """
        table = self.trap_years.years
        keep = np.ones(len(table), dtype=bool)
        for column, wanted in (("year", years), ("site", sites), ("trap", traps)):
            if wanted is None:
                continue
            known = {str(value) for value in table[column]}
            unknown = [str(value) for value in wanted if str(value) not in known]
            if unknown:
                raise ModelError(
                    f"there is no {column} {', '.join(unknown)} in the records; there are {', '.join(sorted(known))}."
                )
            keep &= table[column].astype(str).isin([str(value) for value in wanted]).to_numpy()
        if not keep.any():
            raise ModelError("the selection leaves no trap-year.")
        gone = table[~keep]
        rows = pd.DataFrame(
            {
                "trap": gone["trap"],
                "season": gone["season"],
                "reason": _LEFT_OUT,
                "rows": gone["checks"],
                "lines": "",
                "moths": gone["total"],
            }
        )
        found = self.trap_years.select(keep)
        left_out = pd.concat([found.left_out, rows], ignore_index=True) if len(rows) else found.left_out
        unused = found.unused
        site = unused["trap"].map(dict(zip(table["trap"], table["site"], strict=True)))
        for values, wanted in ((unused["year"], years), (site, sites), (unused["trap"], traps)):
            if wanted is not None:
                named = values.astype(str).isin([str(value) for value in wanted])
                unused = unused[named.reindex(unused.index)]
        return replace(self, trap_years=replace(found, left_out=left_out, unused=unused))

    def summary(self) -> str:
        """Return what the records hold, and what was left out and why, as text."""
        begin = "a biofix" if self.starts is not None else str(self.season.start)
        size = (
            f"{self.moths} moths, {len(self)} trap-years, {len(self.sites)} sites, {len(self.years)} seasons"
        )
        lines = [
            f"{self.species or 'Records'}: {size}",
            f"season {self.season.start} to {self.season.end}, heat sums from {begin}",
        ]
        lines += [
            f"left out: {row['rows']} checks with {row['moths']} moths: {row['reason']}"
            for row in left_out_by_reason([self.left_out]).to_dict("records")
        ]
        return "\n".join([*lines, *self.notes])

    __str__ = __repr__ = summary


def _series(
    weather: TableSource | Sequence[str | os.PathLike[str]],
    stations: TableSource | None,
    unit: str | None,
    dates: str,
) -> xr.Dataset:
    places, remarks = (None, ()) if stations is None else read_stations(_named(stations, "stations"))
    files = _named(weather, "weather") if isinstance(weather, pd.DataFrame) else weather
    return add_notes(read_weather(files, unit=unit, stations=places, dates=dates), remarks)


def _named(table: TableSource, name: str) -> TableSource:
    """Return a table; a DataFrame gets the name that messages use."""
    if not isinstance(table, pd.DataFrame):
        return table
    named = table.copy(deep=False)
    named.attrs = {**table.attrs, "name": name}
    return named
