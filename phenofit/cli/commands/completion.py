"""``phenofit completion SHELL``: the script that lets a shell complete commands, options and file names."""

from __future__ import annotations

import argparse
import importlib
from pathlib import Path

from phenofit.cli.command_list import COMMANDS

SHELLS = ("bash", "zsh", "fish", "powershell", "tcsh")


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("shell", choices=SHELLS, metavar="SHELL", help=", ".join(SHELLS))


def run(args: argparse.Namespace) -> int:
    """Print the script."""
    from phenofit.errors import MissingExtraError

    try:
        import shtab
    except ImportError:
        raise MissingExtraError("shtab", "completion", "shell completion") from None
    print(shtab.complete(_whole_parser(shtab.FILE, shtab.DIRECTORY), shell=args.shell))
    return 0


def _whole_parser(file: object, folder: object) -> argparse.ArgumentParser:
    """Return one parser of all commands, paths marked for completion."""
    top = argparse.ArgumentParser(prog="phenofit")
    top.add_argument("--version", action="version", version="")
    commands = top.add_subparsers()
    for name, command in COMMANDS.items():
        parser = commands.add_parser(name, help=command.help)
        importlib.import_module(command.module).configure(parser)
        for action in parser._actions:
            if action.type is Path:
                action.complete = folder if action.metavar in ("DIR", "FOLDER") else file  # type: ignore[attr-defined]
    return top
