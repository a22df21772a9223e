"""Degree-days against published worked examples and our own quadrature values.

``degree_days.csv`` holds the figures, each with its source and how it is known: ``read`` on the page named, ``from
memory``, or ``computed`` by quadrature of ours, which is no published authority. The published examples are averages
and hourly sums only; no published worked sine or triangle day was found.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from phenofit.heat import METHODS, degree_days, hourly_degree_days
from phenofit.heat.settings import HeatSettings

TABLE = pd.read_csv(Path(__file__).with_name("degree_days.csv"), keep_default_na=False)


def rows(*kinds: str) -> list[Any]:
    chosen = TABLE[TABLE["kind"].isin(kinds)]
    return [pytest.param(row, id=str(row.id)) for row in chosen.itertuples(index=False)]


def worked_out(row: Any) -> float:
    """Return what phenofit makes of a row, in the unit of the row."""
    unit = "degF" if row.unit.startswith("degF") else "degC"
    told = {name: getattr(row, name) for name in ("base", "upper", "tmin_next")}
    options: dict[str, Any] = {
        name: f"{text} {unit}" if name != "tmin_next" else float(text) for name, text in told.items() if text
    }
    if row.cutoff not in ("none", ""):
        options["cutoff"] = row.cutoff
    value = degree_days(
        float(row.tmin), float(row.tmax), method=row.method, unit=unit, out_unit=f"{unit} d", **options
    )
    return float(value)


@pytest.mark.parametrize("row", rows("published", "published bound"))
def test_published_days(row: Any) -> None:
    if row.method == "hourly":
        # The page prints the heat of one hour, as a share of a day, to two decimals (hourly means).
        times = pd.date_range("1992-09-10", periods=24, freq="h")
        day = pd.Series(float(row.tmin), index=times)
        heat = hourly_degree_days(day, base=float(row.base), upper=float(row.upper))
        assert heat.iloc[0] / 24.0 == pytest.approx(float(row.result), abs=0.00501)
        return
    assert worked_out(row) == pytest.approx(float(row.result), abs=1e-9)


@pytest.mark.parametrize("row", rows("computed", "computed grid", "contrast"))
def test_own_quadrature_to_its_six_printed_decimals(row: Any) -> None:
    assert worked_out(row) == pytest.approx(float(row.result), abs=6e-7)


@pytest.mark.parametrize("row", rows("published weekly"))
def test_published_weeks_roughly(row: Any) -> None:
    # A week's sum against seven sine days at the week's mean temperatures in whole degrees: 12 percent, enough to
    # catch a wrong threshold or unit, not a wrong cut-off.
    assert 7.0 * worked_out(row) == pytest.approx(float(row.result), rel=0.12)


@pytest.mark.parametrize("row", rows("published other method"))
def test_crop_heat_units_are_no_degree_days(row: Any) -> None:
    # Negative control: a table in another unit must not come out of any of the methods with the base 10 degC.
    low, high = float(row.tmin), float(row.tmax)
    for method in METHODS[:-1]:
        heat = degree_days(low, high, base=10.0, method=method, tmin_next=low)
        assert abs(heat - float(row.result)) > 0.5


def test_the_two_readings_of_the_average_differ_as_published() -> None:
    # The same day, 38.6 to 66.5 degF over base 50: 2.55 in one reading (plain arithmetic), 8.25 in the other (D015).
    day = {"base": "50 degF", "unit": "degF", "out_unit": "degF d"}
    assert degree_days(38.6, 66.5, method="simple average", **day) == pytest.approx(2.55, abs=1e-9)
    assert degree_days(38.6, 66.5, method="clipped average", **day) == pytest.approx(8.25, abs=1e-9)


def test_every_row_names_its_source_and_how_it_is_known() -> None:
    assert len(TABLE) == 158
    assert set(TABLE["known"]) == {"read", "from memory", "computed"}
    published = TABLE["kind"].str.startswith("published")
    assert (TABLE.loc[published, "source"].str.len() > 10).all()
    assert (
        TABLE.loc[TABLE["known"] == "computed", "kind"].isin(["computed", "computed grid", "contrast"])
    ).all()
    assert HeatSettings().method in METHODS
    assert np.isfinite(TABLE["result"].astype(float)).all()
