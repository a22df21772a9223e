"""The model of a fit set up: which shifts the records inform, the likelihood, the search box, and the names."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.estimate.maximise import Box
from phenofit.flight.likelihood.covariates import CovariateDesign, covariate_design
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Layout, Likelihood
from phenofit.flight.likelihood.parameters import plain_name
from phenofit.flight.likelihood.reference_heat import ReferenceHeat, reference_heat
from phenofit.flight.model import SITE_IF_CROSSED, FitSettings

# Share used for no strays: too small to matter, but it keeps the logarithm of a chance finite.
SMALLEST_STRAY = 1e-9
# Least number of sites, and of years at each, for which sites have a shift by default.
_LEAST_SITES, _LEAST_YEARS = 3, 2


def shared_groups(data: FlightData, settings: FitSettings) -> npt.NDArray[np.int64]:
    """Return the number of the group whose shift each trap-year shares; -1 where there is none."""
    if settings.group == "year":
        return data.table["year"].to_numpy(dtype=np.int64)
    if settings.group == "site":
        return np.asarray(pd.factorize(data.table["site"])[0], dtype=np.int64)
    return np.full(data.trap_years, -1, dtype=np.int64)


def _likelihood_counts(settings: FitSettings) -> str:
    return {"presence": "presence", "first catch": "multinomial"}.get(settings.records, settings.counts)


def simplify(data: FlightData, settings: FitSettings) -> tuple[FitSettings, tuple[str, ...]]:
    """Drop shift parts that a single group or trap-year cannot show, and say so."""
    said = []
    shifts = _with_sites(data, settings)
    for part, column in (("year", "year"), ("site", "site")):
        if part in shifts and data.table[column].nunique() < 2:
            shifts = tuple(s for s in shifts if s != part)
            said.append(
                f"All records are from one {part}: how much {part}s differ cannot be seen, so the intervals "
                f"hold for this {part} only."
            )
    if "trap-year" in shifts and data.trap_years < 2:
        shifts = tuple(s for s in shifts if s != "trap-year")
        said.append(
            "There is one trap-year only: how much trap-years differ cannot be seen, so the intervals hold for "
            "this trap-year only."
        )
    if settings.records == "first catch" and "trap-year" in shifts:
        shifts = tuple(s for s in shifts if s != "trap-year")
        said.append(
            "A first catch is one event a trap-year: how much trap-years differ is part of the spread of the "
            "first catches."
        )
    single = "trap-year" in shifts or settings.records == "first catch"
    for part in ("year", "site"):
        if single and part in shifts and data.trap_years == data.table[part].nunique():
            # One trap-year in each group: the shared and the own shift are the same thing.
            shifts = tuple(s for s in shifts if s != part)
            own = "spread" if settings.records == "first catch" else "trap-year part"
            said.append(
                f"Each {part} has one trap-year: the {part} part of the shift cannot be distinguished from "
                f"the {own}, and one of the two is fitted."
            )
    return replace(settings, shifts=shifts), tuple(said)


def _with_sites(data: FlightData, settings: FitSettings) -> tuple[str, ...]:
    """Return the parts of the shift, a site part that depends on the records among them or not."""
    years = data.table.groupby("site")["year"].nunique()
    crossed = {"year", "trap-year"} <= set(settings.shifts) and settings.records != "first catch"
    enough = crossed and int((years >= _LEAST_YEARS).sum()) >= _LEAST_SITES
    named = ("site" if part == SITE_IF_CROSSED else part for part in settings.shifts)
    dropped = SITE_IF_CROSSED in settings.shifts and "site" not in settings.shifts and not enough
    return tuple(dict.fromkeys(part for part in named if part != "site" or not dropped))


def build_likelihood(
    data: FlightData,
    settings: FitSettings,
    nodes: tuple[int, int, int],
    *,
    design: CovariateDesign | None = None,
    search: bool = False,
) -> Likelihood:
    """Return the likelihood of a model on its data, for a search in days where asked."""
    if design is None:
        design = covariate_design(data.table, settings.covariates)
    return Likelihood(
        data,
        settings.heat,
        settings.curve,
        settings.flights,
        shared_groups(data, settings),
        crossed=np.asarray(pd.factorize(data.table["site"])[0], dtype=np.int64) if settings.crossed else None,
        own_shift="trap-year" in settings.shifts,
        counts=_likelihood_counts(settings),
        covariates=design.values,
        covariate_names=design.names,
        spread_follows=settings.spread_follows,
        nodes=nodes,
        rearing=settings.rearing,
        reference=_reference(data, settings) if search else None,
    )


def _reference(data: FlightData, settings: FitSettings) -> ReferenceHeat:
    held = settings.hold.get("base", settings.base_held)
    low, high = settings.base_range if held is None else (held - 1.0, held + 1.0)
    return reference_heat(data, settings.heat, settings.flights, (low, high))


def search_box(likelihood: Likelihood, settings: FitSettings) -> tuple[Box, np.ndarray]:
    """Return the search box of a model, and a vector with the held values in place."""
    layout = likelihood.layout
    warm, _, _ = likelihood.data.heat_at_edges(
        settings.base_range[0] if settings.base_held is None else settings.base_held, settings.heat
    )
    box = Box.of(layout, settings.base_range, max(2.0 * float(np.nanmax(warm)), 100.0))
    template = np.zeros(layout.size)
    at, upper = layout.places.stray, layout.places.upper
    template[at] = layout.entries[at].parameter.searched(max(settings.stray_share, SMALLEST_STRAY))
    box.low[at] = min(box.low[at], template[at])
    hold = list(_lacking(layout, settings))
    if not settings.stray_fitted:
        hold.append(at)
    template[upper] = 0.0 if settings.heat.upper is None else settings.heat.upper
    if settings.upper_range is not None:
        box.low[upper], box.high[upper] = settings.upper_range
    if settings.base_held is not None:
        base = layout.places.base
        template[base] = settings.base_held
        box.low[base] = min(box.low[base], settings.base_held)
        box.high[base] = max(box.high[base], settings.base_held)
        hold.append(base)
    public = {public_name(likelihood, settings, k): k for k in range(layout.size)}
    for name, value in settings.hold.items():
        if name in public:
            index, inner = public[name], float(value)
        elif f"log {name}" in public:
            index, inner = public[f"log {name}"], math.log(value) if value > 0 else -math.inf
        else:
            known = ", ".join(plain_name(n) for n in public)
            raise ModelError(f"there is no parameter '{name}' to hold; there are {known}.")
        if layout.entries[index].parameter.is_sd:
            inner = max(inner, float(box.low[index]))
        template[index] = inner
        box.low[index], box.high[index] = min(box.low[index], inner), max(box.high[index], inner)
        hold.append(index)
    _keep_order(box, layout.places.requirement, settings, template)
    for index in hold:
        box = box.hold(index)
    return box, template


def _keep_order(box: Box, first: int, settings: FitSettings, template: np.ndarray) -> None:
    """Change the bounds in place, so that no flight is searched on the wrong side of one whose requirement is held."""
    places = {g: first + g - 1 for g in range(1, settings.flights + 1)}
    held = {g: float(template[k]) for g, k in places.items() if f"requirement_{g}" in settings.hold}
    if list(held.values()) != sorted(held.values()):
        words = ", ".join(f"flight {g} at {value:g}" for g, value in held.items())
        raise ModelError(f"flights are numbered in order of time, but half of {words} °C-days is held.")
    for g, k in places.items():
        if g in held:
            continue
        before = [value for other, value in held.items() if other < g]
        after = [value for other, value in held.items() if other > g]
        box.low[k] = max([box.low[k], *before])
        box.high[k] = max(min([box.high[k], *after]), box.low[k])


def public_name(likelihood: Likelihood, settings: FitSettings, index: int) -> str:
    """Return the name of an entry as results show it, with the scale of the search before: ``log spread_1``."""
    return likelihood.layout.entries[index].public(settings.group, settings.crossed)


def natural_values(likelihood: Likelihood, settings: FitSettings, theta: np.ndarray) -> dict[str, float]:
    """Return the parameters of a vector by name, on their natural scale, without those that the model lacks."""
    lacking = _lacking(likelihood.layout, settings)
    return {
        entry.plain(settings.group, settings.crossed): entry.parameter.natural(float(theta[index]))
        for index, entry in enumerate(likelihood.layout.entries)
        if index not in lacking
    }


def vector_of(
    parameters: dict[str, float], layout: Layout, group: str | None, upper: float | None = None
) -> npt.NDArray[np.float64]:
    """Return the parameter vector of the likelihood from named values."""
    theta = np.zeros(layout.size)
    crossed = group == "year" and "shift_sd_site" in parameters and "shift_sd_year" in parameters
    for k, entry in enumerate(layout.entries):
        parameter, name = entry.parameter, entry.plain(group, crossed)
        if parameter.name == "upper":
            theta[k] = parameters.get("upper", 0.0 if upper is None else upper)
            continue
        if parameter.absent is None:
            value = parameters[name]
        else:
            shared = parameter.part != "group" or group is not None
            value = parameters.get(name, parameter.absent) if shared else parameter.absent
        if parameter.name == "stray_share":
            value = max(value, SMALLEST_STRAY)
        theta[k] = parameter.searched(value)
    return theta


def _lacking(layout: Layout, settings: FitSettings) -> set[int]:
    """Return the places of the entries that play no part in a model."""
    has = {
        "": True,
        "fitted upper threshold": settings.upper_range is not None,
        "group": settings.group is not None,
        "crossed groups": settings.crossed,
        "own shift": "trap-year" in settings.shifts,
        "overdispersion": _likelihood_counts(settings) == "dirichlet-multinomial",
        "presence": settings.records == "presence",
        "night weather": settings.night_weather is not None,
    }
    return {index for index, entry in enumerate(layout.entries) if not has[entry.parameter.part]}
