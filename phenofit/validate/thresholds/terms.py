"""Options of a fit carried over to the terms of a published threshold: what is bound to one heat scale stays behind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["options_on_other_terms"]

_HEAT_BOUND = ("requirement", "spread", "shift_sd", "upper")


def options_on_other_terms(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return options of a fit as they hold under another base, method, upper threshold or start."""
    kept = {name: value for name, value in options.items() if name not in ("base", "upper_range", "rearing")}
    if kept.get("hold"):
        kept["hold"] = {k: v for k, v in kept["hold"].items() if not k.startswith(_HEAT_BOUND)}
    return kept
