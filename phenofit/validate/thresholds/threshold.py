"""One published threshold: a triple of base, heat sum and start, and what can be said of it."""

from __future__ import annotations

from dataclasses import dataclass

from phenofit.errors import UnitError
from phenofit.forecasting.events import is_event
from phenofit.heat.settings import HeatSettings
from phenofit.units import convert_degree_days


@dataclass(frozen=True)
class PublishedThreshold:
    """One published threshold."""

    id: str  # Name of the row.
    species: str  # Species as the source calls it.
    event: str  # One of the flight events, or an event of another stage, which catches cannot test.
    flight: int  # Which flight of the season, from 1; 0 where the source names none.
    amount: float  # Heat sum [`unit`].
    unit: str | None = None  # ``"degC d"`` or ``"degF d"``; ``None`` where the source does not say.
    amount_high: float | None = None  # Upper end where a range is printed [`unit`].
    base: float | None = None  # Base and upper threshold [degC].
    upper: float | None = None
    cutoff: str | None = None  # How the day's heat is computed; ``None`` where the source does not say.
    method: str | None = None
    # Month-day such as ``"03-01"``, or ``"biofix"``; ``None`` where the source does not say.
    start: str | None = None
    # Where it is from; ``"read"`` or ``"from memory"``; which term is in doubt and what is wrong in print.
    region: str = ""
    source: str = ""
    known: str = "read"
    notes: str = ""
    scientific_name: str = ""
    url: str = ""
    doubt: str = ""
    fault: str = ""

    @property
    def amount_degc_d(self) -> float:
        """Heat sum [degC d]; the middle where a range is printed."""
        low, high = self.range_degc_d
        return 0.5 * (low + high)

    @property
    def range_degc_d(self) -> tuple[float, float]:
        """Printed range [degC d]; both ends are the amount where no range is printed."""
        if self.unit is None:
            raise UnitError(f"the published threshold '{self.id}' has no degree-day unit.")
        high = self.amount if self.amount_high is None else self.amount_high
        return (
            convert_degree_days(self.amount, self.unit, "degC d"),
            convert_degree_days(high, self.unit, "degC d"),
        )

    @property
    def unusable(self) -> str | None:
        """Why catches cannot test this row; ``None`` if they can."""
        lacking = [
            name
            for name, value in (("degree-day unit", self.unit), ("base", self.base), ("start", self.start))
            if value is None
        ]
        if not is_event(self.event):
            return f"the event '{self.event}' is none that trap catches show"
        if self.flight < 1:
            return "the source names no flight"
        if lacking:
            return f"the source gives no {' and no '.join(lacking)}"
        if self.doubt in ("amount", "start"):
            return f"the printed {self.doubt} is in doubt: {self.fault}"
        return None

    @property
    def words(self) -> str:
        """The threshold with unit, base, method and start in one line."""
        base = "an unknown base"
        if self.base is not None:
            base = f"{self.base:.1f} °C ({self.base * 1.8 + 32.0:.1f} °F)"
        upper = "no upper threshold"
        if self.upper is not None:
            cut = "" if self.cutoff is None else f", {self.cutoff} cut-off"
            upper = f"upper threshold {self.upper:.1f} °C ({self.upper * 1.8 + 32.0:.1f} °F){cut}"
        method = self.method or "method not stated"
        start = "start not stated" if self.start is None else f"from {self.start}"
        return f"{self._amount_words()} above {base}, {method}, {upper}, {start}"

    @property
    def assumed(self) -> tuple[str, ...]:
        """What a test has to assume because the source does not say."""
        found = []
        if self.method is None:
            found.append("the daily method (that of the study is taken)")
        if self.upper is not None and self.cutoff is None:
            found.append("the cut-off at the upper threshold (horizontal taken)")
        return tuple(found)

    def heat_settings(self, default: HeatSettings | None = None) -> HeatSettings:
        """Return the daily method on which this threshold was made."""
        other = HeatSettings() if default is None else default
        return HeatSettings(
            method=self.method or other.method, cutoff=self.cutoff or "horizontal", upper=self.upper
        )

    def _amount_words(self) -> str:
        high = "" if self.amount_high is None else f" to {self.amount_high:g}"
        if self.unit is None:
            return f"{self.amount:g}{high} degree-days of unknown unit"
        low_c, high_c = self.range_degc_d
        celsius = f"{low_c:.0f}" + ("" if self.amount_high is None else f" to {high_c:.0f}") + " °C-days"
        return celsius if self.unit == "degC d" else f"{celsius} ({self.amount:g}{high} °F-days)"
