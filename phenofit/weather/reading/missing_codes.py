"""Numbers that stand for "no value" in files of temperatures."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from phenofit.errors import plural
from phenofit.units import temperature_unit, to_celsius

_EVERYWHERE = (-9999.0, -9999.9, -999.0, -999.9, -99.0, -99.9, 999.0, 999.9, 9999.0, 9999.9)
MISSING_CODES: dict[str, tuple[float, ...]] = {
    # 99.9 and 99 are real summer maxima in Fahrenheit, so they are codes only where they cannot be readings.
    "degC": (*_EVERYWHERE, 99.0, 99.9),
    "degF": _EVERYWHERE,
    "kelvin": (*_EVERYWHERE, 99.0, 99.9, 0.0),
}
"""Numbers that mean "no value" in tables and NetCDF files, by unit; compared before any conversion."""


def celsius_without_codes(
    numbers: np.ndarray, unit: str, where: str, missing_codes: Collection[float] | None
) -> tuple[np.ndarray, list[str]]:
    """Return temperatures [degC], NaN at each missing code, and a note of the codes found."""
    house_unit = temperature_unit(unit)
    codes = MISSING_CODES[house_unit] if missing_codes is None else tuple(missing_codes)
    # Single precision keeps -999.9 as -999.90002.
    rounded = np.round(numbers.astype(np.float64), 3)
    coded = np.isin(rounded, np.round(np.asarray(codes, dtype=np.float64), 3))
    celsius = np.asarray(to_celsius(np.where(coded, np.nan, numbers), house_unit))
    if not coded.any():
        return celsius, []
    which = ", ".join(f"{code:g}" for code in np.unique(rounded[coded]))
    return celsius, [
        f"{where}: {plural(int(coded.sum()), 'value')} set to missing, as missing codes ({which})."
    ]
