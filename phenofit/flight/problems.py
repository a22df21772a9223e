"""The problems of a fit, in plain sentences."""

from __future__ import annotations

from phenofit.flight.estimate.maximise import Maximum
from phenofit.flight.intervals.curvature import Disagreement
from phenofit.flight.likelihood.parameters import LARGEST_CONCENTRATION, SMALLEST_SD, split_name, unit_of
from phenofit.flight.result import FlightFit

# 95 % points of chi-squared with one and two degrees of freedom.
_APART_ONE, _APART_TWO = 3.841, 5.991
_UNIT_WORDS = {"degC": "°C", "degC d": "°C-days"}


def find_problems(fit: FlightFit, maximum: Maximum) -> list[str]:
    """Return the problems of a fit."""
    said: list[str] = []
    if not fit.converged:
        said.append(
            f"The search did not converge ({maximum.message}); hold the base at a published value, or fit "
            "fewer flights."
        )
    return [*said, *_open_ends(fit), *_boundaries(fit), *_few(fit), *_overlap(fit)]


def _open_ends(fit: FlightFit) -> list[str]:
    said = []
    percent = f"{100 * fit.settings.level:g} %"
    for name in fit.profiles:
        if split_name(name)[0] not in ("base", "requirement", "spread", "upper"):
            continue
        low, high = fit.interval(name)
        words = "upper threshold" if name == "upper" else name.replace("_", ", flight ")
        unit = _unit_words(name)
        bounds = fit.profiles[name]
        if low is None and high is None:
            said.append(f"These data do not fix the {words}: its {percent} interval is open on both sides.")
        elif low is None:
            said.append(
                f"These data do not fix the {words} from below: its {percent} interval is open down to the end "
                f"of the search at {bounds.low_bound:g} {unit}."
            )
        elif high is None:
            said.append(
                f"These data do not fix the {words} from above: its {percent} interval is open up to the end "
                f"of the search at {bounds.high_bound:g} {unit}."
            )
    if "base" in fit.profiles and fit.interval("base") != (None, None):
        low, high = fit.interval("base")
        if low is not None and high is not None and high - low > 8.0:
            said.append(
                f"The base is loosely fixed ({low:.1f} to {high:.1f} °C): read base and requirement as a pair, "
                "or hold the base at a published value."
            )
    return said


def _unit_words(name: str) -> str:
    return _UNIT_WORDS[unit_of(name)]


def _boundaries(fit: FlightFit) -> list[str]:
    said = []
    for name, value in fit.parameters.items():
        if name not in fit.profiles and name not in ("shift_sd", "concentration", "shift_sd_year"):
            continue
        part = {"shift_sd": "trap-year", "shift_sd_year": "year", "shift_sd_site": "site"}.get(name)
        if part is not None and value < 1.1 * SMALLEST_SD:
            said.append(f"The {part} shift cannot be distinguished from zero in these data.")
        if name == "concentration" and value > 0.9 * LARGEST_CONCENTRATION:
            said.append("The counts vary no more than independent moths would (concentration at its bound).")
    if "base" in fit.profiles:
        low, high = fit.settings.base_range
        if min(fit.base - low, high - fit.base) < 0.02 * (high - low):
            said.append(
                f"The best base lies at the end of the search range ({low:g} to {high:g} °C): the records do "
                "not contain it, or another start date or upper threshold is needed."
            )
    return said


def _few(fit: FlightFit) -> list[str]:
    said = []
    years = int(fit.data["year"].nunique())
    if 1 < years < 4 and fit.settings.group == "year":
        said.append(
            f"There are {years} seasons only: how much seasons differ is hardly known, and the intervals are "
            "wide because of it."
        )
    if fit.moths < 30 * fit.settings.flights:
        said.append(f"Only {fit.caught_words} give the timing of {fit.settings.flights} flight(s).")
    return said


def curvature_problems(disagreements: tuple[Disagreement, ...]) -> list[str]:
    """Return a sentence for each standard error that the likelihood does not confirm."""
    return [
        f"The curvature at the maximum gives the {d.name.replace('_', ', flight ')} a standard error of "
        f"{d.curvature:.3g} and its profile one of {d.profile:.3g} {_UNIT_WORDS.get(d.unit, d.unit)}: "
        "forecasts draw from the profile."
        for d in disagreements
    ]


def interrupted_problem(names: tuple[str, ...]) -> str:
    """Return the sentence on intervals that are missing because the user stopped the computation."""
    words = ", ".join(name.replace("_", " ") for name in names)
    return f"Interrupted: intervals of {words} were not computed."


def quadrature_problems(moved: float, tolerance: float) -> list[str]:
    """Return what to say where the integral over shifts and flight sizes is not exact."""
    if moved < tolerance:
        return []
    return [
        (
            f"The log-likelihood is known to about {moved:.1g} only: the records hardly inform the shifts or flight sizes "
            "that are integrated out. Ignore differences between fits below that."
        )
    ]


def rearing_problems(fit: FlightFit, alone: FlightFit) -> list[str]:
    """Say that rearing data are used in a fit, and whether they agree with the catches."""
    term = fit.settings.rearing
    if term is None:
        return []
    text = term.describe()
    said = [f"{text[0].upper()}{text[1:]}. Estimates and intervals are not from the catches alone."]
    # Each at its own best against both at one: a likelihood ratio with a degree for each shared parameter.
    apart = 2.0 * (alone.log_likelihood - fit.log_likelihood)
    if apart > (_APART_ONE if term.on == "base" else _APART_TWO):
        said.append(
            f"The rearing data and the catches disagree (likelihood ratio {apart:.1f}): the catches alone give a base "
            f"of {alone.base:.1f} °C, the rearing {term.base:.1f} °C. Look into the difference before the two are "
            "combined."
        )
    return said


def _overlap(fit: FlightFit) -> list[str]:
    return [f"{c.words()} Fit fewer flights; no interval is given for it." for c in fit.collapsed]
