"""The events of a flight that can be forecast and seen in catches.

An event is a share of the flight: the heat at which 5, 25, 50, 75 or 95 % of it has flown, its first and last
moth, its peak. The first and the last moth depend on how many there are, so their dates are distributions even
where everything else is known.
"""

from __future__ import annotations

from phenofit.errors import ModelError

EVENT_WORDS: dict[str, str] = {
    "first_catch": "first catch",
    "first_sustained_catch": "first sustained catch",
    "flight_5": "5 % of the flight",
    "flight_25": "25 % of the flight",
    "flight_50": "half of the flight",
    "flight_75": "75 % of the flight",
    "flight_95": "95 % of the flight",
    "peak": "peak of the flight",
    "end": "last catch",
}
EVENTS = tuple(EVENT_WORDS)
FORECAST_EVENTS = ("flight_5", "flight_50", "flight_95")
"""The events shown by default."""


def event_share(event: str) -> float | None:
    """Return the share of the flight that has flown at an event; None where it is no fixed share."""
    if event not in EVENT_WORDS:
        raise ModelError(f"there is no flight event '{event}'; known are {', '.join(EVENTS)}.")
    return int(event.removeprefix("flight_")) / 100.0 if event.startswith("flight_") else None


def event_words(event: str, flight: int = 0, flights: int = 1) -> str:
    """Return the name of an event, such as ``"half of the flight, flight 2"`` where a season has several."""
    event_share(event)
    return EVENT_WORDS[event] + (f", flight {flight}" if flights > 1 else "")
