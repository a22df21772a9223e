"""The picture of the records: what each week shows, against sums written out day by day."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from phenofit.files.pictures import save_figure
from phenofit.records import Records, plot_records, records_figure
from phenofit.records.weeks import record_weeks
from phenofit.seasons import Season
from phenofit.traps import build_trap_years

NORTH = Season.parse("01-01", "10-31")


def network(traps: int, years: range, *, season: Season = NORTH, seed: int = 1) -> Records:
    """Return records of traps that are checked every 3 to 9 days, with checks that were missed or lost."""
    rng = np.random.default_rng(seed)
    names = [f"T{i + 1}" for i in range(traps)]
    places = pd.DataFrame(
        {
            "trap": names,
            "site": [f"Site {i // 2 + 1}" for i in range(traps)],
            "latitude": 44.0,
            "longitude": -98.0,
            "elevation_m": 400.0,
            "station": None,
        }
    )
    rows: list[tuple[object, ...]] = []
    for trap in names:
        for year in years:
            day = season.first_day(year) + int(rng.integers(95, 105))
            for k in range(20):
                day += int(rng.integers(3, 10))
                status = str(rng.choice(["counted", "missing", "lost"], p=[0.9, 0.06, 0.04]))
                count = (
                    float(rng.poisson(30 * np.exp(-(((k - 8) / 3) ** 2)))) if status == "counted" else np.nan
                )
                stamp = pd.Timestamp(day) + pd.Timedelta(hours=12)
                rows.append((trap, pd.NaT, stamp, count, 1.0, status, len(rows) + 2))
    catches = pd.DataFrame(rows, columns=["trap", "set", "check", "count", "effort", "status", "row"])
    catches["set"] = pd.to_datetime(catches["set"])
    found = build_trap_years(places, catches, season)
    return Records(
        found, xr.Dataset(), pd.DataFrame(columns=["trap", "station"]), season, None, "moth", places
    )


@pytest.mark.parametrize("season", [NORTH, Season.parse("07-01", "06-30")])
def test_weeks_are_the_sums_of_their_hours(season: Season) -> None:
    records = network(3, range(2022, 2024), season=season)
    weeks = record_weeks(records)
    assert weeks.traps == ("T1", "T2", "T3")
    assert weeks.labels == tuple(season.label(year) for year in (2022, 2023))
    intervals = records.trap_years.intervals
    hours = np.arange(168) + 0.5
    for s, year in enumerate((2022, 2023)):
        first = weeks.first[s].astype("datetime64[h]")
        assert int((first - season.first_day(year).astype("datetime64[h]")).astype(int)) % 168 == 0
        for t, trap in enumerate(weeks.traps):
            own = intervals[(intervals["trap"] == trap) & (intervals["year"] == year)]
            start, end = (
                (own[name].to_numpy().astype("datetime64[h]") - first).astype(int)
                for name in ("start", "end")
            )
            rate = own["count"].to_numpy() / (end - start)
            for w in range(weeks.moths.shape[2]):
                at = 168 * w + hours[:, None]
                inside = (start <= at) & (at < end)
                rates = (inside * rate).sum(axis=1)[inside.any(axis=1)]
                expected = 168 * rates.mean() if rates.size else np.nan
                np.testing.assert_allclose(weeks.moths[s, t, w], expected, rtol=1e-9)


def test_a_missed_check_is_hatched_and_a_lost_one_crossed() -> None:
    records = network(4, range(2022, 2024))
    weeks = record_weeks(records)
    unused = records.trap_years.unused
    assert set(unused["reason"]) == {"not checked", "lost", "no start"}
    columns = (unused[name].tolist() for name in ("trap", "year", "end", "reason"))
    for trap, year, end, reason in zip(*columns, strict=True):
        season = weeks.labels.index(NORTH.label(year))
        passed = (end.to_datetime64() - weeks.first[season]) // np.timedelta64(7, "D")
        marks = weeks.unchecked if reason == "not checked" else weeks.left_out
        assert marks[season, weeks.traps.index(trap), passed]
    assert weeks.left_out.sum() <= (unused["reason"] != "not checked").sum()
    # Between the first and last check every week is watched, hatched or crossed.
    shown = ~np.isnan(weeks.moths) | weeks.unchecked | weeks.left_out
    for line in shown.reshape(-1, shown.shape[2]):
        at = np.flatnonzero(line)
        assert at.size
        assert line[at[0] : at[-1] + 1].all()


def test_traps_of_a_site_are_together_and_in_natural_order() -> None:
    weeks = record_weeks(network(24, range(2022, 2023)))
    assert weeks.traps == tuple(f"T{i}" for i in range(1, 25))
    assert weeks.sites[:4] == ("Site 1", "Site 1", "Site 2", "Site 2")


def test_a_selection_shows_its_own_seasons_and_traps_alone() -> None:
    records = network(4, range(2022, 2024))
    weeks = record_weeks(records.select(years=[2023], sites=["Site 2"]))
    assert (weeks.labels, weeks.traps) == (("2023",), ("T3", "T4"))
    whole = record_weeks(records)
    assert weeks.left_out.sum() == whole.left_out[1, 2:].sum() > 0


def test_one_block_for_each_season_on_the_panel_given() -> None:
    from matplotlib.figure import Figure

    records = network(3, range(2022, 2025))
    axes = Figure(figsize=(8, 3)).subplots()
    assert plot_records(records, ax=axes) is axes
    assert [text.get_text() for text in axes.texts] == ["2022", "2023", "2024"]
    assert len([one for one in axes.collections if type(one).__name__ == "QuadMesh"]) == 3
    crosses = sum(len(np.atleast_1d(line.get_xdata())) for line in axes.lines if line.get_marker() == "x")
    assert crosses == record_weeks(records).left_out.sum() > 0
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels == ["Site 1:  T1", "T2", "Site 2:  T3"]


@pytest.mark.parametrize(("traps", "years"), [(1, 1), (120, 4)])
def test_small_and_large_networks_are_drawn(traps: int, years: int, tmp_path: Path) -> None:
    figure = records_figure([network(traps, range(2020, 2020 + years))])
    wide, high = figure.get_size_inches()
    assert 6 <= wide <= 16
    assert high <= 30
    save_figure(figure, tmp_path / "records.png", dpi="figure")
    assert (tmp_path / "records.png").read_bytes()[:4] == b"\x89PNG"


def test_seasons_without_room_stand_in_further_rows_with_the_same_shades() -> None:
    records = network(4, range(2015, 2023))
    wide, narrow = records_figure([records]), records_figure([records], width=9.5)
    assert narrow.get_figwidth() <= 9.5 < wide.get_figwidth()

    def panels(figure: Figure) -> list[Axes]:
        return [axes for axes in figure.axes if axes.get_title(loc="left") == records.species]

    rows = panels(narrow)
    assert len(rows) > len(panels(wide)) > 0
    labels = [text.get_text() for axes in rows for text in axes.texts]
    assert labels == [str(year) for year in range(2015, 2023)]
    assert len({axes.collections[0].get_clim() for axes in rows}) == 1
    assert len({axes.get_xlim() for axes in rows}) == 1


def test_nothing_of_pyplot_is_touched() -> None:
    code = (
        "import sys; from tests.records.test_picture import network; from phenofit import plot_records; "
        "plot_records(network(2, range(2022, 2023))); sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
