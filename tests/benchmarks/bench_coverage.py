"""How often the intervals of a fit hold the truth, by the rule that sets where they end.

Run ``python -m tests.benchmarks.bench_coverage --networks 50 --processes 2 --keep FILE``, once or several times with
other cells, then ``--table FILE ...`` for the table and ``bench_coverage.json`` beside this file. Every network is
drawn with known truth on real weather (see ``tests.recovery.real_networks``), fitted once free and once with each
parameter held at its truth. The root of twice the fall of the log-likelihood at the truth is kept, so that every rule
can be judged on the same networks: an interval holds the truth where that root stays below its cut.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from phenofit.errors import FitError
from phenofit.flight import FitSettings, FlightFit
from phenofit.flight.fitting import fit_data
from phenofit.flight.intervals.profile import cut_root
from phenofit.flight.intervals.reference_distribution import degrees_of_error
from tests.benchmarks.kept_records import keep_record, read_lines, run_tasks
from tests.recovery.real_networks import (
    BASE,
    CONCENTRATION,
    HEAT,
    PLACES,
    REQUIREMENT,
    SEASON,
    SHIFT_SD,
    SPREAD,
    real_network,
)  # fmt: skip

RESULT = Path(__file__).with_suffix(".json")
YEARS = (2, 3, 5, 8)
YEAR_SDS = (0.0, 20.0, 40.0)
RULES = ("chi-squared", "Student's t", "fit")
TRUTHS = {
    "base": BASE,
    "requirement_1": REQUIREMENT,
    "spread_1": SPREAD,
    "shift_sd": SHIFT_SD,
    "concentration": CONCENTRATION,
}
PARAMETERS = (*TRUTHS, "shift_sd_year")


@dataclass(frozen=True)
class Task:
    """One network of the study."""

    place: str
    years: int
    year_sd: float
    number: int
    parameters: tuple[str, ...]
    site_sd: float = 0.0


def truths(task: Task) -> dict[str, float]:
    """Return the true values that are held in turn."""
    found = dict(TRUTHS)
    if task.year_sd:
        found["shift_sd_year"] = task.year_sd
    return {name: value for name, value in found.items() if name in task.parameters}


def _root(free: FlightFit, held: FlightFit, estimate: float, truth: float) -> float:
    fall = 2.0 * (free.log_likelihood - held.log_likelihood)
    return math.copysign(math.sqrt(abs(fall)), estimate - truth) if fall > 0 else fall


def _settings(site_sd: float, base: float | None, hold: Mapping[str, float] | None = None) -> FitSettings:
    """Return the model: years shift, and sites cross them where they do."""
    shifts = ("year", "site", "trap-year") if site_sd else ("year", "trap-year")
    return FitSettings(
        SEASON, heat=HEAT, shifts=shifts, base="fit" if base is None else base, hold=hold or {}
    )


def study(task: Task) -> dict[str, Any]:
    """Draw, fit, hold, and keep what any rule may need."""
    seed: tuple[int, ...] = (PLACES.index(task.place), task.years, int(task.year_sd), task.number)
    if task.site_sd:
        seed = (*seed, int(task.site_sd))
    data = real_network(
        task.place, seed=seed, years=task.years, shift_sd_year=task.year_sd, shift_sd_site=task.site_sd
    ).data()
    out: dict[str, Any] = {**vars(task), "roots": {}}

    def fit(base: float | None, **held: float) -> FlightFit:
        return fit_data(data, _settings(task.site_sd, base, held), profiles=False)

    try:
        for case, base in (("", None), (", base held", BASE)):
            free = fit(base)
            out["fit" + case] = {"parameters": free.parameters, "converged": free.converged}
            for name, value in truths(task).items():
                if base is None or name == "requirement_1":
                    kept = fit(BASE if name == "base" else base, **({} if name == "base" else {name: value}))
                    out["roots"][name + case] = _root(free, kept, free.parameters[name], value)
    except FitError as error:
        return {**out, "failed": str(error)}
    return out


def cuts(case: str, years: int, site_sd: float, sites: int = 8) -> dict[str, float]:
    """Return where the root of the deviance ends the 95 % interval of a parameter, by rule."""
    name = case.split(",")[0]
    table = pd.DataFrame(
        {"year": np.repeat(np.arange(years), sites), "site": np.tile(np.arange(sites), years)}
    )
    model = _settings(site_sd, BASE if "base held" in case else None)
    return {
        "chi-squared": float(stats.norm.ppf(0.975)),
        "Student's t": float(stats.t.ppf(0.975, years - 1)),
        "fit": cut_root(0.95, degrees_of_error(name, model, table)),
    }


def judged(records: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return a row for each cell and parameter: how many intervals hold the truth, bias and SD of the estimates."""
    rows = []
    good = [r for r in records if "failed" not in r]
    cases = list(dict.fromkeys(case for r in good for case in r["roots"]))
    site_sds = sorted({r.get("site_sd", 0.0) for r in good})
    for site_sd, case, years, sd in product(site_sds, cases, YEARS, YEAR_SDS):
        cell = (years, sd, site_sd)
        here = [
            r
            for r in good
            if (r["years"], r["year_sd"], r.get("site_sd", 0.0)) == cell and case in r["roots"]
        ]
        if not here:
            continue
        name, _, held = case.partition(", ")
        roots = np.abs([r["roots"][case] for r in here])
        fits = [r["fit" + (f", {held}" if held else "")] for r in here]
        error = np.array([f["parameters"][name] for f in fits]) - dict(TRUTHS, shift_sd_year=sd)[name]
        row: dict[str, Any] = {
            "parameter": case,
            "years": years,
            "year_sd": sd,
            "site_sd": site_sd,
            "networks": len(here),
        }
        for rule, cut in cuts(case, years, site_sd).items():
            row[rule] = round(float(np.mean(roots <= cut)), 4)
        spread = float(error.std(ddof=1)) if len(here) > 1 else math.nan
        row |= {
            "binomial_error": round(math.sqrt(0.95 * 0.05 / len(here)), 4),
            "bias_over_sd": round(float(error.mean()) / spread, 3),
            "median_error": round(float(np.median(error)), 3),
            "sd": round(spread, 3),
            "root_95": round(float(np.quantile(roots, 0.95)), 3),
        }
        rows.append(row)
    return rows


def pooled(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows over all year SDs, sites alike."""
    found = []
    rows = [r for r in rows if not r["site_sd"]]
    for case, years in dict.fromkeys((r["parameter"], r["years"]) for r in rows):
        here = [r for r in rows if (r["parameter"], r["years"]) == (case, years)]
        total = sum(r["networks"] for r in here)
        row: dict[str, Any] = {"parameter": case, "years": years, "networks": total}
        for rule in RULES:
            row[rule] = round(sum(r[rule] * r["networks"] for r in here) / total, 4)
        found.append({**row, "binomial_error": round(math.sqrt(0.95 * 0.05 / total), 4)})
    return found


def read(files: list[Path]) -> list[dict[str, Any]]:
    """Return the records of some files, a network once."""
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for r in read_lines(files):
        key = (r["place"], r["years"], r["year_sd"], r.get("site_sd", 0.0), r["number"])
        if key not in found or len(r["roots"]) > len(found[key]["roots"]):
            found[key] = r
    return [found[key] for key in sorted(found)]


def table(files: list[Path]) -> None:
    """Print the tables and write them beside this file."""
    records = read(files)
    rows = judged(records)
    whole = pooled(rows)
    with pd.option_context("display.width", 200, "display.max_rows", None):
        print(pd.DataFrame(rows).to_string(index=False))
        print(pd.DataFrame(whole).to_string(index=False))
    failed = sum("failed" in r for r in records)
    text = {"networks": len(records), "failed": failed, "cells": rows, "all_year_sds": whole}
    RESULT.write_text(json.dumps(text, indent=1) + "\n", encoding="utf-8")


def main() -> None:
    """Study, and keep the records."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--networks", type=int, default=5, help="of each place in each cell")
    parser.add_argument("--first", type=int, default=0, help="number of the first network")
    parser.add_argument("--years", default=",".join(map(str, YEARS)))
    parser.add_argument("--year-sds", default=",".join(map(str, YEAR_SDS)))
    parser.add_argument(
        "--site-sd", type=float, default=0.0, help="above 0: sites cross the years, in model and truth"
    )
    parser.add_argument("--parameters", default=",".join(PARAMETERS))
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file for the records, a line each")
    parser.add_argument("--table", type=Path, nargs="+", help="files of records to judge")
    given = parser.parse_args()
    if given.table:
        table(given.table)
        return
    if given.keep is None:
        parser.error("give --keep or --table")
    tasks = [
        Task(place, int(y), float(sd), n, tuple(given.parameters.split(",")), given.site_sd)
        for n in range(given.first, given.first + given.networks)
        for y in given.years.split(",")
        for sd in given.year_sds.split(",")
        for place in PLACES
    ]
    for record in run_tasks(study, tasks, processes=given.processes):
        keep_record(given.keep, record)


if __name__ == "__main__":
    main()
