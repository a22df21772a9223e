"""Site errors: the mixed-model numbers against an independent library, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]

from phenofit.errors import DataError, ModelError
from phenofit.maps.choice import read_validation
from phenofit.maps.sites import summarise_sites
from tests.calls import select_errors, site_errors

from .tables import invented_validation


def test_balanced_one_way_against_statsmodels() -> None:
    # Site part only (one season label per site would be crossed away): balanced rows in which every
    # season mean is removed have no season part, and statsmodels fits the same one-way model by REML.
    table = invented_validation(
        sites=12, years=6, seed=2, missing=0.0, season_sd=0.0, forecasters=("fitted",)
    ).table
    table["error_days"] -= table.groupby("year")["error_days"].transform("mean") - table["error_days"].mean()
    found = summarise_sites(select_errors(table))
    reference = sm.MixedLM(table["error_days"], np.ones((len(table), 1)), groups=table["site"]).fit(reml=True)
    assert found.season_sd == pytest.approx(0.0, abs=1e-3)
    assert found.site_sd == pytest.approx(float(np.sqrt(reference.cov_re.iloc[0, 0])), rel=1e-3)
    assert found.rest_sd == pytest.approx(float(np.sqrt(reference.scale)), rel=1e-3)
    blup = float(reference.fe_params.iloc[0]) + pd.Series(
        {name: float(effect.iloc[0]) for name, effect in reference.random_effects.items()}
    )
    ours = found.table.set_index("site")["shrunk_error"]
    np.testing.assert_allclose(ours, blup[ours.index], atol=2e-3)


def test_crossed_parts_against_dense_matrices() -> None:
    # The same best linear unbiased prediction from the full covariance matrix (computed).
    table = invented_validation(sites=9, years=5, seed=8, missing=0.3, forecasters=("fitted",)).table
    found = summarise_sites(select_errors(table))
    z_site = pd.get_dummies(table["site"]).to_numpy(float)
    z_year = pd.get_dummies(table["year"]).to_numpy(float)
    y, ones = table["error_days"].to_numpy(), np.ones(len(table))
    site_variance = found.site_sd**2
    covariance = (
        site_variance * z_site @ z_site.T
        + found.season_sd**2 * z_year @ z_year.T
        + found.rest_sd**2 * np.eye(len(y))
    )
    solved = np.linalg.solve(covariance, np.column_stack([ones, y]))
    level = (ones @ solved[:, 1]) / (ones @ solved[:, 0])
    site = site_variance * z_site.T @ (solved[:, 1] - level * solved[:, 0])
    assert found.level == pytest.approx(level, abs=1e-9)
    np.testing.assert_allclose(found.table["shrunk_error"], level + site, atol=1e-9)
    # Prediction error variance of mu + s_i: var(s) - C'V^-1 C + (1 - C'V^-1 1)^2 / (1'V^-1 1).
    cross = site_variance * z_site
    inner = np.linalg.solve(covariance, cross)
    rest = 1.0 - ones @ inner
    variance = site_variance - np.einsum("ij,ij->j", cross, inner) + rest**2 / (ones @ solved[:, 0])
    np.testing.assert_allclose(found.table["shrunk_se"] ** 2, variance, atol=1e-9)


def test_interval_of_the_shrunk_error_holds_the_truth() -> None:
    inside = []
    for seed in range(12):
        truth = invented_validation(sites=30, years=7, seed=100 + seed, forecasters=("fitted",))
        table = site_errors(truth.table)
        # The mean error over coming seasons: the seasons seen here are a sample.
        inside += list((table["low"] <= truth.site_error) & (truth.site_error <= table["high"]))
    assert 0.90 <= np.mean(inside) <= 0.985


def test_plain_numbers_of_a_site() -> None:
    table = pd.DataFrame(
        {
            "forecaster": "fitted", "flight": 1, "event": "flight_50", "trap": ["a", "b", "a"], "site": "P",
            "year": [2020, 2020, 2021], "latitude": [50.0, 50.2, 50.0], "longitude": [179.9, -179.9, 179.9],
            "error_days": [2.0, 4.0, -1.0], "covered80": [True, False, True],
        }
    )  # fmt: skip
    row = site_errors(table).iloc[0]
    # (2 + 4)/2 = 3 and -1: mean 1; root of (4 + 16 + 1)/3; two of three inside.
    assert row["mean_error"] == pytest.approx(1.0)
    assert row["rmse"] == pytest.approx(np.sqrt(7.0))
    assert row["coverage80"] == pytest.approx(2 / 3)
    assert row["seasons"] == 2
    assert row["traps"] == 2
    assert abs(row["longitude"]) > 179.8, "the mean of places on both sides of 180 degrees is near 180"


def test_single_season_sites_are_marked() -> None:
    truth = invented_validation(sites=10, years=4, seed=3, missing=0.7)
    found = summarise_sites(select_errors(truth.table))
    single = found.table["single_season"]
    assert single.any()
    assert not single.all()
    np.testing.assert_array_equal(single, found.table["seasons"] == 1)
    assert f"{int(single.sum())} of 10 sites were held out in one season only" in " ".join(found.notes)


def test_one_season_for_all_shrinks_to_the_level_and_says_so() -> None:
    found = summarise_sites(select_errors(invented_validation(sites=8, years=1, seed=3, missing=0.0).table))
    assert np.ptp(found.table["shrunk_error"]) < 1e-9
    assert "No site has more than one season" in " ".join(found.notes)


def test_one_row_has_no_standard_error() -> None:
    found = site_errors(invented_validation(sites=1, years=1, missing=0.0).table)
    assert np.isnan(found["shrunk_se"].iloc[0])


def test_rows_without_an_error_are_counted() -> None:
    table = invented_validation(sites=6, years=3).table
    fitted = table.index[table["forecaster"] == "fitted"]
    table.loc[fitted[:4], "error_days"] = np.nan
    found = summarise_sites(select_errors(table))
    assert found.chosen.left_out == 4
    assert found.notes[0].startswith("4 rows had no error")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"forecaster": "nobody"}, r"no row has forecaster 'nobody'; there is 'fitted', 'calendar mean'"),
        ({"event": "end"}, r"no row has event 'end'; there is 'flight_50'"),
        ({"flight": 2}, r"no row has flight '2'"),
        ({"lead_days": 14.0}, r"no row has lead_days '14'; there is weather known"),
    ],
)
def test_a_choice_that_matches_nothing_names_what_there_is(change: dict[str, object], message: str) -> None:
    with pytest.raises(ModelError, match=message):
        select_errors(invented_validation(sites=3, years=2).table, **change)


def test_two_species_need_a_choice() -> None:
    table = invented_validation(sites=3, years=2).table
    both = pd.concat([table, table.assign(species="example stem borer")])
    with pytest.raises(ModelError, match="several values of species"):
        site_errors(both)
    assert len(site_errors(both, species="example stem borer")) == 3


def test_absent_columns_are_all_named() -> None:
    table = invented_validation(sites=3, years=2).table.drop(columns=["latitude", "error_days"])
    with pytest.raises(DataError) as caught:
        site_errors(table)
    assert [p.column for p in caught.value.problems] == ["latitude", "error_days"]


def test_impossible_places_are_named() -> None:
    table = invented_validation(sites=3, years=2).table
    table.loc[table["site"] == "Site 001", "latitude"] = 410.0
    with pytest.raises(DataError, match="site 'Site 001' has latitude 410"):
        site_errors(table)


def test_table_from_a_file(tmp_path: Path) -> None:
    table = invented_validation(sites=5, years=3).table
    table.to_csv(tmp_path / "validation.csv", index=False)
    read = read_validation(tmp_path / "validation.csv")
    pd.testing.assert_frame_equal(site_errors(read), site_errors(table), rtol=1e-6)


def test_every_bad_number_of_a_file_is_named(tmp_path: Path) -> None:
    table = invented_validation(sites=3, years=2).table.astype({"latitude": object, "error_days": object})
    table.loc[1, "latitude"] = "north"
    table.loc[3, "error_days"] = "2 days"
    table.to_csv(tmp_path / "v.csv", index=False)
    with pytest.raises(DataError) as caught:
        read_validation(tmp_path / "v.csv")
    assert [(p.row, p.column) for p in caught.value.problems] == [(3, "latitude"), (5, "error_days")]
