"""The season at each place as a small drawing inside the page: heat so far, heat to come, dates of the flight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from markupsafe import Markup, escape

from phenofit.errors import ModelError
from phenofit.flight.fit_at_place import fit_at_site
from phenofit.flight.fitted_likelihood import records_of_fit
from phenofit.forecasting.events import FORECAST_EVENTS, event_words
from phenofit.forecasting.forecast_places import Place, place_heat, season_places
from phenofit.report.words import period
from phenofit.seasons import day_words
from phenofit.wording import day, heat_words

if TYPE_CHECKING:
    from phenofit.analysis.results import SpeciesResult
    from phenofit.flight import FlightFit

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 720, 300, 62, 12, 12, 44
_DAY = np.timedelta64(1, "D")
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class PlaceChart:
    """The season at one place."""

    place: str
    svg: Markup
    caption: str


def place_charts(species: SpeciesResult) -> tuple[PlaceChart, ...]:
    """Draw the season at every place of the forecast."""
    forecast, fit = species.own_forecast, species.fit
    if forecast is None or fit.settings.biofix:
        return ()
    records = records_of_fit(fit, species.records)
    sites = [str(site) for site in forecast["site"].unique()]
    places, _ = season_places(records, issued=np.datetime64(forecast["issued"].iloc[0], "D"), sites=sites)
    found = []
    for place in places:
        try:
            here = fit_at_site(fit, place.site, records.traps)
        except ModelError:
            continue  # the table of dates gives the reason
        mine = forecast[(forecast["site"] == place.site) & forecast["event"].isin(FORECAST_EVENTS)]
        found.append(_chart(here, place, mine))
    return tuple(found)


def _chart(fit: FlightFit, place: Place, events: pd.DataFrame) -> PlaceChart:
    every = place_heat(fit, place)
    heat = np.quantile(every, [0.025, 0.5, 0.975], axis=0)
    known = int((place.known_until - place.start) / _DAY) + 1
    medians = [(when - place.start) / _DAY for when in events["median"].dropna().to_numpy()]
    low = max(min([known, *medians]) - 40.0, 0.0)
    high = min(max([known, *medians]) + 40.0, heat.shape[1] - 1.0)
    scale = _Scale(low, high, 1.05 * float(heat[2, int(high)]))
    days = np.unique(np.r_[np.arange(np.ceil(low), high, 4.0), min(max(known, low), high), high]).astype(int)
    seen, ahead = days[days <= known], days[days >= known]
    parts = [*scale.axes(place.start)]
    if ahead.size > 1:
        around = [*scale.points(ahead, heat[2]), *scale.points(ahead[::-1], heat[0])]
        parts.append(f'<polygon class="ahead" points="{" ".join(around)}"/>')
        parts.append(f'<polyline class="median" points="{" ".join(scale.points(ahead, heat[1]))}"/>')
    if seen.size > 1:
        parts.append(f'<polyline class="known" points="{" ".join(scale.points(seen, heat[1]))}"/>')
    said = []
    for row in events.to_dict("records"):
        words = event_words(str(row["event"]), int(row["flight"]), fit.settings.flights)
        said.append(f"{words} {day(row['median']) or 'not this season'}")
        if pd.notna(row["median"]):
            ends = [
                (pd.Timestamp(v).to_datetime64() - place.start) / _DAY for v in (row["low80"], row["high80"])
            ]
            amount = fit.event_amount(str(row["event"]), int(row["flight"]))
            parts.append(scale.date((row["median"].to_datetime64() - place.start) / _DAY, ends, amount))
            parts[-1] += (
                f"<title>{escape(words)}: {day(row['median'])} ({period(row['low80'], row['high80'])})</title></g>"
            )
    label = f"Heat this season at {place.site}. {'; '.join(said)}."
    head = f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(label)}">'
    past = len(place.ensemble.years)
    caption = (
        f"{place.site}, station {place.station}: heat up to {day(place.known_until)} (thick), then the middle and 95 % "
        f"of the continuations by {past} past seasons. Points: {', '.join(said)}, each with its middle 80 %. Heat: "
        f"{heat_words(fit)}."
    )
    return PlaceChart(place.site, Markup(f"{head}{''.join(parts)}</svg>"), caption)


@dataclass(frozen=True)
class _Scale:
    """From days and heat to the drawing."""

    low: float
    high: float
    top: float

    def x(self, days: float) -> float:
        return _LEFT + (days - self.low) / (self.high - self.low) * (_WIDTH - _LEFT - _RIGHT)

    def y(self, heat: float) -> float:
        return _HEIGHT - _BOTTOM - heat / self.top * (_HEIGHT - _TOP - _BOTTOM)

    def points(self, days: npt.NDArray[np.int64], heat: Floats) -> list[str]:
        return [f"{self.x(d):.1f},{self.y(float(heat[d])):.1f}" for d in days]

    def date(self, middle: float, ends: Sequence[float], heat: float) -> str:
        """Return an unclosed group: the middle of a date and its span."""
        left, right = (min(max(e, self.low), self.high) if np.isfinite(e) else self.high for e in ends)
        y = f"{self.y(heat):.1f}"
        line = f'<line x1="{self.x(left):.1f}" x2="{self.x(right):.1f}" y1="{y}" y2="{y}"/>'
        return f'<g class="date">{line}<circle cx="{self.x(middle):.1f}" cy="{y}" r="5"/>'

    def axes(self, start: np.datetime64) -> list[str]:
        bottom, right = _HEIGHT - _BOTTOM, _WIDTH - _RIGHT
        parts = [f'<path class="axis" d="M{_LEFT} {_TOP}V{bottom}H{right}"/>']
        step = next((s for s in (50, 100, 200, 500, 1000) if self.top / s <= 6), 2000)
        for value in range(0, int(self.top) + 1, step):
            parts.append(
                f'<text x="{_LEFT - 7}" y="{self.y(value) + 4:.1f}" text-anchor="end">{value}</text>'
            )
        gap = next((s for s in (7, 14, 28) if (self.high - self.low) / s <= 9), 56)
        for d in np.arange(np.ceil(self.low / gap) * gap, self.high, gap):
            text = day_words(start + int(d) * _DAY, short=True)
            parts.append(f'<path class="axis" d="M{self.x(d):.1f} {bottom}v5"/>')
            parts.append(f'<text x="{self.x(d):.1f}" y="{bottom + 19}" text-anchor="middle">{text}</text>')
        parts.append(f'<text x="{_LEFT}" y="{_HEIGHT - 4}">heat [°C-days] by date</text>')
        return parts
