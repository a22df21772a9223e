"""Contrasts of regions and other columns: the test, its reference, the table, what is refused and remarked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, f_oneway

from phenofit.errors import ModelError
from phenofit.flight.inference.contrasts import CONTRAST_COLUMNS, Contrast, _reference
from tests.calls import contrast, fit_flights
from tests.flight.networks import SEASON, Network, network

LATE = {f"T{i}": 40.0 for i in (0, 2, 4, 6)}


@pytest.fixture(scope="module")
def net() -> Network:
    """Eight traps, invented; half of them fly 8 % later."""
    plain = network(sites=8, site_shifts=tuple(LATE.items()), shift_sd=10.0)
    years = plain.trap_years.years
    north = years["trap"].isin(list(LATE))
    season = np.where(years["year"] < 2012, "old lure", "new lure")
    columns = years.assign(region=np.where(north, "North", "South"), lure=season)
    return replace(plain, trap_years=replace(plain.trap_years, years=columns))


def against(net: Network, column: str, **options: object) -> Contrast:
    return contrast(net.trap_years, net.weather, net.links, column, season=SEASON, base=10.0, **options)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def regions(net: Network) -> Contrast:
    return against(net, "region")


def test_a_difference_is_found_with_its_size(regions: Contrast) -> None:
    assert tuple(regions.table.columns) == CONTRAST_COLUMNS
    table = regions.table.set_index("level").to_dict("index")
    for level, truth in (("North", 540.0), ("South", 500.0)):
        assert table[level]["low"] < truth < table[level]["high"]
    assert table["South"]["ratio_low"] < 500.0 / 540.0 < table["South"]["ratio_high"]
    ratio = table["South"]["requirement"] / table["North"]["requirement"]
    assert ratio == pytest.approx(table["South"]["ratio"], rel=1e-3)
    assert regions.table["moths"].sum() == regions.fit.moths
    assert "evidence that the requirement depends on region" in regions.sentence()


def test_the_reference_is_that_of_site_means(regions: Contrast) -> None:
    # A statistic as large as that of an analysis of variance of 8 site means in 2 groups has the p value of its F
    # test. Outside answer: scipy.stats.f_oneway, and the likelihood ratio from the residual sums of squares.
    means = np.array([3.0, 5.0, 4.0, 7.0, 8.0, 6.0, 9.0, 9.5])
    halves = means[:4], means[4:]
    within = sum(float(((h - h.mean()) ** 2).sum()) for h in halves)
    ratio = 8 * np.log(float(((means - means.mean()) ** 2).sum()) / within)
    assert _reference(ratio, 1, 6, "site")[0] == pytest.approx(f_oneway(*halves).pvalue)
    assert regions.degrees == 1
    assert regions.p_value == pytest.approx(_reference(regions.statistic, 1, 6, "site")[0])
    assert regions.p_chi_squared == pytest.approx(chi2.sf(regions.statistic, 1))
    assert regions.fit.settings.shifts == regions.without.settings.shifts
    assert "site" in regions.fit.settings.shifts


def test_the_interval_ends_where_a_held_ratio_is_just_rejected(net: Network, regions: Contrast) -> None:
    end = float(regions.table.set_index("level").to_dict("index")["South"]["ratio_high"])
    held = fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        base=10.0,
        covariates=("region",),
        shifts=regions.fit.settings.shifts,
        hold={"effect region=South": float(np.log(end))},
        profiles=False,
    )
    fallen = 2.0 * (regions.fit.log_likelihood - held.log_likelihood)
    assert _reference(fallen, 1, 6, "site")[0] == pytest.approx(0.05, abs=0.003)


def test_numbers_are_told_by_one_unit(net: Network) -> None:
    found = against(net, "elevation_m")
    scale = found.fit.data["elevation_m"].std(ddof=0)
    row = found.table.iloc[0]
    assert row["ratio"] == pytest.approx(np.exp(found.fit.parameters["effect elevation_m"] / scale))
    assert row["ratio_low"] < 1.0 < row["ratio_high"]
    assert "no evidence" in found.sentence()


def test_a_column_of_years_is_judged_by_years(net: Network) -> None:
    found = against(net, "lure")
    assert found.reference.endswith("from the number of years")
    assert found.p_value == pytest.approx(_reference(found.statistic, 1, 3, "year")[0])
    assert any("3 degree(s) of freedom are left" in text for text in found.remarks)


def test_without_a_site_shift_it_is_said(net: Network) -> None:
    found = against(net, "region", shifts=("year", "trap-year"))
    assert any("count as independent evidence" in text for text in found.remarks)
    assert "count as independent evidence" in found.summary()


def test_two_sites_in_two_regions_tell_nothing(net: Network) -> None:
    keep = net.trap_years.years["trap"].isin(["T0", "T1"]).to_numpy()
    found = against(replace(net, trap_years=net.trap_years.select(keep)), "region")
    assert np.isnan(found.p_value)
    assert "cannot be decided" in found.sentence()
    assert any("as a description only" in text for text in found.remarks)
    assert found.table[["low", "high"]].isna().all().all()


def test_a_level_without_a_moth_is_refused(net: Network) -> None:
    years, intervals = net.trap_years.years, net.trap_years.intervals
    empty = years["trap"] == "T7"
    bare = replace(
        net.trap_years,
        years=years.assign(region=years["region"].mask(empty, "West"), total=years["total"].mask(empty, 0)),
        intervals=intervals.assign(count=intervals["count"].mask(intervals["trap"] == "T7", 0)),
    )
    with pytest.raises(ModelError, match="level 'West' of 'region' has no moth"):
        against(replace(net, trap_years=bare), "region")
    with pytest.raises(ModelError, match="no column 'soil'"):
        against(net, "soil")


def test_text_in_html_is_escaped(net: Network) -> None:
    years = net.trap_years.years
    sharp = replace(net.trap_years, years=years.assign(region=years["region"].replace("North", "<b>North")))
    page = against(replace(net, trap_years=sharp), "region")._repr_html_()
    assert "&lt;b&gt;North" in page
    assert "<b>North" not in page
    assert pd.Series([page]).str.contains("degC d").all()
