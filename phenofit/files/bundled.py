"""Find the data sets that come with phenofit, in an installed package as in a checkout."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from phenofit.errors import DataError, Problem


def bundled_path(name: str) -> Path:
    """Return the path of a bundled data set."""
    package = Path(str(resources.files("phenofit")))
    # A built wheel carries the folder inside the package; a checkout has it beside the package.
    for folder in (package / "data" / "datasets", package.parent / "datasets"):
        if (folder / name).exists():
            return folder / name
    remedy = "The installation is not complete; install phenofit again."
    raise DataError(Problem(f"phenofit has no data set '{name}'.", remedy))
