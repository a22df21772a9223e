"""Read the command line, call the command, turn errors into messages and exit codes.

Exit codes: 0 done, 1 internal error, 2 the input or the call is wrong, 130 stopped by the user.
"""

from __future__ import annotations

import argparse
import difflib
import gc
import importlib
import io
import os
import sys
import traceback
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import NoReturn, Protocol, TextIO, cast

from phenofit.cli.command_list import COMMANDS
from phenofit.cli.options import STOPPED
from phenofit.errors import PhenofitError, PhenofitWarning
from phenofit.files import phenofit_version

_OBJECTS_BETWEEN = 50_000  # new objects between two garbage collections; 700 is the default


class _CommandModule(Protocol):
    def configure(self, parser: argparse.ArgumentParser) -> None: ...
    def run(self, args: argparse.Namespace) -> int: ...


class _Parser(argparse.ArgumentParser):
    """A parser whose refusals are one line and point at the help."""

    def error(self, message: str) -> NoReturn:
        words = message.partition("unrecognized arguments: ")[2].split()
        near = difflib.get_close_matches(words[0], self._option_string_actions, n=1) if words else []
        message += f"; did you mean '{near[0]}'?" if near else ""
        end = "" if message.endswith("?") else "."
        self.exit(2, f"{self.prog}: {message}{end} See '{self.prog} --help'.\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str or None
        Arguments after the program name; ``None`` takes those of the process.

    Returns
    -------
    int
        Exit code: 0 done, 1 internal error, 2 the input or the call is wrong, 130 stopped.

    Examples
    --------
    >>> main(["--version"])  # doctest: +ELLIPSIS
    phenofit ...
    0
    """
    arguments = list(sys.argv[1:] if argv is None else argv)
    if isinstance(sys.stdout, io.TextIOWrapper):  # the encoding of a pipe on Windows may lack letters
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        return _dispatch(arguments)
    except SystemExit as stop:  # argparse raises this after --help and after a refusal
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)


def _dispatch(arguments: list[str]) -> int:
    top = _top_parser()
    if not arguments:
        top.print_help(sys.stderr)
        return 2
    if arguments[0] == "help":
        return _dispatch([*arguments[1:2], "--help"])
    # Only the first word is parsed here: the arguments of a command are known by its module alone.
    known = top.parse_args(arguments[:1])
    name = cast("str", known.command)
    if name not in COMMANDS:
        near = difflib.get_close_matches(name, COMMANDS, n=1)
        hint = f"; did you mean '{near[0]}'?" if near else ""
        top.error(f"there is no command '{name}'{hint}")
    if any("\0" in argument for argument in arguments):
        top.error("an argument holds a NUL character, which no name can have")
    module = cast("_CommandModule", importlib.import_module(COMMANDS[name].module))
    parser = _Parser(
        prog=f"phenofit {name}",
        description=_sentence(COMMANDS[name].help),
        epilog=f"Example: {COMMANDS[name].example}",
    )
    module.configure(parser)
    parser.add_argument(
        "--traceback",
        action="store_true",
        help="show where in the program an error arose, for a fault report",
    )
    asked = parser.parse_args(arguments[1:])
    with _seldom_collecting():
        return _run(module, asked)


@contextmanager
def _seldom_collecting() -> Iterator[None]:
    """Collect garbage less often: each collection visits every object of the packages and tables."""
    before = gc.get_threshold()
    gc.freeze()
    gc.set_threshold(_OBJECTS_BETWEEN, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()


def _run(module: _CommandModule, args: argparse.Namespace) -> int:
    with warnings.catch_warnings():
        warnings.simplefilter("always", PhenofitWarning)
        # A search that stops on a flat maximum is judged by its slope, and the result says so.
        warnings.filterwarnings("ignore", message="The line search algorithm did not converge")
        warnings.showwarning = _show_warning
        try:
            code = module.run(args)
            sys.stdout.flush()
        except PhenofitError as error:
            return _fail(str(error), 2, args)
        except KeyboardInterrupt:
            print("phenofit: stopped; files are written whole or not at all.", file=sys.stderr)
            return STOPPED
        except BrokenPipeError:
            # The program that reads our output has ended, as with `| head`; keep the flush at the end from failing
            # again.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 0
        except OSError as error:
            place = f" '{error.filename}'" if error.filename else ""
            return _fail(f"cannot read or write{place}: {error.strerror or error}.", 2, args)
        except Exception as error:  # noqa: BLE001 - the one place where unexpected faults end
            ask = "please report it with the output of the same command and --traceback"
            return _fail(f"internal error: {type(error).__name__}: {error} ({ask})", 1, args)
        return code


def _fail(message: str, code: int, args: argparse.Namespace) -> int:
    if args.traceback:
        traceback.print_exc()
    print(f"phenofit: {message}", file=sys.stderr)
    return code


def _show_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    if issubclass(category, PhenofitWarning):
        print(f"phenofit: note: {message}", file=file or sys.stderr)
    else:
        text = warnings.formatwarning(message, category, filename, lineno, line)
        print(text, end="", file=file or sys.stderr)


def _top_parser() -> _Parser:
    width = max(map(len, COMMANDS))
    lines = "\n".join(f"  {name:<{width}}  {command.help}" for name, command in COMMANDS.items())
    parser = _Parser(
        prog="phenofit",
        usage="phenofit COMMAND [options]",
        description="Calibrate moth-flight phenology from trap catches and daily temperatures.",
        epilog=f"commands:\n{lines}\n\n'phenofit help COMMAND' lists the options of a command.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("command", metavar="COMMAND", help="one of the commands below")
    parser.add_argument("--version", action="version", version=f"phenofit {phenofit_version()}")
    return parser


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
