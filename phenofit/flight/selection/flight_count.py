"""The number of flights a season, compared by AIC on the very records that are fitted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from phenofit.errors import FitError, ModelError
from phenofit.flight.selection.curve_choice import choose_curve
from phenofit.flight.selection.fit_comparison import flights_evidence

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from phenofit.flight.result import FlightFit
    from phenofit.traps import TrapYears

__all__ = ["COMPARE", "MOST_FLIGHTS", "choose_flights", "flight_candidates"]

COMPARE = "compare"
"""Stands for a comparison of one flight, two, and so on as long as that describes the catches better."""

MOST_FLIGHTS = 3
"""Flights a season that a fit can tell apart at most."""

_CLOSE = 2.0
_WORDS = ("one flight", "two flights", "three flights")
Progress = Callable[[str], None]


def flight_candidates(flights: int | str | Sequence[int]) -> tuple[int, ...]:
    """Return the numbers of flights to choose from.

    Parameters
    ----------
    flights : int, str or sequence of int
        A number, ``"compare"`` for all that a fit takes, or several numbers.

    Returns
    -------
    tuple of int
        Ascending, each once.

    Raises
    ------
    ModelError
        If a number is outside what a fit takes, or none is given.

    Examples
    --------
    >>> flight_candidates(2), flight_candidates("compare"), flight_candidates([3, 1])
    ((2,), (1, 2, 3), (1, 3))
    """
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


def choose_flights(
    trap_years: TrapYears,
    weather: xr.Dataset,
    links: pd.DataFrame,
    *,
    flights: int | str | Sequence[int] = COMPARE,
    curve: str | Sequence[str] = "normal",
    profiles: bool | tuple[str, ...] = True,
    provenance: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
    **options: Any,
) -> FlightFit:
    """Fit flights with the number of flights a season that these records support.

    Parameters
    ----------
    trap_years, weather, links
        As for :func:`phenofit.flight.fit_flights`.
    flights : int, str or sequence of int
        A number (nothing is chosen then); several numbers, which are all fitted; or ``"compare"``: one flight, two,
        and so on up to ``MOST_FLIGHTS``, ending where a further flight no longer lowers the AIC.
    curve : str or sequence of str
        As for :func:`phenofit.flight.choose_curve`; where there is a choice, it is made for each number of flights.
    profiles, provenance, progress, **options
        As for :func:`phenofit.flight.fit_flights`; profiles are made for the chosen fit only.

    Returns
    -------
    FlightFit
        The chosen fit; where there was a choice, the evidence is told in ``provenance["flights choice"]``.

    Raises
    ------
    ModelError
        If a number of flights is outside what a fit takes.
    FitError
        If no number of flights could be fitted.

    Notes
    -----
    A fit whose search did not end on a flat top is not chosen while another did. Among the rest, every number of
    flights whose AIC is within 2 of the least is held to describe the catches about as well (Burnham & Anderson
    2002, *Model Selection and Multimodel Inference*, p. 131), and the fewest of them is taken. The intervals
    of the chosen fit do not know that there was a choice.
    """
    say = progress or (lambda _text: None)
    numbers = flight_candidates(flights)
    common = {"curve": curve, **options}
    if len(numbers) == 1:
        return choose_curve(
            trap_years, weather, links, flights=numbers[0], profiles=profiles, provenance=provenance,
            progress=progress, **common,
        )  # fmt: skip
    fits: dict[int, FlightFit] = {}
    failed: dict[int, str] = {}
    for number in numbers:
        say(f"fitting {_WORDS[number - 1]} a season")
        try:
            fits[number] = choose_curve(trap_years, weather, links, flights=number, profiles=False, **common)
        except FitError as error:
            failed[number] = str(error)
            continue
        if flights == COMPARE and number > 1 and _no_better(fits, number):
            break
    if not fits:
        raise FitError(
            "no number of flights could be fitted: "
            + "; ".join(f"{_WORDS[n - 1]}: {why}" for n, why in failed.items())
        )
    best = _chosen(fits)
    untried = [n for n in numbers if n not in fits and n not in failed]
    told = {**dict(provenance or {}), "flights choice": _words(best, fits, failed, untried)}
    if not profiles:
        return replace(fits[best], provenance={**fits[best].provenance, **told})
    # A curve that was chosen on the way is not chosen anew; what was told of that choice is kept.
    kept = {k: v for k, v in fits[best].provenance.items() if k == "curve choice"}
    return choose_curve(
        trap_years, weather, links, flights=best, profiles=profiles, provenance={**told, **kept},
        progress=progress, **{**common, "curve": fits[best].settings.curve},
    )  # fmt: skip


def _no_better(fits: Mapping[int, FlightFit], number: int) -> bool:
    """Return whether the last flight added brought nothing: no lower AIC, or no end of the search."""
    fewer = min((fits[n].aic for n in fits if n < number), default=float("inf"))
    return not fits[number].converged or fits[number].aic >= fewer


def _chosen(fits: Mapping[int, FlightFit]) -> int:
    sound = {n: fit for n, fit in fits.items() if fit.converged} or dict(fits)
    least = min(fit.aic for fit in sound.values())
    return min(n for n, fit in sound.items() if fit.aic - least < _CLOSE)


def _words(
    best: int, fits: Mapping[int, FlightFit], failed: Mapping[int, str], untried: Sequence[int]
) -> str:
    said = []
    if len(fits) > 1:
        said.append(flights_evidence({_WORDS[n - 1]: fit for n, fit in fits.items()}))
    if best != min(fits, key=lambda n: fits[n].aic):
        reason = f"the fewest whose AIC is less than {_CLOSE:g} above the least, among fits whose search ended on a flat top"
        said.append(f"{_WORDS[best - 1].capitalize()} {'were' if best > 1 else 'was'} taken: {reason}.")
    said += [
        f"{_WORDS[n - 1].capitalize()} could not be fitted ({why.rstrip('.')})." for n, why in failed.items()
    ]
    if untried:
        names = " and ".join(_WORDS[n - 1] for n in untried)
        said.append(
            f"{names.capitalize()} were not tried, as {_WORDS[max(fits) - 1]} did no better than fewer."
        )
    return " ".join(said)
