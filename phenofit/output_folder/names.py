"""Names of species and stations as parts of file names that every file system takes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

LONGEST_NAME = 255
"""Bytes of a file name that the usual file systems take."""

_LONGEST_STATION = 60
# The longest name around a species: ".season-SPECIES-STATION-99" + "-xxxxxxxx" of a temporary file + ".png".
_AROUND = len(".season-") + len("-") + _LONGEST_STATION + len("-99") + len("-xxxxxxxx") + len(".png")
LONGEST_SLUG = LONGEST_NAME - _AROUND
"""Bytes that the name of a species may take in a file name."""

_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}


def species_slug(species: str) -> str:
    """Return a species label as part of a file name.

    Parameters
    ----------
    species : str
        Label as the user wrote it.

    Returns
    -------
    str
        Lower case, everything but letters and digits as single hyphens; ``"species"`` if nothing is left.

    Examples
    --------
    >>> species_slug("Example leaf feeder (2nd)")
    'example-leaf-feeder-2nd'
    """
    composed = unicodedata.normalize("NFC", species).lower()
    return re.sub(r"[\W_]+", "-", composed).strip("-") or "species"


def name_fault(species: str) -> tuple[str, str] | None:
    """Return why the files of a species cannot be named after it, and what to do; None if they can.

    Parameters
    ----------
    species : str
        Label as the user wrote it.

    Returns
    -------
    tuple of str or None
        Finding and remedy.

    Examples
    --------
    >>> name_fault("codling moth") is None
    True
    """
    hidden = next((letter for letter in species if not letter.isprintable()), None)
    if hidden is not None:
        found = f"the name {species!r} holds the invisible character U+{ord(hidden):04X}."
        return found, "Write the name without it."
    slug = species_slug(species)
    if slug in _DEVICES:
        found = f"the name '{species}' is reserved for a device on some systems, so no file can have it."
        return found, "Write the name in full."
    size = len(slug.encode("utf-8"))
    if size > LONGEST_SLUG:
        most = f"in the names of its files; {LONGEST_SLUG} are the most."
        return f"the name '{species[:40]}...' takes {size} bytes {most}", "Shorten it."
    return None


def shared_name_fault(names: Sequence[str]) -> tuple[str, str] | None:
    """Return which two species would write the same files, and what to do; None if all differ.

    Parameters
    ----------
    names : sequence of str
        Labels as the user wrote them.

    Returns
    -------
    tuple of str or None
        Finding and remedy.

    Examples
    --------
    >>> shared_name_fault(["leaf moth (A)", "leaf moth a"])[0]
    "the species 'leaf moth (A)' and 'leaf moth a' would both write the file 'fit-leaf-moth-a.json'."
    """
    seen: dict[str, str] = {}
    for name in names:
        slug = species_slug(name)
        if slug in seen:
            return (
                f"the species '{seen[slug]}' and '{name}' would both write the file 'fit-{slug}.json'.",
                "Give them names that differ in letters or digits, such as 'leaf moth north' and 'leaf moth south'.",
            )
        seen[slug] = name
    return None


def distinct_slugs(names: Iterable[str]) -> dict[str, str]:
    """Return a part of a file name for each of some names, such as those of stations; no two are the same.

    Parameters
    ----------
    names : iterable of str
        Names; the result does not depend on their order.

    Returns
    -------
    dict of str to str
        As :func:`species_slug`, cut to 60 bytes; those that would be the same are numbered in sorted order.

    Examples
    --------
    >>> distinct_slugs(["S 1", "S-1", "T"])
    {'S 1': 's-1', 'S-1': 's-1-2', 'T': 't'}
    """
    found: dict[str, str] = {}
    for name in sorted(set(names)):
        short = species_slug(name).encode("utf-8")[:_LONGEST_STATION].decode("utf-8", errors="ignore")
        number, slug = 1, short
        while slug in found.values():
            number += 1
            slug = f"{short}-{number}"
        found[name] = slug
    return found
