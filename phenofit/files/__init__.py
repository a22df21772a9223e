"""Files: written whole or not at all, read with a limit; text tables, their cells, and bundled data.

``safe_files`` is offered here; ``tables`` and ``cells`` read delimited text with row numbers, ``bundled`` finds the data
sets that come with the package. They are imported from their modules, so that start-up stays light.
"""

from phenofit.files.safe_files import (
    LARGEST_TABLE,
    LARGEST_TEXT,
    file_hash,
    phenofit_version,
    read_json,
    read_text,
    require_regular,
    safe_cell,
    versions,
    write_csv,
    write_text,
    writing,
)

__all__ = [
    "LARGEST_TABLE",
    "LARGEST_TEXT",
    "file_hash",
    "phenofit_version",
    "read_json",
    "read_text",
    "require_regular",
    "safe_cell",
    "versions",
    "write_csv",
    "write_text",
    "writing",
]
