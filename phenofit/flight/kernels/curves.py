"""Flight curves: the share of a flight that has flown by a heat sum, with its slopes.

Every curve is written by its median ``M`` (the requirement of the trap-year) and its spread ``s`` in degree-days,
so that the two mean the same thing whatever the shape:

========== =========================================== =======================================
curve      share flown by heat ``h``                    spread ``s``
========== =========================================== =======================================
normal     Phi((h - M) / s)                             standard deviation
logistic   1 / (1 + exp(-pi (h - M) / (sqrt(3) s)))     standard deviation
log-normal Phi(log(h / M) / c),  c = s / m              ``c`` is the SD of log heat
log-logistic 1 / (1 + (M / h)^(pi / (sqrt(3) c)))       ``c`` is the SD of log heat
Weibull    1 - 2^(-(h / M)^(pi / (sqrt(6) c)))          ``c`` is the SD of log heat
gamma      P(a, h nu / M),  a = 1 / c^2, nu its median  ``c`` is the SD over the mean of heat
========== =========================================== =======================================

The first flights of a season often have a long tail: the Gumbel curve has a skewness of 1.14 whatever its spread.
``P`` is the regularised incomplete gamma function. ``m`` is the requirement without the trap-year's shift.
The shapes are textbook distributions, checked against `scipy.stats` in ``tests/flight/test_curves.py``.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import gammaincinv, ndtri

from phenofit.errors import ModelError
from phenofit.flight.kernels.gamma import SMALLEST_SHAPE, gamma_median, gamma_share
from phenofit.heat.compiled.compiler import compiled

NORMAL, LOGISTIC, LOG_NORMAL, LOG_LOGISTIC, WEIBULL, GAMMA, GUMBEL = range(7)
CURVE_CODES = {
    "normal": NORMAL,
    "logistic": LOGISTIC,
    "log-normal": LOG_NORMAL,
    "log-logistic": LOG_LOGISTIC,
    "Weibull": WEIBULL,
    "gamma": GAMMA,
    "Gumbel": GUMBEL,
}

_SQRT_HALF = math.sqrt(0.5)
_INV_SQRT_2PI = 1.0 / math.sqrt(2.0 * math.pi)
_LOGISTIC = math.pi / math.sqrt(3.0)
# Over the spread: the scale of the Gumbel curve, and of log heat of a Weibull one.
_GUMBEL = math.pi / math.sqrt(6.0)
_LN2 = math.log(2.0)
# Beyond this many standard deviations a normal share is 0 or 1 to the last digit of a double.
_FAR = 8.3

# Curves of log heat: a factor on the heat scale multiplies their requirement and their spread alike.
LOG_HEAT_CURVES = (LOG_NORMAL, LOG_LOGISTIC, WEIBULL, GAMMA)


def curve_code(name: str) -> int:
    """Return the number of a curve in the compiled code."""
    for known, code in CURVE_CODES.items():
        if known.lower() == name.strip().lower():
            return code
    raise ModelError(f"there is no flight curve '{name}'; known are {', '.join(CURVE_CODES)}.")


@compiled
def curve_point(
    code: int, h: float, median: float, m: float, s: float
) -> tuple[float, float, float, float, float]:
    """Return the share flown and its slopes at one heat sum."""
    if code == NORMAL:
        z = (h - median) / s
        if abs(z) > _FAR:
            return (1.0 if z > 0.0 else 0.0), 0.0, 0.0, 0.0, 0.0
        share = 0.5 * math.erfc(-z * _SQRT_HALF)
        bell = _INV_SQRT_2PI * math.exp(-0.5 * z * z)
        return share, bell / s, -bell / s, 0.0, -z * bell
    if code == LOGISTIC:
        z = _LOGISTIC * (h - median) / s
        e = math.exp(-abs(z))
        share = 1.0 / (1.0 + e) if z >= 0.0 else e / (1.0 + e)
        bell = e / ((1.0 + e) * (1.0 + e))
        slope = _LOGISTIC * bell / s
        return share, slope, -slope, 0.0, -z * bell
    if code == GUMBEL:
        z = _GUMBEL * (h - median) / s
        power = _LN2 * math.exp(min(-z, 700.0))
        share = math.exp(-power)
        bell = power * share
        slope = _GUMBEL * bell / s
        return share, slope, -slope, 0.0, -z * bell
    if h <= 0.0 or median <= 0.0:
        # Before any heat nothing has flown; a shift that takes the median below zero means that all has.
        return (0.0 if h <= 0.0 else 1.0), 0.0, 0.0, 0.0, 0.0
    c = s / m
    if code == GAMMA:
        a = max(1.0 / (c * c), SMALLEST_SHAPE)
        nu, d_nu = gamma_median(a)
        x = h * nu / median
        share, gain, d_a = gamma_share(a, x)
        d_a = d_a + gain * d_nu * h / median if a > SMALLEST_SHAPE else 0.0
        return share, gain * nu / median, -gain * x / median, 2.0 * a * d_a / m, -2.0 * a * d_a
    r = math.log(h / median)
    if code == LOG_NORMAL:
        z = r / c
        share = 0.5 * math.erfc(-z * _SQRT_HALF)
        bell = _INV_SQRT_2PI * math.exp(-0.5 * z * z)
        gain = bell / c
    elif code == LOG_LOGISTIC:
        z = _LOGISTIC * r / c
        e = math.exp(-abs(z))
        share = 1.0 / (1.0 + e) if z >= 0.0 else e / (1.0 + e)
        bell = e / ((1.0 + e) * (1.0 + e))
        gain = bell * _LOGISTIC / c
    else:
        z = _GUMBEL * r / c
        power = math.exp(min(z, 700.0))
        left = math.exp(-_LN2 * power)
        share = 1.0 - left
        bell = _LN2 * power * left
        gain = bell * _GUMBEL / c
    return share, gain / h, -gain / median, z * bell / m, -z * bell


@compiled
def shares_flown(
    code: int, heat: npt.NDArray[np.float64], medians: npt.NDArray[np.float64], m: float, s: float
) -> npt.NDArray[np.float64]:
    """Return the shares flown at several heat sums, a row for each median; see :func:`curve_point`."""
    out = np.empty((medians.size, heat.size))
    for a in range(medians.size):
        for e in range(heat.size):
            out[a, e] = curve_point(code, heat[e], medians[a], m, s)[0]
    return out


def share_flown(curve: str, heat: float, requirement: float, spread: float) -> float:
    """Return the share of a flight that has flown by a heat sum.

    Parameters
    ----------
    curve : str
        Name of the curve.
    heat : float
        Heat sum since the start [degC d].
    requirement : float
        Heat at which half of the flight has flown [degC d].
    spread : float
        Spread of the flight [degC d].

    Returns
    -------
    float
        Between 0 and 1.

    Raises
    ------
    ModelError
        If there is no such curve, or the spread is not positive.

    Examples
    --------
    >>> share_flown("normal", 500.0, 500.0, 60.0)
    0.5
    """
    if not spread > 0:
        raise ModelError(f"the spread of a flight must be positive, not {spread}.")
    return float(
        curve_point(curve_code(curve), float(heat), float(requirement), float(requirement), spread)[0]
    )


def heat_at_share(curve: str, share: float, requirement: float, spread: float) -> float:
    """Return the heat sum by which a share of a flight has flown.

    Parameters
    ----------
    curve : str
        Name of the curve.
    share : float
        Share of the flight, between 0 and 1.
    requirement, spread : float
        Median and spread of the flight [degC d].

    Returns
    -------
    float
        Heat sum [degC d].

    Raises
    ------
    ModelError
        If there is no such curve or the share is not between 0 and 1.

    Examples
    --------
    >>> heat_at_share("normal", 0.5, 500.0, 60.0)
    500.0
    """
    if not 0.0 < share < 1.0:
        raise ModelError(f"a share of a flight lies between 0 and 1, not at {share}.")
    return float(curve_quantile(curve, share, requirement, requirement, spread))


def curve_quantile(
    curve: str, share: npt.ArrayLike, median: npt.ArrayLike, requirement: npt.ArrayLike, spread: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    """Return the heat at which a share of a flight has flown, its median shifted from the requirement."""
    code = curve_code(curve)
    p, mid, m, s = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (share, median, requirement, spread))
    )
    p = np.clip(p, 1e-12, 1.0 - 1e-12)
    if code == GAMMA:
        shape = (m / s) ** 2
        return np.asarray(np.where(mid > 0.0, mid * gammaincinv(shape, p) / gammaincinv(shape, 0.5), mid))
    if code in (NORMAL, LOG_NORMAL):
        z = ndtri(p)
    elif code in (LOGISTIC, LOG_LOGISTIC):
        z = np.log(p / (1.0 - p)) / _LOGISTIC
    elif code == GUMBEL:
        z = -np.log(-np.log(p) / _LN2) / _GUMBEL
    else:
        z = np.log(-np.log1p(-p) / _LN2) / _GUMBEL
    if code not in LOG_HEAT_CURVES:
        return np.asarray(mid + s * z)
    # A negative median stays negative: it is a date before the sum begins, for every share.
    return np.asarray(np.where(mid > 0.0, mid * np.exp(z * s / m), mid))


def peak_heat(curve: str, requirement: float, spread: float) -> float:
    """Return the heat sum at which most moths fly per degree-day: the mode of the curve.

    Parameters
    ----------
    curve : str
        Name of the curve.
    requirement, spread : float
        Median and spread of the flight [degC d].

    Returns
    -------
    float
        Heat sum [degC d]; 0 where the curve falls from the start.

    Raises
    ------
    ModelError
        If there is no such curve.

    Examples
    --------
    >>> peak_heat("logistic", 500.0, 60.0)
    500.0
    """
    code = curve_code(curve)
    if code in (NORMAL, LOGISTIC):
        return requirement
    if code == GUMBEL:
        return requirement + spread * math.log(_LN2) / _GUMBEL
    c = spread / requirement
    if code == LOG_NORMAL:
        return requirement * math.exp(-c * c)
    if code == GAMMA:
        a = 1.0 / (c * c)
        return float(requirement * max(a - 1.0, 0.0) / gammaincinv(a, 0.5))
    power = (_LOGISTIC if code == LOG_LOGISTIC else _GUMBEL) / c
    if power <= 1.0:
        return 0.0
    if code == LOG_LOGISTIC:
        return float(requirement * ((power - 1.0) / (power + 1.0)) ** (1.0 / power))
    return float(requirement * ((power - 1.0) / (power * _LN2)) ** (1.0 / power))
