"""The numbers behind the figure of calibration: coverage of the intervals, and PIT histograms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from phenofit.validate.requirement_trend import pit_histogram, reliability
from phenofit.validate.scores import first_scheme

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class Calibration:
    """How the forecasts of one flight compare with what was seen."""

    flight: int  # The flight.
    edges: _Array  # Shape (bins + 1,): Edges of the classes of the probability integral transform, 0 to 1.
    # Shape (bins,): Share of the held-out events in each class; 1 / bins in each where forecasts are
    # calibrated.
    share: _Array
    # Shape (3,): Nominal level, share of events inside, and the 95 % interval of that share.
    nominal: _Array
    inside: _Array
    low: _Array
    high: _Array
    forecasts: int  # Forecasts behind it.


def calibration(
    validation: pd.DataFrame, *, event: str = "flight_50", bins: int = 10
) -> tuple[Calibration, ...]:
    """Return the calibration of the fitted forecaster under the first scheme, for each flight."""
    own = first_scheme(validation, event)
    if not own.empty:
        own = own[(own["forecaster"] == "fitted") & own["lead_days"].isna()]
    if own.empty:
        return ()
    histogram, coverage = pit_histogram(own, bins=bins), reliability(own)
    found = []
    for flight in sorted(own["flight"].unique()):
        own_bins = histogram[histogram["flight"] == flight]
        by_level = coverage[coverage["flight"] == flight]
        if own_bins.empty or by_level.empty:
            continue
        nominal, inside, low, high = (
            by_level[c].to_numpy(dtype=np.float64) for c in ("level", "coverage", "low", "high")
        )
        found.append(
            Calibration(
                flight=int(flight),
                edges=np.append(own_bins["low"].to_numpy(dtype=np.float64), 1.0),
                share=own_bins["share"].to_numpy(dtype=np.float64),
                nominal=nominal,
                inside=inside,
                low=low,
                high=high,
                forecasts=int(by_level["forecasts"].max()),
            )
        )
    return tuple(found)
