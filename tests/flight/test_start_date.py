"""The profile of the start date: the same as refits, the true start kept, and what it says of the others."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError, ModelError
from phenofit.flight import StartProfile
from phenofit.flight.inference.start_date import START_COLUMNS
from phenofit.seasons import Season
from tests.calls import fit_flights, profile_start
from tests.flight.networks import SEASON, Network, network


def profile(net: Network, *starts: str, **options: object) -> StartProfile:
    return profile_start(net.trap_years, net.weather, net.links, season=SEASON, starts=starts, **options)


@pytest.fixture(scope="module")
def net() -> Network:
    return network(sites=6, years=4)


@pytest.fixture(scope="module")
def found(net: Network) -> StartProfile:
    return profile(net, "03-01", "05-15", "07-01")


def test_each_row_is_a_refit(net: Network, found: StartProfile) -> None:
    assert tuple(found.table.columns) == START_COLUMNS
    rows = found.table.set_index("start").to_dict("index")
    assert list(rows) == ["01-01", "03-01", "05-15", "07-01"]
    for start in ("01-01", "03-01"):
        alone = fit_flights(
            net.trap_years, net.weather, net.links, season=Season.parse(start, "10-31"), profiles=False
        )
        assert rows[start]["log_likelihood"] == pytest.approx(alone.log_likelihood, abs=1e-3)
        assert rows[start]["base"] == pytest.approx(alone.base, abs=0.02)
        assert rows[start]["requirement_1"] == pytest.approx(alone.requirement(), abs=1.0)
    assert found.table.attrs["units"] == {"base": "degC", "requirement_1": "degC d"}


def test_first_catches_alone_are_profiled_too(net: Network) -> None:
    rows = profile(net, "03-01", records="first catch", base=10.0).table.set_index("start").to_dict("index")
    alone = fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=Season.parse("03-01", "10-31"),
        records="first catch",
        base=10.0,
        profiles=False,
    )
    assert rows["03-01"]["log_likelihood"] == pytest.approx(alone.log_likelihood, abs=1e-3)


def test_a_late_start_is_excluded_and_one_after_the_moths_is_not_fitted(found: StartProfile) -> None:
    rows = found.table.set_index("start").to_dict("index")
    # 3.84 is the 95 % point of chi-squared with one degree of freedom (any table).
    assert rows["05-15"]["deviance"] > 3.84
    assert not rows["05-15"]["inside"]
    assert "01-01" in found.inside
    assert np.isnan(rows["07-01"]["log_likelihood"])
    assert "moths were caught before it" in rows["07-01"]["note"]
    text = found.summary()
    for words in ("degC d since that start", "single sine", "24 trap-years", "rough"):
        assert words in text
    assert "requirement 1" in found._repr_html_()


def test_the_start_that_the_moths_count_from_is_kept() -> None:
    late = network(
        sites=8, years=5, start="04-15", requirements=(400.0,), shift_sd=10.0, shift_sd_year=10.0, seed=3
    )
    found = profile(late, "03-01", "04-15", "05-20", base=10.0)
    assert "04-15" in found.inside
    assert "05-20" not in found.inside


def test_a_flat_profile_is_said_to_be_flat(net: Network) -> None:
    found = profile(net, "01-15", "02-01")
    assert found.inside == ("01-01", "01-15", "02-01")
    assert any("do not determine the start date" in text for text in found.problems)


def test_the_best_at_an_end_is_said(net: Network) -> None:
    found = profile(net, "05-15", "06-01")
    assert any("best start is the first one tried; look at earlier" in text for text in found.problems)


def test_every_start_has_the_same_records(net: Network) -> None:
    # A gap in January takes the trap-years of one station and year from the January start; all starts lose them.
    weather = net.weather.copy(deep=True)
    weather["tmin"].loc[{"station": "S1", "time": "2012-01-10"}] = np.nan
    gap = replace(net, weather=weather)
    found = profile(gap, "02-01")
    assert found.left_out == 3
    assert found.trap_years == 24 - 3
    assert "3 trap-years left out" in found.summary()
    kept = profile(
        replace(
            gap,
            trap_years=net.trap_years.select(
                ~(
                    (net.trap_years.years["year"] == 2012)
                    & net.trap_years.years["trap"].isin(["T0", "T2", "T4"])
                ).to_numpy()
            ),
        ),
        "02-01",
    )
    pd.testing.assert_frame_equal(kept.table, found.table)


def test_the_result_does_not_depend_on_the_executor(net: Network) -> None:
    with ThreadPoolExecutor(2) as pool:
        several = profile(net, "02-01", executor=pool)
    pd.testing.assert_frame_equal(several.table, profile(net, "02-01").table)


def test_what_cannot_be_profiled_is_refused(net: Network) -> None:
    with pytest.raises(ModelError, match="two different month-days"):
        profile(net, "01-01")
    with pytest.raises(ModelError, match="does not lie before the end"):
        profile(net, "11-15")
    with pytest.raises(ModelError, match="no day 02-30"):
        profile(net, "02-30")
    with pytest.raises(ModelError, match="biofix"):
        profile_start(net.trap_years, net.weather, net.links, season=SEASON, biofix=True)
    south = Season.parse("07-01", "05-31")
    with pytest.raises(ModelError, match="after New Year"):
        profile_start(net.trap_years, net.weather, net.links, season=south, starts=("02-01",))
    weather = net.weather.copy(deep=True)
    weather["tmin"].loc[{"time": [f"{y}-03-10" for y in range(2010, 2014)]}] = np.nan
    with pytest.raises(DataError, match="no trap-year"):
        profile(replace(net, weather=weather), "04-01")
