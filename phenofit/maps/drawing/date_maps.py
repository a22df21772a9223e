"""Drawing of date maps: the date of an event, and this season against the average."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from phenofit.errors import ModelError
from phenofit.maps.borders import SOURCE
from phenofit.maps.drawing.captions import event_words
from phenofit.maps.drawing.error_maps import Canvas
from phenofit.maps.drawing.scales import QUANTITIES, Quantity
from phenofit.seasons import day_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DATE_MAPS = ("date", "against average")
_DATES = ("#f4f1dc", "#cfd8a6", "#7fb59a", "#2f7d86", "#173a5a")


def draw_date_map(
    dataset: xr.Dataset, quantity: str = "date", *, outlines: str | Path | None = None
) -> Figure:
    """Draw the date of an event, or how it compares with the average season."""
    if quantity not in DATE_MAPS:
        raise ModelError(f"'{quantity}' is no date map; accepted are {', '.join(DATE_MAPS)}.")
    start = np.datetime64(dataset.attrs["season_start"], "D")
    shown = _date_quantity(start) if quantity == "date" else _difference_quantity()
    canvas = Canvas(dataset, shown, outlines)
    return canvas.completed(_title(dataset, shown), _caption(dataset, quantity, outlines), [])


def _date_quantity(start: np.datetime64) -> Quantity:
    def as_date(days: float) -> str:
        return day_words(start + np.timedelta64(round(days), "D"), short=True)

    return Quantity(
        name="date", field="event_day", site=None, heading="date", label="median date of the event",
        colours=_DATES, centred=False, tick=as_date, from_zero=False,
    )  # fmt: skip


def _difference_quantity() -> Quantity:
    def earlier_later(days: float) -> str:
        return "0" if days == 0 else f"{abs(days):g} {'later' if days > 0 else 'earlier'}"

    return Quantity(
        name="against average", field="difference_days", site=None, heading="date against the average",
        label="this season's date against the average of earlier seasons [days]",
        colours=QUANTITIES["bias"].colours, centred=True, tick=earlier_later,
    )  # fmt: skip


def _title(dataset: xr.Dataset, shown: Quantity) -> str:
    what = f"{shown.heading}, {event_words(dataset)}, {dataset.attrs['season']}"
    species = dataset.attrs["species"]
    return f"{species}: {what}" if species else what


def _caption(dataset: xr.Dataset, quantity: str, outlines: str | Path | None) -> str:
    a = dataset.attrs
    known = day_words(np.datetime64(a["weather_until"]), year=True)
    parts = ["Invented data."] if a["invented_data"] == "yes" else []
    parts.append(f"Requirement {a['requirement']}. Weather known until {known}, then earlier seasons.")
    width = (dataset["event_day_high"] - dataset["event_day_low"]).to_numpy()
    if quantity == "date" and np.isfinite(width).any():
        parts.append(
            f"The {a['level']:.0%} interval spans {np.nanmedian(width):.0f} days in the median cell."
        )
    if quantity != "date":
        parts.append(f"Average of the seasons {a['earlier_seasons']}.")
    missing = int(
        (~np.isfinite(dataset["event_day"].to_numpy()) & np.isfinite(dataset["reached"].to_numpy())).sum()
    )
    if missing:
        parts.append(f"White: the event is not reached in half of the draws ({missing} cells).")
    parts.append(
        f"Temperatures: {a['interpolation']}. Source: {a['source']}; {'outlines: the file given' if outlines else SOURCE}."
    )
    return " ".join(parts)
