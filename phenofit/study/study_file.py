"""The study: what one study file says, checked and with all paths resolved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import ConfigDict, Field, model_validator

from phenofit.errors import ModelError
from phenofit.files.tables import nearest
from phenofit.flight.likelihood.rearing_term import RearingTerm, rearing_term
from phenofit.flight.model import FlightModel
from phenofit.forecasting.stage_windows import StageLag, read_stage_lags
from phenofit.heat.rearing_rates import read_rearing
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.study.fields import Part, refuse
from phenofit.study.flight_keys import MODEL_KEYS, FlightsPart
from phenofit.study.record_sections import CatchesPart, SubsetPart, TrapsPart
from phenofit.study.sections import (
    ForecastPart,
    HeadPart,
    HeatPart,
    MapPart,
    OccurrencesPart,
    RearingPart,
    SeasonPart,
    ValidationPart,
    WeatherPart,
)
from phenofit.validate.thresholds.threshold import PublishedThreshold

UNNAMED = "unnamed"
"""Name of a species that the study file does not name, while its tables are checked."""


class Study(Part):
    """One study, as its file says.

    Made by :func:`phenofit.study.load_study`; frozen. ``head`` is the table ``[study]``, the other attributes
    have the names of their tables. Paths are absolute or relative to the working folder.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", arbitrary_types_allowed=True, populate_by_name=True
    )

    path: Path
    head: HeadPart = Field(alias="study")
    season: SeasonPart = SeasonPart()
    traps: TrapsPart
    catches: CatchesPart
    only: SubsetPart = SubsetPart()
    left_out: SubsetPart = Field(alias="except", default=SubsetPart())
    weather: WeatherPart
    heat: HeatPart = HeatPart()
    flights: FlightsPart = FlightsPart()
    published: tuple[PublishedThreshold, ...] = ()
    validation: ValidationPart = ValidationPart()
    map: MapPart = MapPart()
    forecast: ForecastPart = ForecastPart()
    rearing: tuple[RearingPart, ...] = ()
    occurrences: OccurrencesPart | None = None

    @model_validator(mode="after")
    def _species_known(self) -> Study:
        for part in self.flights.species if self.species != (UNNAMED,) else ():
            if part.name.casefold() not in {name.casefold() for name in self.species}:
                raise refuse(
                    f"[[flights.species]] names '{part.name}', which is no species of the study.",
                    f"The species are {', '.join(self.species)}.{nearest(part.name, self.species)}",
                )
        return self

    @model_validator(mode="after")
    def _rearing_of_one_species(self) -> Study:
        names = self.species
        of = [(part.species or (names[0] if len(names) == 1 else "")).casefold() for part in self.rearing]
        if self.species != (UNNAMED,) and not set(of) <= {name.casefold() for name in names}:
            raise refuse(
                "[[rearing]] names no species of the study.",
                f'Write species = "..." in each entry; the species are {", ".join(names)}.',
            )
        if len(set(of)) < len(of):
            raise refuse(
                "[[rearing]] has two entries of one species.", "Put its temperatures into one table."
            )
        if self.flights.starts and self.season.start == "biofix":
            raise refuse(
                "start dates are compared in [flights] starts, but heat is summed from a biofix.",
                "Leave starts out.",
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

    def flight_model(self, species: str) -> FlightModel:
        """Return the flight model of one species: ``[flights]`` with its own ``[[flights.species]]`` on top.

        Parameters
        ----------
        species : str
            One of :attr:`species`.

        Raises
        ------
        ModelError
            If the study has no such species, or its settings do not go together.
        """
        values = self._flight_values(species)
        return FlightModel(heat=self.heat_settings(), rearing=self.rearing_of(species), **values)

    def rearing_of(self, species: str) -> RearingTerm | None:
        """Return what rearing data add to the fit of a species; None where the study has none.

        Raises
        ------
        DataError
            If the table cannot be read, with every problem of it.
        ModelError
            If its points do not fix a base.
        """
        name = self.species_name(species).casefold()
        for part in self.rearing:
            if part.species is None or part.species.casefold() == name:
                columns = {ours: theirs for ours, theirs in part.columns.items() if isinstance(theirs, str)}
                found = read_rearing(part.file, unit=part.unit, columns=columns)
                source = part.source or self.shown(part.file)
                return rearing_term(found, kind=part.kind, on=part.on, source=source)
        return None

    def stage_lags(self) -> tuple[StageLag, ...]:
        """Return the stages after the flight that are dated in forecasts, of all species; none without a table.

        Raises
        ------
        DataError
            If the table cannot be read, with every problem of it, or names a species that the study does not have.
        """
        path = self.forecast.stages
        if path is None:
            return ()
        lags = read_stage_lags(path)
        for lag in lags:
            if lag.species:
                self.species_name(lag.species)
        return lags

    def base_of(self, species: str) -> str | float:
        """Return the base of one species as the study says it: ``"fit"``, or a held temperature [degC]."""
        base: str | float = self._flight_values(species)["base"]
        return base

    def _flight_values(self, species: str) -> dict[str, Any]:
        name = self.species_name(species)
        values = {key: getattr(self.flights, key) for key in MODEL_KEYS}
        for part in self.flights.species:
            if part.name.casefold() == name.casefold():
                values |= part.model_dump(include=set(MODEL_KEYS), exclude_none=True)
        if values.pop("upper") is None:
            values["upper_range"] = None
        return {MODEL_KEYS[key]: value for key, value in values.items()}

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
