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


COMMANDS: dict[str, Command] = {
    "demo": Command(
        "phenofit.cli.commands.demo", "copy the invented study into a folder, run it, say where its page is"
    ),
    "check": Command(
        "phenofit.cli.commands.check", "read a study's inputs and list every problem; compute nothing"
    ),
    "run": Command(
        "phenofit.cli.commands.run",
        "run a whole study: fit, published check, validation, forecast, map, page",
    ),
    "fetch": Command("phenofit.cli.commands.fetch", "fetch the station series that a study names"),
    "heat": Command(
        "phenofit.cli.commands.heat", "sum degree-days from a station table or a temperature grid"
    ),
    "fit": Command("phenofit.cli.commands.fit", "fit base temperature and requirement of each flight"),
    "compare": Command("phenofit.cli.commands.compare", "test published thresholds on a study's own catches"),
    "validate": Command(
        "phenofit.cli.commands.validate", "forecast held-out years and score the errors in days"
    ),
    "forecast": Command(
        "phenofit.cli.commands.forecast", "forecast the flight dates of a season at one place"
    ),
    "local": Command(
        "phenofit.cli.commands.local", "compare last season's forecast with a few scouting dates"
    ),
    "map": Command("phenofit.cli.commands.map", "map the forecast error of a study or of a validation table"),
    "plan": Command("phenofit.cli.commands.plan", "how many sites, years and checks would fix the base"),
    "thresholds": Command(
        "phenofit.cli.commands.thresholds", "list the published thresholds that come with phenofit"
    ),
}
