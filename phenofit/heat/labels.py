"""The words and attributes that go with every heat sum: unit, base, method and start."""

from __future__ import annotations

from phenofit.heat.settings import HeatSettings
from phenofit.units import degree_day_unit

STANDARD_NAME = "integral_wrt_time_of_air_temperature_excess"
"""Standard name of the climate and forecast conventions for heat above a threshold (table, version 57)."""


def heat_attributes(
    settings: HeatSettings, base: float, *, unit: str = "degC d", start: str | None = None
) -> dict[str, str]:
    """Return the attributes of a heat sum."""
    attributes = {
        "units": degree_day_unit(unit),
        "long_name": "degree-days: " + settings.describe(base),
        "cell_methods": "time: sum",
        "method": settings.method,
        "base": f"{base:.10g} degC",
        "upper": "none" if settings.upper is None else f"{settings.upper:.10g} degC",
        "cutoff": "none" if settings.upper is None else settings.cutoff,
    }
    if settings.upper is None:
        attributes["standard_name"] = STANDARD_NAME
    if start is not None:
        attributes["start"] = start
        attributes["long_name"] += f", from {start}"
    return attributes
