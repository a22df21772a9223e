"""What was asked of a fit: the part of a result that tells how it came about."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from phenofit.errors import ModelError
from phenofit.flight.kernels.curves import curve_code
from phenofit.flight.likelihood.rearing_term import RearingTerm
from phenofit.flight.likelihood.record_forms import RECORDS
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
    upper_range : tuple of float or None
        Where the upper threshold is looked for [degC]; ``None`` holds it at that of `heat`. The settings of a finished
        fit have the fitted threshold in `heat`.
    shifts : tuple of str
        Parts of the shift, of ``"year"``, ``"site"`` and ``"trap-year"``; the first two are crossed where both are
        there.
    counts : str
        ``"dirichlet-multinomial"`` or ``"multinomial"``.
    stray : float
        Share of catches taken to be strays, out of season by mistake; where the search begins if it is fitted.
    stray_fitted : bool
        Whether that share is fitted.
    records : str
        ``"counts"``, ``"presence"`` or ``"first catch"``: what of the checks is fitted.
    covariates : tuple of str
        Columns whose effect on the log requirement is fitted.
    biofix : bool
        Whether sums begin at a biofix date of each site and season instead of the season's first day.
    level : float
        Confidence level of the intervals.
    rearing : RearingTerm or None
        Rearing data that take part.

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
    upper_range: tuple[float, float] | None = None
    shifts: tuple[str, ...] = ("year", "trap-year")
    counts: str = "dirichlet-multinomial"
    stray: float = 0.001
    stray_fitted: bool = False
    records: str = "counts"
    covariates: tuple[str, ...] = ()
    biofix: bool = False
    level: float = 0.95
    rearing: RearingTerm | None = None

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
        if self.counts not in ("dirichlet-multinomial", "multinomial"):
            raise ModelError(f"counts are dirichlet-multinomial or multinomial, not '{self.counts}'.")
        if self.records not in RECORDS:
            raise ModelError(f"records are {', '.join(RECORDS)}, not '{self.records}'.")
        if self.records == "first catch" and self.flights != 1:
            raise ModelError("a first catch tells of one flight only; fit one flight, or the counts.")
        if self.upper_range is not None:
            self._check_upper(self.upper_range)
        if not 0.0 <= self.stray < 0.5:
            raise ModelError(f"the stray share lies from 0 to below 0.5, not at {self.stray}.")
        if not 0.5 <= self.level < 1.0:
            raise ModelError(f"a confidence level lies between 0.5 and 1, not at {self.level}.")
        self._check_rearing()

    def _check_rearing(self) -> None:
        if self.rearing is None:
            return
        if self.base_held is not None or "base" in self.held:
            raise ModelError("the base is held, so rearing data cannot take part; fit it, or leave them out.")
        if self.rearing.on == "base":
            return
        if not self.biofix or self.covariates:
            raise ModelError(
                "rearing data speak of the requirement only where sums begin at the biofix with which the reared stage "
                "begins, and where the requirement is one for all places (no covariates); let them speak of the base."
            )

    def _check_upper(self, limits: tuple[float, float]) -> None:
        low, high = limits
        if self.heat.cutoff == "vertical":
            raise ModelError(
                "with a vertical cut-off the heat sum is not smooth in the upper threshold, which cannot be fitted; "
                "hold it, or compare fits at several by AIC."
            )
        if not low < high:
            raise ModelError(
                f"the search range of the upper threshold runs from low to high, not {low} to {high}."
            )
        start = self.heat.upper if self.heat.upper is not None else 0.5 * (low + high)
        object.__setattr__(self, "heat", replace(self.heat, upper=min(max(start, low), high)))
        if self.base_held is not None:
            if self.base_held >= low:
                raise ModelError(
                    f"the upper threshold is looked for above the base; {low} is not above {self.base_held}."
                )
        elif self.base_range[1] >= low:
            object.__setattr__(self, "base_range", (self.base_range[0], low - 1.0))

    @property
    def crossed(self) -> bool:
        """Whether years and sites both have a shift."""
        return "year" in self.shifts and "site" in self.shifts

    @property
    def group(self) -> str | None:
        """The part of the shift that several trap-years share, or ``None``; the year where sites are crossed with it."""
        for part in ("year", "site"):
            if part in self.shifts:
                return part
        return None

    @property
    def start_words(self) -> str:
        """Where heat sums begin, in words."""
        return "biofix" if self.biofix else str(self.season.start)
