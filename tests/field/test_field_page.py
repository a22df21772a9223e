"""The field page in a browser: its dates are those of the forecast, its verdicts those of the local check."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import phenofit
from phenofit.cli import main
from phenofit.errors import ModelError
from phenofit.field import write_field_page
from phenofit.flight import FlightModel
from phenofit.forecasting import forecast
from phenofit.forecasting.event_heat import place_shift
from phenofit.forecasting.forecast_places import season_places
from phenofit.forecasting.local.local_check import local_check
from phenofit.forecasting.local.scouting_records import place_records
from phenofit.forecasting.stage_windows import StageLag, stage_days, stage_windows
from phenofit.forecasting.weather_years import station_series
from phenofit.records import Records
from phenofit.validate import Scheme, cross_validate
from phenofit.weather.links import link_stations
from tests.forecast.fits import small_fit
from tests.maps.browser import Browser
from tests.validate.networks import SEASON, network
from tests.validate.study_files import NORMAL, write_study

TODAY = "2018-05-20"
N = network(sites=6, years=5)
RECORDS = Records(N.trap_years(), N.weather, link_stations(N.traps, N.weather), SEASON)
DAY = np.timedelta64(1, "D")


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("field") / "field.html"
    validation = cross_validate(RECORDS, FlightModel(curve="normal"), Scheme("year", lead_days=(28,)))
    failed = write_field_page(
        path, [(small_fit(), RECORDS, validation)], today=TODAY, title="Six <b>sites</b>", invented=True
    )
    assert failed == ()
    return path


@pytest.fixture(scope="module")
def browser(page: Path, chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(chromium, tmp_path_factory.mktemp("profile")) as opened:
        opened.open(page)
        yield opened


def test_the_page_is_small_whole_and_escaped(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    # 1.5 MB for 50 places; these are 6 with two seasons of 36 KiB each and the flight table.
    assert len(text) < 400_000
    assert "Six &lt;b&gt;sites" in text
    assert "<b>sites" not in text
    assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")


def test_a_fit_or_a_day_that_cannot_be_used_is_refused(tmp_path: Path) -> None:
    asked = [(small_fit(), RECORDS, pd.DataFrame())]
    with pytest.raises(ModelError, match="is not a date"):
        write_field_page(tmp_path / "a.html", asked, today="June")
    with pytest.raises(ModelError, match="outside the season"):
        write_field_page(tmp_path / "a.html", asked, today="2018-12-24")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.browser
def test_dates_are_those_of_the_forecast(browser: Browser) -> None:
    table = forecast(small_fit(), RECORDS, today=TODAY, draws=600).table()
    first = np.datetime64("2018-01-01")
    for index, site in enumerate(sorted(table["site"].unique())):
        shown = browser.value(
            f"fieldPage.choose({index}), fieldPage.pools(null).map(one => [0.025, 0.25, 0.5, 0.75, 0.975].map(one.q))"
        )
        rows = table[table["site"] == site]
        wanted = [
            [
                float((row[name].to_datetime64() - first) / DAY)
                for name in ("low95", "low50", "median", "high50", "high95")
            ]
            for _, row in rows.iterrows()
        ]
        assert np.array(shown) == pytest.approx(np.array(wanted), abs=0.1)


LAGS = (
    StageLag("eggs laid", "flight_5", 3.0, 1.0, "d", None, "invented"),
    StageLag("egg <hatch>", "eggs laid", 90.0, 9.0, "degC d", 10.0, "invented"),
    StageLag("of another moth", "flight_5", 3.0, 1.0, "d", None, "invented", "another moth"),
)


@pytest.mark.browser
def test_stages_after_the_flight_are_those_of_the_forecast(
    browser: Browser, tmp_path: Path, chromium: str
) -> None:
    path = tmp_path / "stages.html"
    write_field_page(path, [(small_fit(), RECORDS, pd.DataFrame())], today=TODAY, stages=LAGS)
    with Browser(chromium, tmp_path / "profile") as opened:
        opened.open(path)
        names = opened.value("fieldPage.pools(null).map(one => one.name)")
        assert names[3:] == ["eggs laid", "egg <hatch>"]
        assert "90 ± 9 °C-days above 10.0 °C after eggs laid (invented)" in opened.value(
            "document.getElementById('stages').textContent"
        )
        quantiles = (0.025, 0.5, 0.975)
        places, _ = season_places(RECORDS, issued=np.datetime64(TODAY))
        for index, place in enumerate(sorted(places, key=lambda one: one.site)):
            windows = stage_windows(small_fit(), place, LAGS[:2], draws=600)
            wanted = [[one.dates.quantile_days(q) for q in quantiles] for one in windows]
            shown = opened.value(
                f"fieldPage.choose({index}), fieldPage.pools(null).slice(3).map(one => [0.025, 0.5, 0.975].map(one.q))"
            )
            assert np.array(shown) == pytest.approx(np.array(wanted), abs=0.1)
            # A correction by scouting moves the stages with the flight. Its pool is stratified, the reference drawn:
            # 600 draws leave a standard error of 0.8 day on an outer quantile.
            correction = (40.0, 12.0)
            days = stage_days(small_fit(), place, LAGS[:2], [correction], flight=1, draws=600, seed=1)[:, 0]
            moved = opened.value(
                "fieldPage.pools([40, 12]).slice(3).map(one => [0.025, 0.5, 0.975].map(one.q))"
            )
            assert np.array(moved) == pytest.approx(np.quantile(days, quantiles, axis=1).T, abs=1.0)
            assert place_shift(small_fit(), place.site) != correction


def drawn_checks(rng: np.random.Generator) -> dict[int, list[tuple[int, int]]]:
    """Draw checks of one place: day of the season and moths, in one season or two."""
    found = {}
    for year in rng.choice([2016, 2017], size=rng.integers(1, 3), replace=False):
        middle, moths = rng.normal(168.0, 8.0), rng.choice([0, 1, 5, 40, 200])
        days = np.arange(rng.integers(115, 130), 250, rng.integers(4, 11))
        chance = np.exp(-0.5 * ((days - middle) / 9.0) ** 2) + 1e-3
        counts = rng.multinomial(moths, chance / chance.sum())
        found[int(year)] = [(int(d), int(c)) for d, c in zip(days, counts, strict=True)]
    return found


@pytest.mark.browser
@pytest.mark.parametrize("seed", range(30))
def test_verdicts_are_those_of_the_local_check(browser: Browser, seed: int) -> None:
    rng = np.random.default_rng(seed)
    checks, index = drawn_checks(rng), int(rng.integers(6))
    site = sorted(N.traps["site"])[index]
    station = RECORDS.links.set_index("trap").loc[site, "station"]
    when = [
        np.datetime64(f"{year}-01-01T12:00") + day * DAY for year, rows in checks.items() for day, _ in rows
    ]
    counts = [count for rows in checks.values() for _, count in rows]
    wanted = local_check(
        small_fit(),
        station_series(N.weather)[station],
        place_records(np.array(when), counts, season=SEASON),
        draws=600,
    )
    typed = [{"date": str(w.astype("datetime64[D]")), "count": c} for w, c in zip(when, counts, strict=True)]
    found: dict[str, Any] = browser.value(f"fieldPage.choose({index}), fieldPage.check({json.dumps(typed)})")
    assert found["supported"] is wanted.supported
    assert found["days"] == pytest.approx([wanted.bias_days, wanted.low_days, wanted.high_days], abs=0.1)
    for shown, year in zip(found["seasons"], wanted.years, strict=True):
        assert shown["inside"] is year.inside
        assert shown["moths"] == year.seen
        if shown["error"] is not None:
            assert shown["error"] == pytest.approx(year.error_days, abs=0.1)
    if wanted.correction is not None:
        table = forecast(
            small_fit(), RECORDS, today=TODAY, sites=[site], shifts={site: wanted.correction}, draws=600
        ).table()
        shown = browser.value(
            f"fieldPage.pools({json.dumps(found['correction'])}).map(one => [0.025, 0.5, 0.975].map(one.q))"
        )
        first = np.datetime64("2018-01-01")
        dates = [
            [float((row[n].to_datetime64() - first) / DAY) for n in ("low95", "median", "high95")]
            for _, row in table.iterrows()
        ]
        # Other draws stand behind the two: the middle of 600 is known to 0.2 days, an end to half a day, and in the cold
        # of spring, where the first moths fly, to several.
        middle, last = np.array(shown, dtype=float)[:, 1], np.array(shown, dtype=float)[:, 2]
        assert middle == pytest.approx(np.array(dates)[:, 1], abs=0.5)
        assert last == pytest.approx(np.array(dates)[:, 2], abs=1.5)


@pytest.mark.browser
def test_typing_checks_and_refusals(browser: Browser) -> None:
    browser.value("localStorage.clear(), fieldPage.choose(0)")

    def add(day: str, count: str) -> str:
        browser.value(
            f"document.getElementById('day').value = '{day}', document.getElementById('count').value = '{count}',"
            "document.getElementById('scouting').requestSubmit()"
        )
        return str(browser.value("document.getElementById('refused').textContent"))

    assert add("2017-06-03", "0") == ""
    assert add("2017-06-03", "1") == "2017-06-03 is a duplicate: enter each check once."
    assert "lies in no season of this page (2016, 2017, 2018)" in add("2011-06-03", "1")
    assert add("2017-06-10", "2") == ""
    said = browser.value("document.getElementById('verdict').innerText")
    assert "2017: half of 2 moths was caught by" in said
    assert "needs two seasons with moths" in said
    # What was typed is there again when the place is chosen again, and not at another place.
    assert browser.value("fieldPage.choose(1), document.querySelectorAll('#checks tbody tr').length") == 0
    assert browser.value("fieldPage.choose(0), document.querySelectorAll('#checks tbody tr').length") == 2
    browser.value("document.querySelector('#checks button').click()")
    assert browser.value("document.querySelectorAll('#checks tbody tr').length") == 1


@pytest.mark.browser
def test_the_nearest_place_the_calendar_and_the_units(browser: Browser) -> None:
    row = N.traps.iloc[3]
    at = f"{row['latitude']:.3f}N, {-row['longitude']:.3f}W"
    browser.value(f"document.getElementById('near').value = '{at}', document.getElementById('find').click()")
    assert browser.value("document.getElementById('found').textContent").endswith(", 0 km away.")
    browser.value(
        "document.getElementById('near').value = '48.12, 16.30', document.getElementById('find').click()"
    )
    assert browser.value("document.getElementById('found').textContent").endswith("not of yours.")
    browser.value("document.getElementById('near').value = '95, 0', document.getElementById('find').click()")
    assert "in degrees" in browser.value("document.getElementById('found').textContent")
    import icalendar

    calendar = icalendar.Calendar.from_ical("\r\n".join(browser.value("fieldPage.calendar()")) + "\r\n")
    events = calendar.walk("VEVENT")
    assert len(events) == 3
    assert "label is the law" in str(events[0]["DESCRIPTION"])
    browser.value(
        "document.getElementById('unit').value = 'F', document.getElementById('unit').dispatchEvent(new Event('change'))"
    )
    assert "°F-days" in browser.value("document.getElementById('chart-words').textContent")


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 768, 1280])
def test_nothing_runs_out_of_the_window_or_asks_the_network(browser: Browser, width: int) -> None:
    browser.call(
        "Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=False
    )
    assert browser.value("document.documentElement.scrollWidth <= window.innerWidth")
    assert browser.requests() == []
    assert browser.complaints() == []
    # Every input has a label, and every button a name.
    assert browser.value(
        "[...document.querySelectorAll('input, select')].every(e => e.labels.length === 1)"
        " && [...document.querySelectorAll('button')].every(e => (e.getAttribute('aria-label') || e.textContent).trim())"
    )


def test_the_command_writes_the_page_and_names_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study, fit_file, out = write_study(tmp_path, more=NORMAL), tmp_path / "fit.json", tmp_path / "agent.html"
    small = phenofit.load_study(study)
    phenofit.fit_flights(
        next(iter(phenofit.read_records(small).values())), FlightModel(curve="normal"), profiles=False
    ).to_json(fit_file)
    call = ["page", str(study), "--fit", str(fit_file), "--today", "2017-05-20", "--quiet", "--out", str(out)]
    assert main(call) == 0
    assert capsys.readouterr().out.endswith(f"written: {out}\n")
    text = out.read_text(encoding="utf-8")
    assert "Invented data." in text
    data = json.loads(text.split('id="data">')[1].split("</script>")[0])["species"][0]
    assert [one["site"] for one in data["places"]] == ["T00", "T01", "T02", "T03", "T04"]
    assert all(one["errors"][0]["seasons"] >= 2 for one in data["places"])
    assert main([*call[:-1], str(tmp_path / "agent.txt")]) == 2
    assert "give a file name that ends in .html" in capsys.readouterr().err
