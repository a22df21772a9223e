"""The command line: ``phenofit COMMAND ...``; see :mod:`phenofit.cli.command_list` for the commands."""

from phenofit.cli.dispatch import main

__all__ = ["main"]
