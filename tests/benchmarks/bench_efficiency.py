"""How far the scatter of the estimates lies above the least that is possible (the Cramer-Rao bound).

Run ``python -m tests.benchmarks.bench_efficiency --years 8,20``; prints a table and writes its rows into
``bench_efficiency.json`` beside this file, other rows kept. The weather of all networks of a cell is one and the same block of real
years, since the bound belongs to given weather; year SD and trap-year SD 20 degC d, 8 sites, 60 moths a trap-year.
The expected information is the mean, over the same networks, of the years' slopes at the truth times themselves, as
the plan of a network takes it. The standard error of a ratio of N networks is about 1 / sqrt(2 N).
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from phenofit.flight import FitSettings
from phenofit.flight.fitting import fit_data
from phenofit.plan.assumed_truth import PlanTruth
from phenofit.plan.design import information
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
)

RESULT = Path(__file__).with_suffix(".json")
FIRST = {"champion": 1996, "england": 2000}
YEAR_SD = 20.0


@dataclass(frozen=True)
class Scatter:
    """Estimates of many networks, and the mean information in them."""

    base: np.ndarray
    requirement: np.ndarray
    requirement_held: np.ndarray
    information: np.ndarray


def scatter(place: str, years: int, networks: int) -> Scatter:
    """Draw, fit free and at the true base, and take the information at the truth."""
    settings = FitSettings(SEASON, heat=HEAT, shifts=("year", "trap-year"))
    truth = PlanTruth(settings, BASE, (REQUIREMENT,), (SPREAD,), YEAR_SD, 0.0, SHIFT_SD, CONCENTRATION)
    rows, known = [], []
    for n in range(networks):
        data = real_network(
            place, seed=(7, years, n), years=years, shift_sd_year=YEAR_SD, first=FIRST[place]
        ).data()
        free, held = (
            fit_data(data, s, profiles=False, precise=False) for s in (settings, replace(settings, base=BASE))
        )
        rows.append((free.base, free.requirement(), held.requirement()))
        known.append(information(truth, data))
    found = np.array(rows)
    return Scatter(found[:, 0], found[:, 1], found[:, 2], np.mean(known, axis=0))


def ratios(found: Scatter) -> dict[str, dict[str, float]]:
    """Return, for each estimate, its SD, the bound, their ratio, and the bias against the SD."""
    bound = np.sqrt(np.diag(np.linalg.inv(found.information)))
    # The base is the first entry of the information; without it stands what is known at a held base.
    at_base = np.sqrt(np.diag(np.linalg.inv(found.information[1:, 1:])))
    out = {}
    for name, values, truth, least in (
        ("base", found.base, BASE, bound[0]),
        ("requirement", found.requirement, REQUIREMENT, bound[1]),
        ("requirement, base held", found.requirement_held, REQUIREMENT, at_base[0]),
    ):
        sd = float(values.std(ddof=1))
        out[name] = {
            "sd": sd,
            "bound": float(least),
            "ratio": sd / float(least),
            "half_range_ratio": float(np.subtract(*np.quantile(values, [0.8413, 0.1587])))
            / (2.0 * float(least)),
            "bias_over_sd": float(values.mean() - truth) / sd,
        }
    return out


def main() -> None:
    """Measure, print, and write the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--networks", type=int, default=150)
    parser.add_argument("--years", default="5,8,20")
    parser.add_argument("--places", default=",".join(PLACES))
    given = parser.parse_args()
    rows: list[dict[str, Any]] = []
    for years in map(int, given.years.split(",")):
        for place in given.places.split(","):
            for name, row in ratios(scatter(place, years, given.networks)).items():
                facts = {key: round(value, 3) for key, value in row.items()}
                rows.append(
                    {"estimate": name, "years": years, "place": place, "networks": given.networks, **facts}
                )
                print(rows[-1], flush=True)
    kept = json.loads(RESULT.read_text(encoding="utf-8")) if RESULT.exists() else []
    keys = ("estimate", "years", "place")
    new = {tuple(row[k] for k in keys) for row in rows}
    rows = [*[row for row in kept if tuple(row[k] for k in keys) not in new], *rows]
    rows.sort(key=lambda row: (row["years"], row["place"], row["estimate"]))
    print(pd.DataFrame(rows).to_string(index=False))
    RESULT.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
