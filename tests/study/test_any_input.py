"""Whatever a study file or a table holds, the check ends with problems that have a place, never with a fault."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from phenofit.study import check_study
from tests.study.studies import CATCHES, STATIONS, STUDY, TRAPS, WEATHER, write_study

SOUND = {
    "study": STUDY,
    "traps": TRAPS,
    "catches": CATCHES,
    "stations": STATIONS,
    "weather": "\n".join(WEATHER.splitlines()[:40]) + "\n",
}
JUNK = st.sampled_from(
    [
        "",
        '"',
        "'",
        ",",
        ";",
        "\n",
        "\x00",
        "é",
        "\ufeff",
        "-",
        "1e999",
        "nan",
        "inf",
        "[[",
        "{}",
        "=",
        "#",
        "\t",
        "99999999999999999999",
        "2024-02-30",
        "true",
        "x" * 300,
        "=1+1",
        "\r",
        "[a.b]\n",
        "published = 3\n",
    ]
)
VALUES = st.sampled_from(
    [
        "3",
        "-1",
        "2.5",
        "true",
        '"x"',
        '""',
        "[]",
        "[1, 2]",
        "{a = 1}",
        "2024-01-01",
        "nan",
        '"50 degF"',
        '"/"',
        '"\\u0000"',
        '"biofix"',
        '["a", "b"]',
        "[2016, 2024]",
        '"meteostat"',
        "1979-05-27T07:32:00Z",
    ]
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data(), st.sampled_from(sorted(SOUND)))
def test_text_that_was_damaged(tmp_path: Path, data: st.DataObject, name: str) -> None:
    text = SOUND[name]
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text)))
        text = text[:at] + data.draw(JUNK) + text[at + data.draw(st.sampled_from([0, 1, 3, 10, 40])) :]
    for problem in check_study(write_study(tmp_path, **{**SOUND, name: text})):
        assert problem.finding
        assert problem.file


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_values_of_another_kind(tmp_path: Path, data: st.DataObject) -> None:
    lines = STUDY.splitlines()
    keys = [i for i, line in enumerate(lines) if "=" in line]
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.sampled_from(keys))
        lines[at] = f"{lines[at].split('=')[0]}= {data.draw(VALUES)}"
    for problem in check_study(write_study(tmp_path, **{**SOUND, "study": "\n".join(lines)})):
        assert problem.finding
        assert problem.file


@pytest.mark.parametrize("name", ["traps.csv", "catches.csv", "weather.csv"])
def test_bytes_that_are_no_text(tmp_path: Path, name: str) -> None:
    path = write_study(tmp_path)
    (tmp_path / name).write_bytes(bytes(range(256)) * 4)
    assert [p.file for p in check_study(path)] == [name]
