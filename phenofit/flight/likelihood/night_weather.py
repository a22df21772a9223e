r"""How warm each night is for its time of year: the weather that moves catches, apart from the season.

Catches follow warm nights: more moths fly, and more come to a trap. The season itself must not enter, as it is what the
flight curve describes. So a night counts by its departure from the smooth seasonal course of its station.

More moths came to light and to bait in warm nights in Jonason et al. 2014, PLoS ONE 9:e92453, and in Fetnassi et al.
2022, Insects 13:1087.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

NIGHT_WEATHER = ("tmin", "tmax")
"""What the weather of a night can be measured by: the minimum or the maximum of its day."""

_YEAR = 365.2425
_HARMONICS = 2


def night_anomalies(
    temperature: npt.NDArray[np.float64], days: npt.NDArray[np.datetime64]
) -> npt.NDArray[np.float64]:
    """Return daily temperatures less the seasonal course of their station [degC], shape (stations, days).

    The course is the least-squares fit of two harmonics of the year to all days of the station. A missing day is taken
    as usual for the season: 0.
    """
    angle = 2.0 * np.pi * days.astype("datetime64[D]").astype(np.float64) / _YEAR
    waves = [wave(k * angle) for k in range(1, _HARMONICS + 1) for wave in (np.cos, np.sin)]
    course = np.column_stack([np.ones(len(angle)), *waves])
    out = np.zeros_like(temperature)
    for row, values in zip(out, temperature, strict=True):
        known = np.isfinite(values)
        if known.any():
            fitted = np.linalg.lstsq(course[known], values[known], rcond=None)[0]
            row[known] = values[known] - course[known] @ fitted
    return out
