"""Rearing at constant temperatures as a term of the flight likelihood: a prior, or the durations themselves."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from phenofit.errors import ModelError
from phenofit.heat.rearing_rates import RearingFit

REARING_KINDS = ("normal", "durations")
"""Ways in which rearing data are used."""
REARING_ON = ("base", "base and requirement")
"""Parameters that they inform."""


@dataclass(frozen=True)
class RearingTerm:
    """What rearing data add to the log-likelihood of a flight fit; zero at the values they favour.

    Attributes
    ----------
    kind : str
        ``"normal"``: a normal prior with the standard errors of the rearing fit. ``"durations"``: the likelihood of
        the durations, its residual SD profiled out.
    on : str
        ``"base"``, or ``"base and requirement"`` where the stage that was reared is what the heat sum counts.
    base, base_se : float
        Base of the rearing fit and its standard error [degC].
    requirement, requirement_se : float or None
        Its requirement and standard error [degC d], where they are used.
    covariance : float or None
        Covariance of base and requirement [degC degC d], where it is used.
    temperature, duration : tuple of float
        Points behind ``"durations"`` [degC, d].
    source : str
        Where the numbers come from, in words.

    Raises
    ------
    ModelError
        If a number that the term needs is missing or not possible.
    """

    kind: str
    on: str
    base: float
    base_se: float
    requirement: float | None = None
    requirement_se: float | None = None
    covariance: float | None = None
    temperature: tuple[float, ...] = ()
    duration: tuple[float, ...] = ()
    source: str = ""

    def __post_init__(self) -> None:
        if self.kind not in REARING_KINDS:
            raise ModelError(f"rearing data are used as {' or '.join(REARING_KINDS)}, not as '{self.kind}'.")
        if self.on not in REARING_ON:
            raise ModelError(f"rearing data inform the {' or the '.join(REARING_ON)}, not of '{self.on}'.")
        if self.kind == "durations":
            if len(self.temperature) != len(self.duration) or len(set(self.temperature)) < 3:
                raise ModelError("the durations need as many temperatures, three different ones at least.")
            return
        if not (math.isfinite(self.base) and math.isfinite(self.base_se) and self.base_se > 0.0):
            raise ModelError("a prior needs the base and a standard error above zero.")
        if self.on == "base":
            return
        requirement, error, covariance = self._of_requirement()
        if not all(math.isfinite(v) for v in (requirement, error, covariance)) or error <= 0.0:
            raise ModelError(
                "a prior on both needs the requirement, its standard error and the covariance of the two."
            )
        if covariance**2 >= (self.base_se * error) ** 2:
            raise ModelError("the covariance is larger than the standard errors allow.")

    def _of_requirement(self) -> tuple[float, float, float]:
        values = (self.requirement, self.requirement_se, self.covariance)
        first, second, third = (math.nan if v is None else v for v in values)
        return first, second, third

    def value_and_slope(self, base: float, requirement: float) -> tuple[float, tuple[float, float]]:
        """Return the term and its slopes.

        Parameters
        ----------
        base : float
            Base temperature [degC].
        requirement : float
            Requirement [degC d]; without effect where the term is of the base only.

        Returns
        -------
        value : float
            Natural logarithm, never above zero.
        slopes : tuple of float
            In the base [1/degC] and in the requirement [1/(degC d)].

        Notes
        -----
        Normal: minus half the squared distance in standard errors. Durations, with the rates r = 1/D and
        x = T - base: ``-(n/2) log(RSS / least RSS)``, where RSS sums ``(r - x / requirement)^2``; on the base only the
        requirement is the one of least RSS at that base.
        """
        if self.kind == "durations":
            return self._of_durations(base, requirement)
        off = base - self.base
        if self.on == "base":
            return -0.5 * (off / self.base_se) ** 2, (-off / self.base_se**2, 0.0)
        middle, error, c = self._of_requirement()
        away, a, b = requirement - middle, self.base_se**2, error**2
        size = a * b - c * c
        slopes = (-(b * off - c * away) / size, (c * off - a * away) / size)
        return 0.5 * (off * slopes[0] + away * slopes[1]), slopes

    def _of_durations(self, base: float, requirement: float) -> tuple[float, tuple[float, float]]:
        warmth, rate = np.array(self.temperature), 1.0 / np.array(self.duration)
        least = float(np.sum((rate - np.polyval(np.polyfit(warmth, rate, 1), warmth)) ** 2))
        x = warmth - base
        speed = 1.0 / requirement if self.on != "base" else float((rate * x).sum() / (x * x).sum())
        error = rate - speed * x
        rss = float((error * error).sum())
        half = 0.5 * len(rate)
        slope_base = -half * 2.0 * speed * float(error.sum()) / rss
        slope_requirement = (
            -half * 2.0 * speed**2 * float((error * x).sum()) / rss if self.on != "base" else 0.0
        )
        return -half * math.log(rss / least), (slope_base, slope_requirement)

    def describe(self) -> str:
        """Describe the rearing data in words."""
        how = (
            "as a normal prior"
            if self.kind == "normal"
            else f"by the durations at {len(self.duration)} temperatures"
        )
        text = f"rearing data take part {how} on the {self.on}: base {self.base:.2f} degC (standard error "
        text += f"{self.base_se:.2f})"
        if self.on != "base":
            requirement, error, _ = self._of_requirement()
            text += f", requirement {requirement:.1f} degC d (standard error {error:.1f})"
        return f"{text}; {self.source}" if self.source else text


def rearing_term(
    rearing: RearingFit, *, kind: str = "normal", on: str = "base", source: str = ""
) -> RearingTerm:
    """Make a term of the flight likelihood from a rearing fit.

    Parameters
    ----------
    rearing : RearingFit
        From :func:`phenofit.heat.fit_rearing`.
    kind : {"normal", "durations"}
        A prior with the standard errors of the linear method, or the likelihood of the durations.
    on : {"base", "base and requirement"}
        Parameters that the rearing informs. A reared stage has its own requirement: only where the heat sum counts that
        stage (from a biofix at its beginning to the flight) is it that of the flight.
    source : str
        Where the data come from.

    Returns
    -------
    RearingTerm

    Raises
    ------
    ModelError
        If the rearing fit is a reduced major axis and the term needs what only the linear method gives, or its points
        lie exactly on a line, so that they have no error.

    Examples
    --------
    >>> from phenofit.heat import fit_rearing
    >>> term = rearing_term(fit_rearing([18, 21.5, 25, 28], [28.2, 21.6, 16.1, 15.0]))
    >>> round(term.base, 1), round(term.value_and_slope(term.base + term.base_se, 0.0)[0], 3)
    (7.1, -0.5)
    """
    if rearing.method != "linear" and (kind == "durations" or on != "base"):
        raise ModelError(
            "the durations, or a prior on both, need the linear method: fit_rearing(method='linear')."
        )
    if not rearing.base_se > 1e-9:
        raise ModelError("the rearing points lie on a line: they have no error, so they cannot be weighted.")
    both = on != "base"
    points = kind == "durations"
    return RearingTerm(
        kind,
        on,
        rearing.base,
        rearing.base_se,
        rearing.requirement if both else None,
        rearing.requirement_se if both else None,
        rearing.covariance if both else None,
        tuple(float(v) for v in rearing.temperature[rearing.used]) if points else (),
        tuple(float(v) for v in rearing.duration[rearing.used]) if points else (),
        source,
    )


def published_rearing(
    *,
    base: float,
    base_se: float,
    requirement: float | None = None,
    requirement_se: float | None = None,
    mean_temperature: float | None = None,
    source: str = "",
) -> RearingTerm:
    """Make a prior from a published rearing line.

    Parameters
    ----------
    base, base_se : float
        Base and standard error [degC].
    requirement, requirement_se : float, optional
        Requirement and standard error [degC d], where the heat sum counts the reared stage; the prior is on both then.
    mean_temperature : float, optional
        Mean of the rearing temperatures [degC], from which the covariance of the two follows.
    source : str
        Where the numbers come from.

    Returns
    -------
    RearingTerm

    Raises
    ------
    ModelError
        If only some of requirement, its error and the mean temperature are given, or they contradict each other.

    Notes
    -----
    In the linear method the requirement is K = 1/c, c the slope of rate on temperature, and the base
    ``mean temperature - mean rate * K``; mean rate and slope are uncorrelated, so that
    ``cov(base, K) = -SE(K)^2 (mean temperature - base) / K`` to first order.
    """
    given = (requirement, requirement_se, mean_temperature)
    if all(v is None for v in given):
        return RearingTerm("normal", "base", float(base), float(base_se), source=source)
    if requirement is None or requirement_se is None or mean_temperature is None:
        raise ModelError(
            "a prior on both needs the requirement, its standard error and the mean rearing temperature."
        )
    covariance = -(requirement_se**2) * (mean_temperature - base) / requirement
    return RearingTerm(
        "normal", REARING_ON[1], float(base), float(base_se), float(requirement), float(requirement_se), covariance,
        source=source,
    )  # fmt: skip
