"""The command line: ``phenofit COMMAND ...``; see :mod:`phenofit.cli.commands` for the commands."""

from phenofit.cli.dispatch import main

__all__ = ["main"]
