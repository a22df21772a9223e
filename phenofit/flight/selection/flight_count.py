"""The number of flights a season, compared by AIC on the very records that are fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import TYPE_CHECKING

from phenofit.errors import FitError
from phenofit.flight.fitting import FitOptions
from phenofit.flight.model import COMPARE, FlightModel
from phenofit.flight.selection.curve_choice import choose_curve
from phenofit.flight.selection.fit_comparison import flights_evidence
from phenofit.progress import Progress

if TYPE_CHECKING:
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records

_CLOSE = 2.0
_WORDS = ("one flight", "two flights", "three flights")
_DEFAULT = FlightModel()


def fit_flights(
    records: Records,
    model: FlightModel = _DEFAULT,
    *,
    profiles: bool | tuple[str, ...] = True,
    precise: bool = True,
    provenance: Mapping[str, object] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> FlightFit:
    """Fit base temperature and degree-day requirements of moth flights to trap catches.

    Parameters
    ----------
    records : Records
        Trap-years, weather, station links, season and biofix.
    model : FlightModel
        What is fitted, and what is held. With ``flights = "compare"`` or several numbers, and with
        ``curve = "choose"`` or several names, the choice is made by AIC on these records alone.
    profiles : bool or tuple of str
        Whether intervals are wanted, or of which parameters, by name; without them a fit is several times faster.
    precise : bool
        Whether the log-likelihood is given to 1e-4, for comparing fits; otherwise to 1e-2.
    provenance : mapping, optional
        Facts to keep with the result, such as hashes of the input files.
    progress : callable, optional
        Gets a sentence at each step.
    executor : concurrent.futures.Executor, optional
        Where the profiles run, one job for each parameter: processes, or a cluster's; same answer as without.

    Returns
    -------
    FlightFit
        Estimates, intervals, and in ``problems`` what the data leave open. Where there was a choice, its evidence is
        in ``provenance["flights choice"]`` and ``provenance["curve choice"]``.

    Raises
    ------
    ModelError
        If a setting is outside what the model defines.
    DataError
        If no trap-year is left to fit, or the records are too few.
    FitError
        If the likelihood is not finite anywhere the search looked.
    FitInterrupted
        If Ctrl-C comes while intervals are computed. It is a ``KeyboardInterrupt``; its ``fit`` has the estimates.

    Notes
    -----
    The model: by heat H a share G((H - m - u) / s) of a flight has flown, m the requirement, s the spread and u the
    shift of the trap-year, a sum of normal parts. The counts of a trap-year's checks, given their total, are
    Dirichlet-multinomial. All shifts are integrated out by adaptive quadrature. Intervals hold the parameter
    values that the profile likelihood does not exclude. Few years (or sites) say little about how much they vary.
    The reference distribution of the likelihood ratio is therefore that of a normal mean of so many values with a
    fitted variance, not chi-squared (:mod:`phenofit.flight.intervals.reference_distribution`).

    ``"compare"`` fits one flight, two, and so on, and stops where a further flight does not lower the AIC. A fit whose
    search did not converge is not chosen while another did. Among the rest, numbers of flights whose AIC is
    within 2 of the least describe the catches about as well (Burnham & Anderson 2002, *Model Selection and Multimodel
    Inference*, p. 131); the fewest of them is taken. The intervals of the chosen fit do not know of the choice.
    """
    say = progress or (lambda _text: None)
    options = FitOptions(profiles, precise, dict(provenance or {}), progress, executor)
    numbers = model.numbers
    if len(numbers) == 1:
        return choose_curve(records, model, options)
    fits: dict[int, FlightFit] = {}
    failed: dict[int, str] = {}
    for number in numbers:
        say(f"fitting {_WORDS[number - 1]} a season")
        try:
            fits[number] = choose_curve(
                records, replace(model, flights=number), FitOptions(profiles=False, precise=precise)
            )
        except FitError as error:
            failed[number] = str(error)
            continue
        if model.flights == COMPARE and number > 1 and _no_better(fits, number):
            break
    if not fits:
        raise FitError(
            "no number of flights could be fitted: "
            + "; ".join(f"{_WORDS[n - 1]}: {why}" for n, why in failed.items())
        )
    best = _chosen(fits)
    untried = [n for n in numbers if n not in fits and n not in failed]
    kept = {**options.provenance, "flights choice": _words(best, fits, failed, untried)}
    if not profiles:
        return replace(fits[best], provenance={**fits[best].provenance, **kept})
    # A curve that was chosen on the way is not chosen again; the account of that choice is kept.
    kept |= {k: v for k, v in fits[best].provenance.items() if k == "curve choice"}
    chosen = replace(model, flights=best, curve=fits[best].settings.curve)
    return choose_curve(records, chosen, replace(options, provenance=kept))


def _no_better(fits: Mapping[int, FlightFit], number: int) -> bool:
    """Return whether the last flight added did not help: no lower AIC, or no convergence."""
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
        reason = (
            f"the fewest whose AIC is less than {_CLOSE:g} above the least, among fits whose search converged"
        )
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
