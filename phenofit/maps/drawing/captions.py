"""What a map is made from, in words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from phenofit.maps.borders import SOURCE
from phenofit.maps.drawing.scales import Quantity


def event_words(dataset: xr.Dataset) -> str:
    """Return the event and flight of a map in words."""
    event = str(dataset.attrs["event"])
    share = event.removeprefix("flight_")
    words = f"{share} % of the flight" if event.startswith("flight_") else event.replace("_", " ")
    return f"{words} (flight {dataset.attrs['flight']})"


def map_title(dataset: xr.Dataset, shown: Quantity | None = None) -> str:
    """Return the title of a map."""
    what = f"{shown.heading if shown else 'forecast error'}, {event_words(dataset)}"
    species = dataset.attrs["species"]
    return f"{species}: {what}" if species else what


def map_caption(
    dataset: xr.Dataset, outlines: str | Path | None = None, *, shown: Quantity | None = None
) -> str:
    """Return the data and methods of a map in words."""
    attributes = dataset.attrs
    years = [int(y) for y in np.atleast_1d(attributes["held_out_years"])]
    span = f"{years[0]}-{years[-1]}" if len(years) > 1 else f"{years[0]}"
    parts = ["Invented data."] if attributes.get("invented_data") == "yes" else []
    lead = attributes["lead_days"]
    when = "weather known" if isinstance(lead, str) else f"issued {lead:g} days before"
    parts.append(
        f"Forecaster: {attributes['forecaster']} ({when}); {attributes['sites']} sites, "
        f"{len(years)} held-out {'years' if len(years) > 1 else 'year'} {span}."
    )
    if shown is None or shown.centred:
        parts.append("Late: the forecast date came after the event; early: before it.")
    if shown is None or shown.field:
        parts.append(str(attributes["surface_note"]))
    if attributes["surface"] == "kriged" and (shown is None or (shown.field and shown.name != "next trap")):
        parts.append("Pale and hatched: less known from the traps around.")
    parts.append(f"Source: {attributes['source']}; {'outlines: the file given' if outlines else SOURCE}.")
    return " ".join(parts)
