"""Write the invented study of the demo: ``python -m phenofit.simulate --out FOLDER``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from phenofit.simulate.demo import SEED, write_demo


def main(argv: Sequence[str] | None = None) -> int:
    """Write the study and say where it is; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m phenofit.simulate", description=__doc__)
    parser.add_argument("--out", required=True, type=Path, help="folder that receives the files")
    parser.add_argument(
        "--seed", type=int, default=SEED, help="seed of every draw (default: that of the demo)"
    )
    arguments = parser.parse_args(argv)
    write_demo(arguments.out, seed=arguments.seed)
    sys.stdout.write(f"invented study written to {arguments.out}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
