"""The stored example is that of the stored demo study."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from phenofit.files import file_hash

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "reports" / "example"
DEMO = ROOT / "datasets" / "demo"


def test_example_was_made_from_the_stored_inputs() -> None:
    page = (EXAMPLE / "report.html").read_text(encoding="utf-8")
    for name in ("study.toml", "traps.csv", "catches.csv", "weather.csv", "stations.csv", "truth.json"):
        assert file_hash(DEMO / name) in page, (
            f"{name} has changed: make the example anew, see reports/README.md"
        )


def test_example_says_that_it_is_invented_and_is_small_enough_to_send() -> None:
    page = (EXAMPLE / "report.html").read_text(encoding="utf-8")
    assert page.count("Invented data.") == 1
    assert (EXAMPLE / "report.html").stat().st_size < 3_000_000
    assert (EXAMPLE / "figures" / "error_by_forecaster.png").stat().st_size > 10_000


def test_intervals_of_the_example_hold_the_truth() -> None:
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["species"]
    with (EXAMPLE / "flights.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    checked = 0
    for species, facts in truth.items():
        for true in facts["parameters"]:
            if true["parameter"] not in ("base", "requirement", "spread", "concentration"):
                continue
            flight = "" if true["flight"] is None else str(true["flight"])
            row = next(
                r
                for r in rows
                if (r["species"], r["parameter"], r["flight"]) == (species, true["parameter"], flight)
            )
            assert float(row["low"]) <= true["value"] <= float(row["high"]), (species, true)
            checked += 1
    assert checked == 10
