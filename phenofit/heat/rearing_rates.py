"""Base temperature and requirement from rearing at constant temperatures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phenofit.deferred import deferred
from phenofit.errors import DataError, ModelError, Problem
from phenofit.units import temperature_unit, to_celsius

if TYPE_CHECKING:
    import pandas as pd

    from phenofit.files.text_table import TableSource
else:
    pd = deferred("pandas")

REARING_METHODS = ("linear", "reduced major axis")
"""Ways to fit rearing data."""


@dataclass(frozen=True, eq=False)
class RearingFit:
    """Base and requirement from rearing data.

    Attributes
    ----------
    method : str
        One of :data:`REARING_METHODS`.
    base, base_se : float
        Temperature at which development stops, and its standard error [degC].
    requirement, requirement_se : float
        Heat from the beginning to the end of development, and its standard error [degC d].
    covariance : float
        Covariance of base and requirement [degC degC d]; NaN for the reduced major axis.
    r_squared : float
        Squared correlation on the scale of the fit.
    temperature, duration : array
        All points [degC, d].
    used : array of bool
        Which of them the fit used.
    """

    method: str
    base: float
    base_se: float
    requirement: float
    requirement_se: float
    covariance: float
    r_squared: float
    temperature: npt.NDArray[np.float64]
    duration: npt.NDArray[np.float64]
    used: npt.NDArray[np.bool_]

    @property
    def points(self) -> int:
        """Number of temperatures in the fit."""
        return int(self.used.sum())

    def interval(self, name: str, level: float = 0.95) -> tuple[float, float]:
        """Return an interval from the standard error and Student's t.

        Parameters
        ----------
        name : str
            ``"base"`` or ``"requirement"``.
        level : float
            Confidence, between 0 and 1.

        Returns
        -------
        low, high : float
            [degC] or [degC d].

        Raises
        ------
        ModelError
            If the name or the level is not accepted.
        """
        if name not in ("base", "requirement") or not 0.0 < level < 1.0:
            raise ModelError("ask for 'base' or 'requirement' at a level between 0 and 1.")
        from scipy import stats

        value, error = float(getattr(self, name)), float(getattr(self, f"{name}_se"))
        half = float(stats.t.ppf(0.5 + level / 2.0, self.points - 2)) * error
        return value - half, value + half

    def rate(self, temperature: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Return the fitted development rate at temperatures [degC] as a share per day, zero below the base."""
        above = np.maximum(np.asarray(temperature, dtype=np.float64) - self.base, 0.0)
        return np.asarray(above / self.requirement, dtype=np.float64)

    def summary(self) -> str:
        """Say the fit in words, with what was left out."""
        left_out = self.temperature[~self.used]
        text = (
            f"{self.method} fit of {self.points} temperatures: base {self.base:.2f} °C (standard error "
            f"{self.base_se:.2f}), requirement {self.requirement:.1f} °C-days (standard error "
            f"{self.requirement_se:.1f}), constant temperatures, R² {self.r_squared:.3f}."
        )
        if left_out.size:
            shown = ", ".join(f"{value:g}" for value in left_out)
            text += f" Left out by the user: {shown} °C."
        return text


def fit_rearing(
    temperature: Sequence[float] | npt.ArrayLike,
    duration: Sequence[float] | npt.ArrayLike,
    *,
    use: Sequence[bool] | npt.ArrayLike | None = None,
    method: str = "linear",
    unit: str = "degC",
) -> RearingFit:
    """Fit base temperature and requirement to durations of development at constant temperatures.

    Parameters
    ----------
    temperature : array_like, shape (points,)
        Rearing temperatures [`unit`].
    duration : array_like, shape (points,)
        Days that development took [d].
    use : array_like of bool, optional
        False for points outside the linear range, which are kept for the figure but not fitted.
    method : str
        ``"linear"``: least squares of the rate 1/duration on temperature. ``"reduced major axis"``: duration
        times temperature on duration, both with error; a different estimator, whose answers are not to be mixed
        with those of the first.
    unit : str
        Unit of the temperatures.

    Returns
    -------
    RearingFit

    Raises
    ------
    DataError
        If values are missing, not positive, or too few (three distinct temperatures at least).
    ModelError
        If the method is not known, or development does not get faster with temperature.

    Notes
    -----
    Linear: with the rate r = a + c T the base is t = -a/c and the requirement K = 1/c, and with the residual
    variance s^2 and the mean rate r' of N points [1]_ ::

        SE(t) = (r'/c) sqrt(s^2 / (N r'^2) + (SE(c)/c)^2)        SE(K) = SE(c) / c^2

    which is the full delta method, since r'/c is the distance of the mean temperature from t; the covariance of
    the two is given by the same method. Reduced major axis: D T = K + t D with the slope sd(DT)/sd(D) [2]_, its
    standard error as for least squares of the same points.

    References
    ----------
    .. [1] Campbell, A., Frazer, B. D., Gilbert, N., Gutierrez, A. P., Mackauer, M. (1974). Temperature
       requirements of some aphids and their parasites. J. Appl. Ecol. 11: 431-438. Formulas checked against
       `numpy.polyfit` in ``tests/heat/test_rearing.py``.
    .. [2] Ikemoto, T., Takai, K. (2000). A new linearized formula for the law of total effective temperature and
       the evaluation of line-fitting methods with both variables subject to error. Environ. Entomol. 29:
       671-682.

    Examples
    --------
    >>> fit = fit_rearing([18, 21.5, 25, 28], [28.2, 21.6, 16.1, 15.0])
    >>> round(fit.base, 1), round(fit.requirement, 1)
    (7.1, 304.6)
    """
    if method not in REARING_METHODS:
        raise ModelError(f"'{method}' is not a rearing method; accepted are {', '.join(REARING_METHODS)}.")
    warmth, days, used = _points(temperature, duration, use, unit)
    if method == "linear":
        values = _linear(warmth[used], days[used])
    else:
        values = _major_axis(warmth[used], days[used])
    return RearingFit(method, *values, warmth, days, used)


def read_rearing(
    path: TableSource, *, unit: str, columns: Mapping[str, str] | None = None, method: str = "linear"
) -> RearingFit:
    """Read a table of rearing at constant temperatures, and fit it.

    Parameters
    ----------
    path : path-like or pandas.DataFrame
        ``temperature`` [`unit`], ``duration`` [d], and optionally ``use``: ``no`` for points outside the linear range.
    unit : str
        Unit of the temperatures.
    columns : mapping, optional
        Our column name to the name in the file, where they differ.
    method : str
        As for :func:`fit_rearing`.

    Returns
    -------
    RearingFit

    Raises
    ------
    DataError
        With every cell that cannot be read.
    ModelError
        If development does not get faster with temperature.
    """
    from phenofit.files.cells import parse_numbers
    from phenofit.files.tables import read_table

    table = read_table(path, columns=columns, required=["temperature", "duration"], optional=["use"])
    warmth, problems = parse_numbers(table, "temperature", required=True, what=f"a temperature in {unit}")
    days, more = parse_numbers(table, "duration", required=True, low=1e-9, what="a number of days above 0")
    words = (
        table.frame["use"].str.casefold() if "use" in table.frame else pd.Series("", index=table.frame.index)
    )
    more += table.problems(
        ~words.isin(["", "yes", "no"]), "use", "it is neither yes nor no.", "Write yes or no."
    )
    if problems or more:
        raise DataError([*problems, *more])
    return fit_rearing(warmth, days, use=(words != "no").to_numpy(), unit=unit, method=method)


def _points(
    temperature: Sequence[float] | npt.ArrayLike,
    duration: Sequence[float] | npt.ArrayLike,
    use: Sequence[bool] | npt.ArrayLike | None,
    unit: str,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    warmth = np.asarray(to_celsius(np.asarray(temperature, dtype=np.float64), temperature_unit(unit)))
    days = np.asarray(duration, dtype=np.float64)
    used = np.ones(days.shape, dtype=bool) if use is None else np.asarray(use, dtype=bool)
    if warmth.ndim != 1 or warmth.shape != days.shape or used.shape != days.shape:
        raise DataError("temperature, duration and use must be lists of the same length.")
    problems = [
        Problem(
            f"temperature {t:g}, duration {d:g}.", "Both must be finite, the duration above 0.", row=k + 1
        )
        for k, (t, d) in enumerate(zip(warmth, days, strict=True))
        if not (np.isfinite(t) and np.isfinite(d) and d > 0.0)
    ]
    distinct = np.unique(warmth[used]).size
    if distinct < 3:
        problems.append(
            Problem(
                f"{distinct} different temperatures in use.", "A line with its standard errors needs three."
            )
        )
    if problems:
        raise DataError(problems)
    return warmth, days, used


_Values = tuple[float, float, float, float, float, float]


def _linear(warmth: npt.NDArray[np.float64], days: npt.NDArray[np.float64]) -> _Values:
    fit = _least_squares(1.0 / days, warmth)
    intercept, slope = fit.params
    if slope <= 0.0:
        raise ModelError("development does not get faster with temperature; there is no base to be found.")
    base = -intercept / slope
    # Delta method for -intercept / slope and 1 / slope.
    gradient = np.array([[-1.0, -base], [0.0, -1.0 / slope]]) / slope
    covariance = gradient @ fit.cov_params() @ gradient.T
    base_se, requirement_se = np.sqrt(np.diag(covariance))
    return (
        float(base), float(base_se), float(1.0 / slope), float(requirement_se), float(covariance[0, 1]),
        float(fit.rsquared),
    )  # fmt: skip


def _major_axis(warmth: npt.NDArray[np.float64], days: npt.NDArray[np.float64]) -> _Values:
    product = days * warmth
    if np.ptp(days) == 0.0:
        raise ModelError("development does not get faster with temperature; there is no base to be found.")
    fit = _least_squares(product, days)
    slope = float(np.sign(fit.params[1]) * product.std() / days.std())
    requirement = float(product.mean() - slope * days.mean())
    if requirement <= 0.0:
        raise ModelError("development does not get faster with temperature; there is no base to be found.")
    requirement_se, slope_se = (float(error) for error in fit.bse)
    return slope, slope_se, requirement, requirement_se, float("nan"), float(fit.rsquared)


def _least_squares(values: npt.NDArray[np.float64], on: npt.NDArray[np.float64]) -> Any:
    """Return the least-squares line of values on another variable: intercept, then slope."""
    from statsmodels.regression.linear_model import OLS  # type: ignore[import-untyped]

    return OLS(values, np.column_stack([np.ones(on.size), on])).fit()
