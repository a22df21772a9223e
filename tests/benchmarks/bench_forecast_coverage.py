"""How often the intervals of a season forecast hold the date that is then seen, with few and with many past years.

``python -m tests.benchmarks.bench_forecast_coverage --networks 60 --processes 2 --keep FILE`` draws networks of 6 sites and 5, 8
or 15 years on invented weather, fits all but the last year, forecasts that year on 15 April and on 1 June, and compares
with the date of half of the catch of each trap. ``--table`` prints the kept records and writes
``reports/forecast_coverage.md``.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phenofit import FlightModel, PhenofitError, Records, fit_flights
from phenofit.forecasting import forecast
from phenofit.validate.observed import observed_events
from tests.benchmarks.coverage_study.tables import REPORTS
from tests.benchmarks.kept_records import kept_study
from tests.validate.networks import SEASON, network

YEARS, ISSUED = (5, 8, 15), ("04-15", "06-01")
_NOTE = """Networks of 6 sites on invented weather; all years but the last are fitted, the last is forecast. Share of observed dates of
half of the catch inside the interval, with its standard error (networks as clusters), and the median width in days.
"""


@dataclass(frozen=True)
class Task:
    """A network of so many past years."""

    years: int
    number: int


@dataclass(frozen=True)
class Held:
    """What the intervals of one network held, on both days of issue."""

    years: int
    number: int
    held95: dict[str, list[bool]]  # By day of issue, a value for each trap.
    held80: dict[str, list[bool]]
    width95: dict[str, list[float]]  # [d]
    failed: str = ""


def look(task: Task) -> Held:
    """Draw a network, fit all but its last year and forecast that."""
    drawn = network(sites=6, years=task.years + 1, seed=10_000 * task.years + task.number)
    trap_years = drawn.trap_years()
    year = trap_years.years["year"].to_numpy()
    records = Records(trap_years, drawn.weather, drawn.links, SEASON)
    held95, held80, width = {}, {}, {}
    try:
        fit = fit_flights(records.only(year < year.max()), FlightModel(), profiles=False)
        seen = observed_events(records.only(year == year.max()), events=("flight_50",)).table
        last = records.only(year == year.max()).trap_years.years
        when = dict(zip(last["site"].iloc[seen["trap_year"]], seen["observed"], strict=True))
        for issued in ISSUED:
            table = forecast(
                fit,
                records,
                today=f"{year.max()}-{issued}",
                events=("flight_50",),
                draws=600,
                accept_unconverged=True,
            ).table()
            rows = [row for row in table.to_dict("records") if row["site"] in when]
            held95[issued] = [bool(r["low95"] <= when[r["site"]] <= r["high95"]) for r in rows]
            held80[issued] = [bool(r["low80"] <= when[r["site"]] <= r["high80"]) for r in rows]
            width[issued] = [float((r["high95"] - r["low95"]) / np.timedelta64(1, "D")) for r in rows]
    except PhenofitError as error:
        return Held(task.years, task.number, {}, {}, {}, str(error))
    return Held(task.years, task.number, held95, held80, width)


def table(records: list[Held]) -> str:
    """Return coverage and width, a row for each number of past years and day of issue."""
    lines = [
        "| past years | issued | networks | 95 % interval | 80 % interval | width of 95 % [days] |",
        "| --- " * 6 + "|",
    ]
    for years in YEARS:
        mine = [record for record in records if record.years == years and not record.failed]
        for issued in ISSUED if mine else ():
            shares = [
                _share([record.held95[issued] for record in mine]),
                _share([record.held80[issued] for record in mine]),
            ]
            width = float(np.median(np.concatenate([record.width95[issued] for record in mine])))
            lines.append(f"| {years} | {issued} | {len(mine)} | {shares[0]} | {shares[1]} | {width:.0f} |")
    return "\n".join(lines) + "\n"


def _share(held: list[list[bool]]) -> str:
    means = np.array([np.mean(one) for one in held if one])
    return (
        f"{100 * means.mean():.1f} ± {100 * means.std(ddof=1) / len(means) ** 0.5:.1f} %"
        if len(means) > 1
        else "-"
    )


def main() -> None:
    """Draw, keep and print."""
    kept, write = kept_study(
        __doc__,
        look,
        lambda given: [Task(years, number) for number in range(given.networks) for years in YEARS],
        read=Held,
        task_of=lambda record: Task(record.years, record.number),
        said=lambda record: f"{record.years} years, network {record.number} {record.failed}",
    )
    print(table(kept))
    if write:
        text = f"# How often a season forecast holds\n\n{_NOTE}\n{table(kept)}"
        (REPORTS / "forecast_coverage.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
