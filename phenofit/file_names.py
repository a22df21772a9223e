"""Names of users as parts of file names: the same on every system, and never two names in one file."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

__all__ = ["LONGEST_PART", "file_part", "file_parts", "name_fault"]

LONGEST_PART = 80
"""Longest part of a file name that a user's name may give [bytes]; file systems take 255 in all."""


def file_part(name: str) -> str:
    """Return a name as part of a file name.

    Parameters
    ----------
    name : str
        As the user wrote it.

    Returns
    -------
    str
        Lower case, everything but letters and digits as single hyphens; ``"species"`` if nothing is left.

    Examples
    --------
    >>> file_part("Example leaf feeder (2nd)")
    'example-leaf-feeder-2nd'
    """
    plain = unicodedata.normalize("NFKC", name).casefold()
    return re.sub(r"[\W_]+", "-", plain).strip("-") or "species"


def file_parts(names: Iterable[str]) -> dict[str, str]:
    """Return each name as part of a file name, numbered where two would be the same.

    Examples
    --------
    >>> file_parts(["North 1", "north-1", "South"])
    {'North 1': 'north-1', 'north-1': 'north-1-2', 'South': 'south'}
    """
    found: dict[str, str] = {}
    for name in names:
        part, number = file_part(name), 2
        while part in found.values():
            part, number = f"{file_part(name)}-{number}", number + 1
        found[name] = part
    return found


def name_fault(name: str, others: Iterable[str]) -> str:
    """Return why a name can give no file name of its own, or an empty text.

    Parameters
    ----------
    name : str
        The name.
    others : iterable of str
        Names that have a file already.
    """
    part = file_part(name)
    if any(unicodedata.category(character) == "Cc" for character in name):
        return "it holds a control character"
    if len(part.encode("utf-8")) > LONGEST_PART:
        return f"as part of a file name it has {len(part.encode('utf-8'))} bytes, at most {LONGEST_PART} are possible"
    for other in others:
        if file_part(other) == part:
            return f"its files would be those of '{other}', such as fit-{part}.json"
    return ""
