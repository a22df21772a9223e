"""The frame of the command line: exit codes, one clear message, no traceback unless asked."""

from __future__ import annotations

import argparse
import gc
import os
import shutil
import subprocess
import sys
import types
import warnings
from collections.abc import Callable
from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.cli.command_list import COMMANDS, Command
from phenofit.errors import (
    DataError,
    FetchError,
    FitError,
    MissingExtraError,
    ModelError,
    PhenofitWarning,
    Problem,
    UnitError,
)

Body = Callable[[argparse.Namespace], int]


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch) -> Callable[[Body], None]:
    """Put a command named ``trial`` into the table, with the given body."""

    def put(body: Body) -> None:
        module = types.ModuleType("phenofit_trial_command")
        module.configure = lambda parser: parser.add_argument("--base")  # type: ignore[attr-defined]
        module.run = body  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "phenofit_trial_command", module)
        monkeypatch.setitem(
            COMMANDS, "trial", Command("phenofit_trial_command", "a command of the tests", "phenofit trial")
        )

    return put


def _raising(error: BaseException) -> Body:
    def body(_: argparse.Namespace) -> int:
        raise error

    return body


@pytest.mark.parametrize(
    "error",
    [
        DataError(
            Problem("'abc' is not a number.", "Write digits.", file="catches.csv", row=7, column="count")
        ),
        UnitError("'degX' is not a temperature unit."),
        ModelError("there is no day 02-31."),
        FitError("no trap-year has a catch."),
        FetchError("the server could not be reached."),
        MissingExtraError("pyproj", "maps", "The error map"),
    ],
    ids=lambda e: type(e).__name__,
)
def test_wrong_input_is_one_message_and_exit_2(
    error: Exception, command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]
) -> None:
    command(_raising(error))
    assert main(["trial"]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err == f"phenofit: {error}\n"


def test_all_problems_are_listed(command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]) -> None:
    faults = [Problem("bad count.", "Mend it.", file="c.csv", row=i, column="count") for i in (3, 9)]
    faults.append(Problem("no date.", "Mend it.", file="c.csv", row=9, column="date"))
    command(_raising(DataError(faults)))
    assert main(["trial"]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "phenofit: 3 problems:"
    assert lines[1:] == [
        "  c.csv, row 3, column 'count': bad count. Mend it. The same in 1 other row: 9.",
        "  c.csv, row 9, column 'date': no date. Mend it.",
    ]


def test_a_fault_of_the_program_is_exit_1_in_one_line(
    command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]
) -> None:
    command(_raising(ZeroDivisionError("division by zero")))
    assert main(["trial"]) == 1
    shown = capsys.readouterr().err
    assert shown.count("\n") == 1
    assert "ZeroDivisionError" in shown
    assert "--traceback" in shown


def test_the_traceback_comes_when_asked(
    command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]
) -> None:
    command(_raising(ZeroDivisionError("division by zero")))
    assert main(["trial", "--traceback"]) == 1
    assert "Traceback (most recent call last)" in capsys.readouterr().err


def test_a_missing_file_is_named(command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]) -> None:
    command(_raising(FileNotFoundError(2, "No such file or directory", "study.toml")))
    assert main(["trial"]) == 2
    assert (
        capsys.readouterr().err == "phenofit: cannot read or write 'study.toml': No such file or directory.\n"
    )


def test_stopping_is_said(command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]) -> None:
    command(_raising(KeyboardInterrupt()))
    assert main(["trial"]) == 130
    assert "stopped" in capsys.readouterr().err


def test_warnings_are_notes(command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]) -> None:
    def body(_: argparse.Namespace) -> int:
        for _again in range(2):
            warnings.warn("3 days have no temperature.", PhenofitWarning, stacklevel=2)
        return 0

    command(body)
    assert main(["trial"]) == 0
    assert capsys.readouterr().err == "phenofit: note: 3 days have no temperature.\n" * 2


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["fitt"], "there is no command 'fitt'; did you mean 'fit'? See 'phenofit --help'."),
        (["zzzz"], "there is no command 'zzzz'. See 'phenofit --help'."),
        (["--colour"], "the following arguments are required: COMMAND. See 'phenofit --help'."),
    ],
)
def test_wrong_calls_are_refused(
    arguments: list[str], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err == f"phenofit: {expected}\n"


def test_a_nul_in_any_argument_is_refused_before_anything_is_done(
    command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]
) -> None:
    command(_raising(AssertionError("the command was run")))
    for arguments in (
        ["trial", "--base", "1\0"],
        ["demo", "--copy-only", "--out", "a\0b"],
        ["check", "a\0b"],
    ):
        assert main(arguments) == 2
        assert "NUL" in capsys.readouterr().err


def test_wrong_option_of_a_command(
    command: Callable[[Body], None], capsys: pytest.CaptureFixture[str]
) -> None:
    command(lambda _: 0)
    assert main(["trial", "--bas", "10", "--colour"]) == 2
    assert "--colour" in capsys.readouterr().err


def test_no_command_shows_the_commands(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    shown = capsys.readouterr().err
    for name in COMMANDS:
        assert f"\n  {name} " in shown


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "powershell", "tcsh"])
def test_completion_knows_every_command(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert all(name in script for name in COMMANDS)
    assert "leave-out" in script


@pytest.mark.skipif(os.name != "posix" or shutil.which("bash") is None, reason="needs bash")
def test_a_shell_completes_with_the_script(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["completion", "bash"]) == 0
    script = tmp_path / "complete.sh"
    script.write_text(capsys.readouterr().out, encoding="utf-8")
    typed = "COMP_WORDS=(phenofit validate --lea); COMP_CWORD=2; COMP_LINE='phenofit validate --lea'"
    call = f"source {script}; {typed}; f=$(complete -p phenofit | sed 's/.*-F \\([^ ]*\\).*/\\1/'); $f phenofit --lea validate; echo \"${{COMPREPLY[@]}}\""
    found = subprocess.run(["bash", "-c", call], capture_output=True, text=True, check=True)
    assert sorted(found.stdout.split()) == ["--lead-days", "--leave-out"]


def test_help_and_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr()
    assert shown.out.startswith("usage: phenofit COMMAND")
    assert shown.err == ""
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("phenofit ")


def test_letters_that_the_output_does_not_know_are_escaped() -> None:
    # As in a pipe on Windows, which knows 256 letters: ASCII stands for it here.
    call = [sys.executable, "-m", "phenofit", "thresholds", "--species", "codling"]
    ascii_only = {**os.environ, "PYTHONIOENCODING": "ascii"}
    found = subprocess.run(
        call, env=ascii_only, capture_output=True, text=True, encoding="ascii", check=False
    )
    assert (found.returncode, found.stderr) == (0, "")
    assert "\\xb0C" in found.stdout


def test_module_and_pipe() -> None:
    # Reading only the first byte closes the pipe early, as `phenofit --help | head -1` does.
    with subprocess.Popen([sys.executable, "-m", "phenofit", "--help"], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.read(5) == b"usage"
        process.stdout.close()
        assert process.wait(30) == 0


def test_searches_for_cycles_are_rare_within_a_command_only(command: Callable[[Body], None]) -> None:
    seen: list[tuple[int, int]] = []

    def body(_: argparse.Namespace) -> int:
        seen.append((gc.get_threshold()[0], gc.get_freeze_count()))
        raise DataError(Problem("wrong.", ""))

    command(body)
    before = gc.get_threshold()
    assert main(["trial"]) == 2
    assert seen[0][0] > before[0]
    assert seen[0][1] > 0
    assert (gc.get_threshold(), gc.get_freeze_count()) == (before, 0)
