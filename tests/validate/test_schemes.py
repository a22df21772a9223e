"""Ways to hold data out: what is learnt from never overlaps what is forecast."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from phenofit.errors import ModelError
from phenofit.validate import SCHEMES, make_folds
from tests.validate.networks import network


@pytest.mark.parametrize("scheme", SCHEMES)
def test_training_and_test_never_overlap_in_what_is_held_out(scheme: str) -> None:
    records = network(sites=8, years=5).trap_years()
    year, site = records.years["year"].to_numpy(), records.years["site"].to_numpy()
    folds = make_folds(records, scheme)
    tested = np.zeros(len(records), dtype=int)
    for fold in folds:
        tested += fold.test
        assert not (fold.train & fold.test).any()
        if "year" in scheme:
            assert not set(year[fold.train]) & set(year[fold.test])
        if "site" in scheme or "block" in scheme:
            assert not set(site[fold.train]) & set(site[fold.test])
        if scheme == "past":
            assert year[fold.train].max() < year[fold.test].min()
    assert tested.max() == 1
    if scheme != "past":
        assert tested.min() == 1


def test_past_years_need_a_few_to_learn_from() -> None:
    records = network(sites=8, years=5).trap_years()
    assert [f.name for f in make_folds(records, "past", first_years=3)] == ["2017", "2018"]
    with pytest.raises(ModelError, match=r"past years only.*5 years"):
        make_folds(records, "past", first_years=5)


def test_blocks_are_made_of_neighbours() -> None:
    records = network(sites=8, years=5).trap_years()
    places = records.years.groupby("site")[["latitude", "longitude"]].first()
    folds = make_folds(records, "block", blocks=2)
    groups = [set(records.years.loc[f.test, "site"]) for f in folds]
    assert sorted(map(len, groups)) == [4, 4]
    # Each block lies on its own side of some straight line: the blocks' ranges along one axis do not overlap.
    a, b = (places.loc[sorted(g)].to_numpy() for g in groups)
    axis = a.mean(axis=0) - b.mean(axis=0)
    assert (a @ axis).min() >= (b @ axis).max() - 1e-9


def test_blocks_are_the_same_across_the_date_line() -> None:
    records = network(sites=8, years=5).trap_years()
    years = records.years.copy()
    middle = years["longitude"].mean()
    years["longitude"] = (years["longitude"] - middle + 360.0) % 360.0 - 180.0
    assert years["longitude"].min() < -179 < 179 < years["longitude"].max()
    moved = make_folds(replace(records, years=years), "block", blocks=2)
    for here, there in zip(make_folds(records, "block", blocks=2), moved, strict=True):
        np.testing.assert_array_equal(here.test, there.test)


def test_an_unknown_scheme_gets_the_nearest_name() -> None:
    with pytest.raises(ModelError, match=r"accepted are year, site.*Did you mean 'block'"):
        make_folds(network(sites=8, years=5).trap_years(), "blok")
