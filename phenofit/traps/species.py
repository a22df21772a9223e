"""The catches of one species out of a table that holds several."""

from __future__ import annotations

import pandas as pd

from phenofit.errors import ModelError
from phenofit.files.text_table import LeftOut

UNLISTED_MEANINGS = ("not checked", "zero")
"""What it may mean that a check of a trap lists other species, but not this one."""


def species_key(name: object) -> str:
    """Return a species name without regard to blanks and the case of letters."""
    return " ".join(str(name).split()).casefold()


def _is_of(left_out: LeftOut, species: str) -> bool:
    """Return whether something left out is of a species; without one it is of all."""
    return species_key(left_out.species) in ("", species_key(species))


def catches_of_species(
    catches: pd.DataFrame, species: str, *, unlisted: str = "not checked"
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the rows of one species.

    Parameters
    ----------
    catches : pandas.DataFrame
        Catch table of :func:`phenofit.traps.read_catches`; without a ``species`` column it is returned whole.
    species : str
        Name; blanks and the case of letters do not matter.
    unlisted : {"not checked", "zero"}
        What it means that a check of a trap lists other species only. It is looked at only in traps that have
        at least one row of the species. With ``"zero"`` such a check gets a count of 0.

    Returns
    -------
    catches : pandas.DataFrame
        Without the ``species`` column.
    notes : tuple of str
        How many checks list other species only, and what was made of them.

    Raises
    ------
    ModelError
        If `unlisted` is another word.
    """
    if unlisted not in UNLISTED_MEANINGS:
        raise ModelError(
            f"unlisted = '{unlisted}' is not accepted; write one of {', '.join(UNLISTED_MEANINGS)}."
        )
    if "species" not in catches:
        return catches, ()
    is_own = catches["species"].map(species_key) == species_key(species)
    own = catches[is_own].drop(columns="species")
    left_out = [one for one in catches.attrs.get("left_out", ()) if _is_of(one, species)]
    own.attrs = {**catches.attrs, "left_out": tuple(left_out)}
    other = catches[~is_own & catches["trap"].isin(own["trap"].unique())].drop(columns="species")
    listed = pd.MultiIndex.from_frame(own[["trap", "check"]])
    other = other[~pd.MultiIndex.from_frame(other[["trap", "check"]]).isin(listed)]
    other = other.drop_duplicates(["trap", "check"])
    if other.empty:
        return own, ()
    what = f"{len(other)} checks list other species, but not '{species}'"
    if unlisted == "not checked":
        remedy = 'if none were caught then, declare unlisted_species = "zero"'
        return own, (f"{what}: taken as not checked; {remedy}.",)
    looked_at = other["status"].isin(["counted", "at least", "present"])
    zeros = other.assign(
        count=other["count"].mask(looked_at, 0.0), status=other["status"].mask(looked_at, "counted")
    )
    whole = pd.concat([own, zeros]).sort_values(["trap", "check", "row"], kind="stable", ignore_index=True)
    whole.attrs = dict(own.attrs)
    return whole, (f"{what}: taken as 0, as declared.",)
