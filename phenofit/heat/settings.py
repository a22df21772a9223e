"""How heat is summed: the method, the cut-off and the upper threshold, and which of them go together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from phenofit.errors import ModelError, UnitError
from phenofit.heat.compiled.daily_kernels import CUTOFF_CODES, METHOD_CODES
from phenofit.units import (
    HIGHEST_BASE,
    HIGHEST_UPPER,
    LOWEST_THRESHOLD,
    from_celsius,
    parse_temperature,
    temperature_unit,
)

METHODS: Final[tuple[str, ...]] = (*METHOD_CODES, "hourly")
"""Methods by their usual names."""

CUTOFFS: Final[tuple[str, ...]] = ("horizontal", "intermediate", "vertical", "floored intermediate")
"""Cut-offs at the upper threshold by their usual names."""

_NO_COURSE = (
    "with an average there is no course of the day above the upper threshold, so only the horizontal "
    "cut-off is defined; use a sine or a triangle for the others."
)
_AVERAGE_REASON: Final[dict[str, str]] = {
    "simple average": (
        "the simple average knows no upper threshold; use 'clipped average' (both temperatures set back to "
        "the upper threshold) or 'capped average' (the daily average set back to it)."
    ),
    "clipped average": _NO_COURSE,
    "capped average": _NO_COURSE,
}


def check_method(method: str, cutoff: str, *, upper: bool) -> None:
    """Refuse an unknown method or cut-off, and combinations that the literature does not define.

    Parameters
    ----------
    method : str
        One of :data:`METHODS`.
    cutoff : str
        One of :data:`CUTOFFS`; without an upper threshold it has no effect.
    upper : bool
        Whether there is an upper threshold.

    Raises
    ------
    ModelError
        With the reason and the names that are accepted.
    """
    if method not in METHODS:
        raise ModelError(f"'{method}' is not a heat method; accepted are {', '.join(METHODS)}.")
    if cutoff not in CUTOFFS:
        raise ModelError(f"'{cutoff}' is not a cut-off; accepted are {', '.join(CUTOFFS)}.")
    if not upper or method not in _AVERAGE_REASON:
        return
    if method == "simple average" or cutoff != "horizontal":
        raise ModelError(f"'{method}' with a {cutoff} cut-off is not defined: {_AVERAGE_REASON[method]}")


def check_thresholds(base: str | float, upper: str | float | None = None) -> tuple[float, float | None]:
    """Read base and upper threshold; refuse implausible values."""
    low = parse_temperature(base)
    if not LOWEST_THRESHOLD <= low <= HIGHEST_BASE:
        raise UnitError(
            f"a base of {low:g} degC is no lower threshold of an insect (accepted: {LOWEST_THRESHOLD:g} to "
            f"{HIGHEST_BASE:g} degC); did you mean '{low:g} degF'?"
        )
    if upper is None:
        return low, None
    high = upper_threshold(upper)
    if high <= low:
        raise ModelError(f"the upper threshold {high:g} degC must lie above the base {low:g} degC.")
    return low, high


def upper_threshold(upper: str | float) -> float:
    """Read an upper threshold; refuse an implausible value."""
    high = parse_temperature(upper, highest=HIGHEST_UPPER)
    if not LOWEST_THRESHOLD < high <= HIGHEST_UPPER:
        raise UnitError(
            f"an upper threshold of {high:g} degC is out of range (accepted: up to {HIGHEST_UPPER:g} degC); "
            f"did you mean '{high:g} degF'?"
        )
    return high


def method_codes(method: str, cutoff: str, *, upper: bool) -> tuple[int, int]:
    """Return the kernel codes of a method on daily minima and maxima and its cut-off."""
    check_method(method, cutoff, upper=upper)
    if method == "hourly":
        raise ModelError(
            "'hourly' sums an hourly series and cannot be worked out from daily minimum and maximum; use "
            "hourly_degree_days on the hourly temperatures, or 'single sine' on the daily ones."
        )
    return METHOD_CODES[method], CUTOFF_CODES[cutoff] if upper else CUTOFF_CODES["none"]


@dataclass(frozen=True)
class HeatSettings:
    """The way in which heat is summed, apart from the base.

    Parameters
    ----------
    method : str
        One of :data:`METHODS`.
    cutoff : str
        One of :data:`CUTOFFS`; it has an effect only with `upper`.
    upper : float or None
        Upper threshold [degC]; None for none. A text such as ``"88 degF"`` is read.

    Raises
    ------
    ModelError
        If method and cut-off do not go together.
    UnitError
        If `upper` has no unit, an unknown one or is out of range.

    Examples
    --------
    >>> HeatSettings(upper=30.0).describe(10.0)
    'single sine, base 10 °C, upper threshold 30 °C (horizontal cut-off)'
    """

    method: str = "single sine"
    cutoff: str = "horizontal"
    upper: float | None = None

    def __post_init__(self) -> None:
        if self.upper is not None:
            object.__setattr__(self, "upper", upper_threshold(self.upper))
        check_method(self.method, self.cutoff, upper=self.upper is not None)

    @property
    def method_code(self) -> int:
        """Kernel code of the method; raises ModelError for the hourly sum."""
        return method_codes(self.method, self.cutoff, upper=self.upper is not None)[0]

    @property
    def cutoff_code(self) -> int:
        """Kernel code of the cut-off; that of none where there is no upper threshold."""
        return method_codes(self.method, self.cutoff, upper=self.upper is not None)[1]

    @property
    def upper_or_inf(self) -> float:
        """Upper threshold for a kernel [degC]; infinite where there is none."""
        return float("inf") if self.upper is None else self.upper

    def describe(self, base: float | None = None, unit: str = "degC") -> str:
        """Say the settings in words.

        Parameters
        ----------
        base : float or None
            Base temperature [degC]; None where it is to be fitted.
        unit : str
            Temperature unit to show.

        Returns
        -------
        str
            Such as ``"single sine, base 10 °C"``.
        """
        parts = [self.method]
        if base is not None:
            parts.append(f"base {_temperature(base, unit)}")
        if self.upper is not None:
            parts.append(f"upper threshold {_temperature(self.upper, unit)} ({self.cutoff} cut-off)")
        return ", ".join(parts)


def _temperature(value: float, unit: str) -> str:
    name = temperature_unit(unit)
    sign = {"degC": "°C", "degF": "°F", "kelvin": "K"}[name]
    shown = f"{round(from_celsius(value, name), 4):g}"
    return f"{shown} {sign}"
