"""The identifier of a run: what went in, what was asked, and which version of phenofit did it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping

from phenofit.files import phenofit_version

_DIGITS = 16


def run_id(command: str, *, inputs: Mapping[str, str], settings: Mapping[str, object] | None = None) -> str:
    """Return the identifier of a run; the same inputs, settings and version give the same one.

    Parameters
    ----------
    command : str
        Name of the command.
    inputs : mapping of str to str
        Name of each input to the hash of its content.
    settings : mapping of str to object, optional
        Settings in addition to the inputs; anything that JSON can hold, other objects by their text.

    Returns
    -------
    str
        16 hexadecimal digits: the start of a SHA-256. No clock time and no folder goes in.

    Examples
    --------
    >>> run_id("fit", inputs={"a.csv": "00"}) == run_id("fit", inputs={"a.csv": "00"})
    True
    """
    facts = {
        "command": command,
        "inputs": dict(inputs),
        "settings": dict(settings or {}),
        "phenofit": phenofit_version(),
    }
    text = json.dumps(facts, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:_DIGITS]
