"""The table ``[flights]`` of a study file, and what differs for one species."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator, Field, ValidationInfo, create_model, model_validator

from phenofit.errors import ModelError
from phenofit.flight.kernels.curves import CURVE_CODES
from phenofit.flight.likelihood.night_weather import NIGHT_WEATHER
from phenofit.flight.likelihood.parameters import Parameter, parameter_of, split_name
from phenofit.flight.likelihood.record_forms import RECORDS
from phenofit.flight.model import (
    CHOOSE,
    COMPARE,
    COVARIATE_SCALES,
    MOST_FLIGHTS,
    SHIFT_PARTS,
    FlightModel,
    flight_candidates,
)
from phenofit.study.fields import (
    MonthDayText,
    Number,
    Part,
    Text,
    Texts,
    base_temperature,
    choice,
    degree_days,
    is_number,
    refuse,
    temperature_range,
    words,
)


def _curve(value: Any) -> Any:
    if isinstance(value, list | tuple) and value:
        return words(*CURVE_CODES)(value)
    return choice(CHOOSE, *CURVE_CODES)(value)


Curve = Annotated[str | tuple[str, ...], BeforeValidator(_curve)]


def _base(value: Any, info: ValidationInfo) -> Any:
    return value if value == "fit" else base_temperature(value, info)


def _flights(value: Any) -> Any:
    given = tuple(value) if isinstance(value, list) else value
    try:
        flight_candidates(given)
    except (ModelError, TypeError):
        raise refuse(
            f"{value!r} is no number of flights a season.",
            f'Write 1 to {MOST_FLIGHTS} without quotation marks, several such as [1, 2], or "{COMPARE}".',
        ) from None
    return given


FlightCount = Annotated[int | str | tuple[int, ...], BeforeValidator(_flights)]
Base = Annotated[str | float, BeforeValidator(_base)]
Shifts = Annotated[tuple[str, ...], BeforeValidator(words(*SHIFT_PARTS))]
CovariateScale = Annotated[str, BeforeValidator(choice(*COVARIATE_SCALES))]
NightWeather = Annotated[str | None, BeforeValidator(choice(*NIGHT_WEATHER))]
Records = Annotated[str, BeforeValidator(choice(*RECORDS))]


def _stray(value: Any) -> Any:
    fits = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 0.5
    if value == "fit" or fits:
        return value
    raise refuse(
        f"{value!r} is no share of stray moths.",
        'Write a number from 0 to below 0.5, such as 0.001, or "fit".',
    )


Stray = Annotated[float | str, BeforeValidator(_stray)]
Upper = Annotated[str, BeforeValidator(choice("fit"))]
Range = Annotated[tuple[float, float], BeforeValidator(temperature_range)]
# Common practice, no source: printed upper thresholds of moths lie between these.
UPPER_RANGE = (25.0, 40.0)


_OWN_KEYS = {
    "base": "base = ... in [flights]",
    "stray_share": "stray = ... in [flights]",
    "upper": "upper = ... in [heat]",
}


def _hold(value: Any) -> dict[str, float]:
    if not isinstance(value, dict):
        raise refuse(
            f"{value!r} is no table of parameters to hold.",
            'Write for example hold = { spread_1 = "60 degC d" }.',
        )
    return {str(name): _held_value(str(name), number) for name, number in value.items()}


def _to_hold(name: str) -> Parameter | None:
    """Return the parameter that can be held by this name, of a flight that a model can have."""
    head, flight = split_name(name)
    parameter = parameter_of(name)
    if parameter is None or parameter.name in _OWN_KEYS or name != (f"{head}_{flight}" if flight else head):
        return None
    flights = range(parameter.first_flight, MOST_FLIGHTS + 1) if parameter.first_flight else (None,)
    return parameter if flight in flights else None


def _held_value(name: str, number: Any) -> float:
    parameter = _to_hold(name)
    if parameter is None:
        own = _OWN_KEYS.get(name)
        remedy = (
            f"Write {own}, a key of its own."
            if own
            else "Accepted: requirement_1, spread_1 (and _2 to _5), concentration, shift_sd_year, shift_sd_site, shift_sd, "
            "abundance, abundance_sd, size_2, size_sd_2, night_effect, and 'effect NAME' of a covariate."
        )
        raise refuse(f"'{name}' is no parameter that can be held here.", remedy)
    if parameter.unit == "degC d":
        held = degree_days(number, name)
    elif not is_number(number):
        raise refuse(
            f"'{name}' is held at {number!r}, which is no number.",
            "Write a number without quotation marks"
            + ("; this parameter has no unit." if parameter.unit == "1" else f", in {parameter.unit}."),
        )
    else:
        held = float(number)
    if held <= 0 and not parameter.any_sign:
        raise refuse(f"'{name}' is held at {number!r}.", "Write a number above 0.")
    return held


Hold = Annotated[dict[str, float], BeforeValidator(_hold)]


_KINDS: dict[str, object] = {
    "count": FlightCount,
    "curve": Curve,
    "base": Base,
    "shifts": Shifts,
    "stray": Stray,
    "records": Records,
    "covariates": Texts,
    "covariate_scale": CovariateScale,
    "night_weather": NightWeather,
    "hold": Hold,
    "level": Annotated[Number, Field(gt=0.5, lt=1)],
}
_NAMES = {"count": "flights"}
MODEL_KEYS = {key: _NAMES.get(key, key) for key in (*_KINDS, "upper", "upper_range")}
"""Key of ``[flights]`` to the setting of :class:`phenofit.flight.FlightModel` that it gives."""


class _UpperPart(Part):
    upper: Upper | None = None
    upper_range: Range | None = None


class _NamedPart(_UpperPart):
    """``[[flights.species]]``: what differs for one species; absent keys keep the values of ``[flights]``."""

    name: Text


class _FlightsPart(_UpperPart):
    upper_range: Range = UPPER_RANGE
    contrasts: Texts = ()
    starts: tuple[MonthDayText, ...] = ()
    species: tuple[_NamedPart, ...] = ()

    @model_validator(mode="after")
    def _range_used(self) -> _FlightsPart:
        fitted = self.upper is not None or any(part.upper is not None for part in self.species)
        if not fitted and "upper_range" in self.model_fields_set:
            raise refuse(
                "a range for the upper threshold is given, but it is not fitted.",
                'Write upper = "fit" beside it, or remove the range.',
            )
        return self


if TYPE_CHECKING:
    FlightsPart = _FlightsPart
else:
    _DEFAULTS = FlightModel()
    _SpeciesPart = create_model(
        "SpeciesFlights",
        __base__=_NamedPart,
        **{key: (kind | None, None) for key, kind in _KINDS.items() if key != "level"},
    )
    FlightsPart = create_model(
        "FlightsPart",
        __base__=_FlightsPart,
        species=(tuple[_SpeciesPart, ...], ()),
        **{key: (kind, getattr(_DEFAULTS, MODEL_KEYS[key])) for key, kind in _KINDS.items()},
    )
