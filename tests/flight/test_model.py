"""Every setting of the model is declared once: study file, keyword arguments, fit settings and fit file agree."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import pytest

from phenofit.errors import ModelError, UnitError
from phenofit.flight import CURVE_CODES, FitSettings, FlightModel
from phenofit.flight.document import to_text
from phenofit.flight.result import FlightFit
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.study.flight_keys import MODEL_KEYS, FlightsPart
from tests.forecast.fits import small_fit

SEASON = Season.parse("01-01", "10-31")
# Settings without a key in [flights]: heat has a section of its own; the others are for Python.
ELSEWHERE = {"heat", "base_range", "counts", "rearing"}


def test_the_study_file_knows_every_setting_with_the_same_default() -> None:
    names = {item.name for item in fields(FlightModel)}
    assert set(MODEL_KEYS.values()) - {"upper"} == names - ELSEWHERE
    section, model = FlightsPart(), FlightModel()
    for key, name in MODEL_KEYS.items():
        if key not in ("upper", "upper_range"):
            assert getattr(section, key) == getattr(model, name), key


def test_fit_settings_take_every_setting_over() -> None:
    model = FlightModel(
        flights=2, curve="gamma", heat=HeatSettings("double sine", "vertical", 33.0), base=9.0, base_range=(-2.0, 15.0),
        shifts=("site",), records="presence", counts="multinomial", stray="fit", covariates=("crop",), covariate_scale="heat", night_weather="tmax",
        hold={"spread_1": 40.0}, level=0.9,
    )  # fmt: skip
    settings = model.fit_settings(SEASON, species="s", biofix=True)
    for item in fields(FlightModel):
        assert getattr(settings, item.name) == getattr(model, item.name), item.name
    assert (settings.base_held, settings.stray_fitted, settings.stray_share) == (9.0, True, 0.001)


def test_the_fit_file_keeps_every_setting(tmp_path: Path) -> None:
    own = replace(
        small_fit().settings, base=9.0, shifts=("year", "site"), stray="fit", hold={"concentration": 5.0}, level=0.8,
        upper_range=(28.0, 36.0), base_range=(-3.0, 14.0), biofix=True, night_weather="tmax",
    )  # fmt: skip
    path = tmp_path / "fit.json"
    path.write_text(to_text(replace(small_fit(), settings=own)), encoding="utf-8")
    assert FlightFit.from_json(path).settings == own


def test_covariates_act_on_the_scale_that_is_natural_to_the_curve() -> None:
    natural = {curve: FlightModel(curve=curve).fit_settings(SEASON).spread_follows for curve in CURVE_CODES}
    assert natural == {
        "normal": False,
        "logistic": False,
        "log-normal": True,
        "log-logistic": True,
        "Weibull": True,
        "gamma": True,
        "Gumbel": False,
    }
    for curve in CURVE_CODES:
        for scale, follows in (("heat", True), ("requirement", False)):
            settings = FitSettings(SEASON, curve=curve.lower(), covariate_scale=scale)
            assert settings.spread_follows is follows
    with pytest.raises(ModelError, match="covariates act on curve, heat, requirement, not on 'days'"):
        FlightModel(covariate_scale="days")


def test_a_file_without_a_scale_is_of_covariates_of_the_requirement(tmp_path: Path) -> None:
    own = replace(small_fit().settings, curve="gamma")
    text = to_text(replace(small_fit(), settings=own))
    assert '"covariate_scale": "curve",' in text
    path = tmp_path / "fit.json"
    path.write_text(text.replace('"covariate_scale": "curve",', ""), encoding="utf-8")
    assert FlightFit.from_json(path).settings == replace(own, covariate_scale="requirement")


def test_temperatures_are_read_with_their_unit() -> None:
    model = FlightModel(base="50 degF", base_range=("30.2 degF", 20.0))  # type: ignore[arg-type]
    assert model.base == pytest.approx(10.0)
    assert model.base_range == pytest.approx((-1.0, 20.0))
    with pytest.raises(UnitError, match="did you mean '50 degF'"):
        FlightModel(base=50.0)


def test_choices_are_open_until_they_are_settled() -> None:
    model = FlightModel(flights="compare", curve=["normal", "Gamma"])
    assert model.numbers == (1, 2, 3, 4, 5)
    assert model.curves == ("normal", "gamma")
    assert not model.settled
    with pytest.raises(ModelError, match="still to be chosen"):
        _ = model.number
    with pytest.raises(ModelError, match="one number of flights and one curve"):
        model.fit_settings(SEASON)
    assert replace(model, flights=2, curve="gamma").fit_settings(SEASON).flights == 2


def test_what_is_bound_to_a_heat_scale_is_dropped_on_other_terms() -> None:
    hold = {"spread_1": 60.0, "requirement_1": 500.0, "shift_sd_year": 10.0, "concentration": 12.0}
    model = FlightModel(base=9.0, hold=hold, upper_range=(28.0, 36.0), level=0.9)
    other = model.on_other_terms(heat=HeatSettings("simple average"), base=8.0)
    assert other.hold == {"concentration": 12.0}
    assert (other.base, other.upper_range, other.heat.method, other.level) == (
        8.0,
        None,
        "simple average",
        0.9,
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [({"flights": 2, "records": "first catch"}, "one flight only"), ({"flights": 6}, "1 to 5 flights")],
)
def test_settings_of_one_fit_that_do_not_go_together(change: dict[str, object], words: str) -> None:
    with pytest.raises(ModelError, match=words):
        FitSettings(SEASON, **change)  # type: ignore[arg-type]
