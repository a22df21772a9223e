"""The cautions on every page and in every file that gives dates."""

from __future__ import annotations

CAUTIONS = (
    "This is an estimate of dates, not a recommendation to treat; scout before you act.",
    "The product label is the law, and local rules come before any date here.",
    "Local extension services and licensed applicators decide what is right at a place.",
    "Protect pollinators: no treatment on open bloom or while bees fly.",
)
"""Cautions of the trade (common practice, no source)."""
