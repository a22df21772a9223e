"""The result of a flight fit: estimates with their intervals, problems and provenance."""

from __future__ import annotations

import html
import math
import os
import re
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.document import FitContent, read_file, to_text
from phenofit.flight.estimate.collapse import Collapsed, collapsed_flights
from phenofit.flight.estimate.setup import vector_of
from phenofit.flight.intervals.profile import Profile
from phenofit.flight.kernels.curves import heat_at_share, peak_heat
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.log_likelihood import Layout
from phenofit.flight.likelihood.parameters import Parameter, parameter_of, plain_name, split_name, unit_of
from phenofit.flight.result_text import (
    decimals,
    fixed,
    html_list,
    html_table,
    in_days,
    parameter_label,
    rounded,
)
from phenofit.flight.sampling import Sampling
from phenofit.traps.account import left_out_by_reason, left_out_words

EVENT_SHARES = {"flight_5": 0.05, "flight_25": 0.25, "flight_50": 0.50, "flight_75": 0.75, "flight_95": 0.95}
_SHARE = re.compile(r"flight_(\d{1,2}(?:\.\d+)?)")
"""Events that are a share of a flight."""

CAUGHT = {"counts": "moths", "presence": "checks with moths", "first catch": "first catches"}
"""What is counted in each kind of records."""

NOT_CONVERGED = "The search did not converge: the values below show where it stopped and are no estimates."


def flight_share(event: str) -> float | None:
    """Return the share of the flight that an event names, ``0.1`` for ``"flight_10"``; None where it names none."""
    found = _SHARE.fullmatch(event)
    share = float(found.group(1)) / 100.0 if found else 0.0
    return share if share > 0.0 else None


@dataclass(frozen=True, eq=False)
class FlightFit(FitContent):
    """A calibrated flight model. Made by :func:`phenofit.fit_flights`; never changes.

    Attributes
    ----------
    settings : FitSettings
        What was asked.
    parameters : dict of str to float
        Every parameter by name: ``base`` [degC]; ``requirement_1``, ``spread_1``, … [degC d];
        ``shift_sd_year`` or ``shift_sd_site``, ``shift_sd`` [degC d]; ``concentration``; ``size_2``, ``size_sd_2``
        (log size of flight 2 against flight 1 over trap-years: mean and SD); ``stray_share``; ``effect …``.
    covariance : DataFrame
        Covariance of the fitted parameters that are not at a bound, on the scale of the search: positive parameters
        by their logarithm, named ``log …``.
    profiles : dict of str to Profile
        Profile likelihood of each fitted parameter.
    log_likelihood : float
        Log-likelihood at the maximum, multinomial coefficients included.
    fitted : int
        Number of fitted parameters.
    converged : bool
        Whether the search converged, and no profile found a higher likelihood.
    problems : tuple of str
        Reasons to use the numbers with caution, in plain sentences.
    data : DataFrame
        One row per trap-year used.
    shifts : DataFrame
        ``part, group, mean, sd``: posterior shift of each year, and of each site [degC d].
    left_out : DataFrame
        ``trap, season, reason, rows, moths``: records that did not enter.
    provenance : dict
        Versions, and hashes of the inputs where they came from files.
    """

    @property
    def base(self) -> float:
        """Base temperature [degC]."""
        return self.parameters["base"]

    @property
    def aic(self) -> float:
        """Akaike's information criterion."""
        return 2.0 * self.fitted - 2.0 * self.log_likelihood

    @property
    def moths(self) -> int:
        """Moths that entered the fit."""
        return int(self.data["total"].sum())

    @property
    def caught_words(self) -> str:
        """What entered the fit, with its number: moths, or checks and trap-years where they were not counted."""
        return f"{self.moths} {CAUGHT[self.settings.records]}"

    def requirement(self, flight: int = 1) -> float:
        """Return the heat at which half of a flight has flown [degC d]."""
        return self._of("requirement", flight)

    def spread(self, flight: int = 1) -> float:
        """Return the spread of a flight [degC d]."""
        return self._of("spread", flight)

    @property
    def shift_sd(self) -> float:
        """SD of the whole shift of a trap-year never seen before, all parts together [degC d]."""
        parts = [v for k, v in self.parameters.items() if k in ("shift_sd", "shift_sd_year", "shift_sd_site")]
        return math.sqrt(sum(v * v for v in parts))

    def _of(self, name: str, flight: int) -> float:
        try:
            return self.parameters[f"{name}_{flight}"]
        except KeyError:
            raise ModelError(
                f"this fit has {self.settings.flights} flight(s) a season; there is no flight {flight}."
            ) from None

    @property
    def collapsed(self) -> tuple[Collapsed, ...]:
        """Flights that the records do not distinguish from none, or from another flight."""
        flights = range(1, self.settings.flights + 1)
        sizes = [0.0, *(self.parameters[f"size_{g}"] for g in flights[1:])]
        sds = [0.0, *(self.parameters[f"size_sd_{g}"] for g in flights[1:])]
        middle, spread = ([f(g) for g in flights] for f in (self.requirement, self.spread))
        return collapsed_flights(np.array(middle), np.array(spread), np.array(sizes), np.array(sds))

    def event_amount(self, event: str, flight: int = 1) -> float:
        """Return the heat at which an event of a flight happens.

        Parameters
        ----------
        event : str
            A share of the flight in percent, such as ``"flight_50"`` or ``"flight_2.5"``, or ``"peak"``.
        flight : int
            Which flight.

        Returns
        -------
        float
            Heat since the start [degC d].

        Raises
        ------
        ModelError
            If the flight is not in the fit, or the event is not fixed by the flight curve alone: the first catch
            and the end depend on how many moths there are and how often traps are checked.
        """
        requirement, spread = self.requirement(flight), self.spread(flight)
        if event == "peak":
            return peak_heat(self.settings.curve, requirement, spread)
        share = flight_share(event)
        if share is None:
            raise ModelError(
                f"the heat of '{event}' is not fixed by a flight curve; that of a share such as flight_50 and of the peak is."
            )
        return heat_at_share(self.settings.curve, share, requirement, spread)

    def profile(self, name: str) -> Profile:
        """Return the profile likelihood of a parameter.

        Raises
        ------
        ModelError
            If the parameter was held, or there is no parameter of that name.
        """
        try:
            return self.profiles[name]
        except KeyError:
            raise ModelError(
                f"there is no profile of '{name}'; there are {', '.join(self.profiles) or 'none'}."
            ) from None

    def interval(
        self, name: str, level: float | None = None, *, flight: int | None = None
    ) -> tuple[float | None, float | None]:
        """Return the profile-likelihood interval of a parameter.

        Parameters
        ----------
        name : str
            Such as ``"base"``, ``"requirement"`` with a flight, or ``"requirement_1"``.
        level : float, optional
            Confidence level; that of the fit by default.
        flight : int, optional
            Flight, where the parameter belongs to one.

        Returns
        -------
        tuple of float or None
            Low and high end; ``None`` for an end the data leave open. The low end of a shift SD that cannot be
            distinguished from zero is 0.

        Raises
        ------
        ModelError
            If the parameter was held, or the profile was not computed to that level.
        """
        key = name if flight is None else f"{name}_{flight}"
        if key not in self.profiles and f"{key}_1" in self.profiles:
            key = f"{key}_1"
        low, high = self.profile(key).interval(self.settings.level if level is None else level)
        if low is None and _row(key).from_zero:
            low = 0.0
        return low, high

    @property
    def estimates(self) -> pd.DataFrame:
        """Table of ``parameter, flight, estimate, low, high, unit, note, days``; an open end is missing."""
        rows = []
        collapsed = [c.flight for c in self.collapsed]
        for key, value in self.parameters.items():
            name, flight = split_name(key)
            low: float | None = None
            high: float | None = None
            note = "held" if self._is_held(key) else "no interval computed"
            if flight in collapsed:
                note = "no interval: the flight has collapsed"
            if key in self.profiles:
                low, high = self.interval(key)
                ends = [word for word, end in (("low", low), ("high", high)) if end is None]
                note = f"{' and '.join(ends)} end open" if ends else ""
            rows.append(
                {
                    "parameter": name,
                    "flight": flight,
                    "estimate": value,
                    "low": low,
                    "high": high,
                    "unit": unit_of(key),
                    "note": note,
                    "days": self.in_days(key),
                }
            )
        table = pd.DataFrame(rows)
        table["flight"] = table["flight"].astype("Int64")
        return table.astype({"low": float, "high": float, "days": float})

    def _is_held(self, key: str) -> bool:
        s = self.settings
        if key == "base":
            return s.base_held is not None
        return key in s.hold or (key == "stray_share" and not s.stray_fitted)

    def draws(self, count: int = 400, *, seed: int = 0) -> pd.DataFrame:
        """Draw parameters from their sampling distribution, to include the fit's error in a forecast.

        Parameters
        ----------
        count : int
            Number of draws.
        seed : int
            Seed of the generator.

        Returns
        -------
        DataFrame
            One column per parameter, natural scale. Drawn from the normal approximation in the coordinates of the
            search, in days about reference moments (standard deviations to first order on their own scale, not
            below zero). Parameters held or at a bound stay at their value, the base stays in its search range.
        """
        layout = Layout(self.settings.flights, self.effects)
        group, crossed = self.settings.group, self.settings.crossed
        theta = vector_of(self.parameters, layout, group, self.settings.heat.upper)
        places = {entry.plain(group, crossed): k for k, entry in enumerate(layout.entries)}
        sampling = self.sampling or Sampling((), np.zeros((0, 0)), None)
        limits = {
            name: r for name, r in self._ranges.items() if name in [plain_name(n) for n in sampling.names]
        }
        drawn = sampling.draw(theta, layout.entries, places, count, seed, limits)
        values = {}
        for name, value in self.parameters.items():
            k = places[name]
            known = drawn[:, k] != theta[k]
            natural = np.array([layout.entries[k].parameter.natural(float(v)) for v in drawn[:, k]])
            values[name] = np.where(known, natural, value)
        return pd.DataFrame(values)

    @property
    def effects(self) -> tuple[str, ...]:
        """Names of the effects of covariates."""
        return tuple(name.removeprefix("effect ") for name in self.parameters if name.startswith("effect "))

    @property
    def _ranges(self) -> dict[str, tuple[float, float]]:
        found = {"base": self.settings.base_range}
        if self.settings.upper_range is not None:
            found["upper"] = self.settings.upper_range
        return found

    def in_days(self, name: str) -> float | None:
        """Return a spread or a shift SD in days: over the mean heat per day at the time of the flight.

        Parameters
        ----------
        name : str
            Such as ``"spread_1"`` or ``"shift_sd_year"``.

        Returns
        -------
        float or None
            Days; ``None`` for other parameters, and for fits read from files of an older version.
        """
        parameter = parameter_of(name)
        if (
            self.sampling is None
            or parameter is None
            or parameter.transform != "log"
            or not parameter.on_heat_scale
        ):
            return None
        per_day = self.sampling.per_day(self.base, split_name(name)[1])
        return None if per_day is None else self.parameters[name] / per_day

    def _headline(self) -> list[str]:
        s = self.settings
        years = self.data["year"].nunique()
        sites = self.data["site"].nunique()
        places = covariate_design(self.data, s.covariates, fitted=self.parameters).words()
        return [
            f"{s.species or 'Flight'}: {s.flights} flight{'s' if s.flights > 1 else ''} a season, {s.curve} curve",
            f"{self.caught_words}, {len(self.data)} trap-years, {sites} sites, {years} seasons",
            f"heat: {s.heat.describe(self.base)}, from {s.start_words}",
            f"{100 * s.level:g} % intervals by profile likelihood",
            *([places] if places else []),
            *([] if s.rearing is None else [s.rearing.describe()]),
        ]

    def summary(self) -> str:
        """Return the result as text: records, problems, estimates and intervals."""
        lines = [*self._headline(), *self._cautions()]
        lines += ["", f"{'parameter':<22}{'estimate':>12}{'low':>12}{'high':>12}  unit"]
        for name, estimate, low, high, unit, note in self._cells():
            if note == "held":
                low = "held"
            lines.append(f"{name:<22}{estimate:>12}{low:>12}{high:>12}  {unit}")
        lines.append("")
        lines.append(
            f"log-likelihood {self.log_likelihood:.3f}, AIC {self.aic:.2f}, {self.fitted} parameters"
        )
        lines += [
            f"left out of the fit: {words}" for words in left_out_words(left_out_by_reason([self.left_out]))
        ]
        return "\n".join(lines)

    def _cells(self) -> list[tuple[str, str, str, str, str, str]]:
        """Return the table of estimates as texts, rounded by their intervals."""
        found = []
        for row in self.estimates.to_dict("records"):
            digits = decimals(row["estimate"], row["low"], row["high"])
            write = rounded if digits is None else partial(fixed, digits=digits)
            found.append(
                (
                    parameter_label(row["parameter"], row["flight"]),
                    write(row["estimate"]),
                    "open" if "low" in row["note"] else write(row["low"]),
                    "open" if "high" in row["note"] else write(row["high"]),
                    row["unit"] + in_days(row["days"]),
                    row["note"],
                )
            )
        return found

    def _cautions(self) -> list[str]:
        said = [f"! {p}" for p in self.problems]
        return said if self.converged else [NOT_CONVERGED, *said]

    __str__ = __repr__ = summary

    def _repr_html_(self) -> str:
        words = "".join(f"<p>{html.escape(line)}</p>" for line in self._headline())
        head = ("parameter", "estimate", "low", "high", "unit", "note")
        return f"<div>{words}{html_list(self._cautions())}{html_table(head, self._cells())}</div>"

    def to_json(self, path: str | os.PathLike[str] | None = None) -> str:
        """Write the fit as JSON; the same fit gives the same bytes.

        Parameters
        ----------
        path : path-like, optional
            File to write, whole or not at all.

        Returns
        -------
        str
            The text.
        """
        from phenofit.files import write_text

        text = to_text(self)
        if path is not None:
            write_text(path, text)
        return text

    @classmethod
    def from_json(cls, path: str | os.PathLike[str]) -> FlightFit:
        """Read a fit file.

        Raises
        ------
        DataError
            If the file is not a fit file of a known version, with the keys that are wrong.
        """
        return cls(**vars(read_file(path)))


def _row(name: str) -> Parameter:
    parameter = parameter_of(name)
    assert parameter is not None, name
    return parameter
