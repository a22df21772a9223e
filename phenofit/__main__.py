"""``python -m phenofit`` is the same as the command ``phenofit``."""

from __future__ import annotations

import sys

from phenofit.cli import main

if __name__ == "__main__":
    sys.exit(main())
