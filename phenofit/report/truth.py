"""The true values behind invented data, beside what the fit found."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from phenofit.flight.result import FlightFit
from phenofit.wording import number


def true_values(fit: FlightFit, truth: Mapping[str, Any]) -> dict[tuple[str, int | None], float]:
    """Return the true value of each parameter of the fit that has one."""
    values = {(str(row["parameter"]), row["flight"]): float(row["value"]) for row in truth["parameters"]}
    if (
        fit.settings.records == "first catch"
    ):  # heat at first catches has no counterpart in the truth about flights
        values = {key: value for key, value in values.items() if key[0] not in ("requirement", "spread")}
    sites = np.array(list(truth.get("site_shifts", {}).values()), dtype=float)
    if ("shift_sd", None) in values and "site" not in fit.settings.shifts and sites.size > 1:
        values["shift_sd", None] = float(np.hypot(values["shift_sd", None], sites.std(ddof=1)))
    return values


def truth_sentence(fit: FlightFit, truth: Mapping[str, Any] | None) -> str:
    """Return true base and requirements, and whether the intervals hold them; an empty text where none are known."""
    if truth is None:
        return ""
    known = true_values(fit, truth)
    said, outside = [], []
    for (name, flight), value in known.items():
        if name not in ("base", "requirement"):
            continue
        several = fit.settings.flights > 1 and flight is not None
        label = f"requirement of flight {flight}:" if several else name
        said.append(
            f"{label} {number(value, 1)} °C" if name == "base" else f"{label} {number(value, 0)} °C-days"
        )
        key = name if flight is None else f"{name}_{flight}"
        if key in fit.profiles:
            low, high = fit.interval(key)
            if (low is not None and value < low) or (high is not None and value > high):
                outside.append(label.rstrip(":"))
    verdict = f"outside their intervals: {', '.join(outside)}" if outside else "each inside its interval"
    return f"The invented catches were drawn with {', '.join(said)}; {verdict}."
