"""The count column of a field sheet: counted, not checked, lost, "at least", "present" are five different things.

Nothing is guessed and no cell becomes missing without a note: a cell either follows one of the forms below or is
a problem that names its row.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from phenofit.files.text_table import shorten

BLANK_MEANINGS = ("not checked", "zero")
"""What an empty count cell may be declared to mean."""

PER_NIGHT = "moths per night"
COUNT_UNITS = ("moths", PER_NIGHT)
"""What the numbers of the count column may be declared to be."""

LARGEST_COUNT = 10_000_000
"""The largest count that one cell may hold."""

THOUSANDS = (",", ".", " ", "'")
"""Separators of thousands that may be declared."""

# Three digits after a separator may be thousands, so that "1.000" is no whole number without a declaration.
_WHOLE = re.compile(r"^\+?(\d+)(?:[.,](?:0{1,2}|0{4,}))?$")
_GROUPED = re.compile(r"^(?:>=|≥|>|\+)?\s*\d{1,3}(?:([.,' ’])\d{3})(?:\1\d{3})*\s*\+?$")
_AT_LEAST = re.compile(r"^(?:>=|≥|>)\s*(\d+)$|^(\d+)\s*\+$")
_AT_MOST = re.compile(r"^(?:<=|≤|<)\s*\d+$")
NUMBER = re.compile(r"^\+?\d+(?:[.,]\d+)*$")
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
        The trap was gone or its catch was spoilt: the interval is left out.
    not_checked : tuple of str
        The trap stood but was not checked: the next catch covers the longer interval.
    zero : tuple of str
        The trap was checked and held nothing.
    counted : tuple of str
        An ordinary check; only of use in a status column.
    thousands : str
        Separator between groups of three digits, one of :data:`THOUSANDS`; empty where counts have none.
    """

    present: tuple[str, ...] = ("present", "T", "X")
    lost: tuple[str, ...] = ("lost", "stolen")
    not_checked: tuple[str, ...] = ("not checked",)
    zero: tuple[str, ...] = ()
    counted: tuple[str, ...] = ("counted", "checked", "ok")
    thousands: str = ""

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
    """Read one count cell."""
    words = words or CountWords()
    cell = " ".join(text.replace("\xa0", " ").split())
    if not cell:
        return (0.0, "counted") if blank == "zero" else (float("nan"), "missing")
    # A declared word may look like a number, such as "0.1" for "a few"; then it is the word.
    meaning = words.meaning(cell)
    if meaning == "zero":
        return 0.0, "counted"
    if meaning in ("present", "lost", "missing"):
        return (1.0 if meaning == "present" else float("nan")), meaning
    plain = _without_thousands(cell, words.thousands)
    whole = _WHOLE.match(plain)
    if whole:
        if words.thousands and words.thousands in plain:
            raise _unreadable(cell, words)
        return _bounded(cell, whole.group(1)), "counted"
    least = _AT_LEAST.match(plain)
    if least:
        return _bounded(cell, least.group(1) or least.group(2)), "at least"
    raise _unreadable(cell, words)


def _without_thousands(cell: str, separator: str) -> str:
    """Return a cell without the declared separator, where every group after it has three digits."""
    grouped = _GROUPED.match(cell)
    if not separator or grouped is None:
        return cell
    mark = str(grouped.group(1))
    return cell.replace(mark, "") if mark.replace("’", "'") == separator else cell


def _bounded(cell: str, digits: str) -> float:
    if len(digits.lstrip("0")) > len(str(LARGEST_COUNT)) or int(digits) > LARGEST_COUNT:
        raise UnreadableCount(
            f"'{shorten(cell)}' is too large for a count.",
            f"A count is a whole number up to {LARGEST_COUNT}.",
        )
    return float(digits)


def _unreadable(cell: str, words: CountWords) -> UnreadableCount:
    cell = shorten(cell)
    if words.thousands and words.thousands in cell and re.search(r"\d", cell):
        return UnreadableCount(
            f"'{cell}' is no count with '{words.thousands}' between the thousands.",
            f"Write groups of three digits, such as 1{words.thousands}000, or plain digits.",
        )
    grouped = _GROUPED.match(cell)
    if grouped:
        plain = re.sub(r"\D", "", cell)
        mark = grouped.group(1).replace("’", "'")
        return UnreadableCount(
            f"'{cell}' is not a whole number: its separator may be one of thousands.",
            f'Write {plain}, or declare the thousands separator: thousands = "{mark}" under [catches].',
        )
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
            "Write the moths counted in the trap; the number of traps goes into 'effort'. For rates, set unit = "
            f'"{PER_NIGHT}" under [catches].',
        )
    return UnreadableCount(
        f"'{cell}' is not a count.",
        "Accepted are whole numbers, '>100' or '100+' (at least), and the declared words: "
        f"present {_shown(words.present)}; lost {_shown(words.lost)}; "
        f"not checked {_shown(words.not_checked)}; zero {_shown(words.zero) or 'none'}. "
        "Correct the cell or declare the word.",
    )
