"""The table of commands: name, module, and one line for the help.

A command is a module with ``configure(parser)`` and ``run(args) -> int``. Only the module of the command that
is called gets imported, so that the help appears quickly.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Command:
    """One command."""

    module: str  # Module that holds ``configure`` and ``run``.
    help: str  # One line for the list of commands.
    example: str  # A call, as it is typed.


# In the order of the help: one line, and an example of a call.
_HELP = {
    "demo": ("copy the invented study into a folder, run it, say where its page is", "--out my-demo"),
    "init": ("make a study file from a folder of tables, by questions", "my-tables"),
    "check": ("read a study's inputs and list every problem; compute nothing", "study.toml --all"),
    "run": (
        "run a whole study: fit, published check, validation, forecast, map, page",
        "study.toml --out results",
    ),
    "fetch": ("fetch the station series that a study names", "study.toml"),
    "heat": (
        "sum degree-days from a station table or a temperature grid",
        'weather.csv --unit degC --base "10 degC" --out heat.csv',
    ),
    "fit": ("fit base temperature and requirement of each flight", "study.toml --out results"),
    "compare": ("test published thresholds on a study's own catches", "study.toml --species borer"),
    "validate": (
        "forecast held-out years and score the errors in days",
        "study.toml --leave-out year --lead-days 28 7 --out results",
    ),
    "forecast": (
        "forecast the flight dates of a season, at every site or at any place",
        'study.toml --today 2024-05-20 --events "10 %" flight_50 --at 41.9N,97.9W',
    ),
    "local": (
        "compare last season's forecast with a few scouting dates",
        "fit.json --weather weather.csv --unit degC --saw 2024-06-03=0 2024-06-10=2",
    ),
    "page": (
        "write one file for a phone: dates at every place, and a check of scouting dates",
        "study.toml --out field.html",
    ),
    "report": (
        "write the page of a study, its tables for a thesis, or a printable summary for growers",
        "study.toml --tables tex --out results",
    ),
    "map": (
        "map the forecast error of a study or of a validation table",
        "results/validation.csv --out maps",
    ),
    "plan": (
        "how many sites, years and checks would determine the base",
        "fit.json --weather weather.csv --unit degC --sites 4,8 --years 5,10",
    ),
    "completion": ("print the script with which a shell completes commands and options", "bash"),
    "thresholds": ("list the published thresholds that come with phenofit", "--species borer --usable"),
}

_OF_THE_SEASON = ("forecast", "local", "page")

COMMANDS: dict[str, Command] = {
    name: Command(
        f"phenofit.cli.{'season' if name in _OF_THE_SEASON else 'commands'}.{name}",
        line,
        f"phenofit {name} {call}",
    )
    for name, (line, call) in _HELP.items()
}
"""Every command by its name."""
