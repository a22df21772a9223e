"""The arrays of a likelihood are those that a plain loop over trap-years and checks gives."""

from __future__ import annotations

import contextlib
import math
from collections import defaultdict

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phenofit.errors import DataError
from phenofit.flight.likelihood.flight_data import FlightData, assemble
from phenofit.records import Records
from phenofit.seasons import Season
from phenofit.traps import TrapYears
from phenofit.weather.schema import new_dataset

SEASON = Season.parse("01-01", "10-31")
DAYS = np.arange("2019-01-01", "2021-01-01", dtype="datetime64[D]")
TRAPS: dict[str, str | None] = {"T1": "S1", "T2": "S2", "T3": None}
LACKS: dict[str, np.datetime64 | None] = {
    "S1": None,
    "S2": np.datetime64("2019-02-20", "D"),
}  # first day without temperatures
FIELDS = ["trap_year", "trap", "site", "season", "year", "start", "end", "count", "status", "effort", "row"]

checks = st.lists(
    st.tuples(
        st.integers(0, 140),  # half days from the season's start
        st.integers(1, 20),  # half days covered
        st.integers(0, 3),
        st.sampled_from(["counted", "counted", "counted", "at least", "present"]),
        st.sampled_from([1.0, 2.0, 0.5]),
    ),
    min_size=1,
    max_size=7,
)
networks = st.dictionaries(
    st.tuples(st.sampled_from(sorted(TRAPS)), st.sampled_from([2019, 2020])), checks, min_size=1
)
Network = dict[tuple[str, int], list[tuple[int, int, int, str, float]]]
Row = tuple[float, float, int, bool, float]
"""Days from the season's start to start and end of a check, moths, whether they are at least so many, effort."""
Entered = tuple[tuple[str, int], list[Row]]


def records_of(network: Network) -> Records:
    half = np.timedelta64(12, "h")
    rows: list[tuple[object, ...]] = []
    for number, ((trap, year), its_checks) in enumerate(network.items()):
        opens = SEASON.first_day(year).astype("datetime64[ns]")
        for after, length, count, status, effort in its_checks:
            moths = count if status == "counted" else count + 1
            start, end = opens + half * after, opens + half * (after + length)
            rows.append(
                (number, trap, trap, str(year), year, start, end, moths, status, effort, len(rows) + 2)
            )
    intervals = pd.DataFrame(rows, columns=FIELDS)
    years = intervals.drop_duplicates("trap_year")[FIELDS[:5]].assign(total=0, slope=1.5)
    warmth = np.full((2, len(DAYS)), 8.0)
    for row, missing in zip(warmth, LACKS.values(), strict=True):
        row[np.isin(DAYS, [missing] if missing else [])] = np.nan
    weather = new_dataset(pd.DataFrame({"station": list(LACKS)}), DAYS, warmth, warmth + 9.0)
    links = pd.DataFrame({"trap": list(TRAPS), "station": list(TRAPS.values())})
    found = TrapYears(intervals, years.reset_index(drop=True), TrapYears.none().left_out)
    return Records(found, weather, links, SEASON)


def plain(network: Network, kind: str) -> tuple[list[Entered], list[tuple[str, int, int]]]:
    """Return what enters of each trap-year, and reason, rows and moths of what does not."""
    entered: list[Entered] = []
    left: list[tuple[str, int, int]] = []
    for (trap, year), its_checks in network.items():
        rows = [
            (
                after / 2,
                (after + length) / 2,
                n if status == "counted" else n + 1,
                status != "counted",
                effort,
            )
            for after, length, n, status, effort in its_checks
        ]
        rows.sort(key=lambda one: one[1])
        station = TRAPS[trap]
        if station is None:
            left.append(("no weather station within reach", len(rows), sum(one[2] for one in rows)))
            continue
        lacks = LACKS[station]
        last = math.inf
        if lacks is not None and int(str(lacks)[:4]) == year:
            last = (lacks - SEASON.first_day(year)).astype(int)
        gone = [one for one in rows if math.floor(one[1]) >= last]
        rows = [one for one in rows if one not in gone]
        if gone:
            reason = f"no heat sum: station {station} has no temperature on {lacks}"
            left.append((reason, len(gone), sum(one[2] for one in gone)))
        if not rows:
            continue
        moths = sum(one[2] for one in rows)
        with_moths = [one for one in rows if one[2] > 0]
        if not with_moths:
            left.append(("no moth caught: no timing in it", len(rows), moths))
        elif len(rows) == 1:
            left.append(("a single check interval: no timing in it", len(rows), moths))
        elif kind == "presence" and len(with_moths) == len(rows):
            left.append(("moths at every check: no timing in their presence", len(rows), moths))
        elif kind == "counts" and sum(one[2] for one in rows if not one[3]) == 0:
            reason = "moths seen but never counted: their timing can be fitted as records of presence"
            left.append((reason, len(rows), moths))
        else:
            entered.append(((trap, year), rows))
    return entered, left


def arrays_of(rows: list[Row], kind: str) -> dict[str, object]:
    """Return edges with their weights, and the catches, of one trap-year that enters."""
    weight: dict[float, float] = defaultdict(float)
    for _, end, _, _, effort in rows:
        weight[end] += effort
    for start, _, _, _, effort in rows:
        weight[start] -= effort
    caught = [one for one in rows if one[2] > 0]
    ends = {time for one in caught for time in one[:2]}
    watched = sum((one[1] - one[0]) * one[4] for one in rows)
    exact = kind == "presence"
    return {
        "edges": [(time, weight[time]) for time in sorted(weight) if weight[time] != 0 or time in ends],
        "catches": [
            (start, end, 1 if exact else n, 0 if exact else int(at_least), effort)
            for start, end, n, at_least, effort in caught
        ],
        "share": [(end - start) * effort / watched for start, end, _, _, effort in caught],
    }


def told(data: FlightData, k: int) -> dict[str, object]:
    """Return the same from the arrays."""
    edges = slice(*data.edge_of[k : k + 2])
    mine = slice(*data.catch_of[k : k + 2])
    time = data.edge_day + data.edge_part
    pairs = zip(
        time[data.catch_left[mine]],
        time[data.catch_right[mine]],
        data.catch_count[mine],
        data.catch_open[mine],
        data.catch_effort[mine],
        strict=True,
    )
    return {
        "edges": list(zip(time[edges], data.edge_weight[edges], strict=True)),
        "catches": list(pairs),
        "share": pytest.approx(data.catch_share[mine]),
    }


@settings(max_examples=60, deadline=None)
@given(networks, st.sampled_from(["counts", "presence"]))
def test_arrays_are_those_of_a_loop(network: Network, kind: str) -> None:
    entered, left = plain(network, kind)
    if not entered:
        with pytest.raises(DataError, match="no trap-year is left to fit"):
            assemble(records_of(network), kind=kind)
        return
    data = assemble(records_of(network), kind=kind)
    told_left = data.left_out[["reason", "rows", "moths"]].itertuples(index=False, name=None)
    assert list(told_left) == left
    assert list(zip(data.table["trap"], data.table["year"], strict=True)) == [key for key, _ in entered]
    for k, (_, rows) in enumerate(entered):
        assert told(data, k) == arrays_of(rows, kind)
    constant = 0.0
    for _, rows in entered:
        exact = [
            (1 if kind == "presence" else n)
            for _, _, n, open_, _ in rows
            if n and (kind == "presence" or not open_)
        ]
        constant += math.lgamma(sum(exact) + 1) - sum(math.lgamma(n + 1) for n in exact)
    assert data.constant == pytest.approx(constant, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(networks)
def test_a_first_catch_may_have_flown_since_the_check_before(network: Network) -> None:
    records = records_of(network)
    data = None
    with contextlib.suppress(DataError):
        data = assemble(records, kind="first catch")
    expected = {}
    for (trap, year), its_checks in network.items():
        ends = sorted(
            ((after + length) / 2, n > 0 or status != "counted") for after, length, n, status, _ in its_checks
        )
        if trap == "T2" and year == 2019:
            ends = [one for one in ends if math.floor(one[0]) < 50]  # 20 February
        if trap == "T3" or not any(caught for _, caught in ends):
            continue
        first = next(i for i, (_, caught) in enumerate(ends) if caught)
        expected[trap, year] = (ends[first - 1][0] if first else 0.0, ends[first][0])
    if data is None:
        assert not expected
        return
    time = data.edge_day + data.edge_part
    found = zip(time[data.catch_left], time[data.catch_right], strict=True)
    keys = zip(data.table["trap"], data.table["year"], strict=True)
    if all(len({one[0] + one[1] for one in its}) == len(its) for its in network.values()):
        assert dict(zip(keys, found, strict=True)) == expected
    assert (data.whole == 1.0).all()
    assert (data.edge_weight == 0.0).all()


def test_every_midnight_watched_is_an_edge_where_nights_count() -> None:
    # From 5 January to noon of 9 January, and from noon of 12 January to noon of 14 January.
    network: Network = {("T1", 2020): [(8, 9, 2, "counted", 1.0), (23, 4, 1, "counted", 1.0)]}
    data = assemble(records_of(network), night="tmin")
    assert (data.edge_day + data.edge_part).tolist() == [4, 5, 6, 7, 8, 8.5, 9, 10, 11, 11.5, 12, 13, 13.5]
    assert data.edge_weight.tolist() == [-1, 0, 0, 0, 0, 1, 0, 0, 0, -1, 0, 0, 1]
