"""The study: what one study file says, checked and with all paths resolved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, Field, model_validator

from phenofit.errors import ModelError
from phenofit.files.tables import nearest
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.study.fields import refuse
from phenofit.study.flight_keys import FlightsPart
from phenofit.study.sections import (
    CatchesPart,
    ForecastPart,
    HeadPart,
    HeatPart,
    MapPart,
    Part,
    SeasonPart,
    TrapsPart,
    ValidationPart,
    WeatherPart,
)
from phenofit.validate.thresholds.published_table import PublishedThreshold

__all__ = ["UNNAMED", "FlightSettings", "Study"]

UNNAMED = "unnamed"
"""Stands for a species that the study file fails to name, while its tables are looked through."""


@dataclass(frozen=True)
class FlightSettings:
    """What the study says about the flights of one species.

    Parameters
    ----------
    species : str
        Its name.
    count : int, str or tuple of int
        Flights a season; ``"compare"`` or several numbers: chosen by AIC on all records.
    curve : str or tuple of str
        Shape of a flight; ``"choose"`` or several names: chosen by AIC in every fit.
    base : str or float
        ``"fit"``, or a held base temperature [degC].
    shifts : tuple of str
        Parts of the shift: ``year``, ``site``, ``trap-year``.
    stray : float or str
        Share of stray moths, or ``"fit"``.
    level : float
        Level of the intervals.
    covariates : tuple of str
        Columns of the trap table that may move the requirement.
    hold : mapping of str to float
        Parameters that are held, by the names of a fit's estimates.
    upper_range : tuple of float or None
        Where the upper threshold is looked for [degC]; None where it is not fitted.
    records : str
        What of the checks is fitted: ``"counts"``, ``"presence"`` or ``"first catch"``.
    """

    species: str
    count: int | str | tuple[int, ...]
    curve: str | tuple[str, ...]
    base: str | float
    shifts: tuple[str, ...]
    stray: float | str
    level: float
    covariates: tuple[str, ...]
    hold: Mapping[str, float]
    upper_range: tuple[float, float] | None
    records: str


_SETTINGS = (
    "count", "curve", "base", "shifts", "stray", "level", "covariates", "hold", "upper", "upper_range", "records"
)  # fmt: skip


class Study(Part):
    """One study, as its file says.

    Made by :func:`phenofit.study.load_study`; frozen. ``head`` is the table ``[study]``, the other attributes
    bear the names of their tables. Paths are absolute or relative to the working folder.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", arbitrary_types_allowed=True, populate_by_name=True
    )

    path: Path
    head: HeadPart = Field(alias="study")
    season: SeasonPart = SeasonPart()
    traps: TrapsPart
    catches: CatchesPart
    weather: WeatherPart
    heat: HeatPart = HeatPart()
    flights: FlightsPart = FlightsPart()
    published: tuple[PublishedThreshold, ...] = ()
    validation: ValidationPart = ValidationPart()
    map: MapPart = MapPart()
    forecast: ForecastPart = ForecastPart()

    @model_validator(mode="after")
    def _species_known(self) -> Study:
        for part in self.flights.species if self.species != (UNNAMED,) else ():
            if part.name.casefold() not in {name.casefold() for name in self.species}:
                raise refuse(
                    f"[[flights.species]] names '{part.name}', which is no species of the study.",
                    f"The species are {', '.join(self.species)}.{nearest(part.name, self.species)}",
                )
        return self

    @property
    def title(self) -> str:
        """Title of the study."""
        return self.head.title

    @property
    def species(self) -> tuple[str, ...]:
        """Names of its species."""
        return self.head.species

    @property
    def invented(self) -> bool:
        """Whether its data are invented; then every page, table and figure says so."""
        return self.head.invented

    @property
    def folder(self) -> Path:
        """Folder of the study file."""
        return self.path.parent

    @property
    def weather_cache(self) -> Path:
        """Folder of the fetched station series: ``[weather] cache``, or ``.weather-cache`` beside the study file."""
        return self.weather.cache or self.folder / ".weather-cache"

    def shown(self, path: Path) -> str:
        """Return the name of a file as the user wrote it: relative to the study file where it lies below."""
        return path.relative_to(self.folder).as_posix() if path.is_relative_to(self.folder) else str(path)

    def season_window(self) -> Season:
        """Return the season in which traps are read; with a biofix it opens on ``[season] opens``."""
        start = self.season.opens if self.season.start == "biofix" else self.season.start
        return Season.parse(start, self.season.end)

    def heat_settings(self) -> HeatSettings:
        """Return how degree-days are summed, apart from the base."""
        return HeatSettings(method=self.heat.method, cutoff=self.heat.cutoff, upper=self.heat.upper)

    def flight_settings(self, species: str) -> FlightSettings:
        """Return the flight settings of one species: ``[flights]`` with its own ``[[flights.species]]`` on top.

        Parameters
        ----------
        species : str
            One of :attr:`species`.

        Raises
        ------
        ModelError
            If the study has no such species.
        """
        name = self.species_name(species)
        values: dict[str, Any] = {key: getattr(self.flights, key) for key in _SETTINGS}
        for part in self.flights.species:
            if part.name.casefold() == name.casefold():
                own = part.model_dump(exclude={"name"}, exclude_none=True)
                values.update(own)
        if values.pop("upper") is None:
            values["upper_range"] = None
        return FlightSettings(species=name, **values)

    def species_name(self, species: str) -> str:
        """Return the study's spelling of a species.

        Raises
        ------
        ModelError
            If the study has no such species.
        """
        for name in self.species:
            if name.casefold() == " ".join(species.split()).casefold():
                return name
        raise ModelError(
            f"the study has no species '{species}'; it has {', '.join(self.species)}."
            f"{nearest(species, self.species)}"
        )

    def published_for(self, species: str) -> tuple[PublishedThreshold, ...]:
        """Return the published thresholds that the study tests on one species."""
        name = self.species_name(species)
        return tuple(row for row in self.published if row.species == name)
