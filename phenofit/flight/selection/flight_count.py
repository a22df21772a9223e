"""Fits of flight models; the number of flights a season, chosen forwards on the records that are fitted."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import replace
from typing import TYPE_CHECKING

from phenofit.errors import FitError
from phenofit.flight.fitting import FitOptions, fit_at_maximum
from phenofit.flight.likelihood.flight_data import assemble
from phenofit.flight.model import COMPARE, FitSettings, FlightModel
from phenofit.flight.selection.curve_choice import choose_curve
from phenofit.flight.selection.number_of_flights import Step, compare_numbers, flight_words
from phenofit.flight.selection.starts import vector_of_fit, with_another_flight
from phenofit.progress import Progress

if TYPE_CHECKING:
    from phenofit.flight.estimate.maximise import Maximum
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records

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
        Whether to compute intervals, or of which parameters, by name; without them a fit is several times faster.
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

    Crossed shifts of years and sites are integrated by Laplace's rule. The next term of its expansion is computed at the
    maximum; a problem states the error of the log-likelihood where it is 0.01 or more.

    ``"compare"`` goes forwards from one flight. It stops at the first further flight that does not help, has collapsed,
    or does not converge, and says which. A flight helps where it lowers the AIC and its likelihood ratio is larger
    than chance explains (:func:`phenofit.flight.selection.number_of_flights.compare_numbers`). The intervals of the
    chosen fit do not include the uncertainty of the choice.
    """
    options = FitOptions(profiles, precise, dict(provenance or {}), progress, executor)
    say = progress or (lambda _text: None)
    data = assemble(records, kind=model.records, night=model.night_weather)
    numbers, curves = model.numbers, model.curves

    def settings_of(number: int) -> FitSettings:
        one = replace(model, flights=number, curve=curves[0])
        return one.fit_settings(records.season, species=records.species, biofix=records.starts is not None)

    if len(numbers) == 1:
        return choose_curve(data, settings_of(numbers[0]), curves, options)[0]
    quick = replace(options, profiles=False, provenance={}, errors=False, exact=False)
    best: FlightFit | None = None
    top: Maximum | None = None  # Where the search for the best fit ended.
    steps: list[Step] = []
    failed: list[str] = []
    for number in numbers:
        say(f"fitting {flight_words(number)} a season")
        near = (
            tuple(with_another_flight(best))
            if best is not None and number == best.settings.flights + 1
            else ()
        )
        try:
            # Few curves decide whether a further flight helps; all are then tried with that number. The curve of
            # fewer flights may fit their sum alone: the first named one, the normal, is tried in addition.
            first = curves if best is None else tuple(dict.fromkeys((best.settings.curve, curves[0])))
            found, end = choose_curve(data, settings_of(number), first, replace(quick, near=near))
        except FitError as error:
            failed.append(
                f"{flight_words(number).capitalize()} could not be fitted ({str(error).rstrip('.')})."
            )
            continue
        if best is None:
            best, top = found, end
            continue
        step = compare_numbers(best, found, exact=False)
        if step.close:
            best, top = fit_at_maximum(data, best.settings, _from(best, top, replace(quick, exact=True)))
            found, end = fit_at_maximum(data, found.settings, _from(found, end, replace(quick, exact=True)))
            step = compare_numbers(best, found)
        steps.append(step)
        if step.better:
            best, top = found, end
            if len(curves) > 1:
                best, top = choose_curve(data, settings_of(number), curves, _from(best, top, quick))
        elif model.flights == COMPARE:
            break
    if best is None:
        raise FitError(f"no number of flights could be fitted: {' '.join(failed)}")
    words = " ".join([*(step.words() for step in steps), *failed])
    tried = max([best.settings.flights, *(step.more for step in steps)])
    if model.flights == COMPARE and tried < numbers[-1] and steps:
        words += f" More than {tried} were not tried."
    kept = {**best.provenance, **options.provenance, "flights choice": words}
    return fit_at_maximum(data, best.settings, _from(best, top, replace(options, provenance=kept)))[0]


def _from(fit: FlightFit, end: Maximum | None, options: FitOptions) -> FitOptions:
    """Return options with which a search begins where that of a fit ended, or near it where it did not arrive."""
    return replace(options, near=(vector_of_fit(fit),), begin=end)
