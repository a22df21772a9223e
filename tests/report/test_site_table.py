"""The errors of the sites as a table, where the map has no surface."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.maps import site_errors
from phenofit.report.site_table import late_or_early, site_table
from tests.maps.tables import invented_validation


def result(validation: pd.DataFrame, mean_error: float | None) -> Any:
    drawn = None if mean_error is None else xr.Dataset({"mean_error": ("cell", [np.nan, mean_error])})
    fit = SimpleNamespace(settings=SimpleNamespace(flights=2))  # the second has no held-out dates
    return SimpleNamespace(validation=validation, error_map=drawn, species="example leaf feeder", fit=fit)


@pytest.mark.parametrize("mean_error", [None, np.nan])
def test_without_a_surface_every_site_has_a_row(mean_error: float | None) -> None:
    validation = invented_validation(sites=7, years=4, forecasters=("fitted",)).table
    found = site_table(result(validation, mean_error))
    assert found is not None
    wanted = site_errors(validation)
    assert [row[0] for row in found.rows] == wanted["site"].tolist()
    assert found.rows[0][2] == f"{wanted['mean_error'].iloc[0]:.1f}".replace("-", "−")
    assert "positive: forecast late" in found.caption


def test_with_a_surface_or_without_errors_there_is_no_table() -> None:
    validation = invented_validation(sites=7, years=4, forecasters=("fitted",)).table
    assert site_table(result(validation, 1.0)) is None
    assert site_table(result(validation[:0], None)) is None


@pytest.mark.parametrize(("shift", "way"), [(8.0, "late"), (-8.0, "early"), (0.0, "")])
def test_a_place_whose_forecasts_came_late_is_named(shift: float, way: str) -> None:
    validation = invented_validation(sites=7, years=6, forecasters=("fitted",)).table
    first = validation["site"].iloc[0]
    noise = np.random.default_rng(5).normal(0.0, 0.5, len(validation))
    noise -= noise.mean()
    validation = validation.assign(error_days=noise + shift * (validation["site"] == first))
    mean = validation.loc[validation["site"] == first].groupby("year")["error_days"].mean().mean()
    found = late_or_early(result(validation, None))
    expected = f"past forecasts came {abs(mean):.1f} days {way} on average here (weather known)"
    assert found.get((first, 1)) == (expected if way else None)
    if not way:
        assert found == {}
    assert late_or_early(result(validation[:0], None)) == {}
