"""The scenarios: what is true, what is fitted, and what must be reached."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from phenofit import FlightModel
from tests.recovery.other_truths import Truth, capped, logistic, normal, skewed
from tests.recovery.real_networks import PLACES


@dataclass(frozen=True)
class Targets:
    """What a scenario must reach."""

    coverage: tuple[float, float] = (0.93, 0.98)  # Least and largest of each 95 % interval.
    error_ratio: float = 1.10  # Largest ratio of the held-out MAE to that of the oracle.
    reported: float | None = None  # Least share of networks in which the fit reports the misfit.
    instead: bool = False  # Whether that report is accepted instead of coverage.


@dataclass(frozen=True)
class Scenario:
    """One scenario of the study."""

    name: str
    about: str
    truth: Truth = field(default_factory=Truth)
    targets: Targets = field(default_factory=Targets)
    flights: int = 1
    night_weather: str | None = None
    places: tuple[str, ...] = PLACES
    report_words: tuple[str, ...] = ()  # A statement with one of these words reports the misfit.
    has_base: bool = True  # Whether there is a true base, and with it a true requirement.
    upper: float | None = None  # True upper threshold, as a source would print it [degC].

    @property
    def lacking(self) -> str:
        """The setting that this version of the model does not have, or an empty text."""
        known = {item.name for item in fields(FlightModel)}
        return "night_weather" if self.night_weather and "night_weather" not in known else ""

    def model(self, base: float | None = None) -> FlightModel:
        """Return the model as a user asks for it, the base held if it is given."""
        wanted = {"flights": self.flights, "night_weather": self.night_weather, "base": base}
        asked = {k: v for k, v in wanted.items() if v is not None and (k, v) != ("flights", 1)}
        return FlightModel(**asked)  # type: ignore[arg-type]  # one dictionary for fields of several types


_NIGHT = ("night", "minimum", "minima", "tmin")
_AT_LEAST_92 = Targets(coverage=(0.92, 1.0), error_ratio=1.12)

_ALL = (
    Scenario("default", "the truth is what the default model assumes"),
    Scenario("site-sd-25", "sites shift by SD 25 degC d, not modelled", Truth(shift_sd_site=25.0)),
    Scenario(
        "two-flights",
        "two flights, requirements 350 and 900 degC d, both modelled",
        Truth((normal(350.0), normal(900.0)), window=("04-15", "09-30")),
        flights=2,
        places=("champion",),  # England is too cool for 900 degree-days.
    ),
    Scenario("unequal-traps", "mean totals differ between traps by log-SD 1.5", Truth(total_log_sd=1.5)),
    Scenario("14-day-checks", "a check every 14 days", Truth(every=14)),
    Scenario("from-1-april", "heat begins on 1 April, the fit counts from 1 January", Truth(begin="04-01")),
    Scenario(
        "upper-30",
        "upper threshold 30 degC, not modelled",
        Truth(rate=capped),
        upper=30.0,
        places=("champion",),  # England has hardly a day above 30 degC.
    ),
    Scenario(
        "strays",
        "3 % of the moths come at any time; the fit or its stray checks must report them",
        Truth(strays=0.03),
        Targets(error_ratio=1.15, reported=0.80),
        report_words=("stray", "out of season", "out-of-season"),
    ),
    Scenario(
        "gamma", "gamma flight of skewness 1.1", Truth((skewed("gamma"),)), Targets(coverage=(0.90, 1.0))
    ),
    Scenario(
        "weibull",
        "Weibull flight of skewness 1.1",
        Truth((skewed("Weibull"),)),
        Targets(coverage=(0.90, 1.0)),
    ),
    Scenario(
        "night-0.07",
        "catches grow by 0.07 on the log scale per degC of the night's anomaly, not modelled",
        Truth(night_effect=0.07),
        _AT_LEAST_92,
        report_words=_NIGHT,
    ),
    Scenario(
        "night-0.15-fitted",
        "night effect of 0.15 per degC, modelled",
        Truth(night_effect=0.15),
        _AT_LEAST_92,
        night_weather="tmin",
    ),
    Scenario(
        "night-0.15",
        "night effect of 0.15 per degC, not modelled",
        Truth(night_effect=0.15),
        Targets(coverage=(0.90, 1.0), error_ratio=1.15, reported=0.80, instead=True),
        report_words=_NIGHT,
    ),
    Scenario(
        "station-unlike-trap",
        "trap minus station: SD 1 degC between sites, 1.5 degC from day to day",
        Truth(station_offset_sd=1.0, station_noise_sd=1.5),
        Targets(coverage=(0.90, 1.0), error_ratio=1.5, reported=0.80, instead=True),
        report_words=("station", "sites differ", "between sites"),
    ),
    Scenario(
        "non-linear-rate",
        "a logistic development rate, which has no base",
        Truth(rate=logistic),
        Targets(error_ratio=1.08),
        report_words=("linear", "residual"),
        has_base=False,
    ),
)
SCENARIOS = {scenario.name: scenario for scenario in _ALL}
"""What a study runs unless it is asked for others."""

_CELLS = [
    Scenario(
        f"{years}-years-sd-{sd:g}",
        f"as the default, {years} years, year SD {sd:g} degC d",
        Truth(years=years, shift_sd_year=sd),
    )
    for years in (2, 3, 5, 8)
    for sd in (0.0, 20.0, 40.0)
]
KNOWN = {**SCENARIOS, **{scenario.name: scenario for scenario in _CELLS}}
"""All scenarios; the cells of years and year SD run by name only."""
