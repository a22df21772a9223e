"""Forecasts as a calendar file after RFC 5545, for any calendar program."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np

from phenofit.forecasting.cautions import CAUTIONS
from phenofit.forecasting.distribution import to_unit
from phenofit.forecasting.events import event_words
from phenofit.forecasting.season_forecast import SeasonForecast

_DAY = np.timedelta64(1, "D")
_LINE_OCTETS = 75


def calendar_text(forecast: SeasonForecast, *, notes: Sequence[str] = ()) -> str:
    """Return a calendar with one whole-day entry for each event, over its 50 % interval."""
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//phenofit//flight forecast//EN",
        "CALSCALE:GREGORIAN",
    ]
    flights = max(one.flight for one in forecast.events)
    stamp = str(forecast.issued).replace("-", "") + "T000000Z"
    for one in forecast.events:
        low, high = one.dates.interval(0.5)
        median = one.dates.quantile(0.5)
        if np.isnat(median) or np.isnat(high) or high < forecast.issued.astype("datetime64[ns]"):
            continue
        outer = [_date(d) for d in one.dates.interval(0.95)]
        words = event_words(one.event, one.flight, flights)
        label = f"{forecast.species} at {one.site}: {words}" if forecast.species else f"{one.site}: {words}"
        text = [
            (
                f"Most likely around {_date(median)}; 50 % between {_date(low)} and {_date(high)}, "
                f"95 % between {outer[0]} and {outer[1]}."
            ),
            f"Issued {forecast.issued}; weather known until {one.known_until}, then {one.past_seasons} past seasons.",
            f"Heat sums: {forecast.terms}.",
            *notes,
            *CAUTIONS,
        ]
        key = "|".join([forecast.species, forecast.season, one.site, str(one.flight), one.event])
        lines += [
            "BEGIN:VEVENT",
            f"UID:{hashlib.sha256(key.encode()).hexdigest()[:32]}@phenofit",
            f"DTSTAMP:{stamp}",
            f"DTSTART;VALUE=DATE:{_date(low).replace('-', '')}",
            # The end of a whole-day entry is the first day after it.
            f"DTEND;VALUE=DATE:{_date(high + _DAY).replace('-', '')}",
            f"SUMMARY:{_escaped(label)}",
            f"DESCRIPTION:{_escaped(chr(10).join(text))}",
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _date(when: np.datetime64) -> str:
    return "not this season" if np.isnat(when) else str(to_unit(when, "D"))


def _escaped(text: str) -> str:
    flat = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return flat.replace("\r", "").replace("\n", "\\n")


def _folded(line: str) -> str:
    """Fold a content line so that no line has more than 75 octets, never inside a character."""
    parts: list[str] = []
    current, size = "", 0
    for character in line:
        octets = len(character.encode("utf-8"))
        limit = _LINE_OCTETS if not parts else _LINE_OCTETS - 1
        if size + octets > limit:
            parts.append(current)
            current, size = "", 0
        current += character
        size += octets
    parts.append(current)
    return "\r\n ".join(parts)
