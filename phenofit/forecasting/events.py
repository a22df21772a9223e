"""The events of a flight that can be forecast and seen in catches.

An event is a share of the flight (``flight_50``: half of it has flown), its first and last moth, or its peak. The first
and the last moth depend on how many there are, so their dates are distributions even where everything else is known.
"""

from __future__ import annotations

import re

from phenofit.errors import ModelError
from phenofit.files.tables import nearest
from phenofit.flight.result import flight_share

_NAMED: dict[str, str] = {
    "first_catch": "first catch",
    "first_sustained_catch": "first sustained catch",
    "peak": "peak of the flight",
    "end": "last catch",
}
EVENTS = (
    "first_catch", "first_sustained_catch", "flight_5", "flight_25", "flight_50", "flight_75", "flight_95", "peak", "end",
)  # fmt: skip
"""The usual events; any other share of the flight is one too, such as ``flight_10``."""
FORECAST_EVENTS = ("flight_5", "flight_50", "flight_95")
"""The events shown by default."""
EVENT_FORMS = f'{", ".join(_NAMED)}, or a share of the flight such as "10 %" or flight_10'
"""What an event can be, in words."""
_WRITTEN = re.compile(r"(\d+(?:\.\d+)?)\s*%")


def is_event(event: str) -> bool:
    """Return whether a name is that of a flight event."""
    return event in _NAMED or flight_share(event) is not None


def read_event(text: str) -> str:
    """Return the name of an event as a user writes it: ``flight_10`` for ``"10 %"``.

    Raises
    ------
    ModelError
        If there is no such event.
    """
    found = _WRITTEN.fullmatch(text.strip())
    name = f"flight_{float(found.group(1)):g}" if found else text.strip()
    if not is_event(name):
        raise ModelError(
            f"there is no flight event '{text}'; accepted are {EVENT_FORMS}.{nearest(text, EVENTS)}"
        )
    return name


def event_share(event: str) -> float | None:
    """Return the share of the flight that has flown at an event; None where it is no fixed share."""
    if not is_event(event):
        raise ModelError(f"there is no flight event '{event}'; accepted are {EVENT_FORMS}.")
    return flight_share(event)


def event_words(event: str, flight: int = 0, flights: int = 1) -> str:
    """Return the name of an event, such as ``"half of the flight, flight 2"`` where a season has several."""
    share = event_share(event)
    words = _NAMED[event] if share is None else share_words(share)
    return words + (f", flight {flight}" if flights > 1 else "")


def share_words(share: float) -> str:
    """Return a share of the flight in words."""
    return "half of the flight" if share == 0.5 else f"{100.0 * share:g} % of the flight"
