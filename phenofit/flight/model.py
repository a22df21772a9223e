"""The settings of a flight model, each declared once: for the study file, keyword arguments, fits and fit files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Self

from phenofit.errors import ModelError
from phenofit.flight.kernels.curves import CURVE_CODES, LOG_HEAT_CURVES, curve_code
from phenofit.flight.likelihood.night_weather import NIGHT_WEATHER
from phenofit.flight.likelihood.parameters import on_heat_scale
from phenofit.flight.likelihood.rearing_term import RearingTerm
from phenofit.flight.likelihood.record_forms import RECORDS
from phenofit.heat.settings import HeatSettings, upper_threshold
from phenofit.seasons import Season
from phenofit.units import parse_temperature

SITE_IF_CROSSED = "site if crossed"
"""The setting for a site part only where enough sites were watched in several years."""

SHIFT_PARTS = ("year", "site", "trap-year", SITE_IF_CROSSED)

CHOOSE = "choose"
"""The setting for a choice among all known curves."""

COMPARE = "compare"
"""The setting that adds flights one by one, as long as a further flight describes the catches better."""

BY_CURVE = "curve"
"""The setting for the scale of covariates that is natural to the curve."""

COVARIATE_SCALES = (BY_CURVE, "heat", "requirement")
"""What a covariate can multiply: the whole heat scale, or the requirement alone."""

MOST_FLIGHTS = 5
"""Largest number of flights a season that a fit can distinguish."""

_DEFAULT_STRAY = 0.001
_COUNTS = ("dirichlet-multinomial", "multinomial")


@dataclass(frozen=True, kw_only=True)
class _Terms:
    """The settings that do not depend on the number of flights and the curve."""

    heat: HeatSettings = field(default_factory=HeatSettings)
    base: float | str = "fit"
    base_range: tuple[float, float] = (-5.0, 20.0)
    upper_range: tuple[float, float] | None = None
    shifts: tuple[str, ...] = ("year", SITE_IF_CROSSED, "trap-year")
    records: str = "counts"
    counts: str = "dirichlet-multinomial"
    stray: float | str = _DEFAULT_STRAY
    covariates: tuple[str, ...] = ()
    covariate_scale: str = BY_CURVE
    night_weather: str | None = None
    hold: Mapping[str, float] = field(default_factory=dict)
    level: float = 0.95
    rearing: RearingTerm | None = None

    def __post_init__(self) -> None:
        self._set(
            base="fit" if self.base == "fit" else parse_temperature(self.base),
            base_range=(parse_temperature(self.base_range[0]), parse_temperature(self.base_range[1])),
            shifts=tuple(self.shifts),
            covariates=tuple(self.covariates),
            hold=dict(self.hold),
        )
        low, high = self.base_range
        if not low < high:
            raise ModelError(f"the search range of the base runs from low to high, not {low} to {high}.")
        if self.base_held is None and self.heat.upper is not None and high >= self.heat.upper:
            self._set(base_range=(low, min(high, self.heat.upper - 1.0)))
        for part in self.shifts:
            if part not in SHIFT_PARTS:
                raise ModelError(f"a shift has the parts {', '.join(SHIFT_PARTS)}, not '{part}'.")
        if self.counts not in _COUNTS:
            raise ModelError(f"counts are dirichlet-multinomial or multinomial, not '{self.counts}'.")
        if self.records not in RECORDS:
            raise ModelError(f"records are {', '.join(RECORDS)}, not '{self.records}'.")
        if self.covariate_scale not in COVARIATE_SCALES:
            raise ModelError(
                f"covariates act on {', '.join(COVARIATE_SCALES)}, not on '{self.covariate_scale}'."
            )
        if self.night_weather is not None and self.night_weather not in NIGHT_WEATHER:
            raise ModelError(f"night weather is {' or '.join(NIGHT_WEATHER)}, not '{self.night_weather}'.")
        if self.night_weather is not None and self.records == "first catch":
            raise ModelError(
                "a first catch dates the flight itself, so the weather of nights has no effect on it; fit the counts, "
                "or leave night_weather out."
            )
        if self.night_weather is None and "night_effect" in self.hold:
            raise ModelError(
                "night_effect is held, but no night weather is named; set night_weather to tmin or tmax, or hold nothing."
            )
        if self.upper_range is not None:
            self._check_upper((upper_threshold(self.upper_range[0]), upper_threshold(self.upper_range[1])))
        if isinstance(self.stray, str) and self.stray != "fit":
            raise ModelError(f"the stray share is a number or 'fit', not '{self.stray}'.")
        if not 0.0 <= self.stray_share < 0.5:
            raise ModelError(f"the stray share lies from 0 to below 0.5, not at {self.stray}.")
        if not 0.5 <= self.level < 1.0:
            raise ModelError(f"a confidence level lies between 0.5 and 1, not at {self.level}.")

    def _set(self, **values: object) -> None:
        for name, value in values.items():
            object.__setattr__(self, name, value)

    def _check_upper(self, limits: tuple[float, float]) -> None:
        low, high = limits
        if self.heat.cutoff == "vertical":
            raise ModelError(
                "with a vertical cut-off the heat sum is not smooth in the upper threshold, which cannot be fitted; "
                "hold it, or compare fits at several by AIC."
            )
        if not low < high:
            raise ModelError(
                f"the search range of the upper threshold runs from low to high, not {low} to {high}."
            )
        start = self.heat.upper if self.heat.upper is not None else 0.5 * (low + high)
        self._set(upper_range=limits, heat=replace(self.heat, upper=min(max(start, low), high)))
        if self.base_held is not None:
            if self.base_held >= low:
                raise ModelError(
                    f"the upper threshold is looked for above the base; {low} is not above {self.base_held}."
                )
        elif self.base_range[1] >= low:
            self._set(base_range=(self.base_range[0], low - 1.0))

    @property
    def base_held(self) -> float | None:
        """Base temperature that is not fitted [degC]."""
        return None if isinstance(self.base, str) else self.base

    @property
    def stray_fitted(self) -> bool:
        """Whether the share of strays is fitted."""
        return isinstance(self.stray, str)

    @property
    def stray_share(self) -> float:
        """Share of strays: held, or where the search begins."""
        return _DEFAULT_STRAY if isinstance(self.stray, str) else self.stray

    def on_other_terms(self, *, heat: HeatSettings, base: float | str = "fit") -> Self:
        """Return the settings with another way of summing heat; what is bound to one heat scale is not kept."""
        kept = {name: value for name, value in self.hold.items() if not on_heat_scale(name)}
        return replace(self, heat=heat, base=base, hold=kept, upper_range=None, rearing=None)


@dataclass(frozen=True, kw_only=True)
class FlightModel(_Terms):
    """The settings of a flight model. Each is declared here, for Python and for the study file alike.

    Parameters
    ----------
    flights : int, str or sequence of int
        Flights a season, 1 to 5; several numbers, or ``"compare"``: one, two and so on while a further flight helps.
    curve : str or sequence of str
        Flight curve; several names, or ``"choose"``: the curve of least AIC.
    heat : HeatSettings
        Method, cut-off and upper threshold; single sine without an upper threshold by default.
    base : "fit", float or str
        Fitted, or held at a temperature [degC] or ``"50 degF"``.
    base_range : tuple of float
        Where the base is looked for [degC].
    upper_range : tuple of float, optional
        Where the upper threshold is looked for [degC]; without it that of `heat` is held.
    shifts : tuple of str
        Parts of the trap-years' shift, of ``"year"``, ``"site"`` and ``"trap-year"``; the first two are crossed
        where both are there. ``"site if crossed"`` is ``"site"`` where three sites or more were watched in two years
        or more each, and nothing elsewhere.
    records : {"counts", "presence", "first catch"}
        What is fitted: the counts (catches that were not counted as "at least"); at which checks moths were caught;
        or when the first was caught. The requirement then is the heat at half of the *first catches*.
    counts : str
        ``"dirichlet-multinomial"``, or ``"multinomial"`` for moths that come independently.
    stray : float or "fit"
        Share of the catch out of season, held or fitted.
    covariates : tuple of str
        Columns of the trap table whose effect on the log requirement is fitted: numbers by the SD, text (region,
        host, kind of trap) by a ratio to the level with most trap-years.
    covariate_scale : {"curve", "heat", "requirement"}
        What the factor of the covariates multiplies. ``"heat"``: requirement and spread alike (an accelerated failure
        time model); ``"requirement"``: that alone; ``"curve"``: heat for the curves of log heat (log-normal,
        log-logistic, Weibull, gamma), the requirement for the normal, logistic and Gumbel curve.
    night_weather : {"tmin", "tmax"}, optional
        Let catches follow the weather of nights: the chance of being caught on a day is multiplied by
        ``exp(night_effect * anomaly)``. The anomaly is the day's minimum or maximum less the smooth seasonal course of
        its station [degC]. The parameter ``night_effect`` is fitted, or held by `hold`. Forecasts are of the flight,
        which it does not move.
    hold : mapping of str to float
        Other parameters to hold, by their names in the result and in the same units, such as
        ``{"requirement_1": 500.0}`` [degC d].
    level : float
        Confidence level of the intervals.
    rearing : RearingTerm, optional
        Rearing data to use, from :func:`phenofit.flight.rearing_term`.

    Raises
    ------
    ModelError
        If a setting is outside what the model defines.
    UnitError
        If a temperature has no unit that is known.

    Examples
    --------
    >>> model = FlightModel(flights=2, curve="normal", base="50 degF")
    >>> model.base, model.settled
    (10.0, True)
    """

    flights: int | str | Sequence[int] = 1
    curve: str | Sequence[str] = CHOOSE

    def __post_init__(self) -> None:
        super().__post_init__()
        if not isinstance(self.flights, int | str):
            self._set(flights=tuple(self.flights))
        if not isinstance(self.curve, str):
            self._set(curve=tuple(self.curve))
        numbers, curves = self.numbers, self.curves
        if len(numbers) == 1:
            self._set(flights=numbers[0])
        if len(curves) == 1:
            self._set(curve=curves[0])

    @property
    def numbers(self) -> tuple[int, ...]:
        """Numbers of flights to choose from, ascending."""
        return flight_candidates(self.flights)

    @property
    def curves(self) -> tuple[str, ...]:
        """Curves to choose from."""
        return curve_candidates(self.curve)

    @property
    def settled(self) -> bool:
        """Whether number of flights and curve are given."""
        return len(self.numbers) == 1 and len(self.curves) == 1

    @property
    def number(self) -> int:
        """The number of flights.

        Raises
        ------
        ModelError
            If it is still to be chosen.
        """
        if len(self.numbers) > 1:
            raise ModelError(f"the number of flights is still to be chosen: flights = {self.flights!r}.")
        return self.numbers[0]

    def fit_settings(self, season: Season, *, species: str = "", biofix: bool = False) -> FitSettings:
        """Return the settings of one fit: number of flights and curve must be given."""
        if not self.settled:
            raise ModelError("a single fit needs one number of flights and one curve.")
        shared = {item.name: getattr(self, item.name) for item in fields(_Terms)}
        return FitSettings(
            season, flights=self.number, curve=self.curves[0], species=species, biofix=biofix, **shared
        )


@dataclass(frozen=True)
class FitSettings(_Terms):
    """The settings of one fit: one curve and one number of flights, on records of one season window.

    Parameters
    ----------
    season : Season
        Where heat sums begin and end.
    flights : int
        Flights a season.
    curve : str
        Flight curve.
    species : str
        Label of the species.
    biofix : bool
        Whether sums begin at a biofix date of each site and season instead of the season's first day.

    Raises
    ------
    ModelError
        If a setting is outside what the model defines.

    Notes
    -----
    The other settings are those of :class:`FlightModel`. The settings of a fit hold the fitted upper threshold in
    `heat`.
    """

    season: Season
    flights: int = field(default=1, kw_only=True)
    curve: str = field(default="normal", kw_only=True)
    species: str = field(default="", kw_only=True)
    biofix: bool = field(default=False, kw_only=True)

    def __post_init__(self) -> None:
        super().__post_init__()
        curve_code(self.curve)
        if self.flights not in range(1, MOST_FLIGHTS + 1):
            raise ModelError(f"a fit takes 1 to {MOST_FLIGHTS} flights a season, not {self.flights}.")
        if self.records == "first catch" and self.flights != 1:
            raise ModelError("a first catch dates one flight only; fit one flight, or the counts.")
        if self.rearing is None:
            return
        if self.base_held is not None or "base" in self.hold:
            raise ModelError("the base is held, so rearing data cannot be used; fit it, or leave them out.")
        if self.rearing.on != "base" and (not self.biofix or self.covariates):
            raise ModelError(
                "rearing data inform the requirement only where sums begin at the biofix with which the reared stage "
                "begins, and where the requirement is one for all places (no covariates); use them for the base."
            )

    @property
    def spread_follows(self) -> bool:
        """Whether covariates multiply the spread as they do the requirement."""
        if self.covariate_scale == BY_CURVE:
            return curve_code(self.curve) in LOG_HEAT_CURVES
        return self.covariate_scale == "heat"

    @property
    def crossed(self) -> bool:
        """Whether years and sites both have a shift."""
        return "year" in self.shifts and "site" in self.shifts

    @property
    def group(self) -> str | None:
        """The part of the shift that several trap-years share, or ``None``; the year where sites are crossed with it."""
        for part in ("year", "site"):
            if part in self.shifts:
                return part
        return None

    @property
    def start_words(self) -> str:
        """Where heat sums begin, in words."""
        return "biofix" if self.biofix else str(self.season.start)


def curve_candidates(curve: str | Sequence[str]) -> tuple[str, ...]:
    """Return the curves to choose from."""
    known = tuple(CURVE_CODES)
    if curve == CHOOSE:
        return known
    names = (curve,) if isinstance(curve, str) else tuple(curve)
    if not names:
        raise ModelError(f"no flight curve is given; known are {', '.join(known)}.")
    return tuple(dict.fromkeys(known[curve_code(name)] for name in names))


def flight_candidates(flights: int | str | Sequence[int]) -> tuple[int, ...]:
    """Return the numbers of flights to choose from."""
    if flights == COMPARE:
        return tuple(range(1, MOST_FLIGHTS + 1))
    given = (flights,) if isinstance(flights, int | str) else tuple(flights)
    wrong = [n for n in given if isinstance(n, bool | str) or n not in range(1, MOST_FLIGHTS + 1)]
    if wrong or not given:
        found = repr(wrong[0]) if wrong else "none"
        raise ModelError(
            f"a fit takes 1 to {MOST_FLIGHTS} flights a season, several of these numbers, or '{COMPARE}'; "
            f"found: {found}."
        )
    return tuple(sorted({int(n) for n in given}))
