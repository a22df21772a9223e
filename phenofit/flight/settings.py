"""What was asked of a fit: the part of a result that tells how it came about."""

from __future__ import annotations

from dataclasses import dataclass, field

from phenofit.errors import ModelError
from phenofit.flight.curves import curve_code
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season

__all__ = ["SHIFT_PARTS", "FitSettings"]

SHIFT_PARTS = ("year", "site", "trap-year")


@dataclass(frozen=True)
class FitSettings:
    """Model and search of a flight fit.

    Parameters
    ----------
    season : Season
        Where heat sums begin and end.
    heat : HeatSettings
        Method, cut-off and upper threshold.
    species : str
        Label of the species.
    curve : str
        Flight curve.
    flights : int
        Flights a season.
    base_held : float or None
        Base temperature that is not fitted [degC].
    held : dict of str to float
        Other parameters held, by the names of the estimates.
    base_range : tuple of float
        Where the base is looked for [degC].
    shifts : tuple of str
        Parts of the shift: ``"year"`` or ``"site"``, and ``"trap-year"``.
    counts : str
        ``"dirichlet-multinomial"`` or ``"multinomial"``.
    stray : float
        Share of catches taken to be strays, out of season by mistake.
    covariates : tuple of str
        Columns whose effect on the log requirement is fitted.
    biofix : bool
        Whether sums begin at a biofix date of each site and season instead of the season's first day.
    level : float
        Confidence level of the intervals.

    Raises
    ------
    ModelError
        If a setting is outside what the model defines.
    """

    season: Season
    heat: HeatSettings
    species: str = ""
    curve: str = "normal"
    flights: int = 1
    base_held: float | None = None
    held: dict[str, float] = field(default_factory=dict)
    base_range: tuple[float, float] = (-5.0, 20.0)
    shifts: tuple[str, ...] = ("year", "trap-year")
    counts: str = "dirichlet-multinomial"
    stray: float = 0.001
    covariates: tuple[str, ...] = ()
    biofix: bool = False
    level: float = 0.95

    def __post_init__(self) -> None:
        curve_code(self.curve)
        if self.flights not in (1, 2, 3):
            raise ModelError(f"a fit takes 1, 2 or 3 flights a season, not {self.flights}.")
        low, high = self.base_range
        if not low < high:
            raise ModelError(f"the search range of the base runs from low to high, not {low} to {high}.")
        if self.base_held is None and self.heat.upper is not None and high >= self.heat.upper:
            object.__setattr__(self, "base_range", (low, min(high, self.heat.upper - 1.0)))
        for part in self.shifts:
            if part not in SHIFT_PARTS:
                raise ModelError(f"a shift has the parts {', '.join(SHIFT_PARTS)}, not '{part}'.")
        if "year" in self.shifts and "site" in self.shifts:
            raise ModelError("take the year or the site part of the shift; both at once are not fitted yet.")
        if self.counts not in ("dirichlet-multinomial", "multinomial"):
            raise ModelError(f"counts are dirichlet-multinomial or multinomial, not '{self.counts}'.")
        if not 0.0 <= self.stray < 0.5:
            raise ModelError(f"the stray share lies from 0 to below 0.5, not at {self.stray}.")
        if not 0.5 <= self.level < 1.0:
            raise ModelError(f"a confidence level lies between 0.5 and 1, not at {self.level}.")

    @property
    def group(self) -> str | None:
        """The part of the shift that several trap-years share, or ``None``."""
        for part in ("year", "site"):
            if part in self.shifts:
                return part
        return None

    @property
    def start_words(self) -> str:
        """Where heat sums begin, in words."""
        return "biofix" if self.biofix else str(self.season.start)
