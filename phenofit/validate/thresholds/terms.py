"""Options of a fit carried over to the terms of a published threshold: what is bound to one heat scale stays behind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from phenofit.flight.likelihood.parameters import parameter_of

__all__ = ["options_on_other_terms"]


def options_on_other_terms(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return options of a fit as they hold under another base, method, upper threshold or start."""
    kept = {name: value for name, value in options.items() if name not in ("base", "upper_range", "rearing")}
    if kept.get("hold"):
        kept["hold"] = {k: v for k, v in kept["hold"].items() if not _on_heat_scale(k)}
    return kept


def _on_heat_scale(name: str) -> bool:
    parameter = parameter_of(name)
    return parameter is not None and parameter.on_heat_scale
