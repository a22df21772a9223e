"""Questions that the files cannot answer, and the answers given so far.

The name of a question is the key of the study file that its answer goes into, where there is one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.tables import nearest

Answers = Mapping[str, tuple[str, ...]]
"""Answers by the name of their question; one text, or several where several are accepted."""

NONE = "none"
"""The answer that says: there is no such column, or no such file."""

_BARE = re.compile(r"[A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*")


@dataclass(frozen=True)
class Question:
    """One question.

    Attributes
    ----------
    name : str
        Key of the answer, such as ``catches.dates``.
    text : str
        The question.
    evidence : tuple of str
        What the files show, one sentence each.
    choices : mapping of str to str
        Accepted answer to what it means; empty where any text is accepted.
    several : bool
        Whether more than one choice may be answered.
    read : callable, optional
        Raises a ``ModelError`` for a text that is not accepted.
    """

    name: str
    text: str
    evidence: tuple[str, ...] = ()
    choices: Mapping[str, str] = field(default_factory=dict)
    several: bool = False
    read: Callable[[str], object] | None = None

    def fault(self, answer: Sequence[str]) -> str | None:
        """Return what is wrong with an answer, and what is accepted; None if nothing is."""
        if not answer or (len(answer) > 1 and not self.several):
            return f"{len(answer)} answers were given. {self.accepted()}"
        if len(set(answer)) < len(answer):
            return "An answer was given twice. Give it once."
        for text in answer:
            if self.choices and text not in self.choices:
                return f"'{text}' is not accepted. {self.accepted()}{nearest(text, self.choices)}"
            if not text.strip() or not text.isprintable():
                return f"'{text}' is blank or not printable. {self.accepted()}"
            if self.read is not None:
                try:
                    self.read(text)
                except ModelError as fault:
                    return f"'{text}' is not accepted: {fault}"
        return None

    def accepted(self) -> str:
        """Return what is accepted, in one sentence."""
        if not self.choices:
            return "Accepted is a text."
        many = "one or several of " if self.several else ""
        return f"Accepted: {many}{', '.join(map(quoted, self.choices))}."

    def as_toml(self) -> str:
        """Return the question as lines of an answer file, its answer still blank."""
        key = self.name if _BARE.fullmatch(self.name) else _quoted_key(self.name)
        lines = [self.text, *(f"  {line}" for line in self.evidence)]
        lines += [f"  {quoted(answer)}: {what}" for answer, what in self.choices.items()]
        lines += [f"  {self.accepted()}"]
        return "\n".join([*(f"# {line}" for line in lines), f"{key} = " + ("[]" if self.several else '""')])


def _quoted_key(name: str) -> str:
    section, kind, word = name.split(".", 2)
    return f"{section}.{kind}.{quoted(word)}"


def quoted(text: str) -> str:
    """Return a text as a TOML string."""
    # JSON escapes all that TOML asks for, apart from the character DEL.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


class Interview:
    """Facts stated, questions still open, and the answers that were used."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers
        self.facts: list[str] = []
        self.open: list[Question] = []
        self.used: set[str] = set()

    def part(self) -> Interview:
        """Return an interview on a part that does not depend on the rest: only its open questions are its own."""
        part = Interview(self.answers)
        part.facts, part.used = self.facts, self.used
        return part

    def state(self, fact: str) -> None:
        """Note what the files show."""
        if fact not in self.facts:
            self.facts.append(fact)

    def ask(self, question: Question) -> str | None:
        """Return the answer; without one, None, and the question stays open."""
        found = self.ask_several(question)
        return found[0] if found else None

    def ask_several(self, question: Question) -> tuple[str, ...]:
        """Return the answers; without any, nothing, and the question stays open."""
        given = self.answers.get(question.name)
        if given is None:
            self.open.append(question)
            return ()
        fault = question.fault(given)
        if fault is not None:
            raise DataError(Problem(fault, "", column=question.name))
        self.used.add(question.name)
        return tuple(given)

    def settle(self, question: Question, found: str, because: str) -> str:
        """Return what the files show, and state it; an answer that was given replaces it."""
        if question.name in self.answers:
            return self.ask(question) or found
        self.state(f'{because} ({question.name} = "{found}")')
        return found
