"""The tables of a study file, one class each."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from phenofit.files.dates import FIRST_YEAR, LAST_YEAR
from phenofit.flight.baselines.rule_search import RULES
from phenofit.flight.likelihood.rearing_term import REARING_KINDS, REARING_ON
from phenofit.heat.settings import CUTOFFS, METHODS
from phenofit.output_folder import name_fault, shared_name_fault
from phenofit.study.fields import (
    Columns,
    Count,
    DateOrder,
    Day,
    FilePath,
    Flag,
    MonthDayText,
    Number,
    Part,
    PositiveNumber,
    TemperatureUnit,
    Text,
    Texts,
    UpperTemperature,
    choice,
    lapse_rate,
    month_day,
    refuse,
    words,
)
from phenofit.validate.schemes import LEAD_DAYS, SCHEMES
from phenofit.weather.quality.checks import CHECKS
from phenofit.weather.quality.fill import METHODS as FILL_METHODS
from phenofit.weather.reading.read import FORMS as WEATHER_FORMS


def _species(names: tuple[str, ...]) -> tuple[str, ...]:
    """Refuse names that are the same, or that cannot be parts of file names."""
    plain = [name.casefold() for name in names]
    if not all(plain) or len(set(plain)) < len(plain):
        raise refuse("a species is named twice or is blank.", "Name each species once.")
    for fault in (*map(name_fault, names), shared_name_fault(names)):
        if fault is not None:
            raise refuse(*fault)
    return names


class HeadPart(Part):
    """``[study]``: what it is about."""

    title: Text = "Flight calibration"
    species: Annotated[Texts, Field(min_length=1), AfterValidator(_species)]
    invented: Flag = False
    truth: FilePath | None = None
    seed: Count = 1


def _season_start(value: Any) -> Any:
    return value if value == "biofix" else month_day(value)


class SeasonPart(Part):
    """``[season]``: when heat sums begin, and when trapping ends."""

    start: Annotated[str, BeforeValidator(_season_start)] = "01-01"
    end: MonthDayText = "12-31"
    biofix: FilePath | None = None
    dates: DateOrder | None = None
    columns: Columns = Field(default_factory=dict)
    opens: MonthDayText = "01-01"

    @model_validator(mode="after")
    def _biofix_given(self) -> SeasonPart:
        if self.start == "biofix" and (self.biofix is None or self.dates is None):
            raise refuse(
                "the season starts at a biofix, but its table or its date order is not given.",
                'Write biofix = "biofix.csv" (columns site, date) and dates = "year-first".',
            )
        if self.start != "biofix" and self.biofix is not None:
            raise refuse(
                "a biofix table is given but not used.", 'Write start = "biofix", or remove the table.'
            )
        return self


def _years(value: Any) -> tuple[int, int]:
    fits = isinstance(value, list | tuple) and len(value) == 2 and all(type(year) is int for year in value)
    if not fits or not FIRST_YEAR <= value[0] <= value[1] <= LAST_YEAR:
        raise refuse(f"{value!r} is not a span of years.", "Write first and last year, such as [2016, 2024].")
    return int(value[0]), int(value[1])


def _files(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


Checks = Annotated[tuple[str, ...], BeforeValidator(words(*CHECKS))]


class WeatherPart(Part):
    """``[weather]``: files of station weather, or the station service."""

    files: Annotated[tuple[FilePath, ...], BeforeValidator(_files)] = ()
    service: Annotated[str, BeforeValidator(choice("meteostat"))] | None = None
    years: Annotated[tuple[int, int], BeforeValidator(_years)] | None = None
    stations: FilePath | None = None
    unit: TemperatureUnit | None = None
    dates: DateOrder = "year-first"
    columns: Columns = Field(default_factory=dict)
    station_columns: Columns = Field(default_factory=dict)
    missing_codes: tuple[Number, ...] | None = None
    duplicates: Annotated[str, BeforeValidator(choice("missing", "first", "last"))] = "missing"
    max_distance_km: PositiveNumber = 40.0
    cache: FilePath | None = None
    modelled: Flag = False
    checks: Checks = CHECKS
    keep_flagged: Checks = ()
    fill: Annotated[tuple[str, ...], BeforeValidator(words(*FILL_METHODS))] = ()
    max_gap_days: Count = 3
    max_filled_share: Annotated[Number, Field(gt=0, le=1)] = 0.2
    form: Annotated[str, BeforeValidator(choice(*WEATHER_FORMS))] | None = None
    times: Text | None = None
    utc_offset: Number | None = None
    day_starts: Annotated[Number, Field(ge=0, lt=24)] = 0.0
    minimum_hours: Annotated[Count, Field(ge=1, le=24)] = 20
    keep_failed: Flag = False
    min_share: Annotated[Number, Field(ge=0, le=1)] = 0.5
    at_traps: Annotated[str, BeforeValidator(choice("nearest", "interpolated"))] = "nearest"
    lapse: Annotated[str | float, BeforeValidator(lapse_rate)] = "fit"

    @model_validator(mode="after")
    def _one_origin(self) -> WeatherPart:
        if bool(self.files) == (self.service is not None):
            raise refuse(
                "the weather needs either files or a service.",
                'Write files = ["weather.csv"], or service = "meteostat" and years = [2016, 2024].',
            )
        if self.service is not None and self.years is None:
            raise refuse("the station service needs the years.", "Write for example years = [2016, 2024].")
        hourly = self.form in ("hourly table", "hourly netcdf")
        if hourly and (self.utc_offset is None or (self.form == "hourly table" and self.times is None)):
            raise refuse(
                f"the form '{self.form}' needs to know what its clock shows.",
                'Write utc_offset = -6 (local standard time minus UTC, hours); for a table also times = "UTC", '
                '"local standard" or a time zone such as "America/Chicago".',
            )
        # NetCDF files say their unit themselves, and the archive's files are in tenths of degC by definition.
        with_unit = (".nc", ".nc4", ".cdf", ".dly")
        texts = [path for path in self.files if path.suffix.lower() not in with_unit]
        if texts and self.unit is None and self.form not in ("ghcn-daily", "netcdf", "hourly netcdf"):
            raise refuse(
                f"the temperature unit of '{texts[0].name}' is not declared.",
                'Write unit = "degC", "degF" or "kelvin"; it is never guessed.',
            )
        return self


class HeatPart(Part):
    """``[heat]``: how degree-days are summed."""

    method: Annotated[str, BeforeValidator(choice(*METHODS))] = "single sine"
    cutoff: Annotated[str, BeforeValidator(choice(*CUTOFFS))] = "horizontal"
    upper: UpperTemperature | None = None


def _leads(value: Any) -> tuple[int, ...]:
    items = value if isinstance(value, list | tuple) else [value]
    good = all(type(item) is int and 0 <= item <= 365 for item in items)
    if not good or len(set(items)) < len(items):
        raise refuse(
            f"{value!r} is not a list of different days ahead.",
            "Write whole numbers of days from 0 to 365, such as [28, 14, 7, 0].",
        )
    return tuple(items)


def _older(value: Any) -> tuple[str, ...]:
    return RULES if value == "all" else words("all", *RULES)(value)


class ValidationPart(Part):
    """``[validation]``: how forecasts are tested on data that the fit has not seen."""

    leave_out: Annotated[tuple[str, ...], BeforeValidator(words(*SCHEMES))] = ("year",)
    min_moths: Count = 5
    blocks: Annotated[Count, Field(ge=2)] = 4
    first_years: Annotated[Count, Field(ge=2)] = 3
    lead_days: Annotated[tuple[int, ...], BeforeValidator(_leads)] = LEAD_DAYS
    older: Annotated[tuple[str, ...], BeforeValidator(_older)] = ()


class MapPart(Part):
    """``[map]``: the grid of the error map, and the covariates of its surface."""

    cell_km: PositiveNumber | None = None
    margin_km: PositiveNumber | None = None
    drift: Annotated[tuple[str, ...], BeforeValidator(words("latitude", "elevation"))] = ()
    elevation: FilePath | None = None

    @model_validator(mode="after")
    def _heights_given(self) -> MapPart:
        if "elevation" in self.drift and self.elevation is None:
            raise refuse(
                "a drift on elevation needs the heights of the cells.",
                'Write elevation = "heights.nc", a CF grid of elevation in metres.',
            )
        return self


class ForecastPart(Part):
    """``[forecast]``: the day of issue (by default the day after the last observation), and stages after the flight."""

    today: Day | None = None
    stages: FilePath | None = None


class RearingPart(Part):
    """``[[rearing]]``: development at constant temperatures that takes part in the fit of one species."""

    file: FilePath
    unit: TemperatureUnit
    species: Text | None = None
    columns: Columns = Field(default_factory=dict)
    kind: Annotated[str, BeforeValidator(choice(*REARING_KINDS))] = "normal"
    on: Annotated[str, BeforeValidator(choice(*REARING_ON))] = "base"
    source: Text = ""


class OccurrencesPart(Part):
    """``[occurrences]``: a run also writes its catches as Darwin Core occurrences, with these terms."""

    sampling_protocol: Text
    geodetic_datum: Text
    dataset: Text = ""
    events: Flag = False
