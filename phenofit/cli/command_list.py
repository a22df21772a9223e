"""The table of commands: name, module, and one line for the help.

A command is a module with ``configure(parser)`` and ``run(args) -> int``. Only the module of the command that
is called gets imported, so that the help costs nothing.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Command:
    """One command."""

    module: str  # Module that holds ``configure`` and ``run``.
    help: str  # One line for the list of commands.


# In the order of the help.
_HELP = {
    "demo": "copy the invented study into a folder, run it, say where its page is",
    "init": "make a study file from a folder of tables, by questions",
    "check": "read a study's inputs and list every problem; compute nothing",
    "run": "run a whole study: fit, published check, validation, forecast, map, page",
    "fetch": "fetch the station series that a study names",
    "heat": "sum degree-days from a station table or a temperature grid",
    "fit": "fit base temperature and requirement of each flight",
    "compare": "test published thresholds on a study's own catches",
    "validate": "forecast held-out years and score the errors in days",
    "forecast": "forecast the flight dates of a season at one place",
    "local": "compare last season's forecast with a few scouting dates",
    "map": "map the forecast error of a study or of a validation table",
    "plan": "how many sites, years and checks would fix the base",
    "thresholds": "list the published thresholds that come with phenofit",
}

COMMANDS: dict[str, Command] = {
    name: Command(f"phenofit.cli.commands.{name}", line) for name, line in _HELP.items()
}
"""Every command by its name."""
