"""Options of a fit carried over to the terms of a published threshold: what is bound to one heat scale stays behind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["options_on_other_terms"]

_HEAT_BOUND = ("requirement", "spread", "shift_sd", "upper")


def options_on_other_terms(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return options of a fit as they hold under another base, method, upper threshold or start.

    Parameters
    ----------
    options : mapping
        Further options of :func:`phenofit.flight.fit_flights`.

    Returns
    -------
    dict
        Without a base, without rearing data (they speak of the base, which is held there), without a search for the
        upper threshold, and without held heat sums (requirement, spread, SD of shifts): a sum of one scale means
        nothing on another. What has no heat in it stays held.

    Examples
    --------
    >>> options_on_other_terms({"base": 9.0, "hold": {"spread_1": 60.0, "concentration": 12.0}})
    {'hold': {'concentration': 12.0}}
    """
    kept = {name: value for name, value in options.items() if name not in ("base", "upper_range", "rearing")}
    if kept.get("hold"):
        kept["hold"] = {k: v for k, v in kept["hold"].items() if not k.startswith(_HEAT_BOUND)}
    return kept
