"""The fit file: JSON with a schema version, checked key by key when it is read. No pickle, no code."""

from __future__ import annotations

import json
import math
import os
from dataclasses import astuple, dataclass
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from phenofit.errors import DataError, PhenofitError, Problem
from phenofit.files import read_json
from phenofit.flight.intervals.profile import Profile
from phenofit.flight.likelihood.parameters import split_name, unit_of
from phenofit.flight.likelihood.rearing_term import RearingTerm
from phenofit.flight.likelihood.reference_heat import ReferenceHeat
from phenofit.flight.model import FitSettings
from phenofit.flight.sampling import Sampling
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import MonthDay, Season

SCHEMA = "phenofit flight fit 2"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _Heat(_Part):
    method: str
    cutoff: str
    upper_degC: float | None


class _Rearing(_Part):
    kind: str
    on: str
    base_degC: float
    base_se_degC: float
    requirement_degC_d: float | None
    requirement_se_degC_d: float | None
    covariance: float | None
    temperature_degC: tuple[float, ...]
    duration_d: tuple[float, ...]
    source: str


class _Settings(_Part):
    species: str
    season_start: str
    season_end: str
    heat: _Heat
    curve: str
    flights: int
    base_held_degC: float | None
    held: dict[str, float]
    base_range_degC: tuple[float, float]
    upper_range_degC: tuple[float, float] | None = None
    shifts: tuple[str, ...]
    counts: str
    stray: float
    stray_fitted: bool = False
    records: str = "counts"
    covariates: tuple[str, ...]
    # Without the key: a file of a version in which covariates moved the requirement alone.
    covariate_scale: str = "requirement"
    night_weather: str | None = None
    biofix: bool
    level: float
    rearing: _Rearing | None = None


class _Profile(_Part):
    estimate: float
    values: list[float]
    deviance: list[float]
    logarithmic: bool
    low_bound: float | None
    high_bound: float | None
    degrees: float | None
    path: list[list[float]]
    followed: float = 0.0


class _Sampling(_Part):
    """In days; the covariance of the file is on the heat scale."""

    names: list[str]
    covariance: list[list[float]]
    direct: list[str]
    bases_degC: list[float] | None
    heat_degC_d: list[list[float]] | None
    heat_per_day_degC: list[list[float]] | None
    heat_per_day_between_degC: list[list[float]] | None


class _Document(_Part):
    schema_: Literal["phenofit flight fit 2", "phenofit flight fit 1"] = Field(alias="schema")
    settings: _Settings
    parameters: dict[str, float]
    units: dict[str, str]
    covariance_names: list[str]
    covariance: list[list[float]]
    profiles: dict[str, _Profile]
    log_likelihood: float
    fitted: int
    converged: bool
    problems: list[str]
    data: list[dict[str, object]]
    shifts: list[dict[str, object]]
    left_out: list[dict[str, object]]
    provenance: dict[str, object]
    sampling: _Sampling | None = None


@dataclass(frozen=True, eq=False)
class FitContent:
    """What a fit file holds; :class:`phenofit.flight.FlightFit` says what each is."""

    settings: FitSettings
    parameters: dict[str, float]
    covariance: pd.DataFrame
    profiles: dict[str, Profile]
    log_likelihood: float
    fitted: int
    converged: bool
    problems: tuple[str, ...]
    data: pd.DataFrame
    shifts: pd.DataFrame
    left_out: pd.DataFrame
    provenance: dict[str, object]
    sampling: Sampling | None = None


def to_text(fit: FitContent) -> str:
    """Return a fit as JSON text; the same fit gives the same text."""
    s = fit.settings
    content = {
        "schema": SCHEMA,
        "settings": {
            "species": s.species,
            "season_start": str(s.season.start),
            "season_end": str(s.season.end),
            "heat": {"method": s.heat.method, "cutoff": s.heat.cutoff, "upper_degC": s.heat.upper},
            "curve": s.curve,
            "flights": s.flights,
            "base_held_degC": s.base_held,
            "held": dict(s.hold),
            "base_range_degC": s.base_range,
            "upper_range_degC": s.upper_range,
            "shifts": s.shifts,
            "counts": s.counts,
            "stray": s.stray_share,
            "stray_fitted": s.stray_fitted,
            "records": s.records,
            "covariates": s.covariates,
            "covariate_scale": s.covariate_scale,
            "night_weather": s.night_weather,
            "biofix": s.biofix,
            "level": s.level,
            "rearing": _of_rearing(s.rearing),
        },
        "parameters": fit.parameters,
        "units": {split_name(name)[0]: unit_of(name) for name in fit.parameters},
        "covariance_names": list(fit.covariance.columns),
        "covariance": fit.covariance.to_numpy().tolist(),
        "profiles": {
            name: {
                "estimate": p.estimate,
                "values": p.values.tolist(),
                "deviance": p.deviance.tolist(),
                "logarithmic": p.logarithmic,
                "low_bound": _finite(p.low_bound),
                "high_bound": _finite(p.high_bound),
                "degrees": _finite(p.degrees),
                "path": p.path.tolist(),
                "followed": p.followed,
            }
            for name, p in fit.profiles.items()
        },
        "log_likelihood": fit.log_likelihood,
        "fitted": fit.fitted,
        "converged": fit.converged,
        "problems": list(fit.problems),
        "data": _records(fit.data),
        "shifts": _records(fit.shifts),
        "left_out": _records(fit.left_out),
        "provenance": fit.provenance,
        "sampling": _of_sampling(fit.sampling),
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_file(path: str | os.PathLike[str]) -> FitContent:
    """Read a fit file."""
    name = str(path)
    content = read_json(path, remedy="Name a file that a fit has written.")
    try:
        document = _Document.model_validate(content)
        settings = _settings(document.settings)
    except ValidationError as error:
        raise DataError(
            [
                Problem(
                    f"{entry['msg'].lower()}.",
                    f"A fit file holds the keys of '{SCHEMA}'; write it again with this version.",
                    name,
                    column=".".join(str(part) for part in entry["loc"]),
                )
                for entry in error.errors()
            ]
        ) from None
    except PhenofitError as error:
        raise DataError(Problem(str(error), "", name, column="settings")) from None
    return FitContent(
        settings=settings,
        parameters=document.parameters,
        covariance=pd.DataFrame(
            np.array(document.covariance, dtype=np.float64).reshape(len(document.covariance_names), -1),
            index=document.covariance_names,
            columns=document.covariance_names,
        ),
        profiles={key: _profile(key, p) for key, p in document.profiles.items()},
        log_likelihood=document.log_likelihood,
        fitted=document.fitted,
        converged=document.converged,
        problems=tuple(document.problems),
        data=pd.DataFrame(document.data),
        shifts=pd.DataFrame(document.shifts, columns=["part", "group", "mean", "sd"]),
        left_out=pd.DataFrame(document.left_out, columns=["trap", "season", "reason", "rows", "moths"]),
        provenance=document.provenance,
        sampling=_sampling(document),
    )


def _settings(part: _Settings) -> FitSettings:
    return FitSettings(
        Season(MonthDay.parse(part.season_start), MonthDay.parse(part.season_end)),
        heat=HeatSettings(method=part.heat.method, cutoff=part.heat.cutoff, upper=part.heat.upper_degC),
        species=part.species,
        curve=part.curve,
        flights=part.flights,
        base="fit" if part.base_held_degC is None else part.base_held_degC,
        hold=part.held,
        base_range=part.base_range_degC,
        upper_range=part.upper_range_degC,
        shifts=part.shifts,
        counts=part.counts,
        stray="fit" if part.stray_fitted else part.stray,
        records=part.records,
        covariates=part.covariates,
        covariate_scale=part.covariate_scale,
        night_weather=part.night_weather,
        biofix=part.biofix,
        level=part.level,
        rearing=None if part.rearing is None else RearingTerm(*part.rearing.model_dump().values()),
    )


def _of_rearing(term: RearingTerm | None) -> dict[str, object] | None:
    if term is None:
        return None
    return dict(zip(_Rearing.model_fields, astuple(term), strict=True))


def _profile(name: str, part: _Profile) -> Profile:
    return Profile(
        name=name,
        estimate=part.estimate,
        values=np.array(part.values),
        deviance=np.array(part.deviance),
        logarithmic=part.logarithmic,
        low_bound=-math.inf if part.low_bound is None else part.low_bound,
        high_bound=math.inf if part.high_bound is None else part.high_bound,
        degrees=math.inf if part.degrees is None else part.degrees,
        path=np.array(part.path),
        followed=part.followed,
    )


def _of_sampling(sampling: Sampling | None) -> dict[str, object] | None:
    if sampling is None:
        return None
    reference = sampling.reference
    tables = [None] * 4 if reference is None else [array.tolist() for array in _arrays(reference)]
    values = (list(sampling.names), sampling.covariance.tolist(), list(sampling.direct), *tables)
    return dict(zip(_Sampling.model_fields, values, strict=True))


def _arrays(reference: ReferenceHeat) -> tuple[np.ndarray, ...]:
    return reference.bases, reference.heat, reference.per_day, reference.between


def _sampling(document: _Document) -> Sampling:
    """Return how the estimates vary; a file of the older kind says it on the heat scale."""
    part = document.sampling
    if part is None:
        count = len(document.covariance_names)
        whole = np.array(document.covariance, dtype=np.float64).reshape(count, count)
        return Sampling(tuple(document.covariance_names), whole, None)
    tables = (part.bases_degC, part.heat_degC_d, part.heat_per_day_degC, part.heat_per_day_between_degC)
    arrays = [np.array(table, dtype=np.float64) for table in tables if table is not None]
    covariance = np.array(part.covariance, dtype=np.float64).reshape(len(part.names), len(part.names))
    reference = ReferenceHeat(*arrays) if len(arrays) == len(tables) else None
    return Sampling(tuple(part.names), covariance, reference, tuple(part.direct))


def _finite(value: float) -> float | None:
    return None if math.isnan(value) else value


def _records(table: pd.DataFrame) -> list[dict[str, object]]:
    def plain(value: object) -> object:
        if isinstance(value, float):
            return None if math.isnan(value) else value
        if isinstance(value, str | int):
            return value
        return None if value is None or value is pd.NA or value is pd.NaT else str(value)

    return [{str(k): plain(v) for k, v in row.items()} for row in table.to_dict("records")]
