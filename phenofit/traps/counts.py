"""The count column of a field sheet: counted, not checked, lost, "at least", "present" are five different things.

Nothing is guessed and nothing becomes missing in silence: a cell either follows one of the forms below or is a
problem that names its row.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["BLANK_MEANINGS", "STATUSES", "CountWords", "UnreadableCount", "read_count"]

BLANK_MEANINGS = ("not checked", "zero")
"""What an empty count cell may be declared to mean."""

STATUSES = ("counted", "missing", "lost", "at least", "present")
"""What a row of the catch table may say; only ``counted``, ``at least`` and ``present`` enter a fit."""

_WHOLE = re.compile(r"^\+?(\d+)(?:[.,]0+)?$")
_AT_LEAST = re.compile(r"^(?:>=|≥|>)\s*(\d+)$|^(\d+)\s*\+$")
_AT_MOST = re.compile(r"^(?:<=|≤|<)\s*\d+$")
_FRACTION = re.compile(r"^[-+]?\d*[.,]\d+$")


class UnreadableCount(ValueError):
    """A count cell that no rule covers; carries the finding and the remedy."""

    def __init__(self, finding: str, remedy: str) -> None:
        super().__init__(f"{finding} {remedy}")
        self.finding = finding
        self.remedy = remedy


@dataclass(frozen=True)
class CountWords:
    """The words that a count or status cell may hold instead of a number, as the user declares them.

    Words are compared without regard to case or surrounding blanks.

    Parameters
    ----------
    present : tuple of str
        Moths were seen but not counted.
    lost : tuple of str
        The trap did not stand or its catch was spoilt: the interval is left out.
    not_checked : tuple of str
        The trap stood but nobody looked: the next catch covers the longer interval.
    zero : tuple of str
        The trap was checked and held nothing.
    counted : tuple of str
        An ordinary check; only of use in a status column.
    """

    present: tuple[str, ...] = ("present", "T", "X")
    lost: tuple[str, ...] = ("lost", "stolen")
    not_checked: tuple[str, ...] = ("not checked",)
    zero: tuple[str, ...] = ()
    counted: tuple[str, ...] = ("counted", "checked", "ok")

    def meaning(self, text: str) -> str | None:
        """Return ``present``, ``lost``, ``missing``, ``zero`` or ``counted`` for a declared word, else None."""
        key = _key(text)
        for meaning, words in (
            ("present", self.present),
            ("lost", self.lost),
            ("missing", self.not_checked),
            ("zero", self.zero),
            ("counted", self.counted),
        ):
            if key in {_key(word) for word in words}:
                return meaning
        return None

    def contradictions(self) -> tuple[str, ...]:
        """Return the words that are declared with two meanings."""
        seen: dict[str, int] = {}
        for words in (self.present, self.lost, self.not_checked, self.zero, self.counted):
            for key in {_key(word) for word in words}:
                seen[key] = seen.get(key, 0) + 1
        return tuple(sorted(key for key, times in seen.items() if times > 1))


def _key(text: str) -> str:
    return " ".join(text.replace("\xa0", " ").split()).casefold()


def _shown(words: Iterable[str]) -> str:
    return ", ".join(f"'{word}'" for word in words)


def read_count(text: str, *, blank: str, words: CountWords | None = None) -> tuple[float, str]:
    """Read one count cell.

    Parameters
    ----------
    text : str
        The cell as it stands in the file.
    blank : str
        What an empty cell means: ``"not checked"`` or ``"zero"``.
    words : CountWords, optional
        Words the user has given a meaning.

    Returns
    -------
    count : float
        Moths; NaN where none were counted.
    status : str
        One of :data:`STATUSES`.

    Raises
    ------
    UnreadableCount
        If the cell follows no rule.

    Examples
    --------
    >>> read_count(">100", blank="not checked")
    (100.0, 'at least')
    >>> read_count("", blank="zero")
    (0.0, 'counted')
    """
    words = words or CountWords()
    cell = " ".join(text.replace("\xa0", " ").split())
    if not cell:
        return (0.0, "counted") if blank == "zero" else (float("nan"), "missing")
    whole = _WHOLE.match(cell)
    if whole:
        return float(whole.group(1)), "counted"
    least = _AT_LEAST.match(cell)
    if least:
        return float(least.group(1) or least.group(2)), "at least"
    meaning = words.meaning(cell)
    if meaning == "zero":
        return 0.0, "counted"
    if meaning in ("present", "lost", "missing"):
        return (1.0 if meaning == "present" else float("nan")), meaning
    raise _unreadable(cell, words)


def _unreadable(cell: str, words: CountWords) -> UnreadableCount:
    if _AT_MOST.match(cell):
        return UnreadableCount(
            f"'{cell}' gives only an upper bound.",
            "Write the number counted; a count may be whole, '>100' (at least 100) or a declared word.",
        )
    if cell.startswith(("-", "−")) and cell.lstrip("-− ").isdigit():
        return UnreadableCount(f"'{cell}' is a negative count.", "Write the number of moths, 0 or more.")
    if _FRACTION.match(cell):
        return UnreadableCount(
            f"'{cell}' is not a whole number.",
            "Write the moths counted in the trap, not a mean or a rate; the number of traps goes into 'effort'.",
        )
    return UnreadableCount(
        f"'{cell}' is not a count.",
        "Accepted are whole numbers, '>100' or '100+' (at least), and the declared words: "
        f"present {_shown(words.present)}; lost {_shown(words.lost)}; "
        f"not checked {_shown(words.not_checked)}; zero {_shown(words.zero) or 'none'}. "
        "Correct the cell or declare the word.",
    )
